/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "fragment.h"

#include <math.h>
#include <string.h>

#include "eight.h"
#include "knob.h"
#include "score_internal.h"
#include "wider.h"

/* Field this far outside the present digits counts, px: nearer, their own misfit shows. */
static const float AWAY_PX = -5.0f;
/* The residual, held to so many s.d., is smoothed by so much: strokes are wider than texture. */
static const float CUT = 3.5f;
static const double SMOOTH_PX = 1.0;
/* A spot's surroundings, s.d. in digit heights, and the mean square there above texture's. */
static const double SPOT_SIGMA = 0.12, SPOT_FROM = 2.0;
static const float BRIGHT = 25.0f; /* one pixel tells no more than this */
static const double APART = 0.6;   /* spots stand so far apart, digit heights */
/* About a spot, a part of a digit is looked for within so much, digit heights. */
static const double DISC = 0.48;
/* Centre of the digit above, at and below the spot, digit heights: a spot may be any part of it. */
static const double ABOVE_BELOW = 0.42;
enum { WINDOWS_A_SPOT = 3, MIDDLE = WINDOWS_A_SPOT / 2 };
/* Nearer to a place's middle than this it is an underdigit, not a fragment, digit heights. */
static const double OWN_PLACE = 0.3;
/* Log odds of a part of a digit against what else shows in a field: one, ln of its energy over
 * that of the best other explanation (each with as much added as chance has), ln of the spot's
 * energy, share of its strongest cell, distance to the date's digits up to FAR, both in digit
 * heights. By logistic regression on made pictures. */
enum { TERMS = 5 };
static const double ODDS[TERMS] = {-1.64, 3.85, 2.01, -3.34, -3.23}, FAR = 0.5;
static const double CHANCE = 5.0;
/* What a part gains at most from a turn within a step of the one tried, and the least share of a
 * strongest cell. */
static const double TURN_GAIN = 1.6, LARGEST_LEAST = 0.16;

static int open_at(const udg_upright *upright, const udg_residual *residual, size_t i) {
  size_t width = (size_t)upright->width;
  return residual->weight.v[i] > 0.0f && upright->distance.v[i] < AWAY_PX &&
         udg_on_field(upright, (int)(i % width), (int)(i / width));
}

/* Square of the smoothed residual, white noise being 1, less 1; blurred over the surroundings. */
static void measure_energy(const udg_upright *upright, const udg_residual *residual,
                           udg_plane scratch[2]) {
  const float *weight = residual->weight.v, *white = residual->white.v;
  float *energy = scratch[0].v;
  size_t count = (size_t)upright->width * (size_t)upright->height;
  for (size_t i = 0; i < count; i++)
    energy[i] = fminf(fmaxf(white[i] * sqrtf(weight[i]), -CUT), CUT);
  udg_plane_blur(&scratch[0], SMOOTH_PX, &scratch[1]);
  /* White noise keeps 1 / (4 pi s^2) of its variance. */
  const float gain = (float)(4.0 * acos(-1.0) * SMOOTH_PX * SMOOTH_PX);
  for (size_t i = 0; i < count; i++)
    energy[i] =
        open_at(upright, residual, i) ? fminf(gain * energy[i] * energy[i], BRIGHT) - 1.0f : 0.0f;
  udg_plane_blur(&scratch[0], SPOT_SIGMA * UDG_UPRIGHT_DIGIT_PX, &scratch[1]);
}

int udg_fragment_spots(const udg_upright *upright, const udg_residual *residual,
                       udg_plane scratch[2], udg_fragment_spot spots[UDG_SPOTS_MAX]) {
  const int width = upright->width;
  size_t count = (size_t)width * (size_t)upright->height;
  float *energy = scratch[0].v;
  int found = 0;
  measure_energy(upright, residual, scratch);
  while (found < UDG_SPOTS_MAX) {
    size_t best = 0;
    for (size_t i = 1; i < count; i++)
      if (energy[i] > energy[best])
        best = i;
    if ((double)energy[best] < SPOT_FROM)
      break;
    double at[2] = {(double)(best % (size_t)width), (double)(best / (size_t)width)};
    spots[found++] = (udg_fragment_spot){{at[0] + 0.5, at[1] + 0.5}, (double)energy[best]};
    for (size_t i = 0; i < count; i++)
      if (hypot((double)(i % (size_t)width) - at[0], (double)(i / (size_t)width) - at[1]) <
          APART * UDG_UPRIGHT_DIGIT_PX)
        energy[i] = 0.0f;
  }
  return found;
}

