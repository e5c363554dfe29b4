/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "chip.h"

#include <math.h>
#include <string.h>

#include "knob.h"
#include "score_internal.h"
#include "eight.h"
#include "wider.h"

/* Radii looked for, a sixteenth to a sixth of a digit's height. */
enum { RADII = 3 };
static const double RADIUS_PX[RADII] = {3.0, 5.0, 7.5};
enum { FOOT_PX = 5 }; /* what whitening adds around a knob */
enum { LANES = UDG_EIGHT, KNOB_SIDE = 2 * (7 + FOOT_PX) + 1, KNOB_STRIDE = 4 * LANES };
static const double LOCAL_PX = 3.0;   /* energy is a share of what is there, so far outside too */
static const double OPEN_LEAST = 0.1; /* of a knob's energy must be open */
/* Middle of a chip, px from the present digits' edges, positive inside; farther out, dents are
 * still told from it. */
static const float IN_PX = 2.0f, OUT_PX = -6.0f, DENT_OUT_PX = -13.0f;
static const double DENT_PX = 7.0; /* a dent so near explains the same */
enum { STEP_PX = 2 };              /* the narrowest knob is 6 px across */

/* Whitened knob of one radius, row by row, and which pixels are near enough for its share. */
typedef struct knob {
  float first[KNOB_SIDE][KNOB_STRIDE], near[KNOB_SIDE][KNOB_STRIDE];
  int reach;
  double radius, whole;
} knob;

typedef struct sums {
  double matched, norm, local;
} sums;

/* Eight pixels side by side are added up in eight sums. */
typedef struct lanes {
  udg_eight matched, norm, local;
} lanes;

static inline __attribute__((always_inline)) void eight_add(const float *w, const float *r,
                                                            const float *t, const float *near,
                                                            size_t bytes, lanes *to) {
  udg_eight wide = {0.0f}, white = {0.0f}, shape = {0.0f}, close = {0.0f};
  memcpy(&wide, w, bytes);
  memcpy(&white, r, bytes);
  memcpy(&shape, t, bytes);
  memcpy(&close, near, bytes);
  udg_eight shown = wide * shape;
  to->matched += shown * white;
  to->norm += shown * shape;
  to->local += wide * white * white * close;
}

/* Weights are 0 where nothing counts. */
UDG_WIDER
static sums sums_at(const knob *k, const udg_residual *residual, int x, int y) {
  const udg_plane *weight = &residual->weight;
  lanes all;
  memset(&all, 0, sizeof all);
  int left = x - k->reach, side = 2 * k->reach + 1;
  int whole = (side + LANES - 1) / LANES * LANES; /* beyond its side a row of the knob is 0 */
  int from = left < 0 ? -left : 0;
  int to = left + whole <= weight->width ? whole : weight->width - left;
  for (int j = 0; j < side; j++) {
    int row = y + j - k->reach;
    if (row < 0 || row >= weight->height)
      continue;
    const float *w = udg_plane_row(weight, row) + left;
    const float *r = udg_plane_row(&residual->white, row) + left;
    int i = from;
    for (; i + LANES <= to; i += LANES)
      eight_add(w + i, r + i, k->first[j] + i, k->near[j] + i, sizeof(udg_eight), &all);
    if (i < to)
      eight_add(w + i, r + i, k->first[j] + i, k->near[j] + i, (size_t)(to - i) * sizeof(float),
                &all);
  }
  sums s = {0.0, 0.0, 0.0};
  for (int n = 0; n < LANES; n++) {
    s.matched += (double)all.matched[n];
    s.norm += (double)all.norm[n];
    s.local += (double)all.local[n];
  }
  s.norm = fmax(s.norm, fmax(OPEN_LEAST * k->whole, 1e-6));
  return s;
}

