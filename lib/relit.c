/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relit.h"

#include <math.h>
#include <string.h>

#include "gram.h"
#include "linalg.h"

enum {
  COLUMNS = UDG_RELIT_COLUMNS,
  GROUND = UDG_RELIT_GROUND,
  STRIDE = UDG_RELIT_STRIDE,
  TARGET = GROUND + COLUMNS,
  WIDTH = TARGET + 1,
  SHADOWS = 2
};
_Static_assert(WIDTH <= STRIDE, "a pixel's row is too long");

/* Levels from which on a difference to the field counts by its logarithm. */
static const double SOFT_LEVELS = 15.0;
/* Keeps a column that no edge shows at zero. */
static const double RIDGE = 1e-6;
/* Spread of what keeps light out of crevices, bevels. */
static const double CREVICE = 1.0;
/* Steepness of the rays that bound a shadow, relief per length: lamps 27 and 45 degrees up. */
static const double RAY[SHADOWS] = {0.5, 1.0};
/* No relief casts a shadow longer than this, px. */
enum { REACH_MOST = 64 };

struct udg_relit {
  udg_settings settings;
  int size_most;
  udg_plane h, wide, spare, shadow[SHADOWS];
  float *rows, *weight;
};

udg_status udg_relit_create(const udg_settings *settings, int size_most, udg_relit **relit,
                            udg_message *message) {
  udg_relit *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  made->settings = *settings;
  made->size_most = size_most;
  udg_plane *planes[] = {&made->h, &made->wide, &made->spare, &made->shadow[0], &made->shadow[1]};
  udg_status status = UDG_OK;
  for (size_t k = 0; k < sizeof planes / sizeof *planes && status == UDG_OK; k++)
    status = udg_plane_create(settings, size_most, size_most, planes[k]);
  size_t pixels = (size_t)size_most * (size_t)size_most;
  made->rows = udg_memory_get(settings, pixels * STRIDE, sizeof *made->rows);
  made->weight = udg_memory_get(settings, pixels, sizeof *made->weight);
  if (status != UDG_OK || !made->rows || !made->weight) {
    udg_relit_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  }
  for (size_t i = 0; i < pixels; i++)
    made->weight[i] = 1.0f;
  *relit = made;
  return UDG_OK;
}

void udg_relit_destroy(udg_relit *relit) {
  if (!relit)
    return;
  udg_settings settings = relit->settings;
  udg_plane *planes[] = {&relit->h, &relit->wide, &relit->spare, &relit->shadow[0],
                         &relit->shadow[1]};
  for (size_t k = 0; k < sizeof planes / sizeof *planes; k++)
    udg_plane_destroy(&settings, planes[k]);
  udg_memory_drop(&settings, relit->rows);
  udg_memory_drop(&settings, relit->weight);
  udg_memory_drop(&settings, relit);
}

static float at(const udg_plane *plane, int x, int y) {
  int size = plane->width;
  x = x < 0 ? 0 : x >= size ? size - 1 : x;
  y = y < 0 ? 0 : y >= size ? size - 1 : y;
  return plane->v[(size_t)y * (size_t)size + (size_t)x];
}

/* Where the ray to the lamp is after so many px: whole px and what is left of one. */
typedef struct ray_step {
  int dx, dy;
  float u, v, down;
} ray_step;

static float between(const udg_plane *plane, int x, int y, const ray_step *step) {
  int i = x + step->dx, j = y + step->dy;
  float above = at(plane, i, j) + step->u * (at(plane, i + 1, j) - at(plane, i, j));
  float below = at(plane, i, j + 1) + step->u * (at(plane, i + 1, j + 1) - at(plane, i, j + 1));
  return above + step->v * (below - above);
}

