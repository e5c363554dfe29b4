/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "chip.h"

#include <math.h>
#include <string.h>

#include "knob.h"
#include "score_internal.h"

/* Radii looked for, a sixteenth to a sixth of a digit's height. */
enum { RADII = 3 };
static const double RADIUS_PX[RADII] = {3.0, 5.0, 7.5};
static const int FOOT_PX = 5;         /* what whitening adds around a knob */
static const double LOCAL_PX = 3.0;   /* energy is a share of what is there, so far outside too */
static const double OPEN_LEAST = 0.1; /* of a knob's energy must be open */
/* Middle of a chip, px from the present digits' edges, positive inside; farther out, dents are
 * still told from it. */
static const float IN_PX = 2.0f, OUT_PX = -6.0f, DENT_OUT_PX = -13.0f;
static const double DENT_PX = 7.0; /* a dent so near explains the same */
enum { STEP_PX = 2 };              /* the narrowest knob is 6 px across */

/* Whitened knob of one radius and its sums at a pixel. */
typedef struct knob {
  const float *first; /* window of side `size`, middle pixel at size / 2 */
  int size, reach;
  double radius, whole;
} knob;

typedef struct sums {
  double matched, norm, local;
} sums;

static sums sums_at(const knob *k, const udg_residual *residual, int x, int y) {
  const udg_plane *weight = &residual->weight;
  sums s = {0.0, 0.0, 0.0};
  double local = (k->radius + LOCAL_PX) * (k->radius + LOCAL_PX);
  int from = x < k->reach ? -x : -k->reach;
  int to = x + k->reach < weight->width ? k->reach : weight->width - 1 - x;
  for (int j = -k->reach; j <= k->reach; j++) {
    if (y + j < 0 || y + j >= weight->height)
      continue;
    const float *w = udg_plane_row(weight, y + j) + x;
    const float *r = udg_plane_row(&residual->white, y + j) + x;
    const float *t = k->first + (j + k->size / 2) * k->size + k->size / 2;
    for (int i = from; i <= to; i++) {
      if (w[i] <= 0.0f)
        continue;
      s.matched += (double)(w[i] * r[i] * t[i]);
      s.norm += (double)(w[i] * t[i] * t[i]);
      if (i * i + j * j < local)
        s.local += (double)(w[i] * r[i] * r[i]);
    }
  }
  s.norm = fmax(s.norm, fmax(OPEN_LEAST * k->whole, 1e-6));
  return s;
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
    knob k = {score->trace, bank->size, (int)RADIUS_PX[n] + FOOT_PX, RADIUS_PX[n], 0.0};
    udg_knob_draw(light, RADIUS_PX[n], 0.5 * bank->size + 0.5, bank->size, score->trace);
    memset(score->work, 0, pixels * sizeof *score->work);
    udg_score_draw_windows(score, bank, whole);
    for (size_t i = 0; i < pixels; i++)
      score->trace[i] = score->pair[i].re;
    k.whole = whole[0];
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
