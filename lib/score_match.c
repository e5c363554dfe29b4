/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Correlations of traces with the photo, and their best offsets. */
#include "score_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Least energy that a share is taken of. */
static const double LOCAL_MIN = 1e-2;
static const double SHARE_MAX = 0.999;
enum { LANES = 8 }; /* pixels summed in single precision */

/* Without supports nothing is asked of what lies round a trace. */
static int maps_of(const udg_trace_bank *bank) {
  return bank->supports ? UDG_MAPS : UDG_MAP_LOCAL;
}

/* The window of `size` px whose first pixel is (left, top) of the plane; 0 outside. */
static void cut_out(const udg_plane *plane, int left, int top, int size, float *window) {
  for (int y = 0; y < size; y++) {
    int py = top + y;
    for (int x = 0; x < size; x++) {
      int px = left + x;
      int inside = px >= 0 && py >= 0 && px < plane->width && py < plane->height;
      window[y * size + x] = inside ? udg_plane_row(plane, py)[px] : 0.0f;
    }
  }
}

/* Spectrum of w r^power, moved round the window by `shift` px so that the first
 * correlation belongs to the offset (-shift, -shift). */
static void spectrum_of(const udg_score *score, const udg_trace_bank *bank,
                        const udg_score_place *at, int power, udg_complex *spectrum) {
  int size = bank->size, shift = score->map_side / 2;
  for (int y = 0; y < size; y++) {
    const float *w = at->weight + (size_t)y * (size_t)size;
    const float *r = at->residual + (size_t)y * (size_t)size;
    udg_complex *to = spectrum + (size_t)((y + shift) % size) * (size_t)size;
    for (int x = 0; x < size; x++)
      to[(x + shift) % size] = (udg_complex){power == 0   ? w[x]
                                             : power == 1 ? w[x] * r[x]
                                                          : w[x] * r[x] * r[x],
                                             0.0f};
  }
  udg_fft_pair_forward(bank->plan, spectrum);
}

void udg_score_prepare(udg_score *score, const udg_residual *residual, const udg_trace_bank *bank,
                       int place) {
  udg_score_place *at = &score->places[place];
  cut_out(&residual->weight, at->left, at->top, bank->size, at->weight);
  cut_out(&residual->white, at->left, at->top, bank->size, at->residual);
  for (int power = 0; power < maps_of(bank); power++)
    spectrum_of(score, bank, at, power, at->spectrum[power]);
}

static void sums_take(const udg_complex *v, size_t count, double sum[2]) {
  sum[0] = sum[1] = 0.0;
  for (size_t i = 0; i < count; i += LANES) {
    size_t end = i + LANES < count ? i + LANES : count;
    udg_complex part = {0.0f, 0.0f};
    for (size_t k = i; k < end; k++) {
      part.re += v[k].re;
      part.im += v[k].im;
    }
    sum[0] += (double)part.re;
    sum[1] += (double)part.im;
  }
}

void udg_score_whiten(udg_score *score, const udg_trace_bank *bank) {
  size_t count = (size_t)bank->size * (size_t)bank->size;
  float scale = bank->plan->scale;
  udg_fft_pair_forward(bank->plan, score->pair);
  for (size_t i = 0; i < count; i++) {
    udg_complex whitened = {score->pair[i].re * score->gain[i], score->pair[i].im * score->gain[i]};
    score->of_trace[i] = whitened;
    score->pair[i] = (udg_complex){whitened.re * scale, whitened.im * scale};
  }
  udg_fft_pair_inverse(bank->plan, score->pair);
}

void udg_score_draw(udg_score *score, const udg_light *light, const udg_trace_bank *bank, int pair,
                    double whole[2]) {
  size_t count = (size_t)bank->size * (size_t)bank->size;
  const udg_trace *first = &bank->traces[2 * pair];
  udg_trace_draw(first, light, UDG_DRAW_ODD, UDG_DRAW_EVEN, bank->size, score->trace);
  if (2 * pair + 1 < bank->trace_count)
    udg_trace_draw(first + 1, light, UDG_DRAW_ODD, UDG_DRAW_EVEN, bank->size, score->work);
  else
    memset(score->work, 0, count * sizeof *score->work);
  udg_score_draw_windows(score, bank, whole);
}

void udg_score_draw_windows(udg_score *score, const udg_trace_bank *bank, double whole[2]) {
  size_t count = (size_t)bank->size * (size_t)bank->size;
  for (size_t i = 0; i < count; i++)
    score->pair[i] = (udg_complex){score->trace[i], score->work[i]};
  udg_score_whiten(score, bank);
  for (size_t i = 0; i < count; i++) {
    udg_complex p = score->pair[i];
    score->of_square[i] = (udg_complex){p.re * p.re, p.im * p.im};
  }
  sums_take(score->of_square, count, whole);
  udg_fft_pair_forward(bank->plan, score->of_square);
}

void udg_score_correlate(udg_score *score, const udg_trace_bank *bank, int pair, int place) {
  const udg_score_place *at = &score->places[place];
  const udg_complex *kernels[UDG_MAPS];
  kernels[UDG_MAP_NORM] = score->of_square;
  kernels[UDG_MAP_NUMERATOR] = score->of_trace;
  kernels[UDG_MAP_LOCAL] = bank->supports ? bank->supports[pair] : NULL;
  for (int k = 0; k < maps_of(bank); k++) {
    udg_fft_pair_correlate(bank->plan, at->spectrum[k], kernels[k], score->product[k]);
    udg_fft_pair_inverse_rows(bank->plan, score->product[k]);
  }
}

