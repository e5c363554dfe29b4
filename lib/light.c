/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "light.h"

#include <math.h>
#include <string.h>

#include "gram.h"
#include "linalg.h"

/* Hat functions over distance, in bevel widths: close together on the shoulder,
 * where all the shading is, wider on the foot. */
static const double KNOTS[UDG_LIGHT_KNOTS] = {-1.0, -0.5, -0.2, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3};
/* s.d. of the blurred covers in digit heights: light kept out of the openings. */
const double udg_light_cover_sigma[3] = {0.06, 0.12, 0.24};
static const float FIT_FROM_PX = -12.0f; /* field this far off still tells of the ground */
static const float NEAR_FROM_PX = -2.0f; /* pixels that set the scale of the misfit */
static const double TUKEY = 4.0;
static const int ROUNDS = 6;
/* Keeps harmonics that no edge of this date shows at zero. */
static const double RIDGE = 1e-6;

/* A pixel lies between two knots at most: its row has the two hats' columns side
 * by side, then covers and ground, then its grey level. */
enum {
  INTERVALS = UDG_LIGHT_INTERVALS,
  HATS = 2 * UDG_LIGHT_PER_KNOT,
  REST = UDG_LIGHT_COVERS + UDG_LIGHT_GROUND,
  TARGET = HATS + REST,
  WIDTH = TARGET + 1,
  STRIDE = UDG_LIGHT_ROW,
  LANES = 4
};
_Static_assert(WIDTH <= STRIDE, "a pixel's row is too long");

udg_status udg_light_create(const udg_settings *settings, const udg_upright *upright,
                            udg_light **light, udg_message *message) {
  udg_light *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the light");
  made->settings = *settings;
  udg_plane *planes[] = {&made->model, &made->cover[0], &made->cover[1], &made->cover[2],
                         &made->scratch};
  udg_status status = UDG_OK;
  for (size_t i = 0; i < sizeof planes / sizeof *planes && status == UDG_OK; i++)
    status = udg_plane_create(settings, upright->width, upright->height, planes[i]);
  size_t pixels = (size_t)upright->width * (size_t)upright->height;
  made->weight = udg_memory_get(settings, pixels, sizeof *made->weight);
  made->rows = udg_memory_raw(settings, pixels * STRIDE, sizeof *made->rows);
  made->at = udg_memory_raw(settings, pixels, sizeof *made->at);
  if (status != UDG_OK || !made->weight || !made->rows || !made->at) {
    udg_light_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the light");
  }
  *light = made;
  return UDG_OK;
}

void udg_light_destroy(udg_light *light) {
  if (!light)
    return;
  udg_settings settings = light->settings;
  udg_plane_destroy(&settings, &light->model);
  for (int i = 0; i < 3; i++)
    udg_plane_destroy(&settings, &light->cover[i]);
  udg_plane_destroy(&settings, &light->scratch);
  udg_memory_drop(&settings, light->weight);
  udg_memory_drop(&settings, light->rows);
  udg_memory_drop(&settings, light->at);
  udg_memory_drop(&settings, light);
}

static double hat(int j, double x) {
  double left = j > 0 ? KNOTS[j - 1] : UDG_LIGHT_X_LOW;
  double right = j + 1 < UDG_LIGHT_KNOTS ? KNOTS[j + 1] : UDG_LIGHT_X_HIGH;
  double value = x <= KNOTS[j] ? (x - left) / (KNOTS[j] - left) : (right - x) / (right - KNOTS[j]);
  return value > 0.0 ? value : 0.0;
}

/* cos and sin of m phi, m = 1..3, by the addition theorems. */
static void harmonics(float c, float s, float out[2 * UDG_LIGHT_HARMONICS]) {
  float c2 = c * c - s * s, s2 = 2.0f * c * s;
  out[0] = c;
  out[1] = s;
  out[2] = c2;
  out[3] = s2;
  out[4] = c * c2 - s * s2;
  out[5] = s * c2 + c * s2;
#ifdef UDG_WITHOUT_SECOND_ORDER /* to measure what it is worth: docs/accuracy.md */
  memset(out + 2, 0, 4 * sizeof *out);
#endif
}

