/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "light": how an edge looks in this photo, by its direction and by the
 * distance from it, learned from the present digits and shared by all of them.
 *
 * Model, grey levels:
 *   I = F(phi, x) + cover terms + ground
 *   F(phi, x) = sum_j B_j(x) [a_j0 + rim sum_{m=1..3} (a_jm cos m phi + b_jm sin m phi)]
 * x is the signed distance to the outline in bevel widths (positive inside), phi the
 * direction of steepest ascent, B_j hat functions over UDG_LIGHT_KNOTS.  Odd m turn over
 * with the slope, as first-order shading and its odd powers do; even m and m = 0 do not,
 * as ring light, crevices and rubbed tops.  Nothing is assumed of the shoulder's profile, of
 * the metal or of the lamps but that they are the same for all digits of one photo. */
#ifndef UDG_LIGHT_H
#define UDG_LIGHT_H

#include "upright.h"

enum {
  UDG_LIGHT_KNOTS = 10,
  UDG_LIGHT_HARMONICS = 3,
  UDG_LIGHT_PER_KNOT = 1 + 2 * UDG_LIGHT_HARMONICS,
  UDG_LIGHT_COVERS = 6,
  UDG_LIGHT_GROUND = 6,
  UDG_LIGHT_COLUMNS = UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT + UDG_LIGHT_COVERS + UDG_LIGHT_GROUND,
  UDG_LIGHT_ANGLES = 64,
  UDG_LIGHT_STEPS = 96,
  UDG_LIGHT_INTERVALS = UDG_LIGHT_KNOTS, /* between knots, and flat ground */
  UDG_LIGHT_ROW = 32
};
/* Beyond these distances (bevel widths) F is flat ground. */
#define UDG_LIGHT_X_LOW (-1.5)
#define UDG_LIGHT_X_HIGH 1.8

typedef struct udg_light {
  double coefficient[UDG_LIGHT_COLUMNS];
  double rms;               /* robust s.d. of the misfit near the digits, levels */
  double peak;              /* the largest change of level that the digits' edges make (98 %) */
  double azimuth_rad;       /* towards the lamp, clockwise from +x, y down */
  double directional_share; /* of F's energy in odd harmonics, 0-1 */
  float odd[UDG_LIGHT_STEPS][UDG_LIGHT_ANGLES]; /* F by distance and direction, rim = 1 */
  float even[UDG_LIGHT_STEPS][UDG_LIGHT_ANGLES];
  float flat[UDG_LIGHT_STEPS]; /* its part without direction */
  udg_plane model;             /* the whole right side, levels */
  udg_plane cover[3];          /* share covered by digits, blurred */
  udg_plane scratch;
  /* Of the pixels that are fitted: rows of the system (UDG_LIGHT_ROW floats each), where they lie,
     their weight or misfit.  Interval n has those from first[n] to first[n + 1] - 1. */
  float *rows, *weight;
  int32_t *at;
  int first[UDG_LIGHT_INTERVALS + 1];
  double normal[UDG_LIGHT_COLUMNS * UDG_LIGHT_COLUMNS], right[UDG_LIGHT_COLUMNS];
  udg_settings settings;
} udg_light;

udg_status udg_light_create(const udg_settings *settings, const udg_upright *upright,
                            udg_light **light, udg_message *message);
void udg_light_destroy(udg_light *light);

/* Robust fit (Tukey's biweight, c = 4 robust s.d.) over the digits and a
 * quarter of their height around.  ARGUMENT when too few pixels are usable. */
/* s.d. of the blurred covers in digit heights.  The cover terms are, for each, blurred cover
 * times outside and times inside, from coefficient KNOTS * PER_KNOT on. */
extern const double udg_light_cover_sigma[3];

udg_status udg_light_fit(udg_light *light, const udg_upright *upright, udg_message *message);

#endif