void udg_score_take(udg_score *score, const udg_trace_bank *bank, int second) {
  int side = score->map_side;
  for (int k = 0; k < maps_of(bank); k++)
    for (int y = 0; y < side; y++) {
      const udg_complex *from = score->product[k] + (size_t)y * (size_t)bank->size;
      float *to = score->map[k] + (size_t)y * (size_t)side;
      for (int x = 0; x < side; x++)
        to[x] = second ? -from[x].im : from[x].re;
    }
}

udg_peak udg_score_peak(float *const map[UDG_MAPS], double whole, size_t at) {
  double numerator = (double)map[UDG_MAP_NUMERATOR][at];
  double norm = fmax((double)map[UDG_MAP_NORM][at], UDG_VISIBLE_MIN * whole);
  double local = fmax((double)map[UDG_MAP_LOCAL][at], LOCAL_MIN);
  udg_peak p = {0.0, 0.0, 0.0, 0.0};
  if (numerator <= 0.0 || norm <= 0.0)
    return p;
  p.energy = numerator * numerator / norm;
  p.share = fmin(p.energy / local, SHARE_MAX);
  p.amplitude = numerator / norm;
  p.rank = p.energy * p.share;
  return p;
}

/* udg_score_peak()'s rank along a row of the maps, in single precision. */
static void rank_row(const udg_score *score, float norm_min, size_t at, int count,
                     float *restrict rank) {
  const float *restrict numerator = score->map[UDG_MAP_NUMERATOR] + at;
  const float *restrict norm = score->map[UDG_MAP_NORM] + at;
  const float *restrict local = score->map[UDG_MAP_LOCAL] + at;
  const float local_min = (float)LOCAL_MIN, share_max = (float)SHARE_MAX;
  for (int x = 0; x < count; x++) {
    float n = numerator[x] > 0.0f ? numerator[x] : 0.0f;
    float d = norm[x] > norm_min ? norm[x] : norm_min;
    float l = local[x] > local_min ? local[x] : local_min;
    float energy = n * n / d, share = energy / l;
    rank[x] = energy * (share < share_max ? share : share_max);
  }
}

/* Two-dimensional quadratic through the 3 x 3 ranks around the best offset: a
 * separable one is skewed by directional light. Least squares on nine points. */
static void refine(const udg_score *score, double whole, udg_match *match) {
  double gx = 0.0, gy = 0.0, gxx = 0.0, gyy = 0.0, gxy = 0.0;
  for (int j = -1; j <= 1; j++) {
    for (int i = -1; i <= 1; i++) {
      size_t at = udg_score_map_index(score, match->offset[0] + i, match->offset[1] + j);
      double v = udg_score_peak(score->map, whole, at).rank;
      gx += v * i / 6.0;
      gy += v * j / 6.0;
      gxy += v * i * j / 4.0;
      gxx += v * (i ? 1.0 : -2.0) / 3.0;
      gyy += v * (j ? 1.0 : -2.0) / 3.0;
    }
  }
  double determinant = gxx * gyy - gxy * gxy;
  match->refined[0] = match->offset[0];
  match->refined[1] = match->offset[1];
  if (gxx >= 0.0 || determinant <= 0.0)
    return; /* no hill: flat, or at the edge of the search */
  match->refined[0] += fmin(fmax(-(gyy * gx - gxy * gy) / determinant, -0.7), 0.7);
  match->refined[1] += fmin(fmax(-(gxx * gy - gxy * gx) / determinant, -0.7), 0.7);
}

static void show_row(udg_score *score, const float *rank, int count, int left, int y) {
  if (y < 0 || y >= score->best.height)
    return;
  float *shown = udg_plane_row(&score->best, y);
  for (int x = left < 0 ? -left : 0; x < count && left + x < score->best.width; x++)
    shown[left + x] = rank[x] > shown[left + x] ? rank[x] : shown[left + x];
}

static int in_range(const udg_score_range *range, int dx, int dy) {
  return range->reach < 0 ||
         (abs(dx - range->middle[0]) <= range->reach && abs(dy - range->middle[1]) <= range->reach);
}

void udg_score_search_near(udg_score *score, double whole, const udg_score_range *range, int show,
                           int left, int top, udg_match *match) {
  int reach = score->map_side / 2 - 1, count = 2 * reach + 1;
  /* Nothing divides by nought, and nothing that is covered ranks. */
  float norm_min = (float)fmax(UDG_VISIBLE_MIN * whole, 1e-20), best = -1.0f;
  float rank[UDG_MAP_SIDE_MAX];
  double sum = 0.0;
  for (int axis = 0; axis < 2; axis++)
    match->offset[axis] = range->reach < 0 ? 0 : range->middle[axis];
  for (int dy = -reach; dy <= reach; dy++) {
    size_t at = udg_score_map_index(score, -reach, dy);
    const float *norm = score->map[UDG_MAP_NORM] + at;
    rank_row(score, norm_min, at, count, rank);
    if (show)
      show_row(score, rank, count, left, top + dy + reach);
    for (int x = 0; x < count; x++) {
      sum += norm[x] > 0.0f ? (double)norm[x] : 0.0;
      if (rank[x] > best && in_range(range, x - reach, dy)) {
        best = rank[x];
        match->offset[0] = x - reach;
        match->offset[1] = dy;
      }
    }
  }
  match->mean_norm = sum / ((double)count * count);
  size_t at = udg_score_map_index(score, match->offset[0], match->offset[1]);
  match->peak = udg_score_peak(score->map, whole, at);
  match->visible = whole > 0.0 ? fmin((double)score->map[UDG_MAP_NORM][at] / whole, 1.0) : 0.0;
  refine(score, whole, match);
}

void udg_score_search(udg_score *score, double whole, int show, int left, int top,
                      udg_match *match) {
  static const udg_score_range anywhere = {{0, 0}, -1};
  udg_score_search_near(score, whole, &anywhere, show, left, top, match);
}
