/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Four floats side by side, which every machine with vectors has. */
#ifndef UDG_FOUR_H
#define UDG_FOUR_H

#include <stddef.h>
#include <string.h>

typedef float udg_four __attribute__((vector_size(4 * sizeof(float))));

static inline udg_four udg_four_load(const float *from) {
  udg_four v;
  memcpy(&v, from, sizeof v);
  return v;
}

static inline udg_four udg_four_all(float x) {
  return (udg_four){x, x, x, x};
}

static inline float udg_four_sum(udg_four v) {
  return (v[0] + v[1]) + (v[2] + v[3]);
}

/* sum over i, j of wy[j] wx[i] at[j stride + i], four each way. */
static inline float udg_four_by_four(const float *at, ptrdiff_t stride, const float wx[4],
                                     const float wy[4]) {
  udg_four sum = udg_four_all(wy[0]) * udg_four_load(at) +
                 udg_four_all(wy[1]) * udg_four_load(at + stride) +
                 udg_four_all(wy[2]) * udg_four_load(at + 2 * stride) +
                 udg_four_all(wy[3]) * udg_four_load(at + 3 * stride);
  return udg_four_sum(sum * udg_four_load(wx));
}

#endif
