/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "light.h"

#include <math.h>
#include <string.h>

#include "linalg.h"

/* Hat functions over distance, in bevel widths: close together on the shoulder,
 * where all the shading is, wider on the foot. */
static const double KNOTS[UDG_LIGHT_KNOTS] = {-1.0, -0.5, -0.2, 0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3};
/* s.d. of the blurred covers in digit heights: light kept out of the openings. */
static const double COVER_SIGMA[3] = {0.06, 0.12, 0.24};
static const float FIT_FROM_PX = -12.0f; /* field this far off still tells of the ground */
static const float NEAR_FROM_PX = -2.0f; /* pixels that set the scale of the misfit */
static const double TUKEY = 4.0;
static const int ROUNDS = 6;
/* Keeps harmonics that no edge of this date shows at zero. */
static const double RIDGE = 1e-6;

enum { ROW_MAX = 2 * UDG_LIGHT_PER_KNOT + UDG_LIGHT_COVERS + UDG_LIGHT_GROUND };

/* The non-zero entries of one pixel's row. */
typedef struct row {
  int count;
  int column[ROW_MAX];
  float value[ROW_MAX];
} row;

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
  made->weight =
      udg_memory_get(settings, (size_t)upright->width * (size_t)upright->height, sizeof(float));
  if (status != UDG_OK || !made->weight) {
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
}

static void add(row *r, int column, float value) {
  r->column[r->count] = column;
  r->value[r->count++] = value;
}

static void row_of(const udg_light *light, const udg_upright *upright, int x, int y, row *r) {
  size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
  double distance = upright->distance.v[at] / upright->bevel_px;
  r->count = 0;
  if (distance > UDG_LIGHT_X_LOW && distance < UDG_LIGHT_X_HIGH) {
    float angle[2 * UDG_LIGHT_HARMONICS];
    harmonics(upright->cosine.v[at], upright->sine.v[at], angle);
    for (int j = 0; j < UDG_LIGHT_KNOTS; j++) {
      float b = (float)hat(j, distance);
      if (b <= 0.0f)
        continue;
      add(r, j * UDG_LIGHT_PER_KNOT, b);
      for (int k = 0; k < 2 * UDG_LIGHT_HARMONICS; k++)
        add(r, j * UDG_LIGHT_PER_KNOT + 1 + k, b * upright->rim.v[at] * angle[k]);
    }
  }
  int base = UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT;
  float inside = fminf(fmaxf(upright->distance.v[at] + 0.5f, 0.0f), 1.0f);
  for (int k = 0; k < 3; k++) {
    float blurred = light->cover[k].v[at];
    add(r, base + 2 * k, blurred * (1.0f - inside));
    add(r, base + 2 * k + 1, blurred * inside);
  }
  base += UDG_LIGHT_COVERS;
  float u = ((float)x + 0.5f) / (float)upright->width - 0.5f;
  float v = ((float)y + 0.5f) / (float)upright->height - 0.5f;
  const float ground[UDG_LIGHT_GROUND] = {1.0f, u, v, u * v, u * u, v * v};
  for (int k = 0; k < UDG_LIGHT_GROUND; k++)
    add(r, base + k, ground[k]);
}

static float apply(const double *coefficient, const row *r) {
  double sum = 0.0;
  for (int k = 0; k < r->count; k++)
    sum += coefficient[r->column[k]] * (double)r->value[k];
  return (float)sum;
}

static void make_covers(udg_light *light, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  for (int k = 0; k < 3; k++) {
    for (size_t i = 0; i < count; i++)
      light->cover[k].v[i] = fminf(fmaxf(upright->distance.v[i] + 0.5f, 0.0f), 1.0f);
    udg_plane_blur(&light->cover[k], COVER_SIGMA[k] * UDG_UPRIGHT_DIGIT_PX, &light->scratch);
  }
}