/* The knot interval of a distance: columns of knot `lower` and the next one; -1
 * where F is flat ground. */
static int interval_of(double x) {
  if (!(x > UDG_LIGHT_X_LOW && x < UDG_LIGHT_X_HIGH))
    return -1;
  int lower = 0;
  while (lower + 2 < UDG_LIGHT_KNOTS && x > KNOTS[lower + 1])
    lower++;
  return lower;
}

/* Fills a pixel's row; gives its interval. */
static int row_of(const udg_light *light, const udg_upright *upright, int x, int y, float *row) {
  size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
  double distance = upright->distance.v[at] / upright->bevel_px;
  int lower = interval_of(distance);
  memset(row, 0, STRIDE * sizeof *row);
  if (lower >= 0) {
    float angle[2 * UDG_LIGHT_HARMONICS];
    harmonics(upright->cosine.v[at], upright->sine.v[at], angle);
    for (int j = 0; j < 2; j++) {
      float b = (float)hat(lower + j, distance), *own = row + j * UDG_LIGHT_PER_KNOT;
      own[0] = b;
      for (int k = 0; k < 2 * UDG_LIGHT_HARMONICS; k++)
        own[1 + k] = b * upright->rim.v[at] * angle[k];
    }
  }
  float *rest = row + HATS;
  float inside = fminf(fmaxf(upright->distance.v[at] + 0.5f, 0.0f), 1.0f);
  for (int k = 0; k < 3; k++) {
    float blurred = light->cover[k].v[at];
    rest[2 * k] = blurred * (1.0f - inside);
    rest[2 * k + 1] = blurred * inside;
  }
  float u = ((float)x + 0.5f) / (float)upright->width - 0.5f;
  float v = ((float)y + 0.5f) / (float)upright->height - 0.5f;
  const float ground[UDG_LIGHT_GROUND] = {1.0f, u, v, u * v, u * u, v * v};
  memcpy(rest + UDG_LIGHT_COVERS, ground, sizeof ground);
  row[TARGET] = upright->grey.v[at];
  return lower;
}

/* Column of the whole system that entry i of a row in an interval stands for. */
static int column_of(int lower, int i) {
  if (i >= HATS)
    return UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT + i - HATS;
  return (lower < 0 ? 0 : lower) * UDG_LIGHT_PER_KNOT + i;
}

/* A row's part of the coefficients, in the row's order. */
static void coefficients_of(const udg_light *light, int lower, float part[STRIDE]) {
  memset(part, 0, STRIDE * sizeof *part);
  for (int i = 0; i < TARGET; i++)
    part[i] = (float)light->coefficient[column_of(lower, i)];
}

static float dot(const float *restrict a, const float *restrict b, int count) {
  float lane[LANES] = {0.0f};
  for (int i = 0; i < count; i += LANES)
    for (int k = 0; k < LANES; k++)
      lane[k] += a[i + k] * b[i + k];
  return (lane[0] + lane[2]) + (lane[1] + lane[3]);
}

static void make_covers(udg_light *light, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  for (int k = 0; k < 3; k++) {
    for (size_t i = 0; i < count; i++)
      light->cover[k].v[i] = fminf(fmaxf(upright->distance.v[i] + 0.5f, 0.0f), 1.0f);
    udg_plane_blur(&light->cover[k], udg_light_cover_sigma[k] * UDG_UPRIGHT_DIGIT_PX,
                   &light->scratch);
  }
}

