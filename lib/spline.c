/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "spline.h"

#include "four.h"

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

static void weights_of(float t, float w[4]) {
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
