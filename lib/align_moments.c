/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "align_moments.h"

#include <string.h>

#include "eight.h"
#include "wider.h"

enum { LANES = UDG_EIGHT, RUN = 128 }; /* RUN: pixels summed in single precision, lane by lane */
enum { TURN = 3, SCALE = 4 };          /* blocks */

static inline double sum_of(const udg_eight *v) {
  double sum = 0;
  for (int i = 0; i < LANES; i++)
    sum += (double)(*v)[i];
  return sum;
}

UDG_WIDER
static double dot(const float *a, const float *b, int count) {
  double sum = 0;
  for (int first = 0; first < count; first += RUN) {
    udg_eight part = UDG_EIGHT_ALL(0), p, q;
    for (int i = first; i < first + RUN && i < count; i += LANES) {
      memcpy(&p, a + i, sizeof p);
      memcpy(&q, b + i, sizeof q);
      part += p * q;
    }
    sum += sum_of(&part);
  }
  return sum;
}

/* The set's columns one after the other, pixel by pixel. */
static void lines_take(const udg_patch_set *set, udg_align_moments *to) {
  int at = 0;
  for (int p = 0; p < set->patch_count; p++) {
    const udg_patch *patch = &set->patches[p];
    for (int i = 0; i < patch->count; i++, at++) {
      size_t from = (size_t)i * (size_t)set->column_stride;
      to->x[at] = (float)(patch->centre_mm[0] - set->centre_mm[0] + (double)patch->u[i]);
      to->y[at] = (float)(patch->centre_mm[1] - set->centre_mm[1] + (double)patch->v[i]);
      for (int k = 0; k < to->columns; k++) {
        size_t line = (size_t)k * (size_t)to->stride + (size_t)at;
        to->t[line] = patch->t[from + (size_t)k];
        to->t_x[line] = patch->t_x[from + (size_t)k];
        to->t_y[line] = patch->t_y[from + (size_t)k];
      }
    }
  }
}

/* A unit of a pose parameter moves the model by minus its gradient times the displacement. */
static void block_line(const udg_align_moments *m, int block, int column, float *line) {
  size_t at = (size_t)column * (size_t)m->stride;
  const float *t = m->t + at, *gx = m->t_x + at, *gy = m->t_y + at;
  for (int i = 0; i < m->stride; i++)
    line[i] = block == 0      ? t[i]
              : block == 1    ? -gx[i]
              : block == 2    ? -gy[i]
              : block == TURN ? gx[i] * m->y[i] - gy[i] * m->x[i]
                              : -(gx[i] * m->x[i] + gy[i] * m->y[i]);
}

static udg_status gram_take(const udg_settings *settings, udg_align_moments *m) {
  const int side = UDG_MOMENT_BLOCKS * m->columns;
  float *lines = udg_memory_get(settings, (size_t)side * (size_t)m->stride, sizeof *lines);
  if (!lines)
    return UDG_ERROR_MEMORY;
  for (int i = 0; i < side; i++) {
    float *line = lines + (size_t)i * (size_t)m->stride;
    block_line(m, i / m->columns, i % m->columns, line);
    for (int j = 0; j <= i; j++)
      m->gram[i * side + j] = m->gram[j * side + i] =
          dot(line, lines + (size_t)j * (size_t)m->stride, m->stride);
  }
  udg_memory_drop(settings, lines);
  return UDG_OK;
}

udg_status udg_align_moments_create(const udg_settings *settings, const udg_patch_set *set,
                                    udg_align_moments **moments) {
  udg_align_moments *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return UDG_ERROR_MEMORY;
  for (int p = 0; p < set->patch_count; p++)
    made->count += set->patches[p].count;
  made->columns = set->column_count;
  made->stride = (made->count + LANES - 1) / LANES * LANES;
  size_t side = UDG_MOMENT_BLOCKS * (size_t)made->columns, line = (size_t)made->stride;
  made->x = udg_memory_get(settings, 2 + 3 * (size_t)made->columns, line * sizeof *made->x);
  made->gram = udg_memory_get(settings, side, side * sizeof *made->gram);
  udg_status status = made->x && made->gram ? UDG_OK : UDG_ERROR_MEMORY;
  if (status == UDG_OK) {
    made->y = made->x + line;
    made->t = made->y + line;
    made->t_x = made->t + (size_t)made->columns * line;
    made->t_y = made->t_x + (size_t)made->columns * line;
    lines_take(set, made);
    status = gram_take(settings, made);
  }
  if (status != UDG_OK) {
    udg_align_moments_destroy(settings, made);
    return status;
  }
  *moments = made;
  return UDG_OK;
}

void udg_align_moments_destroy(const udg_settings *settings, udg_align_moments *moments) {
  if (!moments)
    return;
  udg_memory_drop(settings, moments->x);
  udg_memory_drop(settings, moments->gram);
  udg_memory_drop(settings, moments);
}

/* Sums of one column's slopes times the samples, and times the samples' x and y. */
UDG_WIDER
static void slopes_right(const udg_align_moments *m, int column, const float *sample, int first,
                         int end, double right[UDG_MOMENT_BLOCKS]) {
  const float *gx = m->t_x + (size_t)column * (size_t)m->stride;
  const float *gy = m->t_y + (size_t)column * (size_t)m->stride;
  udg_eight across = UDG_EIGHT_ALL(0), down = UDG_EIGHT_ALL(0), turn = UDG_EIGHT_ALL(0),
            scale = UDG_EIGHT_ALL(0), s, x, y, p, q;
  for (int i = first; i < end; i += LANES) {
    memcpy(&s, sample + i, sizeof s);
    memcpy(&x, m->x + i, sizeof x);
    memcpy(&y, m->y + i, sizeof y);
    memcpy(&p, gx + i, sizeof p);
    memcpy(&q, gy + i, sizeof q);
    p *= s;
    q *= s;
    across += p;
    down += q;
    turn += p * y - q * x;
    scale += p * x + q * y;
  }
  right[1] -= sum_of(&across);
  right[2] -= sum_of(&down);
  right[TURN] += sum_of(&turn);
  right[SCALE] -= sum_of(&scale);
}

void udg_align_moments_right(const udg_align_moments *m, const float *sample, int columns,
                             int poses, double right[UDG_MOMENT_BLOCKS * UDG_COLUMNS_MAX]) {
  for (int k = 0; k < columns; k++) {
    double own[UDG_MOMENT_BLOCKS] = {dot(m->t + (size_t)k * (size_t)m->stride, sample, m->stride)};
    for (int first = 0; poses && first < m->stride; first += RUN)
      slopes_right(m, k, sample, first, first + RUN < m->stride ? first + RUN : m->stride, own);
    for (int b = 0; b < UDG_MOMENT_BLOCKS; b++)
      right[b * UDG_COLUMNS_MAX + k] = own[b];
  }
}

double udg_align_moments_energy(const udg_align_moments *m, const float *sample) {
  return dot(sample, sample, m->stride);
}