/* What is known of a spot: the best part of a digit, raised, and how much the others explain. */
typedef struct find {
  double energy, rival; /* of all that is in the disc; of its best other explanation */
  const udg_trace *trace;
  udg_match match;
  int window;
  double middle[2];
} find;

/* Weights beyond the disc are 0 in `disc`; gives the energy within. */
static double cut_disc(const udg_upright *upright, const udg_residual *residual,
                       const udg_fragment_spot *spot, udg_plane *disc) {
  const double radius = DISC * UDG_UPRIGHT_DIGIT_PX;
  const int left = (int)fmax(floor(spot->px[0] - radius), 0.0);
  double energy = 0.0;
  memset(disc->v, 0, sizeof *disc->v * (size_t)upright->width * (size_t)upright->height);
  for (int y = (int)fmax(floor(spot->px[1] - radius), 0.0);
       y < upright->height && y <= spot->px[1] + radius; y++) {
    const float *weight = udg_plane_row(&residual->weight, y);
    const float *white = udg_plane_row(&residual->white, y);
    float *kept = udg_plane_row(disc, y);
    for (int x = left; x < upright->width && x <= spot->px[0] + radius; x++)
      if (hypot(x + 0.5 - spot->px[0], y + 0.5 - spot->px[1]) < radius) {
        kept[x] = weight[x];
        energy += (double)(kept[x] * white[x] * white[x]);
      }
  }
  return energy;
}

static int window_of(const udg_score *score, int spot, int window) {
  return score->place_count + spot * WINDOWS_A_SPOT + window;
}

static void prepare(udg_score *score, const udg_residual *residual, const udg_trace_bank *turned,
                    int window, const udg_plane *disc) {
  udg_residual within = *residual;
  within.weight = *disc;
  udg_score_prepare(score, &within, turned, window);
}

/* The windows about a spot. The disc lies in all of them, and they in each other's rows: one is
 * prepared. */
static void lay_windows(udg_score *score, const udg_upright *upright, const udg_residual *residual,
                        const udg_trace_bank *turned, const udg_fragment_spot *spot, int number,
                        udg_plane *scratch, find *at_spot) {
  udg_spot_seen *seen = &score->spots[number];
  at_spot->energy = cut_disc(upright, residual, spot, scratch);
  udg_residual within = *residual;
  within.weight = *scratch;
  seen->arc = udg_fragment_arc(&within, spot->px, DISC * UDG_UPRIGHT_DIGIT_PX, &seen->straight);
  for (int i = 0; i < WINDOWS_A_SPOT; i++) {
    udg_score_place *at = &score->places[window_of(score, number, i)];
    double y = spot->px[1] + (i - MIDDLE) * ABOVE_BELOW * UDG_UPRIGHT_DIGIT_PX;
    at->left = (int)floor(spot->px[0] - 0.5 * turned->size + 0.5);
    at->top = (int)floor(y - 0.5 * turned->size + 0.5);
  }
  prepare(score, residual, turned, window_of(score, number, MIDDLE), scratch);
  seen->off = -(double)udg_plane_row(&upright->distance, (int)spot->px[1])[(int)spot->px[0]] /
              UDG_UPRIGHT_DIGIT_PX;
}

