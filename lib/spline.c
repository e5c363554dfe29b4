/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "spline.h"

#include "four.h"
#include "wider.h"

/* The samples 1/6, 4/6, 1/6 of the cubic B-spline have the inverse filter
 * 6 / (z + 4 + 1/z), whose pole inside the unit circle is sqrt(3) - 2. */
static const float POLE = -0.26794919243112270647f;
/* POLE^14 < 1e-8: further samples do not show in single precision. */
#define HORIZON 14

static inline int mirror(int i, int n) {
  if (n == 1)
    return 0;
  i = i < 0 ? -i : i;
  i %= 2 * n - 2;
  return i < n ? i : 2 * n - 2 - i;
}

/* Rows of `width` values, `count` of them in step: value i of row k is at
 * v[i * step + k].  Filtering across rows keeps the inner loop contiguous. */
static void filter_lines(float *v, int n, ptrdiff_t step, int count) {
  const float gain = (1 - POLE) * (1 - 1 / POLE), last_gain = POLE / (POLE * POLE - 1);
  for (int k = 0; k < count; k++) {
    float *line = v + k, first = 0, power = 1;
    for (int i = 0; i < HORIZON; i++, power *= POLE)
      first += power * line[mirror(i, n) * step];
    line[0] = gain * first;
  }
  for (int i = 1; i < n; i++)
    for (int k = 0; k < count; k++)
      v[i * step + k] = gain * v[i * step + k] + POLE * v[(i - 1) * step + k];
  for (int k = 0; k < count; k++) {
    float before = n > 1 ? v[(n - 2) * step + k] : v[k];
    v[(n - 1) * step + k] = last_gain * (v[(n - 1) * step + k] + POLE * before);
  }
  for (int i = n - 2; i >= 0; i--)
    for (int k = 0; k < count; k++)
      v[i * step + k] = POLE * (v[(i + 1) * step + k] - v[i * step + k]);
}

void udg_spline_prepare(udg_plane *plane) {
  if (plane->height > 1)
    filter_lines(plane->v, plane->height, plane->width, plane->width);
  if (plane->width > 1)
    for (int y = 0; y < plane->height; y++)
      filter_lines(udg_plane_row(plane, y), plane->width, 1, 1);
}

static inline void weights_of(float t, float w[4]) {
  float s = 1 - t;
  w[0] = s * s * s / 6;
  w[1] = (4 - 6 * t * t + 3 * t * t * t) / 6;
  w[2] = (4 - 6 * s * s + 3 * s * s * s) / 6;
  w[3] = t * t * t / 6;
}

/* 0 for NaN. */
static inline double within(double t, double most) {
  t = t > 0 ? t : 0;
  return t < most ? t : most;
}

float udg_spline_sample(const udg_plane *prepared, double x, double y) {
  int width = prepared->width, height = prepared->height;
  double u = within(x - 0.5, width - 1), v = within(y - 0.5, height - 1);
  int i = (int)u, j = (int)v;
  float wx[4], wy[4], sum = 0;
  weights_of((float)(u - i), wx);
  weights_of((float)(v - j), wy);
  if (i >= 1 && j >= 1 && i + 2 < width && j + 2 < height) {
    return udg_four_by_four(udg_plane_row(prepared, j - 1) + i - 1, width, wx, wy);
  }
  for (int b = 0; b < 4; b++) {
    const float *row = udg_plane_row(prepared, mirror(j - 1 + b, height));
    float line = 0;
    for (int a = 0; a < 4; a++)
      line += wx[a] * row[mirror(i - 1 + a, width)];
    sum += wy[b] * line;
  }
  return sum;
}

/* Points side by side. */
enum { BLOCK = 32, FOUR = 4 };

/* Of each point the pixels that weigh, from (i - 1, j - 1) on, and their weights. */
typedef struct block {
  int i[BLOCK], j[BLOCK];
  float wx[FOUR][BLOCK], wy[FOUR][BLOCK];
} block;

