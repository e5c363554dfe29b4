/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the aligner share. */
#ifndef UDG_ALIGN_INTERNAL_H
#define UDG_ALIGN_INTERNAL_H

#include <math.h>

#include "align.h"
#include "eight.h"

/* Pose parameters that a light can imitate: shifts, turn, ln scale. */
#define UDG_RIGID 4
#define UDG_UNKNOWN_MAX (UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 * UDG_PLACES_MAX)

/* Pixels side by side; those that are summed at a time, and how far their columns are apart. */
enum { UDG_ALIGN_STRETCH = 512, UDG_ALIGN_APART = UDG_ALIGN_STRETCH + 2 * UDG_EIGHT };
/* Columns of the joint system: light, pose, the place's own, the sampled grey level last; and room
 * for a few more. */
#define UDG_ALIGN_COLUMNS (UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 + 1)

struct udg_aligner {
  udg_settings settings;
  int pixels_max;
  float *sample;   /* grey level less `level`; whole vectors, 0 beyond the last */
  float *root;     /* of the robust weight */
  float *mask;     /* 1: in the photo and not clipped */
  float *residual; /* sample less model */
  double level;    /* mean of the samples: keeps the sums free of cancellation */
  double inside, clipped;
  int used;
  int plain; /* every pixel counts alike, and the set's moments serve */
  double system[UDG_UNKNOWN_MAX * UDG_UNKNOWN_MAX], inverse[UDG_UNKNOWN_MAX * UDG_UNKNOWN_MAX];
  double right[UDG_UNKNOWN_MAX];
  double energy[UDG_RIGID]; /* diagonal of these */
  double target_energy, weight_sum;
  float *columns; /* of a stretch of pixels */
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

/* What the columns of one patch are made from. */
typedef struct udg_align_source {
  const udg_patch_set *set;
  const udg_patch *patch;
  const udg_align_layout *how;
  float light[UDG_COLUMNS_MAX + 4]; /* zeros behind it */
  float x, y;                       /* the place's centre from the set's */
  float cosine, sine;
} udg_align_source;

/* Weighted sums over pixels: the slope's square, and that times the squared distance from the
 * set's centre. */
typedef struct udg_align_sums {
  double slope, far;
} udg_align_sums;

/* Columns of `count` pixels of a patch from number `first` on, at most UDG_ALIGN_STRETCH, times the
 * roots of their weights, which are zeros from there up to a multiple of 16. `roots` and `samples`
 * begin with theirs. */
void udg_align_columns_fill(const udg_align_source *from, int first, int count, const float *roots,
                            const float *samples, udg_align_sums *sums, float *columns);

/* What the light, with zeros behind it, makes of each pixel of a patch. */
void udg_align_model_take(const udg_patch_set *set, const udg_patch *patch, const float *light,
                          float *model);

/* Normal matrix and right side, without priors. `roots`: of the weights. */
void udg_align_system_build(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                            const udg_align_layout *how, const float *roots, const double *light);
/* The same where every pixel counts alike and the date moves as a whole, from the set's moments. */
void udg_align_system_plain(udg_aligner *a, const udg_patch_set *set, const udg_align_layout *how,
                            const double *light);
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
