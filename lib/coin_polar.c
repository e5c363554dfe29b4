/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From a seed to an ellipse.  Seen from a point near its centre an ellipse that
 * is nearly round is, in the logarithm of the radius,
 *     ln rho(t) = i + x cos t + y sin t + e cos 2t + f sin 2t
 * to first order: five numbers, linear.  The edges around a seed are laid out
 * over (t, ln rho).  A rim has several edges, one in another, all about the same
 * centre, and beads or a legend run along it; the edge of a shadow has a centre
 * of its own.  So x, y, e, f are searched first, for those in which the edges of
 * all radii together are sharpest; then the outermost radius well supported is
 * the coin's. */
#include "coin_internal.h"
#include "wider.h"

#include <math.h>
#include <string.h>

#define TAU 6.28318530717958647692
#define ANGLES 96
#define BINS 160
#define PARAMETERS 5 /* ln radius; x, y; e, f */

/* Bins of ln rho, from LOW times the seed's radius. */
static const double LOW = 0.6, BIN = 0.006;
/* An outer line with this share of the best line's support is the rim. */
static const double OUTER_SHARE = 0.6;
static const double OUTER_REACH = 0.24; /* ln rho */

typedef struct line {
  double v[PARAMETERS]; /* bins */
} line;

/* How well a line fits the edges laid out. */
typedef double (*measure_function)(const udg_coin_polar *polar, const line *at);

struct udg_coin_polar {
  /* Of the seed in hand: the sharpest centre, and the support of each radius about it. */
  udg_coin_seed seed;
  line centred;
  double support[BINS];
  /* The same about the centre of the ring in hand, `ring` being what it is about the first; radius
   * -1: none yet. */
  line ring, round;
  udg_coin_seed ring_seed;
  double round_support[BINS];
  float edge[ANGLES][BINS], loose[ANGLES][BINS];
  float basis[ANGLES][PARAMETERS];
};

udg_status udg_coin_polar_create(const udg_settings *settings, udg_coin_polar **polar) {
  udg_coin_polar *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return UDG_ERROR_MEMORY;
  for (int k = 0; k < ANGLES; k++) {
    double t = TAU * k / ANGLES;
    double basis[PARAMETERS] = {1, cos(t), sin(t), cos(2 * t), sin(2 * t)};
    for (int i = 0; i < PARAMETERS; i++)
      made->basis[k][i] = (float)basis[i];
  }
  *polar = made;
  return UDG_OK;
}

void udg_coin_polar_destroy(const udg_settings *settings, udg_coin_polar *polar) {
  udg_memory_drop(settings, polar);
}

static void layout(udg_coin_polar *polar, const udg_coin_edges *edges, const udg_coin_seed *seed) {
  int width = edges->x.plane.width, height = edges->x.plane.height;
  double radius[BINS];
  for (int i = 0; i < BINS; i++)
    radius[i] = seed->radius * LOW * exp(BIN * i);
  for (int k = 0; k < ANGLES; k++) {
    double c = (double)polar->basis[k][1], s = (double)polar->basis[k][2];
    for (int i = 0; i < BINS; i++) {
      double x = seed->x + radius[i] * c, y = seed->y + radius[i] * s;
      int seen = x > 1 && y > 1 && x < width - 1 && y < height - 1;
      polar->edge[k][i] = seen ? (float)udg_coin_edge_across(edges, x, y, c, s) : 0;
    }
  }
}

/* Spreads every edge over `reach` bins either way, falling off to a third. */
static void loosen(udg_coin_polar *polar, int reach) {
  for (int k = 0; k < ANGLES; k++)
    for (int i = 0; i < BINS; i++) {
      float best = 0;
      int from = i - reach > 0 ? i - reach : 0, to = i + reach < BINS ? i + reach : BINS - 1;
      for (int j = from; j <= to; j++) {
        float d = (float)(j - i) / (float)(reach + 1);
        float value = polar->edge[k][j] * (1 - 0.67f * d * d);
        best = value > best ? value : best;
      }
      polar->loose[k][i] = best;
    }
}

static double line_support(const udg_coin_polar *polar, const line *at) {
  double sum = 0;
  for (int k = 0; k < ANGLES; k++) {
    double at_bin = 0.5;
    for (int i = 0; i < PARAMETERS; i++)
      at_bin += at->v[i] * (double)polar->basis[k][i];
    if (at_bin < 0 || at_bin >= BINS)
      continue;
    sum += (double)polar->loose[k][(int)at_bin];
  }
  return sum / ANGLES;
}

UDG_WIDER
static void add(const float *restrict from, int count, float *restrict sum) {
  for (int i = 0; i < count; i++)
    sum[i] += from[i];
}

/* Support at every radius for the x, y, e, f of `at`. */
static void profile_take(const udg_coin_polar *polar, const line *at, double profile[BINS]) {
  float sum[BINS] = {0};
  for (int k = 0; k < ANGLES; k++) {
    double offset = 0;
    for (int i = 1; i < PARAMETERS; i++)
      offset += at->v[i] * (double)polar->basis[k][i];
    int shift = (int)lrint(offset);
    int from = shift < 0 ? -shift : 0, to = shift > 0 ? BINS - shift : BINS;
    if (from < to)
      add(polar->loose[k] + from + shift, to - from, sum + from);
  }
  for (int i = 0; i < BINS; i++)
    profile[i] = (double)sum[i] / ANGLES;
}