static void lay_spots(udg_score *score, const udg_upright *upright, const udg_light *light,
                      const udg_residual *residual, const udg_trace_bank *turned,
                      const udg_fragment_spot *spots, int count, udg_plane *scratch, find *found) {
  int middles[UDG_SPOTS_MAX] = {0};
  double knobs[UDG_SPOTS_MAX];
  for (int k = 0; k < count; k++) {
    lay_windows(score, upright, residual, turned, &spots[k], k, scratch, &found[k]);
    middles[k] = window_of(score, k, MIDDLE);
  }
  udg_knob_two(score, light, turned, middles, count, knobs);
  for (int k = 0; k < count; k++) {
    score->spots[k].knobs = knobs[k];
    found[k].rival = fmax(score->spots[k].arc, knobs[k]);
  }
}

/* Middle of a match in a window. */
static void middle_of(const udg_score *score, const udg_trace_bank *turned, int window,
                      const udg_match *match, double middle[2]) {
  const udg_score_place *at = &score->places[window];
  middle[0] = at->left + 0.5 * turned->size + match->refined[0];
  middle[1] = at->top + 0.5 * turned->size + match->refined[1];
}

static int at_a_place(const udg_upright *upright, const double middle[2]) {
  for (int p = 0; p < upright->place_count; p++)
    if (hypot(middle[0] - upright->place_px[p][0], middle[1] - upright->place_px[p][1]) <
        OWN_PLACE * UDG_UPRIGHT_DIGIT_PX)
      return 1;
  return 0;
}

/* The pair drawn last at all offsets about a spot's middle window. */
static void correlate(udg_score *score, const udg_trace_bank *turned, int middle) {
  const udg_complex *kernels[] = {score->of_square, score->of_trace};
  _Static_assert(UDG_MAP_NORM == 0 && UDG_MAP_NUMERATOR == 1, "the kernels' order");
  for (int k = 0; k < 2; k++) {
    udg_fft_pair_correlate(turned->plan, score->places[middle].spectrum[k], kernels[k],
                           score->product[k]);
    udg_fft_pair_inverse(turned->plan, score->product[k]);
  }
}

/* Row `y` of a window's map, as it lies among the middle one's correlations. */
static const udg_complex *map_row(const udg_score *score, const udg_trace_bank *turned, int map,
                                  int window, int middle, int y) {
  const int size = turned->size;
  const int row = y + score->places[window].top - score->places[middle].top;
  return score->product[map] + (size_t)((row + size) % size) * (size_t)size;
}

/* The maps of one of the two. The share is of all that is in the disc, so that the offset that
 * explains most ranks first. */
static void take_maps(udg_score *score, const udg_trace_bank *turned, int second, int window,
                      int middle, double energy) {
  const int side = score->map_side;
  for (int y = 0; y < side; y++)
    for (int x = 0; x < side; x++) {
      const int i = y * side + x;
      for (int k = 0; k < 2; k++) {
        const udg_complex *from = map_row(score, turned, k, window, middle, y);
        score->map[k][i] = second ? -from[x].im : from[x].re;
      }
      score->map[UDG_MAP_LOCAL][i] = (float)energy;
    }
}

/* Eight values of a row that lie two apart. */
static inline __attribute__((always_inline)) void apart(const float *from, udg_eight *to) {
  udg_eight first, second;
  memcpy(&first, from, sizeof first);
  memcpy(&second, from + UDG_EIGHT - 1, sizeof second); /* a step back: none lies beyond the last */
  *to = __builtin_shufflevector(first, second, 0, 2, 4, 6, 9, 11, 13, 15);
}

/* Most energies along a row of offsets, at least eight, raised and cut in: energy_most[0] and [1].
 */
