/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Innermost loop of blurring. */
#ifndef UDG_TAPS_H
#define UDG_TAPS_H

/* out[x] = w[0] left[0][x] + sum of w[k] (left[k][x] + right[k][x]) over k = 1 .. reach, in that
 * order, x < n.  `out` overlaps none of them. */
void udg_taps_sum(const float *w, const float *const *left, const float *const *right, int reach,
                  int n, float *out);

#endif
