/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Fits a lit height model to a photo: pose and light together.
 *
 * Each place of a date is a patch of pixels u (mm, date-plane axes, from the
 * place's centre c) with K appearance columns T_k(u).  With the homography H,
 * the place's own offset o and turn R the model says
 *     I(H(c + o + R u)) = sum_k light_k T_k(u) + noise.
 * Gauss-Newton on pose and light at once (variable projection: the light is
 * linear), the pose's derivative taken from the model's own gradient, which
 * carries no noise.  A pose direction that the columns can imitate is worth
 * nothing; the joint normal matrix accounts for that. */
#ifndef UDG_ALIGN_H
#define UDG_ALIGN_H

#include <underdigit/result.h>

#include "plane.h"
#include "pose.h"

#define UDG_COLUMNS_MAX 20
#define UDG_SWELLS 3
/* shift x, y, turn, ln scale, two shears, two perspective terms, swells */
#define UDG_GLOBAL_MAX (8 + UDG_SWELLS)

typedef struct udg_patch {
  int count;
  float *u, *v;     /* mm, from the centre */
  float *n_x, *n_y; /* unit vector away from the nearest outline's field side: grad distance */
  float *swell[UDG_SWELLS]; /* how far a unit of each swell moves the pixel outwards, mm/mm */
  float *t, *t_x, *t_y; /* count rows of the set's column_stride: T_k, dT_k/du, dT_k/dv (1/mm) */
  double centre_mm[2];
} udg_patch;

struct udg_align_moments;

/* Columns 0 .. background_count-1 are what a bare field shows (level, ramps). */
typedef struct udg_patch_set {
  int patch_count, column_count, column_stride, background_count;
  double centre_mm[2]; /* what turn and scale are about */
  double radius_mm;    /* of the date about its centre: makes turn and scale comparable to shifts */
  double px_per_mm;    /* density of the patch pixels */
  udg_patch patches[UDG_PLACES_MAX];
  struct udg_align_moments *moments; /* align_moments.h, or NULL; goes with the set */
} udg_patch_set;

typedef struct udg_align_settings {
  int global_count;            /* first so many pose parameters are free: 0, 2, 3, 4, 6, 8, 9 ... */
  int places_free;             /* each place's own shift and turn, too */
  double slack_mm, slack_rad;  /* prior s.d. of these */
  double shear_sd;             /* prior s.d. of the two shears */
  double perspective_sd;       /* prior s.d. of the perspective terms, 1/mm */
  double swell_sd[UDG_SWELLS]; /* prior s.d., mm */
  double clip_level;           /* samples at or above it are left out */
  double tukey;                /* residuals beyond so many s.d. count nothing; 0: least squares */
  double noise_floor;          /* smallest s.d. believed, grey levels */
  double correlation_px;       /* so many patch pixels count as one independent measurement, >= 1 */
  int iterations_max;
  double stop_px;     /* stop when no part of the date moves more, patch px */
  double step_max_px; /* longest step, patch px; 0: none */
} udg_align_settings;

typedef struct udg_align_pose {
  udg_homography date_to_photo;
  double shear[2], perspective[2]; /* accumulated so far, for their priors */
  /* Shoulders other than the reference's, the same all round: outlines lie so
   * much further out; the shoulder is wider; its outer half is the wider one. */
  double swell_mm[UDG_SWELLS];
  double offset_mm[UDG_PLACES_MAX][2];
  double turn_rad[UDG_PLACES_MAX];
} udg_align_pose;

typedef struct udg_align_result {
  int iterations;
  int used;       /* pixels with weight */
  double inside;  /* share of the patches' pixels that lie in the photo */
  double clipped; /* share of these that are clipped */
  double light[UDG_COLUMNS_MAX];
  double sigma;          /* robust s.d. of the residual, grey levels */
  double rms;            /* of all unclipped pixels, grey levels */
  double explained;      /* share of their variance about the background, 0-1 */
  unsigned undetermined; /* bit i: pose parameter i could not be told; it was left alone */
  double covariance[UDG_GLOBAL_MAX][UDG_GLOBAL_MAX]; /* shift in mm of the date plane, turn rad,
                              ln scale, shears, perspective 1/mm; INFINITY when undetermined */
  double place_covariance[UDG_PLACES_MAX][3][3];     /* offset x, y (mm), turn (rad) */
} udg_align_result;

/* Scratch for patch sets of at most `pixels_max` pixels altogether. */
typedef struct udg_aligner udg_aligner;
udg_status udg_aligner_create(const udg_settings *settings, int pixels_max, udg_aligner **aligner);
void udg_aligner_destroy(udg_aligner *aligner);

/* Improves `pose`.  The photo has gone through udg_spline_prepare() and should be
 * about as blurred as the columns. */
void udg_align_run(udg_aligner *aligner, const udg_patch_set *set, const udg_plane *photo,
                   const udg_align_settings *how, udg_align_pose *pose, udg_align_result *result);

/* Only measures at the given pose (light, rms, explained). */
void udg_align_measure(udg_aligner *aligner, const udg_patch_set *set, const udg_plane *photo,
                       const udg_align_settings *how, const udg_align_pose *pose,
                       udg_align_result *result);

#endif
