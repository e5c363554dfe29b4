/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "taps.h"

#include "wider.h"

UDG_WIDER
static void add(float w, const float *restrict left, const float *restrict right, int n,
                float *restrict sum) {
  for (int x = 0; x < n; x++)
    sum[x] += w * (left[x] + right[x]);
}

/* A function with clones of its own would be exported, whatever its visibility. */
void udg_taps_add(float w, const float *left, const float *right, int n, float *sum) {
  add(w, left, right, n, sum);
}
