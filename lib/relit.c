/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relit.h"

#include <math.h>
#include <string.h>

#include "gram.h"
#include "linalg.h"
#include "wider.h"

enum {
  COLUMNS = UDG_RELIT_COLUMNS,
  GROUND = UDG_RELIT_GROUND,
  STRIDE = UDG_RELIT_STRIDE,
  TARGET = GROUND + COLUMNS,
  WIDTH = TARGET + 1,
  SHADOWS = 2
};
_Static_assert(WIDTH <= STRIDE, "a pixel's row is too long");

enum { EIGHT = 8 }; /* pixels whose rows are made at a time */

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
/* Pixels about a plane that repeat its border, for rays and differences. */
enum { AROUND = REACH_MOST + 2 };

struct udg_relit {
  udg_settings settings;
  int size_most;
  udg_plane h, wide, spare;
  udg_plane around; /* `h` and what is about it; the plane itself begins at (AROUND, AROUND) */
  float *rows;
  float *columns; /* of one line of pixels: WIDTH of them, whole vectors */
};

udg_status udg_relit_create(const udg_settings *settings, int size_most, udg_relit **relit,
                            udg_message *message) {
  udg_relit *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  made->settings = *settings;
  made->size_most = size_most;
  udg_plane *planes[] = {&made->h, &made->wide, &made->spare};
  udg_status status = UDG_OK;
  for (size_t k = 0; k < sizeof planes / sizeof *planes && status == UDG_OK; k++)
    status = udg_plane_create(settings, size_most, size_most, planes[k]);
  if (status == UDG_OK)
    status =
        udg_plane_create(settings, size_most + 2 * AROUND, size_most + 2 * AROUND, &made->around);
  size_t pixels = (size_t)size_most * (size_t)size_most;
  made->rows = udg_memory_get(settings, pixels * STRIDE, sizeof *made->rows);
  made->columns =
      udg_memory_get(settings, ((size_t)size_most + EIGHT) * WIDTH, sizeof *made->columns);
  if (status != UDG_OK || !made->rows || !made->columns) {
    udg_relit_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  }
  *relit = made;
  return UDG_OK;
}

void udg_relit_destroy(udg_relit *relit) {
  if (!relit)
    return;
  udg_settings settings = relit->settings;
  udg_plane *planes[] = {&relit->h, &relit->wide, &relit->spare, &relit->around};
  for (size_t k = 0; k < sizeof planes / sizeof *planes; k++)
    udg_plane_destroy(&settings, planes[k]);
  udg_memory_drop(&settings, relit->rows);
  udg_memory_drop(&settings, relit->columns);
  udg_memory_drop(&settings, relit);
}

/* Where the ray to the lamp is after so many px: whole px and what is left of one. */
typedef struct ray_step {
  int dx, dy;
  float u, v, down;
} ray_step;

/* The rays' steps; `reach` of them. */
static int steps_take(const udg_relit_view *view, double steep, ray_step steps[REACH_MOST]) {
  double c = cos(view->azimuth_rad), s = sin(view->azimuth_rad);
  double fall = steep / fmax(view->relief_px, 1e-3);
  int reach = (int)fmin(ceil(1.0 / fall), REACH_MOST);
  for (int t = 0; t < reach; t++) {
    double x = c * (t + 1), y = s * (t + 1);
    steps[t] = (ray_step){(int)floor(x), (int)floor(y), (float)(x - floor(x)),
                          (float)(y - floor(y)), (float)(fall * (t + 1))};
  }
  return reach;
}

/* How far the relief towards the lamp stands above the ray to it, along a line of pixels. */
UDG_WIDER
static void cast(const float *own, ptrdiff_t stride, const ray_step *steps, int reach, int count,
                 float *restrict shadow) {
  for (int x = 0; x < count; x++)
    shadow[x] = 0.0f;
  for (int t = 0; t < reach; t++) {
    const float u = steps[t].u, v = steps[t].v, down = steps[t].down;
    const float *first = own + steps[t].dy * stride + steps[t].dx, *second = first + stride;
    for (int x = 0; x < count; x++) {
      float above = first[x] + u * (first[x + 1] - first[x]);
      float below = second[x] + u * (second[x + 1] - second[x]);
      float over = above + v * (below - above) - own[x] - down;
      shadow[x] = over > shadow[x] ? over : shadow[x];
    }
  }
}

