/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Sums over the pixels of a patch set that stay the same from one step to the next and from one
 * photo to another, where every pixel counts alike and the date moves as a whole: the normal matrix
 * of a similarity is then made of them and of the light, and each step sums products with the
 * photo's samples alone. */
#ifndef UDG_ALIGN_MOMENTS_H
#define UDG_ALIGN_MOMENTS_H

#include "align.h"

/* Columns T_k, then for each of four pose parameters (shift x, y, turn, ln scale) what a unit of it
 * takes from each: with the light's shares they add up to the pose's column. */
#define UDG_MOMENT_BLOCKS 5

typedef struct udg_align_moments {
  int count, columns;   /* pixels; columns of the set */
  int stride;           /* pixels of a line, filled up to whole vectors with zeros */
  float *x, *y;         /* a line each: mm from the set's centre */
  float *t, *t_x, *t_y; /* columns lines each */
  double *gram;         /* sums of products: UDG_MOMENT_BLOCKS columns rows of as many */
} udg_align_moments;

udg_status udg_align_moments_create(const udg_settings *settings, const udg_patch_set *set,
                                    udg_align_moments **moments);
void udg_align_moments_destroy(const udg_settings *settings, udg_align_moments *moments);

/* Sums of products of the first `columns` columns of every block with the samples, block by block
 * in UDG_COLUMNS_MAX each; without `poses` of the first block alone. */
void udg_align_moments_right(const udg_align_moments *moments, const float *sample, int columns,
                             int poses, double right[UDG_MOMENT_BLOCKS * UDG_COLUMNS_MAX]);
/* Sum of the samples' squares. */
double udg_align_moments_energy(const udg_align_moments *moments, const float *sample);

#endif