/* How far the relief towards the lamp stands above the ray to it, where the mask has pixels. */
static void cast(const udg_plane *h, const udg_relit_view *view, double steep, udg_plane *shadow) {
  int size = h->width;
  double c = cos(view->azimuth_rad), s = sin(view->azimuth_rad);
  double fall = steep / fmax(view->relief_px, 1e-3);
  int reach = (int)fmin(ceil(1.0 / fall), REACH_MOST);
  ray_step steps[REACH_MOST];
  for (int t = 0; t < reach; t++) {
    double x = c * (t + 1), y = s * (t + 1);
    steps[t] = (ray_step){(int)floor(x), (int)floor(y), (float)(x - floor(x)),
                          (float)(y - floor(y)), (float)(fall * (t + 1))};
  }
  for (int y = 0; y < size; y++)
    for (int x = 0; x < size; x++) {
      size_t i = (size_t)y * (size_t)size + (size_t)x;
      if (view->mask->v[i] <= 0.0f)
        continue;
      float own = h->v[i], most = 0.0f;
      for (int t = 0; t < reach; t++)
        most = fmaxf(most, between(h, x, y, &steps[t]) - own - steps[t].down);
      shadow->v[i] = most;
    }
}

static void planes_make(udg_relit *relit, const udg_relit_view *view, const udg_plane *height) {
  int size = height->width;
  size_t count = (size_t)size * (size_t)size;
  udg_plane *planes[] = {&relit->h, &relit->wide, &relit->spare, &relit->shadow[0],
                         &relit->shadow[1]};
  for (size_t k = 0; k < sizeof planes / sizeof *planes; k++)
    planes[k]->width = planes[k]->height = size;
  memcpy(relit->h.v, height->v, count * sizeof *height->v);
  udg_plane_blur(&relit->h, view->blur_px, &relit->spare);
  memcpy(relit->wide.v, relit->h.v, count * sizeof *height->v);
  udg_plane_blur(&relit->wide, CREVICE * view->bevel_px, &relit->spare);
  for (int k = 0; k < SHADOWS; k++)
    cast(&relit->h, view, RAY[k], &relit->shadow[k]);
}

/* Ground, then what light makes of the relief there. */
static void fill_row(const udg_relit *relit, const udg_relit_view *view, int x, int y, float *row) {
  const udg_plane *h = &relit->h;
  int size = h->width;
  size_t i = (size_t)y * (size_t)size + (size_t)x;
  float to = (float)(view->bevel_px / 1.5); /* a full shoulder's steepest is 1 */
  float u = 2.0f * ((float)x + 0.5f) / (float)size - 1.0f;
  float v = 2.0f * ((float)y + 0.5f) / (float)size - 1.0f;
  float p = 0.5f * to * (at(h, x + 1, y) - at(h, x - 1, y));
  float q = 0.5f * to * (at(h, x, y + 1) - at(h, x, y - 1));
  float s = p * p + q * q, here = h->v[i];
  float xx = at(h, x + 1, y) + at(h, x - 1, y) - 2.0f * here;
  float yy = at(h, x, y + 1) + at(h, x, y - 1) - 2.0f * here;
  float xy = 0.25f * (at(h, x + 1, y + 1) + at(h, x - 1, y - 1) - at(h, x + 1, y - 1) -
                      at(h, x - 1, y + 1));
  const float values[WIDTH] = {1.0f,
                               u,
                               v,
                               u * u,
                               u * v,
                               v * v,
                               p,
                               q,
                               s,
                               p * p - q * q,
                               2.0f * p * q,
                               here,
                               p * s,
                               q * s,
                               p * (p * p - 3.0f * q * q),
                               q * (3.0f * p * p - q * q),
                               p * s * s,
                               q * s * s,
                               s * (p * p - q * q),
                               2.0f * p * q * s,
                               s * s,
                               relit->wide.v[i] - here,
                               fmaxf(0.0f, relit->wide.v[i] - here),
                               to * xx,
                               to * xy,
                               to * yy,
                               relit->shadow[0].v[i],
                               relit->shadow[1].v[i],
                               view->grey->v[i]};
  memcpy(row, values, sizeof values);
  for (int k = WIDTH; k < STRIDE; k++)
    row[k] = 0.0f;
}

