/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Digits of a reference as sampled distances to their edge: made once, looked
 * up for every picture. */
#ifndef TI_SHAPE_H
#define TI_SHAPE_H

#include "plane.h"
#include "reference_internal.h"

typedef struct ti_shape {
  double px_per_mm, x0_mm, y0_mm; /* place of sample (0, 0) */
  double band_mm;                 /* distances are cut at +-band */
  udg_plane distance_mm;          /* positive inside */
} ti_shape;

typedef struct ti_shapes {
  udg_settings settings;
  ti_shape digits[10];
  size_t design_count, marker_count;
  ti_shape *design;  /* of the reference, in its order */
  ti_shape *markers; /* empty for those that double the design */
} ti_shapes;

udg_status ti_shape_create(const udg_settings *settings, const udg_outline *outline,
                           double px_per_mm, double band_mm, ti_shape *shape);
float ti_shape_distance(const ti_shape *shape, double x_mm, double y_mm);

udg_status ti_shapes_create(const udg_settings *settings, const udg_reference *reference,
                            ti_shapes *shapes);
void ti_shapes_destroy(ti_shapes *shapes);

#endif
