/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The innermost loop of blurring. */
#ifndef UDG_TAPS_H
#define UDG_TAPS_H

/* sum[x] += w (left[x] + right[x]) for n pixels; `sum` apart from the others. */
void udg_taps_add(float w, const float *left, const float *right, int n, float *sum);

#endif