/* The plane with its border's pixels repeated about it. */
static void surround(const udg_plane *plane, int around, udg_plane *out) {
  int size = plane->width;
  out->width = out->height = size + 2 * AROUND;
  for (int y = -around; y < size + around; y++) {
    const float *from = udg_plane_row(plane, y < 0 ? 0 : y >= size ? size - 1 : y);
    float *to = udg_plane_row(out, y + AROUND) + AROUND;
    memcpy(to, from, (size_t)size * sizeof *to);
    for (int x = 1; x <= around; x++) {
      to[-x] = from[0];
      to[size - 1 + x] = from[size - 1];
    }
  }
}

static void planes_make(udg_relit *relit, const udg_relit_view *view, const udg_plane *height,
                        int reach) {
  int size = height->width;
  size_t count = (size_t)size * (size_t)size;
  udg_plane *planes[] = {&relit->h, &relit->wide, &relit->spare};
  for (size_t k = 0; k < sizeof planes / sizeof *planes; k++)
    planes[k]->width = planes[k]->height = size;
  memcpy(relit->h.v, height->v, count * sizeof *height->v);
  udg_plane_blur(&relit->h, view->blur_px, &relit->spare);
  memcpy(relit->wide.v, relit->h.v, count * sizeof *height->v);
  udg_plane_blur(&relit->wide, CREVICE * view->bevel_px, &relit->spare);
  surround(&relit->h, reach + 1, &relit->around);
}

/* A line of pixels: ground, then what light makes of the relief there, column by column, `apart`
 * values from the next.  `h`: the line in its surroundings, `stride` from the next;
 * `first`: its first pixel's number in the plane's line, whose ends are -1 and 1; `to`: px by
 * which a full shoulder's steepest is 1. */
typedef struct line {
  const float *h, *wide;
  ptrdiff_t stride;
  int first, size, count, apart;
  float v, to;
} line;

UDG_WIDER
static void fill_line(const line *from, float *restrict columns) {
  const float *restrict h = from->h, *restrict wide = from->wide;
  const float *restrict above = h - from->stride, *restrict below = h + from->stride;
  const float v = from->v, to = from->to, half = 0.5f * to, size = (float)from->size;
  const int count = from->count, first = from->first, apart = from->apart;
  for (int x = 0; x < count; x++) {
    float *restrict c = columns + x;
    float u = 2.0f * ((float)(first + x) + 0.5f) / size - 1.0f;
    float p = half * (h[x + 1] - h[x - 1]), q = half * (below[x] - above[x]);
    float s = p * p + q * q, here = h[x], crevice = wide[x] - here;
    float xx = h[x + 1] + h[x - 1] - 2.0f * here, yy = below[x] + above[x] - 2.0f * here;
    float xy = 0.25f * (below[x + 1] + above[x - 1] - above[x + 1] - below[x - 1]);
    c[0 * apart] = 1.0f;
    c[1 * apart] = u;
    c[2 * apart] = v;
    c[3 * apart] = u * u;
    c[4 * apart] = u * v;
    c[5 * apart] = v * v;
    c[6 * apart] = p;
    c[7 * apart] = q;
    c[8 * apart] = s;
    c[9 * apart] = p * p - q * q;
    c[10 * apart] = 2.0f * p * q;
    c[11 * apart] = here;
    c[12 * apart] = p * s;
    c[13 * apart] = q * s;
    c[14 * apart] = p * (p * p - 3.0f * q * q);
    c[15 * apart] = q * (3.0f * p * p - q * q);
    c[16 * apart] = p * s * s;
    c[17 * apart] = q * s * s;
    c[18 * apart] = s * (p * p - q * q);
    c[19 * apart] = 2.0f * p * q * s;
    c[20 * apart] = s * s;
    c[21 * apart] = crevice;
    c[22 * apart] = crevice > 0.0f ? crevice : 0.0f;
    c[23 * apart] = to * xx;
    c[24 * apart] = to * xy;
    c[25 * apart] = to * yy;
  }
}

enum { SHADOW_COLUMN = TARGET - SHADOWS };
_Static_assert(SHADOW_COLUMN == 26, "fill_line() writes what comes before");

typedef float vector __attribute__((vector_size(EIGHT * sizeof(float))));
_Static_assert(STRIDE % EIGHT == 0, "a row is made of whole vectors");

/* From columns of eight pixels, `apart` values from each other, to their rows: the matrix turned
 * over, eight by eight, by pairs, fours and halves. */