/* Weighted normal equations; the number of pixels that count is given back. */
static int gather(udg_light *light, const udg_upright *upright) {
  int used = 0;
  memset(light->normal, 0, sizeof light->normal);
  memset(light->right, 0, sizeof light->right);
  for (int y = 0; y < upright->height; y++) {
    for (int x = 0; x < upright->width; x++) {
      size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
      float weight = light->weight[at];
      if (weight <= 0.0f)
        continue;
      row r;
      row_of(light, upright, x, y, &r);
      used++;
      for (int i = 0; i < r.count; i++) {
        double wi = (double)weight * (double)r.value[i];
        double *line = light->normal + r.column[i] * UDG_LIGHT_COLUMNS;
        light->right[r.column[i]] += wi * (double)upright->grey.v[at];
        for (int k = 0; k <= i; k++)
          line[r.column[k]] += wi * (double)r.value[k];
      }
    }
  }
  return used;
}

/* Model everywhere; robust s.d. of the misfit on and beside the digits. */
static double evaluate(udg_light *light, const udg_upright *upright) {
  int count = 0;
  for (int y = 0; y < upright->height; y++) {
    for (int x = 0; x < upright->width; x++) {
      size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
      row r;
      row_of(light, upright, x, y, &r);
      light->model.v[at] = apply(light->coefficient, &r);
      if (upright->usable.v[at] > 0.0f && upright->distance.v[at] > NEAR_FROM_PX)
        light->scratch.v[count++] = fabsf(upright->grey.v[at] - light->model.v[at]);
    }
  }
  if (count == 0)
    return 0.0;
  udg_values_sort(light->scratch.v, (size_t)count);
  return 1.4826 * (double)light->scratch.v[count / 2];
}

static void reweigh(udg_light *light, const udg_upright *upright, double scale) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  for (size_t i = 0; i < count; i++) {
    light->weight[i] = 0.0f;
    if (upright->usable.v[i] <= 0.0f || upright->distance.v[i] < FIT_FROM_PX)
      continue;
    double u = scale > 0.0
                   ? fabs((double)(upright->grey.v[i] - light->model.v[i])) / (TUKEY * scale)
                   : 0.0;
    light->weight[i] = u < 1.0 ? (float)((1.0 - u * u) * (1.0 - u * u)) : 0.0f;
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
  int n = 0;
  for (size_t i = 0; i < count; i++) {
    double x = upright->distance.v[i] / upright->bevel_px;
    if (upright->distance.v[i] < NEAR_FROM_PX || x >= UDG_LIGHT_X_HIGH || x <= UDG_LIGHT_X_LOW)
      continue;
    row r;
    row_of(light, upright, (int)(i % (size_t)upright->width), (int)(i / (size_t)upright->width),
           &r);
    double f = 0.0;
    for (int k = 0; k < r.count; k++)
      if (r.column[k] < UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT)
        f += light->coefficient[r.column[k]] * (double)r.value[k];
    light->scratch.v[n++] = (float)fabs(f);
  }
  light->peak = 0.0;
  if (n == 0)
    return;
  udg_values_sort(light->scratch.v, (size_t)n);
  light->peak = (double)light->scratch.v[(int)(0.98 * (n - 1))];
}

udg_status udg_light_fit(udg_light *light, const udg_upright *upright, udg_message *message) {
  make_covers(light, upright);
  double scale = 0.0;
  memset(light->model.v, 0, sizeof(float) * (size_t)upright->width * (size_t)upright->height);
  for (int round = 0; round < ROUNDS; round++) {
    reweigh(light, upright, scale);
    int used = gather(light, upright);
    if (used < 4 * UDG_LIGHT_COLUMNS)
      return udg_fail(message, UDG_ERROR_ARGUMENT, "too little of the date is usable");
    for (int i = 0; i < UDG_LIGHT_COLUMNS; i++)
      light->normal[i * (UDG_LIGHT_COLUMNS + 1)] += RIDGE * used + 1e-9;
    if (udg_cholesky_factor(light->normal, UDG_LIGHT_COLUMNS, UDG_LIGHT_COLUMNS, 1e-12) != 0)
      return udg_fail(message, UDG_ERROR_ARGUMENT, "the date's edges do not tell the light");
    memcpy(light->coefficient, light->right, sizeof light->coefficient);
    udg_cholesky_solve(light->normal, UDG_LIGHT_COLUMNS, UDG_LIGHT_COLUMNS, light->coefficient);
    light->rms = evaluate(light, upright);
    scale = fmax(light->rms, 0.5);
  }
  tabulate(light);
  measure_peak(light, upright);
  return UDG_OK;
}
