/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A template's fine raster sampled on a coarser grid: blur and interpolation of one axis are one
 * sum of the raster's lines for each line of the grid, so that nothing is blurred between them. */
#ifndef UDG_TEMPLATE_GRID_H
#define UDG_TEMPLATE_GRID_H

#include "plane.h"

/* Lines of the grid along one axis.  Line k has as its value the sum of value[k taps + t] times the
 * raster's line first[k] + t, t < taps, and as its slope the same with `slope`. */
typedef struct udg_grid_axis {
  int count, taps;
  int *first;
  float *value, *slope;
} udg_grid_axis;

/* The lines at at_px[k] of `size`, for a raster that is to be blurred by sigma_px (at most
 * UDG_GAUSSIAN_REACH / 4; 0: not at all), cut and mirrored as udg_plane_blur() does, and sampled
 * as udg_plane_sample() does.  Slopes are half the difference of the samples a px to both sides,
 * times px_per_mm.  Lines outside of the raster are left at 0. */
udg_status udg_grid_axis_create(const udg_settings *settings, const double *at_px, int count,
                                int size, double sigma_px, double px_per_mm, udg_grid_axis *axis);
void udg_grid_axis_destroy(const udg_settings *settings, udg_grid_axis *axis);

/* Rows of the grid, as wide as the raster: first all values, then all slopes; `to` has twice as
 * many rows as the axis has lines. */
void udg_grid_rows(const udg_grid_axis *axis, const udg_plane *from, udg_plane *to);

/* Value and slopes at row `y` and column `x` of the grid. */
typedef struct udg_grid_sample {
  float value, slope_x, slope_y;
} udg_grid_sample;

/* Samples of points (x[i], y[i]) of the grid from `rows`, which udg_grid_rows() gave. */
void udg_grid_samples(const udg_grid_axis *columns, const udg_plane *rows, const int16_t *x,
                      const int16_t *y, int count, udg_grid_sample *samples);

#endif
