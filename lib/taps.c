/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "taps.h"

#include <string.h>

#include "wider.h"

enum { LANES = UDG_WIDEST_LANES };
typedef float vector __attribute__((vector_size(LANES * sizeof(float))));

/* Written out for 32-bit x86 (gram.c). */
#define EVERYWHERE(x)                                                                            \
  ((vector){(x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x), (x)})
_Static_assert(LANES == 16, "EVERYWHERE() has sixteen of them");

static inline __attribute__((always_inline)) void lanes_take(const float *w,
                                                             const float *const *left,
                                                             const float *const *right, int reach,
                                                             int x, float *out) {
  vector sum, a, b;
  memcpy(&a, left[0] + x, sizeof a);
  sum = EVERYWHERE(w[0]) * a;
  for (int k = 1; k <= reach; k++) {
    memcpy(&a, left[k] + x, sizeof a);
    memcpy(&b, right[k] + x, sizeof b);
    sum += EVERYWHERE(w[k]) * (a + b);
  }
  memcpy(out + x, &sum, sizeof sum);
}

/* What is left over from whole vectors is done as the end of a last one, again in part. */
UDG_WIDEST
static void take(const float *w, const float *const *left, const float *const *right, int reach,
                 int n, float *out) {
  int x = 0;
  for (; x + LANES <= n; x += LANES)
    lanes_take(w, left, right, reach, x, out);
  if (x < n && n >= LANES) {
    lanes_take(w, left, right, reach, n - LANES, out);
    return;
  }
  for (; x < n; x++) {
    float sum = w[0] * left[0][x];
    for (int k = 1; k <= reach; k++)
      sum += w[k] * (left[k][x] + right[k][x]);
    out[x] = sum;
  }
}

/* A function with clones of its own would be exported, whatever its visibility. */
void udg_taps_sum(const float *w, const float *const *left, const float *const *right, int reach,
                  int n, float *out) {
  take(w, left, right, reach, n, out);
}
