/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Columns of the joint normal system for a stretch of a patch's pixels, eight side by side. */
#include <string.h>

#include "align_internal.h"
#include "four.h"
#include "wider.h"

enum { EIGHT = UDG_EIGHT, FOUR = 4, ROW = (UDG_COLUMNS_MAX + FOUR - 1) / FOUR * FOUR };

/* Eight pixels of a patch, wherever they are kept. */
typedef struct eight {
  const float *t, *t_x, *t_y; /* rows, `stride` floats from each other */
  ptrdiff_t stride;
  const float *u, *v, *n_x, *n_y, *swell[UDG_SWELLS];
  const float *root, *sample;
} eight;

/* Where the last few of a patch's pixels are filled up to eight: what is filled in has no weight.
 */
typedef struct filled_up {
  float rows[3][EIGHT * ROW], values[6 + UDG_SWELLS][EIGHT];
} filled_up;

static const float *values_fill(float *to, const float *from, int count) {
  memset(to, 0, EIGHT * sizeof *to);
  memcpy(to, from, (size_t)count * sizeof *to);
  return to;
}

static const float *rows_fill(float *to, const float *from, ptrdiff_t stride, int columns,
                              int count) {
  memset(to, 0, sizeof *to * EIGHT * ROW);
  for (int i = 0; i < count; i++)
    memcpy(to + (ptrdiff_t)i * ROW, from + i * stride, (size_t)columns * sizeof *to);
  return to;
}

/* Eight pixels of the patch from number `i` on, or as many as it has. */
static void eight_take(const udg_align_source *from, int i, const float *root, const float *sample,
                       filled_up *room, eight *to) {
  const udg_patch *p = from->patch;
  const ptrdiff_t stride = from->set->column_stride, at = i * stride;
  const int left = p->count - i, columns = from->set->column_count;
  *to = (eight){p->t + at,  p->t_x + at, p->t_y + at, stride, p->u + i, p->v + i,
                p->n_x + i, p->n_y + i,  {NULL},      root,   sample};
  for (int k = 0; k < UDG_SWELLS; k++)
    to->swell[k] = p->swell[k] + i;
  if (left >= EIGHT && (columns + FOUR - 1) / FOUR * FOUR <= stride)
    return;
  const int count = left < EIGHT ? left : EIGHT;
  const float **rows[3] = {&to->t, &to->t_x, &to->t_y};
  const float **values[6] = {&to->u, &to->v, &to->n_x, &to->n_y, &to->root, &to->sample};
  for (int k = 0; k < 3; k++)
    *rows[k] = rows_fill(room->rows[k], *rows[k], stride, columns, count);
  for (int k = 0; k < 6; k++)
    *values[k] = values_fill(room->values[k], *values[k], count);
  for (int k = 0; k < UDG_SWELLS; k++)
    to->swell[k] = values_fill(room->values[6 + k], to->swell[k], count);
  to->stride = ROW;
}

static inline __attribute__((always_inline)) void load(const float *from, udg_eight *to) {
  memcpy(to, from, sizeof *to);
}

/* Four columns of eight rows: two squares of four side by side, each turned over. */
static inline __attribute__((always_inline)) void turn(const float *rows, ptrdiff_t stride,
                                                       udg_eight out[FOUR]) {
  udg_eight r[FOUR];
  for (int i = 0; i < FOUR; i++) {
    const udg_four first = udg_four_load(rows + i * stride);
    const udg_four second = udg_four_load(rows + (i + FOUR) * stride);
    r[i] = __builtin_shufflevector(first, second, 0, 1, 2, 3, 4, 5, 6, 7);
  }
  const udg_eight a = __builtin_shufflevector(r[0], r[1], 0, 8, 1, 9, 4, 12, 5, 13);
  const udg_eight b = __builtin_shufflevector(r[0], r[1], 2, 10, 3, 11, 6, 14, 7, 15);
  const udg_eight c = __builtin_shufflevector(r[2], r[3], 0, 8, 1, 9, 4, 12, 5, 13);
  const udg_eight d = __builtin_shufflevector(r[2], r[3], 2, 10, 3, 11, 6, 14, 7, 15);
  out[0] = __builtin_shufflevector(a, c, 0, 1, 8, 9, 4, 5, 12, 13);
  out[1] = __builtin_shufflevector(a, c, 2, 3, 10, 11, 6, 7, 14, 15);
  out[2] = __builtin_shufflevector(b, d, 0, 1, 8, 9, 4, 5, 12, 13);
  out[3] = __builtin_shufflevector(b, d, 2, 3, 10, 11, 6, 7, 14, 15);
}

/* The light's columns; those up to four too many are overwritten by what comes after. */
static inline __attribute__((always_inline)) void
light_fill(const eight *from, int count, const udg_eight *root, float *columns) {
  for (int k = 0; k < count; k += FOUR) {
    udg_eight t[FOUR];
    turn(from->t + k, from->stride, t);
    for (int i = 0; i < FOUR; i++) {
      t[i] *= *root;
      memcpy(columns + (size_t)(k + i) * UDG_ALIGN_APART, &t[i], sizeof t[i]);
    }
  }
}