/* Along one axis of `size` pixels. */
UDG_WIDER
static void axis_place(const double *at, double size, int *restrict pixel, float *restrict w0,
                       float *restrict w1, float *restrict w2, float *restrict w3) {
  float part[BLOCK];
  for (int k = 0; k < BLOCK; k++) {
    const double u = within(at[k] - 0.5, size - 1);
    const int i = (int)u;
    pixel[k] = i;
    part[k] = (float)(u - i);
  }
  for (int k = 0; k < BLOCK; k++) {
    float w[FOUR];
    weights_of(part[k], w);
    w0[k] = w[0];
    w1[k] = w[1];
    w2[k] = w[2];
    w3[k] = w[3];
  }
}

static void block_place(const udg_plane *prepared, const double *x, const double *y, block *b) {
  axis_place(x, prepared->width, b->i, b->wx[0], b->wx[1], b->wx[2], b->wx[3]);
  axis_place(y, prepared->height, b->j, b->wy[0], b->wy[1], b->wy[2], b->wy[3]);
}

/* Sums down four rows of four pixels: what is left to be weighed along the row. */
static inline udg_four columns_of(const udg_plane *prepared, const block *b, int k) {
  const ptrdiff_t width = prepared->width;
  const float *at = udg_plane_row(prepared, b->j[k] - 1) + b->i[k] - 1;
  return udg_four_all(b->wy[0][k]) * udg_four_load(at) +
         udg_four_all(b->wy[1][k]) * udg_four_load(at + width) +
         udg_four_all(b->wy[2][k]) * udg_four_load(at + 2 * width) +
         udg_four_all(b->wy[3][k]) * udg_four_load(at + 3 * width);
}

/* Four points: their columns turned over, so that each is a lane. */
static void four_take(const udg_plane *prepared, const block *b, int k, float *values) {
  const udg_four p = columns_of(prepared, b, k), q = columns_of(prepared, b, k + 1);
  const udg_four r = columns_of(prepared, b, k + 2), s = columns_of(prepared, b, k + 3);
  const udg_four a = __builtin_shufflevector(p, q, 0, 4, 1, 5);
  const udg_four c = __builtin_shufflevector(p, q, 2, 6, 3, 7);
  const udg_four d = __builtin_shufflevector(r, s, 0, 4, 1, 5);
  const udg_four e = __builtin_shufflevector(r, s, 2, 6, 3, 7);
  const udg_four sum = (__builtin_shufflevector(a, d, 0, 1, 4, 5) * udg_four_load(&b->wx[0][k]) +
                        __builtin_shufflevector(a, d, 2, 3, 6, 7) * udg_four_load(&b->wx[1][k])) +
                       (__builtin_shufflevector(c, e, 0, 1, 4, 5) * udg_four_load(&b->wx[2][k]) +
                        __builtin_shufflevector(c, e, 2, 3, 6, 7) * udg_four_load(&b->wx[3][k]));
  memcpy(values, &sum, sizeof sum);
}

static int lies_within(const udg_plane *prepared, const block *b, int k) {
  return b->i[k] >= 1 && b->j[k] >= 1 && b->i[k] + 2 < prepared->width &&
         b->j[k] + 2 < prepared->height;
}

void udg_spline_samples(const udg_plane *prepared, const double *x, const double *y, int count,
                        float *values) {
  block b;
  int first = 0;
  for (; first + BLOCK <= count; first += BLOCK) {
    block_place(prepared, x + first, y + first, &b);
    for (int k = 0; k < BLOCK; k += FOUR) {
      int all = 1;
      for (int n = k; n < k + FOUR; n++)
        all &= lies_within(prepared, &b, n);
      if (all)
        four_take(prepared, &b, k, values + first + k);
      for (int n = k; n < k + FOUR && !all; n++)
        values[first + n] = udg_spline_sample(prepared, x[first + n], y[first + n]);
    }
  }
  for (; first < count; first++)
    values[first] = udg_spline_sample(prepared, x[first], y[first]);
}
