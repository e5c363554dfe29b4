/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The best of a digit at a place, pixel by pixel. */
#include <math.h>
#include <string.h>

#include "score_internal.h"

static const double CELL = 0.2;        /* side of a cell, digit heights */
static const double CELL_MIN = 0.01;   /* cells with less of the expected energy do not count */
static const double DISC = 0.75;       /* radius of the surroundings, digit heights */
static const double OUTLINE_PX = 0.75; /* pixels so near are the outline's own */
enum { CELLS = 16 };                   /* a side; covers 3.2 digit heights */

/* Part of a window that stays in it when moved by `offset`: [from, to). */
static void overlap(int size, int offset, int *from, int *to) {
  *from = offset < 0 ? -offset : 0;
  *to = offset > 0 ? size - offset : size;
}

/* Cell of each pixel along one side; -1 outside of all cells. */
static void cells_along(int size, int *cell) {
  double cell_px = CELL * UDG_UPRIGHT_DIGIT_PX;
  for (int x = 0; x < size; x++) {
    int c = (int)floor((x - 0.5 * size) / cell_px) + CELLS / 2;
    cell[x] = c >= 0 && c < CELLS ? c : -1;
  }
}

/* How the energy is spread over the cells of the trace. */
static void look_at_cells(const udg_score *score, const udg_score_place *place, int size,
                          const int offset[2], udg_hypothesis *h) {
  double norm[CELLS * CELLS] = {0.0}, match[CELLS * CELLS] = {0.0};
  double whole = 0.0, matched = 0.0;
  int cell[UDG_WINDOW_MAX], from[2], to[2];
  cells_along(size, cell);
  for (int axis = 0; axis < 2; axis++)
    overlap(size, offset[axis], &from[axis], &to[axis]);
  for (int y = from[1]; y < to[1]; y++) {
    const float *t = score->whole + (size_t)y * (size_t)size;
    const float *weight = place->weight + (size_t)(y + offset[1]) * (size_t)size;
    const float *residual = place->residual + (size_t)(y + offset[1]) * (size_t)size;
    if (cell[y] < 0)
      continue;
    for (int x = from[0]; x < to[0]; x++) {
      float w = weight[x + offset[0]], r = residual[x + offset[0]];
      if (cell[x] < 0 || w <= 0.0f)
        continue;
      float n = w * t[x] * t[x];
      norm[cell[y] * CELLS + cell[x]] += (double)n;
      match[cell[y] * CELLS + cell[x]] += (double)(w * r * t[x]);
      whole += (double)n;
    }
  }
  double counted = 0.0, largest = 0.0;
  for (int i = 0; i < CELLS * CELLS; i++) {
    if (norm[i] <= CELL_MIN * whole)
      continue;
    double share = h->amplitude > 0.0 ? match[i] / norm[i] / h->amplitude : 0.0;
    h->complete += norm[i] * fmin(fmax(share, 0.0), 1.0);
    h->missing += share < 0.2 ? norm[i] : 0.0;
    h->uneven += norm[i] * (share - 1.0) * (share - 1.0);
    counted += norm[i];
    matched += match[i];
    largest = fmax(largest, match[i]);
    h->cells++;
  }
  if (counted > 0.0) {
    h->complete /= counted;
    h->missing /= counted;
    h->uneven /= counted;
  }
  h->largest = matched > 0.0 ? fmin(largest / matched, 1.0) : 1.0;
}

/* Energy in the surroundings that the trace would not touch. */
static void look_around(udg_score *score, const udg_score_place *place, int size,
                        const int offset[2], const udg_trace *trace, udg_hypothesis *h) {
  float *mark = score->work;
  memset(mark, 0, sizeof *mark * (size_t)size * (size_t)size);
  for (int i = 0; i < trace->support_count; i++) {
    int x = trace->support_at[i] % size + offset[0], y = trace->support_at[i] / size + offset[1];
    if (x >= 0 && y >= 0 && x < size && y < size)
      mark[y * size + x] = 1.0f;
  }
  double radius = DISC * UDG_UPRIGHT_DIGIT_PX, sum = 0.0, pixels = 0.0;
  for (int y = 0; y < size; y++) {
    double uy = y - 0.5 * size - offset[1], half = radius * radius - uy * uy;
    if (half < 0.0)
      continue;
    half = sqrt(half);
    double middle = 0.5 * size + offset[0];
    int from = (int)fmax(ceil(middle - half), 0.0),
        to = (int)fmin(floor(middle + half), size - 1.0);
    size_t row = (size_t)y * (size_t)size;
    for (int x = from; x <= to; x++) {
      float w = place->weight[row + x], r = place->residual[row + x];
      if (w <= 0.0f || mark[row + x] > 0.0f)
        continue;
      sum += (double)(w * r * r);
      pixels += 1.0;
    }
  }
  h->around = pixels > 0.0 ? sum / pixels : 1.0;
}

