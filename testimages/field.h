/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Heights over a rectangle of the date plane, and what is laid on them. */
#ifndef TI_FIELD_H
#define TI_FIELD_H

#include "plane.h"
#include "rng.h"
#include "scene.h"
#include "shape.h"

/* Sample (i, j) is the value at x0 + i / px_per_mm, y0 + j / px_per_mm. */
typedef struct ti_field {
  double px_per_mm, x0_mm, y0_mm;
  udg_plane h; /* millimetres above the field */
} ti_field;

/* Share of the full relief at a distance from the edge (positive inside). */
double ti_profile_rise(ti_profile profile, double distance_mm, double bevel_mm);

/* Heights combine as the maximum: what is lower is covered. */
typedef struct ti_stamp {
  double centre_mm[2], turn_rad;
  ti_profile profile;
  double bevel_mm;
  double height_mm;     /* height = max(0, height_mm * rise - floor_mm) */
  double floor_mm;      /* taken off by polishing */
  const ti_shape *less; /* NULL, or a shape that is broken away */
  double less_centre_mm[2], less_turn_rad;
  const double *disc; /* NULL, or x, y, radius (mm, in the digit) of the part that is kept */
} ti_stamp;

typedef struct ti_stamp_area {
  double whole_mm2, visible_mm2;
} ti_stamp_area;

/* `area` may be NULL; it counts where the stamp reaches a third of its height,
 * and where it is then above what was there. */
void ti_field_stamp(ti_field *field, const ti_shape *shape, const ti_stamp *stamp,
                    ti_stamp_area *area);

/* Adds smooth noise of standard deviation `rms` whose bumps are `size_mm` apart:
 * normal numbers on a lattice fixed to the coin, cubic B-spline between.
 * `plane` covers the same rectangle as `field`. */
udg_status ti_plane_add_noise(const udg_settings *settings, const ti_field *field, udg_plane *plane,
                              double size_mm, double rms, uint64_t seed);

/* Ridge along a segment, joined to what is there by the maximum. */
void ti_field_ridge(const ti_field *field, udg_plane *plane, const double a[2], const double b[2],
                    double half_width_mm, double height_mm);

/* Cracks and chips into `h` (they are in the die), before wear. */
udg_status ti_marks_raise(const udg_settings *settings, const ti_scene *scene, ti_field *field);
/* Scratches, hairlines and dents (they are on the coin), after wear. */
udg_status ti_marks_cut(const udg_settings *settings, const ti_scene *scene, ti_field *field);

/* Date, trace, marks, wear, grain.  `field` has its place and an empty plane of
 * its size.  Fills the visible share of the trace in `scene`. */
udg_status ti_relief_build(const ti_shapes *shapes, ti_scene *scene, ti_field *field);
/* Share and area of the trace that the present digits leave visible, on a grid of its own. */
udg_status ti_relief_visible(const ti_shapes *shapes, ti_scene *scene);

#endif