UDG_WIDER
static void eight_rows(const float *columns, int apart, float *rows) {
  for (int k = 0; k < STRIDE; k += EIGHT) {
    vector c[EIGHT], d[EIGHT];
    for (int i = 0; i < EIGHT; i++) {
      c[i] = (vector){0};
      if (k + i < WIDTH)
        memcpy(&c[i], columns + (size_t)(k + i) * (size_t)apart, sizeof c[i]);
    }
    for (int i = 0; i < EIGHT; i += 2) {
      d[i] = __builtin_shufflevector(c[i], c[i + 1], 0, 8, 1, 9, 4, 12, 5, 13);
      d[i + 1] = __builtin_shufflevector(c[i], c[i + 1], 2, 10, 3, 11, 6, 14, 7, 15);
    }
    for (int i = 0; i < EIGHT; i += 4)
      for (int j = 0; j < 2; j++) {
        c[i + 2 * j] = __builtin_shufflevector(d[i + j], d[i + j + 2], 0, 1, 8, 9, 4, 5, 12, 13);
        c[i + 2 * j + 1] =
            __builtin_shufflevector(d[i + j], d[i + j + 2], 2, 3, 10, 11, 6, 7, 14, 15);
      }
    for (int i = 0; i < EIGHT / 2; i++) {
      d[i] = __builtin_shufflevector(c[i], c[i + 4], 0, 1, 2, 3, 8, 9, 10, 11);
      d[i + 4] = __builtin_shufflevector(c[i], c[i + 4], 4, 5, 6, 7, 12, 13, 14, 15);
    }
    for (int i = 0; i < EIGHT; i++)
      memcpy(rows + (size_t)i * STRIDE + k, &d[i], sizeof d[i]);
  }
}

/* Rows of the system for a line of pixels, where the mask has them. */
static int rows_take(const udg_relit *relit, const udg_relit_view *view, int y,
                     const ray_step steps[SHADOWS][REACH_MOST], const int reach[SHADOWS],
                     float *rows) {
  const int size = relit->h.width;
  const float *mask = udg_plane_row(view->mask, y), *grey = udg_plane_row(view->grey, y);
  int first = 0, end = size, n = 0;
  while (first < end && mask[first] <= 0.0f)
    first++;
  while (end > first && mask[end - 1] <= 0.0f)
    end--;
  if (first == end)
    return 0;
  const ptrdiff_t stride = relit->around.width;
  const line from = {.h = udg_plane_row(&relit->around, y + AROUND) + AROUND + first,
                     .wide = udg_plane_row(&relit->wide, y) + first,
                     .stride = stride,
                     .first = first,
                     .size = size,
                     .count = end - first,
                     .apart = (end - first + EIGHT - 1) / EIGHT * EIGHT,
                     .v = 2.0f * ((float)y + 0.5f) / (float)size - 1.0f,
                     .to = (float)(view->bevel_px / 1.5)};
  float *columns = relit->columns;
  fill_line(&from, columns);
  for (int k = 0; k < SHADOWS; k++)
    cast(from.h, stride, steps[k], reach[k], from.count,
         columns + (size_t)(SHADOW_COLUMN + k) * (size_t)from.apart);
  memcpy(columns + (size_t)TARGET * (size_t)from.apart, grey + first,
         (size_t)from.count * sizeof *columns);
  for (int x = 0; x < from.count; x += EIGHT) {
    float eight[EIGHT * STRIDE];
    int count = from.count - x < EIGHT ? from.count - x : EIGHT;
    eight_rows(columns + x, from.apart, eight);
    for (int i = 0; i < count; i++)
      if (mask[first + x + i] > 0.0f)
        memcpy(rows + (size_t)STRIDE * (size_t)n++, eight + (size_t)STRIDE * (size_t)i,
               STRIDE * sizeof *rows);
  }
  return n;
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
  ray_step steps[SHADOWS][REACH_MOST];
  int reach[SHADOWS], farthest = 0, n = 0;
  memset(sums, 0, sizeof *sums);
  for (int k = 0; k < SHADOWS; k++) {
    reach[k] = steps_take(view, RAY[k], steps[k]);
    farthest = reach[k] > farthest ? reach[k] : farthest;
  }
  planes_make(relit, view, height, farthest);
  for (int y = 0; y < height->height; y++)
    n += rows_take(relit, view, y, steps, reach, relit->rows + (size_t)STRIDE * (size_t)n);
  sums->pixels = n;
  udg_gram_add(relit->rows, NULL, n, WIDTH, STRIDE, full);
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
