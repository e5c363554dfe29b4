/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Float pixels and what is done to them.  Pixel centres sit at +0.5: the
 * sample of column i, row j is the value at (i + 0.5, j + 0.5). */
#ifndef UDG_PLANE_H
#define UDG_PLANE_H

#include <stddef.h>
#include <stdint.h>

#include "base.h"

typedef struct udg_plane {
  int width, height;
  float *v; /* height rows of width; NULL: empty */
} udg_plane;

/* Zeroed; MEMORY on no memory. `plane` must be empty. */
udg_status udg_plane_create(const udg_settings *settings, int width, int height, udg_plane *plane);
/* The same, not zeroed. */
udg_status udg_plane_create_raw(const udg_settings *settings, int width, int height,
                                udg_plane *plane);
void udg_plane_destroy(const udg_settings *settings, udg_plane *plane);

static inline float *udg_plane_row(const udg_plane *plane, int y) {
  return plane->v + (size_t)y * (size_t)plane->width;
}

/* Value at (x, y) by the cubic convolution of Keys 1981 (a = -1/2), edge
 * repeated outside. */
float udg_plane_sample(const udg_plane *plane, double x, double y);

/* What udg_plane_sample() weighs at (x, y): the first of four by four pixels, and their weights. */
typedef struct udg_cubic {
  int i, j;
  float wx[4], wy[4];
} udg_cubic;
void udg_cubic_take(double x, double y, udg_cubic *cubic);

/* Part of a line between rows: out[x] = sum of wy[k] row[k][x], x < count, in the order in which
 * udg_plane_sample() weighs its four. */
void udg_plane_weigh_rows(const float *const row[4], const float wy[4], int count,
                          float *restrict out);

/* Gaussian of standard deviation sigma_px, cut at 4 sigma, mirrored at the edge;
 * `scratch` of the same size.  sigma 0 leaves the plane as it is. */
void udg_plane_blur(udg_plane *plane, double sigma_px, udg_plane *scratch);

/* A part of a plane: x0 <= x < x1, y0 <= y < y1. */
typedef struct udg_part {
  int x0, y0, x1, y1;
} udg_part;

/* The smallest part outside of which a plane is 0; empty (x0 = x1 = y0 = y1 = 0) where it is 0. */
udg_part udg_plane_filled(const udg_plane *plane);

/* What udg_plane_blur() makes of a part of a small plane whose lines begin `stride` values from
 * each other, the same bits.  Line y of the part goes to out + y out_stride, from x0 on, and up to
 * 7 values more.  Sigma beyond 64 counts as that. Lines of the plane from y_first to y_end are
 * read, the others taken for 0. `scratch`: udg_plane_blur_scratch() values. */
void udg_plane_blur_part(const udg_plane *plane, ptrdiff_t stride, double sigma_px, int y_first,
                         int y_end, const udg_part *part, float *out, ptrdiff_t out_stride,
                         float *scratch);
size_t udg_plane_blur_scratch(int width, int height);
/* How far about the part it reads. */
int udg_plane_blur_reach(double sigma_px);

/* Half of that Gaussian, weight[0] in the middle, for a sigma of at most UDG_GAUSSIAN_REACH / 4;
 * gives how far it reaches, at least 1. */
#define UDG_GAUSSIAN_REACH 256
int udg_gaussian_half(double sigma_px, float weight[UDG_GAUSSIAN_REACH + 1]);

/* The sample that stands in for number i of n: ... b a | a b c ... y z | z y ..., period 2 n. */
static inline int udg_plane_mirror(int i, int n) {
  if (i >= 0 && i < n)
    return i;
  i %= 2 * n;
  if (i < 0)
    i += 2 * n;
  return i < n ? i : 2 * n - 1 - i;
}

/* The value that would have that rank (from 0) in rising order; moves the values
 * about. None may be NaN; rank < count. */
float udg_values_select(float *values, size_t count, size_t rank);

#endif