/* Rows of the pixels that are fitted, interval by interval. */
static void gather(udg_light *light, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  int filled = 0;
  /* Beside a learned design the ground is needed, and usable, all the way out. */
  const float fit_from = upright->coin_radius_px > 0.0 ? -UDG_UPRIGHT_REACH_PX : FIT_FROM_PX;
  for (int lower = -1; lower < INTERVALS - 1; lower++) {
    light->first[lower + 1] = filled;
    for (size_t i = 0; i < count; i++) {
      if (upright->usable.v[i] <= 0.0f || udg_upright_blown(upright, i) ||
          upright->distance.v[i] < fit_from ||
          interval_of(upright->distance.v[i] / upright->bevel_px) != lower)
        continue;
      row_of(light, upright, (int)(i % (size_t)upright->width), (int)(i / (size_t)upright->width),
             light->rows + (size_t)filled * STRIDE);
      light->weight[filled] = 1.0f;
      light->at[filled++] = (int32_t)i;
    }
  }
  light->first[INTERVALS] = filled;
}

/* Weighted normal equations; the number of pixels that count is given back. */
static int build(udg_light *light) {
  int used = 0;
  memset(light->normal, 0, sizeof light->normal);
  memset(light->right, 0, sizeof light->right);
  for (int n = 0; n < INTERVALS; n++) {
    double sums[STRIDE * STRIDE] = {0.0};
    int first = light->first[n], count = light->first[n + 1] - first;
    udg_gram_add(light->rows + (size_t)first * STRIDE, light->weight + first, count, WIDTH, STRIDE,
                 sums);
    for (int i = 0; i < count; i++)
      used += light->weight[first + i] > 0.0f;
    for (int a = 0; a < WIDTH; a++)
      for (int b = 0; b <= a && b < TARGET; b++) {
        double value = sums[a * STRIDE + b];
        if (a == TARGET)
          light->right[column_of(n - 1, b)] += value;
        else
          light->normal[column_of(n - 1, a) * UDG_LIGHT_COLUMNS + column_of(n - 1, b)] += value;
      }
  }
  return used;
}

/* Misfit of the fitted pixels; its robust s.d. on and beside the digits. */
static double misfit(udg_light *light, const udg_upright *upright) {
  size_t near = 0;
  for (int n = 0; n < INTERVALS; n++) {
    float part[STRIDE];
    coefficients_of(light, n - 1, part);
    for (int i = light->first[n]; i < light->first[n + 1]; i++) {
      const float *row = light->rows + (size_t)i * STRIDE;
      light->weight[i] = fabsf(row[TARGET] - dot(row, part, STRIDE));
      if (upright->distance.v[light->at[i]] > NEAR_FROM_PX)
        light->scratch.v[near++] = light->weight[i];
    }
  }
  return near > 0 ? 1.4826 * (double)udg_values_select(light->scratch.v, near, near / 2) : 0.0;
}

/* From misfits to weights. */
static void reweigh(udg_light *light, double scale) {
  int count = light->first[INTERVALS];
  float per = (float)(1.0 / (TUKEY * scale));
  for (int i = 0; i < count; i++) {
    float u = light->weight[i] * per, rest = 1.0f - u * u;
    light->weight[i] = u < 1.0f ? rest * rest : 0.0f;
  }
}

/* The model everywhere. */
static void evaluate(udg_light *light, const udg_upright *upright) {
  float part[INTERVALS][STRIDE], row[STRIDE];
  for (int n = 0; n < INTERVALS; n++)
    coefficients_of(light, n - 1, part[n]);
  for (int y = 0; y < upright->height; y++)
    for (int x = 0; x < upright->width; x++) {
      int lower = row_of(light, upright, x, y, row);
      udg_plane_row(&light->model, y)[x] = dot(row, part[lower + 1], STRIDE);
    }
}

