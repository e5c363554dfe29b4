/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "template_grid.h"

#include <string.h>

#include "eight.h"
#include "wider.h"

enum { LANES = UDG_EIGHT, BLOCK = 2 * LANES };

enum { KEYS = 4 }; /* pixels that a sample is made of */

/* What the Keys pixels from base on, and one more to each side, count for. */
static void line_take(udg_grid_axis *axis, int line, double at_px, int size, double px_per_mm,
                      const float *gaussian, int reach) {
  udg_cubic cubic;
  udg_cubic_take(at_px, 0.5, &cubic);
  int first = cubic.i - 1 - reach, last = size - axis->taps;
  axis->first[line] = first = first < 0 ? 0 : first > last ? last : first;
  float *value = axis->value + (size_t)line * (size_t)axis->taps;
  float *slope = axis->slope + (size_t)line * (size_t)axis->taps;
  const float half = (float)(px_per_mm / 2);
  for (int m = -1; m <= KEYS; m++) {
    float v = m >= 0 && m < KEYS ? cubic.wx[m] : 0.0f;
    float s = half * ((m >= 1 ? cubic.wx[m - 1] : 0.0f) - (m + 1 < KEYS ? cubic.wx[m + 1] : 0.0f));
    for (int k = -reach; k <= reach; k++) {
      int at = udg_plane_mirror(cubic.i + m + k, size) - first;
      value[at] += v * gaussian[k < 0 ? -k : k];
      slope[at] += s * gaussian[k < 0 ? -k : k];
    }
  }
}

udg_status udg_grid_axis_create(const udg_settings *settings, const double *at_px, int count,
                                int size, double sigma_px, double px_per_mm, udg_grid_axis *axis) {
  float gaussian[UDG_GAUSSIAN_REACH + 1] = {1.0f};
  int reach = sigma_px > 0.0 ? udg_gaussian_half(sigma_px, gaussian) : 0;
  int taps = (2 * reach + KEYS + 2 + LANES - 1) / LANES * LANES;
  *axis = (udg_grid_axis){.count = count, .taps = taps < size ? taps : size};
  axis->first = udg_memory_get(settings, (size_t)count + 1, sizeof *axis->first);
  axis->value = udg_memory_get(settings, (size_t)count + 1, 2 * (size_t)axis->taps * sizeof(float));
  if (!axis->first || !axis->value)
    return UDG_ERROR_MEMORY;
  axis->slope = axis->value + (size_t)count * (size_t)axis->taps;
  for (int k = 0; k < count; k++)
    if (at_px[k] >= 0.0 && at_px[k] < size)
      line_take(axis, k, at_px[k], size, px_per_mm, gaussian, reach);
  return UDG_OK;
}

void udg_grid_axis_destroy(const udg_settings *settings, udg_grid_axis *axis) {
  udg_memory_drop(settings, axis->first);
  udg_memory_drop(settings, axis->value);
  *axis = (udg_grid_axis){0};
}

/* One row of values and one of slopes. */
UDG_WIDER
static void row_take(const float *from, size_t stride, int width, const float *value,
                     const float *slope, int taps, float *restrict values, float *restrict slopes) {
  int x = 0;
  for (; x + BLOCK <= width; x += BLOCK) {
    udg_eight v0 = {0}, v1 = {0}, s0 = {0}, s1 = {0}, a, b;
    const float *at = from + x;
    for (int t = 0; t < taps; t++, at += stride) {
      memcpy(&a, at, sizeof a);
      memcpy(&b, at + LANES, sizeof b);
      v0 += UDG_EIGHT_ALL(value[t]) * a;
      v1 += UDG_EIGHT_ALL(value[t]) * b;
      s0 += UDG_EIGHT_ALL(slope[t]) * a;
      s1 += UDG_EIGHT_ALL(slope[t]) * b;
    }
    memcpy(values + x, &v0, sizeof v0);
    memcpy(values + x + LANES, &v1, sizeof v1);
    memcpy(slopes + x, &s0, sizeof s0);
    memcpy(slopes + x + LANES, &s1, sizeof s1);
  }
  for (; x < width; x++) {
    values[x] = slopes[x] = 0.0f;
    for (int t = 0; t < taps; t++) {
      values[x] += value[t] * from[(size_t)t * stride + (size_t)x];
      slopes[x] += slope[t] * from[(size_t)t * stride + (size_t)x];
    }
  }
}

void udg_grid_rows(const udg_grid_axis *axis, const udg_plane *from, udg_plane *to) {
  for (int k = 0; k < axis->count; k++) {
    const float *value = axis->value + (size_t)k * (size_t)axis->taps;
    const float *slope = axis->slope + (size_t)k * (size_t)axis->taps;
    int first = 0, end = axis->taps; /* less what was put in for whole vectors */
    while (end > 0 && value[end - 1] == 0.0f && slope[end - 1] == 0.0f)
      end--;
    while (first < end && value[first] == 0.0f && slope[first] == 0.0f)
      first++;
    row_take(udg_plane_row(from, axis->first[k] + first), (size_t)from->width, from->width,
             value + first, slope + first, end - first, udg_plane_row(to, k),
             udg_plane_row(to, axis->count + k));
  }
}

static inline float sum_of(const udg_eight *of) {
  const udg_eight v = *of;
  return ((v[0] + v[4]) + (v[1] + v[5])) + ((v[2] + v[6]) + (v[3] + v[7]));
}

/* One point: `values` and `slopes` of its row from the first tap on. */
UDG_WIDER
static void point_take(const float *values, const float *slopes, const float *value,
                       const float *slope, int taps, udg_grid_sample *sample) {
  udg_eight v = {0}, x = {0}, y = {0}, a, b, p, q;
  int t = 0;
  for (; t + LANES <= taps; t += LANES) {
    memcpy(&a, values + t, sizeof a);
    memcpy(&b, slopes + t, sizeof b);
    memcpy(&p, value + t, sizeof p);
    memcpy(&q, slope + t, sizeof q);
    v += a * p;
    x += a * q;
    y += b * p;
  }
  *sample = (udg_grid_sample){sum_of(&v), sum_of(&x), sum_of(&y)};
  for (; t < taps; t++) {
    sample->value += values[t] * value[t];
    sample->slope_x += values[t] * slope[t];
    sample->slope_y += slopes[t] * value[t];
  }
}

void udg_grid_samples(const udg_grid_axis *columns, const udg_plane *rows, const int16_t *x,
                      const int16_t *y, int count, udg_grid_sample *samples) {
  const int lines = rows->height / 2;
  for (int i = 0; i < count; i++) {
    size_t at = (size_t)x[i] * (size_t)columns->taps;
    point_take(udg_plane_row(rows, y[i]) + columns->first[x[i]],
               udg_plane_row(rows, lines + y[i]) + columns->first[x[i]], columns->value + at,
               columns->slope + at, columns->taps, &samples[i]);
  }
}