/* What the light makes of eight rows. */
static inline __attribute__((always_inline)) void
lit(const float *rows, ptrdiff_t stride, const float *light, int count, udg_eight *sum) {
  *sum = (udg_eight){0};
  for (int k = 0; k < count; k += FOUR) {
    udg_eight t[FOUR];
    turn(rows + k, stride, t);
    for (int i = 0; i < FOUR; i++)
      *sum += UDG_EIGHT_ALL(light[k + i]) * t[i];
  }
}

/* Displacement of a point at (x, y) from the set's centre for a unit of each pose parameter is
 * (1, 0), (0, 1), (-y, x), (x, y), (x, -y), (y, x), (x^2, x y), (x y, y^2), and for a swell along
 * the outline's normal.  I(pose + step) = I + grad . displacement, so the step's columns enter
 * the system "columns * unknowns = grey level" with a minus. */
static inline __attribute__((always_inline)) void pose_fill(const udg_align_source *from,
                                                            const eight *at, const udg_eight *root,
                                                            udg_align_sums *sums, float *columns) {
  const udg_eight cosine = UDG_EIGHT_ALL(from->cosine), sine = UDG_EIGHT_ALL(from->sine);
  udg_eight gu, gv, u, v, n_x, n_y, swell[UDG_SWELLS];
  lit(at->t_x, at->stride, from->light, from->set->column_count, &gu);
  lit(at->t_y, at->stride, from->light, from->set->column_count, &gv);
  load(at->u, &u);
  load(at->v, &v);
  load(at->n_x, &n_x);
  load(at->n_y, &n_y);
  for (int k = 0; k < UDG_SWELLS; k++)
    load(at->swell[k], &swell[k]);
  const udg_eight gx = cosine * gu - sine * gv, gy = sine * gu + cosine * gv;
  const udg_eight ru = cosine * u - sine * v, rv = sine * u + cosine * v;
  const udg_eight x = UDG_EIGHT_ALL(from->x) + ru, y = UDG_EIGHT_ALL(from->y) + rv,
                  radial = gx * x + gy * y;
  const udg_eight out = gx * (cosine * n_x - sine * n_y) + gy * (sine * n_x + cosine * n_y);
  udg_eight own[UDG_GLOBAL_MAX + 3] = {
      -gx,         -gy,        gx * y - gy * x, -radial, gy * y - gx * x, -(gx * y + gy * x),
      -radial * x, -radial * y};
  for (int k = 0; k < UDG_SWELLS; k++)
    own[8 + k] = swell[k] * out;
  const int global = from->how->global;
  if (from->how->place) {
    own[global] = -gx;
    own[global + 1] = -gy;
    own[global + 2] = gx * rv - gy * ru;
  }
  for (int k = 0; k < global + from->how->place; k++) {
    own[k] *= *root;
    memcpy(columns + (size_t)k * UDG_ALIGN_APART, &own[k], sizeof own[k]);
  }
  const udg_eight slope = *root * *root * (gx * gx + gy * gy), far = slope * (x * x + y * y);
  for (int i = 0; i < EIGHT; i++) {
    sums->slope += (double)slope[i];
    sums->far += (double)far[i];
  }
}

UDG_WIDER
static void eight_fill(const udg_align_source *from, const eight *at, udg_align_sums *sums,
                       float *columns) {
  const udg_align_layout *how = from->how;
  udg_eight root, sample;
  load(at->root, &root);
  load(at->sample, &sample);
  light_fill(at, how->light, &root, columns);
  columns += (size_t)how->light * UDG_ALIGN_APART;
  if (how->global || how->place)
    pose_fill(from, at, &root, sums, columns);
  sample *= root;
  memcpy(columns + (size_t)(how->global + how->place) * UDG_ALIGN_APART, &sample, sizeof sample);
}

void udg_align_columns_fill(const udg_align_source *from, int first, int count, const float *roots,
                            const float *samples, udg_align_sums *sums, float *columns) {
  filled_up room;
  eight at;
  for (int i = 0; i < count; i += EIGHT) {
    eight_take(from, first + i, roots + i, samples + i, &room, &at);
    eight_fill(from, &at, sums, columns + i);
  }
  const int whole = (count + EIGHT - 1) / EIGHT * EIGHT;
  const int width = from->how->light + from->how->global + from->how->place + 1;
  for (int k = 0; k < width; k++)
    memset(columns + (size_t)k * UDG_ALIGN_APART + whole, 0, EIGHT * sizeof *columns);
}

/* Eight rows, or `count` of them. */
UDG_WIDER
static void eight_lit(const float *rows, ptrdiff_t stride, const float *light, int columns,
                      int count, float *model) {
  udg_eight sum;
  lit(rows, stride, light, columns, &sum);
  memcpy(model, &sum, (size_t)count * sizeof *model);
}

void udg_align_model_take(const udg_patch_set *set, const udg_patch *patch, const float *light,
                          float *model) {
  float room[EIGHT * ROW];
  const ptrdiff_t stride = set->column_stride;
  const int columns = set->column_count, fits = (columns + FOUR - 1) / FOUR * FOUR <= stride;
  for (int i = 0; i < patch->count; i += EIGHT) {
    const int count = patch->count - i < EIGHT ? patch->count - i : EIGHT;
    const float *rows = patch->t + i * stride;
    if (count == EIGHT && fits)
      eight_lit(rows, stride, light, columns, EIGHT, model + i);
    else
      eight_lit(rows_fill(room, rows, stride, columns, count), ROW, light, columns, count,
                model + i);
  }
}