/* Takes the ground away from all else: the Schur complement of its block. */
static void project(const double full[STRIDE * STRIDE], udg_relit_sums *sums) {
  double ground[GROUND * GROUND], part[GROUND], rest[COLUMNS + 1][GROUND];
  for (int i = 0; i < GROUND; i++)
    for (int k = 0; k <= i; k++)
      ground[i * GROUND + k] = full[i * STRIDE + k] + (i == k ? 1e-6 * sums->pixels + 1e-9 : 0.0);
  if (udg_cholesky_factor(ground, GROUND, GROUND, 1e-12) != 0)
    return;
  for (int i = 0; i <= COLUMNS; i++) {
    for (int k = 0; k < GROUND; k++)
      part[k] = full[(GROUND + i) * STRIDE + k];
    udg_cholesky_forward(ground, GROUND, GROUND, part);
    memcpy(rest[i], part, sizeof part);
  }
  for (int i = 0; i <= COLUMNS; i++)
    for (int k = 0; k <= i; k++) {
      double value = full[(GROUND + i) * STRIDE + GROUND + k];
      for (int g = 0; g < GROUND; g++)
        value -= rest[i][g] * rest[k][g];
      if (i < COLUMNS)
        sums->a[i * (i + 1) / 2 + k] = value;
      else if (k < COLUMNS)
        sums->b[k] = value;
      else
        sums->e = value;
    }
}

void udg_relit_hold(const udg_plane *grey, double level, udg_plane *held) {
  for (int i = 0; i < grey->width * grey->height; i++)
    held->v[i] = (float)(SOFT_LEVELS * asinh(((double)grey->v[i] - level) / SOFT_LEVELS));
}

void udg_relit_take(udg_relit *relit, const udg_relit_view *view, const udg_plane *height,
                    udg_relit_sums *sums) {
  double full[STRIDE * STRIDE] = {0.0};
  int size = height->width, n = 0;
  memset(sums, 0, sizeof *sums);
  planes_make(relit, view, height);
  for (int y = 0; y < size; y++)
    for (int x = 0; x < size; x++)
      if (view->mask->v[(size_t)y * (size_t)size + (size_t)x] > 0.0f)
        fill_row(relit, view, x, y, relit->rows + (size_t)STRIDE * (size_t)n++);
  sums->pixels = n;
  udg_gram_add(relit->rows, relit->weight, n, WIDTH, STRIDE, full);
  project(full, sums);
}

void udg_relit_add(udg_relit_sums *to, const udg_relit_sums *more) {
  to->pixels += more->pixels;
  to->e += more->e;
  for (int i = 0; i < COLUMNS; i++)
    to->b[i] += more->b[i];
  for (int i = 0; i < COLUMNS * (COLUMNS + 1) / 2; i++)
    to->a[i] += more->a[i];
}

double udg_relit_rest(const udg_relit_sums *sums) {
  double a[COLUMNS * COLUMNS], b[COLUMNS], explained = 0.0;
  memcpy(b, sums->b, sizeof b);
  for (int i = 0; i < COLUMNS; i++) {
    for (int k = 0; k <= i; k++)
      a[i * COLUMNS + k] = sums->a[i * (i + 1) / 2 + k];
    a[i * (COLUMNS + 1)] += RIDGE * sums->pixels + 1e-9;
  }
  if (udg_cholesky_factor(a, COLUMNS, COLUMNS, 1e-14) != 0)
    return sums->e;
  udg_cholesky_forward(a, COLUMNS, COLUMNS, b);
  for (int i = 0; i < COLUMNS; i++)
    explained += b[i] * b[i];
  return sums->e > explained ? sums->e - explained : 0.0;
}
