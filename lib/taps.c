/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "taps.h"

#include <string.h>

#include "eight.h"
#include "wider.h"

#define SIXTEEN(x) UDG_EIGHT_TIMES(x), UDG_EIGHT_TIMES(x)

/* As many pixels, from x on, as `vector` has. */
#define LANES_TAKE(name, vector, everywhere)                                                       \
  static inline __attribute__((always_inline)) void name(const float *w, const float *const *left, \
                                                         const float *const *right, int reach,     \
                                                         int x, float *out) {                      \
    vector sum, a, b;                                                                              \
    memcpy(&a, left[0] + x, sizeof a);                                                             \
    sum = (vector){everywhere(w[0])} * a;                                                          \
    for (int k = 1; k <= reach; k++) {                                                             \
      memcpy(&a, left[k] + x, sizeof a);                                                           \
      memcpy(&b, right[k] + x, sizeof b);                                                          \
      sum += (vector){everywhere(w[k])} * (a + b);                                                 \
    }                                                                                              \
    memcpy(out + x, &sum, sizeof sum);                                                             \
  }

/* A line; what is left over from whole vectors is done as the end of a last one, again in part. */
#define LINE_TAKE(name, lanes, lanes_take)                                                         \
  static void name(const float *w, const float *const *left, const float *const *right, int reach, \
                   int n, float *out) {                                                            \
    int x = 0;                                                                                     \
    for (; x + (lanes) <= n; x += (lanes))                                                         \
      lanes_take(w, left, right, reach, x, out);                                                   \
    if (x < n && n >= (lanes)) {                                                                   \
      lanes_take(w, left, right, reach, n - (lanes), out);                                         \
      return;                                                                                      \
    }                                                                                              \
    for (; x < n; x++) {                                                                           \
      float sum = w[0] * left[0][x];                                                               \
      for (int k = 1; k <= reach; k++)                                                             \
        sum += w[k] * (left[k][x] + right[k][x]);                                                  \
      out[x] = sum;                                                                                \
    }                                                                                              \
  }

LANES_TAKE(eight_take, udg_eight, UDG_EIGHT_TIMES)
UDG_WIDER LINE_TAKE(eights_take, 8, eight_take)

#ifdef UDG_SIXTEEN
    typedef float sixteen __attribute__((vector_size(16 * sizeof(float))));
LANES_TAKE(sixteen_take, sixteen, SIXTEEN)
UDG_SIXTEEN LINE_TAKE(sixteens_take, 16, sixteen_take)
#endif

    /* A function with clones of its own would be exported, whatever its visibility. */
    void udg_taps_sum(const float *w, const float *const *left, const float *const *right,
                      int reach, int n, float *out) {
#ifdef UDG_SIXTEEN
  if (udg_wider_sixteen()) {
    sixteens_take(w, left, right, reach, n, out);
    return;
  }
#endif
  eights_take(w, left, right, reach, n, out);
}

/* So many vectors are summed side by side: each weight is then brought in once for all. */
enum { SIDE = 4 };

static inline __attribute__((always_inline)) void
even_take(const float *w, int reach, const float *from, ptrdiff_t apart, int side, float *out) {
  udg_eight sum[SIDE], a, b;
  for (int i = 0; i < side; i++) {
    memcpy(&a, from + 8 * i, sizeof a);
    sum[i] = UDG_EIGHT_ALL(w[0]) * a;
  }
  const float *left = from - apart, *right = from + apart;
  for (int k = 1; k <= reach; k++, left -= apart, right += apart) {
    const udg_eight weight = UDG_EIGHT_ALL(w[k]);
    for (int i = 0; i < side; i++) {
      memcpy(&a, left + 8 * i, sizeof a);
      memcpy(&b, right + 8 * i, sizeof b);
      sum[i] += weight * (a + b);
    }
  }
  for (int i = 0; i < side; i++)
    memcpy(out + 8 * i, &sum[i], sizeof sum[i]);
}

UDG_WIDER
static void evens_take(const float *w, int reach, const float *from, ptrdiff_t apart, int n,
                       float *out) {
  int x = 0;
  for (; x + 8 * (SIDE - 1) < n; x += 8 * SIDE)
    even_take(w, reach, from + x, apart, SIDE, out + x);
  for (; x < n; x += 8)
    even_take(w, reach, from + x, apart, 1, out + x);
}

void udg_taps_even(const float *w, int reach, const float *from, ptrdiff_t apart, int n,
                   float *out) {
  evens_take(w, reach, from, apart, n, out);
}
