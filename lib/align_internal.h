/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the aligner share. */
#ifndef UDG_ALIGN_INTERNAL_H
#define UDG_ALIGN_INTERNAL_H

#include <math.h>

#include "align.h"
#include "four.h"

/* Pose parameters that a light can imitate: shifts, turn, ln scale. */
#define UDG_RIGID 4
#define UDG_UNKNOWN_MAX (UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 * UDG_PLACES_MAX)

struct udg_aligner {
  udg_settings settings;
  int pixels_max;
  float *sample;   /* grey level less `level` */
  float *weight;   /* robust weight */
  float *mask;     /* 1: in the photo and not clipped */
  float *residual; /* sample less model */
  double level;    /* mean of the samples: keeps the sums free of cancellation */
  double inside, clipped;
  int used;
  double system[UDG_UNKNOWN_MAX * UDG_UNKNOWN_MAX], inverse[UDG_UNKNOWN_MAX * UDG_UNKNOWN_MAX];
  double right[UDG_UNKNOWN_MAX];
  double energy[UDG_RIGID]; /* diagonal of these */
  double target_energy, weight_sum;
};

/* What is solved for, and where it sits among the unknowns. */
typedef struct udg_align_layout {
  int light, global, place; /* counts; `place` a place */
  int unknowns;
} udg_align_layout;

/* Date-plane position of a patch pixel less the place's centre. */
typedef struct udg_align_placing {
  double x, y, cosine, sine;
} udg_align_placing;

static inline udg_align_placing udg_align_place(const udg_patch *patch, const udg_align_pose *pose,
                                                int place) {
  return (udg_align_placing){patch->centre_mm[0] + pose->offset_mm[place][0],
                             patch->centre_mm[1] + pose->offset_mm[place][1],
                             cos(pose->turn_rad[place]), sin(pose->turn_rad[place])};
}

/* The light of a set's columns in single precision, filled up with zeros to whole vectors where
 * the set's rows are; how many that makes. */
static inline int udg_align_light_floats(const udg_patch_set *set, const double *light,
                                         float share[UDG_COLUMNS_MAX]) {
  int columns = (set->column_count + 3) / 4 * 4;
  columns = columns <= set->column_stride ? columns : set->column_count;
  for (int k = 0; k < columns; k++)
    share[k] = k < set->column_count ? (float)light[k] : 0.0f;
  return columns;
}

/* Normal matrix and right side with the given weights, without priors. */
void udg_align_system_build(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                            const udg_align_layout *how, const float *weights, const double *light);
/* Brings the system to units of one s.d. and adds the priors of `pose`. */
void udg_align_priors_add(udg_aligner *a, const udg_patch_set *set, const udg_align_layout *how,
                          const udg_align_settings *given, const udg_align_pose *pose,
                          double sigma);
/* Factors the system in place, leaving out what cannot be told; 0: hopeless. */
int udg_align_system_factor(udg_aligner *a, const udg_align_layout *how, unsigned *undetermined);
/* Covariances of what a factored system solved for. */
void udg_align_covariance_take(udg_aligner *a, const udg_align_layout *how, int patch_count,
                               udg_align_result *result);

#endif