/* Free amplitudes of the odd and the even part: how steep the trace is shows
 * in their proportion.  score->trace holds the odd part; the even one is what it
 * leaves of score->whole. */
static void split_amplitude(const udg_score *score, const udg_score_place *place, int size,
                            const int offset[2], udg_hypothesis *h) {
  double a = 0.0, b = 0.0, c = 0.0, u = 0.0, v = 0.0;
  int from[2], to[2];
  for (int axis = 0; axis < 2; axis++)
    overlap(size, offset[axis], &from[axis], &to[axis]);
  for (int y = from[1]; y < to[1]; y++) {
    size_t row = (size_t)y * (size_t)size;
    const float *weight = place->weight + (size_t)(y + offset[1]) * (size_t)size;
    const float *residual = place->residual + (size_t)(y + offset[1]) * (size_t)size;
    for (int x = from[0]; x < to[0]; x++) {
      double w = (double)weight[x + offset[0]], r = (double)residual[x + offset[0]];
      double odd = (double)score->trace[row + x];
      double even =
          ((double)score->whole[row + x] - odd * (double)UDG_DRAW_ODD) / (double)UDG_DRAW_EVEN;
      a += w * odd * odd;
      b += w * odd * even;
      c += w * even * even;
      u += w * r * odd;
      v += w * r * even;
    }
  }
  /* Half a unit of prior each keeps a part that the light does not show at 0. */
  a += 0.25;
  c += 0.25;
  double determinant = a * c - b * b;
  h->odd = (c * u - b * v) / determinant;
  h->even = (a * v - b * u) / determinant;
  h->covariance[0] = c / determinant;
  h->covariance[1] = -b / determinant;
  h->covariance[2] = a / determinant;
}

/* Share of the trace's outline, at a window that begins at (left, top), that no
 * present digit lies over. */
static double open_outline(const udg_upright *upright, const udg_trace *trace, int size, int left,
                           int top) {
  const double x_step = (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) / (UDG_LIGHT_STEPS - 1);
  int on = 0, open = 0;
  for (int i = 0; i < trace->pixel_count; i++) {
    const udg_edge_pixel *p = &trace->pixels[i];
    if (fabs(UDG_LIGHT_X_LOW + p->step * x_step) * upright->bevel_px > OUTLINE_PX)
      continue;
    int x = left + p->at % size, y = top + p->at / size;
    on++;
    if (x < 0 || y < 0 || x >= upright->width || y >= upright->height)
      continue;
    open += udg_plane_row(&upright->distance, y)[x] < 0.0f;
  }
  return on > 0 ? (double)open / on : 0.0;
}

/* The whitened trace into score->whole, its odd part into score->trace. */
static void draw_parts(udg_score *score, const udg_light *light, const udg_trace_bank *bank,
                       const udg_trace *trace) {
  size_t count = (size_t)bank->size * (size_t)bank->size;
  udg_trace_draw(trace, light, UDG_DRAW_ODD, UDG_DRAW_EVEN, bank->size, score->whole);
  udg_trace_draw(trace, light, 1.0f, 0.0f, bank->size, score->trace);
  for (size_t i = 0; i < count; i++)
    score->pair[i] = (udg_complex){score->whole[i], score->trace[i]};
  udg_score_whiten(score, bank);
  for (size_t i = 0; i < count; i++) {
    score->whole[i] = score->pair[i].re;
    score->trace[i] = score->pair[i].im;
  }
}

void udg_score_look(udg_score *score, const udg_upright *upright, const udg_light *light,
                    const udg_trace_bank *bank, const udg_trace *trace, const udg_match *match,
                    udg_hypothesis *h) {
  const udg_score_place *place = &score->places[h->place];
  int size = bank->size;
  if (score->looked_at != trace) {
    draw_parts(score, light, bank, trace);
    score->looked_at = trace;
  }
  h->visible = open_outline(upright, trace, size, place->left + match->offset[0],
                            place->top + match->offset[1]);
  look_at_cells(score, place, size, match->offset, h);
  look_around(score, place, size, match->offset, trace, h);
  split_amplitude(score, place, size, match->offset, h);
  if (h->cells == 0)
    h->cells = 1; /* wholly covered: still the best of its kind */
}