/* Tables of F: odd harmonics, even ones with the undirected part times rim 1. */
static void tabulate(udg_light *light) {
  const double pi = acos(-1.0);
  double odd_energy = 0.0, even_energy = 0.0, toward[2] = {0.0, 0.0};
  for (int i = 0; i < UDG_LIGHT_STEPS; i++) {
    double x =
        UDG_LIGHT_X_LOW + (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) * i / (double)(UDG_LIGHT_STEPS - 1);
    double a[UDG_LIGHT_PER_KNOT] = {0.0};
    for (int j = 0; j < UDG_LIGHT_KNOTS; j++)
      for (int k = 0; k < UDG_LIGHT_PER_KNOT; k++)
        a[k] += hat(j, x) * light->coefficient[j * UDG_LIGHT_PER_KNOT + k];
    light->flat[i] = (float)a[0];
    for (int n = 0; n < UDG_LIGHT_ANGLES; n++) {
      float angle[2 * UDG_LIGHT_HARMONICS];
      double phi = 2.0 * pi * n / UDG_LIGHT_ANGLES;
      harmonics((float)cos(phi), (float)sin(phi), angle);
      double odd = a[1] * (double)angle[0] + a[2] * (double)angle[1] + a[5] * (double)angle[4] +
                   a[6] * (double)angle[5];
      double even = a[3] * (double)angle[2] + a[4] * (double)angle[3];
      light->odd[i][n] = (float)odd;
      light->even[i][n] = (float)even;
      odd_energy += odd * odd;
      even_energy += (even + a[0]) * (even + a[0]);
    }
    if (x > 0.0 && x < 1.0) {
      toward[0] += a[1];
      toward[1] += a[2];
    }
  }
  /* A slope that rises along phi faces -phi: it is bright when the lamp stands there. */
  light->azimuth_rad = atan2(-toward[1], -toward[0]);
  double sum = odd_energy + even_energy;
  light->directional_share = sum > 0.0 ? odd_energy / sum : 0.0;
}

/* 98 % point of |F| over the digits' edges. */
static void measure_peak(udg_light *light, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  float row[STRIDE];
  int n = 0;
  for (size_t i = 0; i < count; i++) {
    double x = upright->distance.v[i] / upright->bevel_px;
    if (upright->distance.v[i] < NEAR_FROM_PX || x >= UDG_LIGHT_X_HIGH || x <= UDG_LIGHT_X_LOW)
      continue;
    int lower = row_of(light, upright, (int)(i % (size_t)upright->width),
                       (int)(i / (size_t)upright->width), row);
    double f = 0.0;
    for (int k = 0; k < HATS; k++)
      f += light->coefficient[column_of(lower, k)] * (double)row[k];
    light->scratch.v[n++] = (float)fabs(f);
  }
  light->peak = 0.0;
  if (n == 0)
    return;
  light->peak = (double)udg_values_select(light->scratch.v, (size_t)n, (size_t)(0.98 * (n - 1)));
}

udg_status udg_light_fit(udg_light *light, const udg_upright *upright, udg_message *message) {
  make_covers(light, upright);
  gather(light, upright);
  for (int round = 0; round < ROUNDS; round++) {
    int used = build(light);
    if (used < 4 * UDG_LIGHT_COLUMNS)
      return udg_fail(message, UDG_ERROR_ARGUMENT, "too little of the date is usable");
    for (int i = 0; i < UDG_LIGHT_COLUMNS; i++)
      light->normal[i * (UDG_LIGHT_COLUMNS + 1)] += RIDGE * used + 1e-9;
    if (udg_cholesky_factor(light->normal, UDG_LIGHT_COLUMNS, UDG_LIGHT_COLUMNS, 1e-12) != 0)
      return udg_fail(message, UDG_ERROR_ARGUMENT, "the date's edges do not tell the light");
    memcpy(light->coefficient, light->right, sizeof light->coefficient);
    udg_cholesky_solve(light->normal, UDG_LIGHT_COLUMNS, UDG_LIGHT_COLUMNS, light->coefficient);
    light->rms = misfit(light, upright);
    reweigh(light, fmax(light->rms, 0.5));
  }
  evaluate(light, upright);
  tabulate(light);
  measure_peak(light, upright);
  return UDG_OK;
}
