/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Cubic B-spline interpolation: keeps fine detail that short kernels blur away,
 * which would be read as a change of scale. */
#ifndef UDG_SPLINE_H
#define UDG_SPLINE_H

#include "plane.h"

/* Pixels become spline coefficients, in place, so that the spline goes through
 * every pixel (Unser, Aldroubi & Eden, IEEE Trans. Signal Processing 41(2), 1993).
 * Edges are mirrored about the rim's pixel centres. */
void udg_spline_prepare(udg_plane *plane);

/* Value at (x, y) of a prepared plane; edge repeated outside. */
float udg_spline_sample(const udg_plane *prepared, double x, double y);
/* The same of `count` points, the same bits. */
void udg_spline_samples(const udg_plane *prepared, const double *x, const double *y, int count,
                        float *values);

#endif