static double focus(const udg_coin_polar *polar, const line *at) {
  double profile[BINS], sum = 0;
  profile_take(polar, at, profile);
  for (int i = 0; i < BINS; i++)
    sum += profile[i] * profile[i];
  return sum;
}

/* The sharpest x, y off the seed's centre by up to `reach` bins. */
static void centre_search(const udg_coin_polar *polar, int reach, int step, line *best) {
  double highest = -1;
  for (int y = -reach; y <= reach; y += step)
    for (int x = -reach; x <= reach; x += step) {
      line at = {{0, x, y, 0, 0}};
      if (x * x + y * y > reach * reach)
        continue;
      double value = focus(polar, &at);
      if (value > highest) {
        highest = value;
        *best = at;
      }
    }
}

/* Moves one parameter after the other from number `from_parameter` on, up and
 * down by `first` to `last` bins, while that helps, and no further than `reach`
 * from where it began. */
static double climb(const udg_coin_polar *polar, measure_function measure, int from_parameter,
                    double first, double last, double reach, line *at) {
  line start = *at;
  double value = measure(polar, at);
  for (double step = first; step >= last; step /= 2)
    for (int better = 1, rounds = 0; better && rounds < 12; rounds++) {
      better = 0;
      for (int i = 2 * from_parameter; i < 2 * PARAMETERS; i++) {
        line moved = *at;
        moved.v[i / 2] += i & 1 ? step : -step;
        /* An aspect below some 0.7 is no photo of a coin to be read. */
        if (hypot(moved.v[3], moved.v[4]) * BIN > 0.18 ||
            fabs(moved.v[i / 2] - start.v[i / 2]) > reach)
          continue;
        double there = measure(polar, &moved);
        if (there > value + 1e-9) {
          value = there;
          *at = moved;
          better = 1;
        }
      }
    }
  return value;
}

static udg_coin_seed line_seed(const line *at, const udg_coin_seed *seed) {
  double radius = seed->radius * LOW * exp(BIN * at->v[0]);
  return (udg_coin_seed){seed->x + radius * BIN * at->v[1], seed->y + radius * BIN * at->v[2],
                         radius, seed->score};
}

/* Of the radii about one centre the best supported, or the outermost with nearly as
 * much support; its support. */
static double radius_choose(const double profile[BINS], udg_coin_ring ring, line *at) {
  int best = 0;
  for (int i = 1; i < BINS; i++)
    best = profile[i] > profile[best] ? i : best;
  int chosen = best, end = ring == UDG_COIN_CLEAREST ? best : best + (int)(OUTER_REACH / BIN);
  for (int i = best + 2; i < end && i + 1 < BINS; i++)
    if (profile[i] >= profile[i - 1] && profile[i] >= profile[i + 1] &&
        profile[i] >= OUTER_SHARE * profile[best])
      chosen = i;
  at->v[0] = chosen;
  return profile[chosen];
}

void udg_coin_polar_begin(udg_coin_polar *polar, const udg_coin_edges *edges,
                          const udg_coin_seed *seed) {
  polar->seed = *seed;
  polar->centred = (line){{0}};
  polar->ring.v[0] = -1;
  layout(polar, edges, seed);
  loosen(polar, 3);
  centre_search(polar, 24, 4, &polar->centred);
  climb(polar, focus, 1, 4, 1, 30, &polar->centred);
  profile_take(polar, &polar->centred, polar->support);
}

/* Again about its own centre, where the first order is good. */
static void round_take(udg_coin_polar *polar, const udg_coin_edges *edges, const line *ring) {
  if (ring->v[0] == polar->ring.v[0])
    return;
  polar->ring = *ring;
  polar->ring_seed = line_seed(ring, &polar->seed);
  polar->round = (line){{0, 0, 0, ring->v[3], ring->v[4]}};
  layout(polar, edges, &polar->ring_seed);
  loosen(polar, 2);
  climb(polar, focus, 1, 2, 0.5, 8, &polar->round);
  profile_take(polar, &polar->round, polar->round_support);
}

double udg_coin_polar_fit(udg_coin_polar *polar, const udg_coin_edges *edges, udg_coin_ring ring,
                          udg_coin_shape *shape) {
  line at = polar->centred;
  radius_choose(polar->support, ring, &at);
  round_take(polar, edges, &at);
  line round = polar->round;
  if (radius_choose(polar->round_support, ring, &round) <= 0)
    return 0;
  loosen(polar, 1);
  double value = climb(polar, line_support, 0, 1, 0.5, 1.5, &round);
  udg_coin_seed centred = line_seed(&round, &polar->ring_seed);
  double r = centred.radius, e = BIN * round.v[3], f = BIN * round.v[4];
  *shape = (udg_coin_shape){{centred.x, centred.y}, {r * (1 + e), r * f, r * (1 - e)}};
  return value;
}