UDG_WIDER
static void row_most(const float *numerator, const float *norm, int count, float sign,
                     float norm_min, udg_eight energy_most[2]) {
  const udg_eight least = UDG_EIGHT_ALL(norm_min), signs = UDG_EIGHT_ALL(sign), none = {0};
  for (int x = 0; x < count; x += UDG_EIGHT) {
    const int from = x + UDG_EIGHT < count ? x : count - UDG_EIGHT;
    udg_eight n, d, raised = none, sunk = none;
    apart(numerator + 2 * from, &n);
    apart(norm + 2 * from, &d);
    n *= signs;
    d *= signs;
    udg_eight_raise(&least, &d);
    const udg_eight minus = -n;
    udg_eight_raise(&n, &raised);
    udg_eight_raise(&minus, &sunk);
    const udg_eight up = raised * raised / d, down = sunk * sunk / d;
    udg_eight_raise(&up, &energy_most[0]);
    udg_eight_raise(&down, &energy_most[1]);
  }
}

/* The most energy of one of the two in a window, raised and cut in. */
static void window_most(const udg_score *score, const udg_trace_bank *turned, int second,
                        double whole, int window, int middle, double energy_most[2]) {
  const int count = score->map_side - 2;
  const float sign = second ? -1.0f : 1.0f, least = (float)fmax(UDG_VISIBLE_MIN * whole, 1e-20);
  udg_eight most[2] = {{0}, {0}};
  for (int y = 1; y <= count; y++) {
    const udg_complex *row[2];
    for (int k = 0; k < 2; k++)
      row[k] = map_row(score, turned, k, window, middle, y) + 1;
    row_most(&row[UDG_MAP_NUMERATOR]->re + second, &row[UDG_MAP_NORM]->re + second, count, sign,
             least, most);
  }
  for (int k = 0; k < 2; k++) {
    energy_most[k] = 0.0;
    for (int i = 0; i < UDG_EIGHT; i++)
      energy_most[k] = fmax(energy_most[k], (double)most[k][i]);
  }
}

/* Single precision may be so far off. */
static const double ALMOST = 1.0 + 1e-4;

/* Correlated before. The same strokes cut in, which no punch leaves, tell what chance explains. */
static void trace_try(udg_score *score, const udg_upright *upright, const udg_trace_bank *turned,
                      int number, double whole, int window, int spot_middle, find *best) {
  size_t count = (size_t)score->map_side * (size_t)score->map_side;
  udg_match match;
  double middle[2], most[2];
  window_most(score, turned, number % 2, whole, window, spot_middle, most);
  const int betters = !best->trace || ALMOST * most[0] > best->match.peak.energy;
  const int rivals = ALMOST * most[1] > best->rival;
  if (!betters && !rivals)
    return;
  take_maps(score, turned, number % 2, window, spot_middle, best->energy);
  if (betters)
    udg_score_search(score, whole, 0, 0, 0, &match);
  if (rivals) {
    udg_match sunk;
    for (size_t i = 0; i < count; i++)
      score->map[UDG_MAP_NUMERATOR][i] *= -1.0f;
    udg_score_search(score, whole, 0, 0, 0, &sunk);
    best->rival = fmax(best->rival, sunk.peak.energy);
  }
  if (!betters || (best->trace && match.peak.energy <= best->match.peak.energy))
    return;
  middle_of(score, turned, window, &match, middle);
  if (at_a_place(upright, middle))
    return;
  best->trace = &turned->traces[number];
  best->match = match;
  best->window = window;
  memcpy(best->middle, middle, sizeof middle);
}

static double log_odds_of(const find *f, const udg_fragment_spot *spot, double off,
                          const udg_hypothesis *h) {
  const double term[TERMS] = {1.0, log((h->energy + CHANCE) / (f->rival + CHANCE)),
                              log(spot->energy), h->largest, fmin(off, FAR)};
  double sum = 0.0;
  for (int i = 0; i < TERMS; i++)
    sum += ODDS[i] * term[i];
  return sum;
}

static void describe(udg_score *score, const udg_upright *upright, const udg_light *light,
                     const udg_trace_bank *turned, const find *f, udg_hypothesis *h) {
  memset(h, 0, sizeof *h);
  memcpy(h->offset_px, f->middle, sizeof f->middle);
  h->place = f->window;
  h->kind = UDG_TRACE_AWAY;
  h->digit = f->trace->digit;
  h->turn_rad = f->trace->turn_rad;
  h->energy = f->match.peak.energy;
  h->share = f->match.peak.share;
  h->amplitude = f->match.peak.amplitude;
  h->norm = f->match.mean_norm;
  udg_score_look(score, upright, light, turned, f->trace, &f->match, h);
  h->place = -1;
}

