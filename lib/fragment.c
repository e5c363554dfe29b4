/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "fragment.h"

#include <math.h>
#include <string.h>

#include "score_internal.h"

/* Field this far outside the present digits counts, px: nearer, their own misfit shows. */
static const float AWAY_PX = -5.0f;
/* A spot's surroundings, s.d. in digit heights, and the mean of w r^2 above texture's there. */
static const double SPOT_SIGMA = 0.12, SPOT_FROM = 1.5;
static const float BRIGHT = 25.0f; /* one pixel tells no more than this */
static const double APART = 0.6;   /* spots stand so far apart, digit heights */
/* Centre of the digit above, at and below the spot, digit heights: a spot may be any part of it. */
static const double ABOVE_BELOW = 0.42;
enum { WINDOWS_A_SPOT = 3 };
/* Nearer to a place's middle than this it is an underdigit, not a fragment, digit heights. */
static const double OWN_PLACE = 0.55;

int udg_fragment_spots(const udg_upright *upright, const udg_residual *residual,
                       udg_plane scratch[2], double spots[UDG_FRAGMENT_SPOTS][2]) {
  const int width = upright->width, height = upright->height;
  const float *weight = residual->weight.v, *white = residual->white.v;
  float *energy = scratch[0].v;
  size_t count = (size_t)width * (size_t)height;
  for (size_t i = 0; i < count; i++) {
    int open = weight[i] > 0.0f && upright->distance.v[i] < AWAY_PX &&
               udg_on_field(upright, (int)(i % (size_t)width), (int)(i / (size_t)width));
    energy[i] = open ? fminf(weight[i] * white[i] * white[i], BRIGHT) - 1.0f : 0.0f;
  }
  udg_plane_blur(&scratch[0], SPOT_SIGMA * UDG_UPRIGHT_DIGIT_PX, &scratch[1]);
  int found = 0;
  while (found < UDG_FRAGMENT_SPOTS) {
    size_t best = 0;
    for (size_t i = 1; i < count; i++)
      if (energy[i] > energy[best])
        best = i;
    if ((double)energy[best] < SPOT_FROM)
      break;
    double at[2] = {(double)(best % (size_t)width), (double)(best / (size_t)width)};
    spots[found][0] = at[0] + 0.5;
    spots[found++][1] = at[1] + 0.5;
    for (size_t i = 0; i < count; i++)
      if (hypot((double)(i % (size_t)width) - at[0], (double)(i / (size_t)width) - at[1]) <
          APART * UDG_UPRIGHT_DIGIT_PX)
        energy[i] = 0.0f;
  }
  return found;
}

static void lay_windows(udg_score *score, const udg_residual *residual,
                        const udg_trace_bank *turned, double spots[][2], int spot_count) {
  for (int i = 0; i < spot_count * WINDOWS_A_SPOT; i++) {
    udg_score_place *at = &score->places[score->place_count + i];
    const double *spot = spots[i / WINDOWS_A_SPOT];
    double y = spot[1] + (i % WINDOWS_A_SPOT - 1) * ABOVE_BELOW * UDG_UPRIGHT_DIGIT_PX;
    at->left = (int)floor(spot[0] - 0.5 * turned->size + 0.5);
    at->top = (int)floor(y - 0.5 * turned->size + 0.5);
    udg_score_prepare(score, residual, turned, score->place_count + i);
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

/* The best of the windows' places so far. */
typedef struct find {
  const udg_trace *trace;
  udg_match match;
  int window;
  double middle[2];
} find;

static void trace_try(udg_score *score, const udg_upright *upright, const udg_trace_bank *turned,
                      int number, double whole, int window, find *best) {
  udg_match match;
  double middle[2];
  udg_score_take(score, turned, number % 2);
  udg_score_search(score, whole, 0, 0, 0, &match);
  middle_of(score, turned, window, &match, middle);
  if (match.peak.rank <= best->match.peak.rank || at_a_place(upright, middle))
    return;
  *best = (find){&turned->traces[number], match, window, {middle[0], middle[1]}};
}

udg_status udg_fragment_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                             const udg_residual *residual, const udg_trace_bank *turned,
                             double spots[][2], int spot_count, udg_message *message) {
  udg_hypothesis *h = &score->fragment;
  find best = {.match = {.peak = {.rank = 0.0}}};
  lay_windows(score, residual, turned, spots, spot_count);
  for (int i = 0; i < udg_trace_pair_count(turned); i++) {
    double whole[2];
    udg_score_draw(score, light, turned, i, whole);
    for (int k = 0; k < spot_count * WINDOWS_A_SPOT; k++) {
      int window = score->place_count + k;
      if (udg_stop_wanted(&score->settings))
        return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled by the host");
      udg_score_correlate(score, turned, i, window);
      for (int n = 2 * i; n < 2 * i + 2 && n < turned->trace_count; n++)
        trace_try(score, upright, turned, n, whole[n % 2], window, &best);
    }
  }
  if (!best.trace)
    return UDG_OK;
  memcpy(h->offset_px, best.middle, sizeof best.middle);
  h->place = best.window;
  h->kind = UDG_TRACE_AWAY;
  h->digit = best.trace->digit;
  h->turn_rad = best.trace->turn_rad;
  h->energy = best.match.peak.energy;
  h->share = best.match.peak.share;
  h->amplitude = best.match.peak.amplitude;
  h->norm = best.match.mean_norm;
  udg_score_look(score, upright, light, turned, best.trace, &best.match, h);
  h->place = -1;
  return UDG_OK;
}