/* From a window of side `size`, the knob's middle pixel at size / 2. */
static void take_knob(const float *window, int size, double radius, double whole, knob *k) {
  double square = (radius + LOCAL_PX) * (radius + LOCAL_PX);
  memset(k, 0, sizeof *k);
  k->reach = (int)radius + FOOT_PX;
  k->radius = radius;
  k->whole = whole;
  for (int j = -k->reach; j <= k->reach; j++)
    for (int i = -k->reach; i <= k->reach; i++) {
      k->first[j + k->reach][i + k->reach] = window[(j + size / 2) * size + i + size / 2];
      k->near[j + k->reach][i + k->reach] = i * i + j * j < square ? 1.0f : 0.0f;
    }
}

/* Pixels looked at: every `step`-th. */
typedef struct range {
  int from[2], to[2], step;
} range;

/* z2 R of raised and of sunk ones in a range, and the best raised one. */
static void search(const knob *k, const udg_upright *upright, const udg_residual *residual,
                   const range *within, udg_plane rank[2], udg_chip_seen *best, double *best_rank) {
  for (int y = within->from[1]; y < within->to[1]; y += within->step)
    for (int x = within->from[0]; x < within->to[0]; x += within->step) {
      float off = udg_plane_row(&upright->distance, y)[x];
      if (off > IN_PX || off < DENT_OUT_PX || !udg_on_field(upright, x, y))
        continue;
      sums s = sums_at(k, residual, x, y);
      double energy = s.matched * s.matched / s.norm;
      double own = energy * fmin(energy / fmax(s.local, 1e-3), 1.0);
      float *most = &udg_plane_row(&rank[s.matched > 0.0], y)[x];
      *most = fmaxf(*most, (float)own);
      if (s.matched <= 0.0 || off < OUT_PX || own <= *best_rank)
        continue;
      *best_rank = own;
      *best = (udg_chip_seen){energy, 0.0, s.matched / s.norm, k->radius, {x + 0.5, y + 0.5}};
    }
}

static double most_near(const udg_plane *rank, const double px[2], double radius) {
  double most = 0.0;
  for (int y = 0; y < rank->height; y++)
    for (int x = 0; x < rank->width; x++)
      if (hypot(x + 0.5 - px[0], y + 0.5 - px[1]) < radius)
        most = fmax(most, (double)udg_plane_row(rank, y)[x]);
  return most;
}

static void search_radii(udg_score *score, const udg_upright *upright, const udg_light *light,
                         const udg_residual *residual, const udg_trace_bank *bank,
                         const range *within, udg_plane rank[2], double *best) {
  size_t pixels = (size_t)bank->size * (size_t)bank->size;
  for (int n = 0; n < RADII; n++) {
    double whole[2];
    knob k;
    udg_knob_draw(light, RADIUS_PX[n], 0.5 * bank->size + 0.5, bank->size, score->trace);
    memset(score->work, 0, pixels * sizeof *score->work);
    udg_score_draw_windows(score, bank, whole);
    for (size_t i = 0; i < pixels; i++)
      score->trace[i] = score->pair[i].re;
    take_knob(score->trace, bank->size, RADIUS_PX[n], whole[0], &k);
    search(&k, upright, residual, within, rank, &score->chip, best);
  }
}

void udg_chip_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                   const udg_residual *residual, const udg_trace_bank *bank, udg_plane scratch[2]) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  double best = 0.0;
  memset(&score->chip, 0, sizeof score->chip);
  for (int sign = 0; sign < 2; sign++)
    memset(scratch[sign].v, 0, count * sizeof(float));
  range within = {{0, 0}, {upright->width, upright->height}, STEP_PX};
  search_radii(score, upright, light, residual, bank, &within, scratch, &best);
  score->looked_at = NULL;
  if (best <= 0.0)
    return;
  /* The rest of the pixels about the best. */
  const int size[2] = {upright->width, upright->height};
  for (int axis = 0; axis < 2; axis++) {
    within.from[axis] = (int)fmax(score->chip.px[axis] - DENT_PX, 0.0);
    within.to[axis] = (int)fmin(score->chip.px[axis] + DENT_PX + 1.0, size[axis]);
  }
  within.step = 1;
  search_radii(score, upright, light, residual, bank, &within, scratch, &best);
  score->chip.dent = most_near(&scratch[0], score->chip.px, DENT_PX);
}