/* Every turn is within one step of a coarse one. */
static int coarse_turn(const udg_trace_bank *turned, int pair) {
  const double step = UDG_TURNED_STEP_DEG * acos(-1.0) / 180.0;
  int turn = (int)floor(turned->traces[2 * pair].turn_rad / step + 0.5);
  return turn % 3 == 0;
}

/* Whether a spot may yet be told as a fragment: no part explains more than there is, nor at another
 * turn more than somewhat more. */
static int hopeful(const find *f, const udg_fragment_spot *spot, double off, double energy) {
  const udg_hypothesis most = {.energy = fmin(energy, f->energy), .largest = LARGEST_LEAST};
  return log_odds_of(f, spot, off, &most) > 0.0;
}

/* The traces of coarse turns, or the others, about the spots that are still wanted. */
static udg_status try_turns(udg_score *score, const udg_upright *upright, const udg_light *light,
                            const udg_trace_bank *turned, int coarse, const int *wanted, int parts,
                            find *found, udg_message *message) {
  for (int i = 0; i < udg_trace_pair_count(turned); i++) {
    double whole[2];
    int drawn = 0;
    if (coarse_turn(turned, i) != coarse)
      continue;
    for (int k = 0; k < parts; k++) {
      const int middle = window_of(score, k, MIDDLE);
      if (!wanted[k])
        continue;
      if (udg_stop_wanted(&score->settings))
        return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled by the host");
      if (!drawn)
        udg_score_draw(score, light, turned, i, whole);
      drawn = 1;
      correlate(score, turned, middle);
      for (int w = 0; w < WINDOWS_A_SPOT; w++)
        for (int n = 2 * i; n < 2 * i + 2 && n < turned->trace_count; n++)
          trace_try(score, upright, turned, n, whole[n % 2], window_of(score, k, w), middle,
                    &found[k]);
    }
  }
  return UDG_OK;
}

udg_status udg_fragment_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                             const udg_residual *residual, const udg_trace_bank *turned,
                             const udg_fragment_spot *spots, int spot_count, udg_plane *scratch,
                             udg_message *message) {
  find found[UDG_SPOTS_MAX];
  int wanted[UDG_SPOTS_MAX] = {0};
  memset(found, 0, sizeof found);
  lay_spots(score, upright, light, residual, turned, spots, spot_count, scratch, found);
  for (int k = 0; k < spot_count; k++)
    wanted[k] = hopeful(&found[k], &spots[k], score->spots[k].off, HUGE_VAL);
  score->spot_count = spot_count;
  udg_status status =
      try_turns(score, upright, light, turned, 1, wanted, spot_count, found, message);
  for (int k = 0; k < spot_count; k++)
    wanted[k] = found[k].trace && hopeful(&found[k], &spots[k], score->spots[k].off,
                                          TURN_GAIN * found[k].match.peak.energy);
  if (status == UDG_OK)
    status = try_turns(score, upright, light, turned, 0, wanted, spot_count, found, message);
  if (status != UDG_OK)
    return status;
  for (int k = 0; k < spot_count; k++) {
    udg_hypothesis h;
    if (!found[k].trace)
      continue;
    if (found[k].window != window_of(score, k, MIDDLE)) {
      cut_disc(upright, residual, &spots[k], scratch);
      prepare(score, residual, turned, found[k].window, scratch);
    }
    describe(score, upright, light, turned, &found[k], &h);
    double log_odds = log_odds_of(&found[k], &spots[k], score->spots[k].off, &h);
    if (score->fragment.digit && log_odds <= score->fragment_log_odds)
      continue;
    score->fragment = h;
    score->fragment_log_odds = log_odds;
  }
  return UDG_OK;
}
