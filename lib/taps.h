/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Innermost loop of blurring. */
#ifndef UDG_TAPS_H
#define UDG_TAPS_H

#include <stddef.h>

/* out[x] = w[0] left[0][x] + sum of w[k] (left[k][x] + right[k][x]) over k = 1 .. reach, in that
 * order, x < n.  `out` overlaps none of them. */
void udg_taps_sum(const float *w, const float *const *left, const float *const *right, int reach,
                  int n, float *out);

/* out[x] = w[0] from[x] + sum of w[k] (from[x - k apart] + from[x + k apart]) over k = 1 .. reach,
 * in that order, for x < n and on to a multiple of 8.  `out` does not overlap it. */
void udg_taps_even(const float *w, int reach, const float *from, ptrdiff_t apart, int n,
                   float *out);

#endif
