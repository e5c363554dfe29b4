/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "hub.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "hub_fit.h"
#include "relief.h"

enum { DECOYS = 48, ROUNDS = 2 };

/* Decoys of fewer digits tell their spread badly: never less. */
static const double SPREAD_LEAST = 0.004;
/* From score to log ratio, by drawn coins with and without (tests/bench/hub.c). */
static const double EVEN = 0.58, SLOPE = 6.0, LOG_RATIO_MAX = 9.0;

int udg_hub_has(const udg_reference *reference, size_t date_index) {
  return reference->date_in_hub_since > 0 &&
         atol(reference->dates[date_index].text) >= reference->date_in_hub_since;
}

/* What is known of the photo while the hub is looked at. */
typedef struct work {
  udg_hub_fit fit;
  udg_relit_sums once[UDG_PLACES_MAX]; /* at the softness that suits a hub set once */
} work;

/* Where a second image explains most. */
typedef struct spot {
  double rest;
  int strength, cell;
} spot;

/* Digits but `left_out` (-1: none of them) set once. */
static udg_relit_sums sum_once(const work *w, int left_out) {
  udg_relit_sums all = {0};
  for (int k = 0; k < w->fit.count; k++)
    if (k != left_out)
      udg_relit_add(&all, &w->once[k]);
  return all;
}

/* The same set twice, each displaced its own way. */
static udg_relit_sums sum_twice(const work *w, int left_out, int strength,
                                const int cell[UDG_PLACES_MAX]) {
  udg_relit_sums all = {0};
  for (int k = 0; k < w->fit.count; k++)
    if (k != left_out)
      udg_relit_add(&all, udg_hub_fit_twice(&w->fit, strength, k, cell[k]));
  return all;
}

static void alike(int cell, int cells[UDG_PLACES_MAX]) {
  for (int k = 0; k < UDG_PLACES_MAX; k++)
    cells[k] = cell;
}

static spot best_spot(const work *w, int left_out) {
  spot best = {HUGE_VAL, 0, 0};
  for (int t = 0; t < UDG_HUB_STRENGTHS; t++)
    for (int c = 0; c < w->fit.cells.count; c++) {
      int cell[UDG_PLACES_MAX];
      alike(c, cell);
      udg_relit_sums all = sum_twice(w, left_out, t, cell);
      double rest = udg_relit_rest(&all);
      if (rest < best.rest)
        best = (spot){rest, t, c};
    }
  return best;
}

static double log_over(double before, double after) {
  return log(fmax(before, 1e-3) / fmax(after, 1e-3));
}

/* A cell moved by one of the eight symmetries of the square. */
static int turned_cell(const udg_hub_cells *cells, int cell, int g) {
  int x = cells->dx[cell], y = cells->dy[cell];
  if (g & 4)
    x = -x;
  for (int k = 0; k < (g & 3); k++) {
    int t = x;
    x = -y;
    y = t;
  }
  for (int i = 0; i < cells->count; i++)
    if (cells->dx[i] == x && cells->dy[i] == y)
      return i;
  return cell;
}

int udg_hub_random_way(uint32_t *state) {
  *state = *state * 1664525u + 1013904223u; /* Numerical Recipes' generator, from memory */
  return (int)(*state >> 28) & 7;
}

/* s.d. of what displacements gain that are not common to all digits: that much is chance. */
static double spread(const work *w, int left_out, int strength) {
  double mean = 0.0, square = 0.0;
  uint32_t state = 12345u;
  udg_relit_sums once = sum_once(w, left_out);
  double before = udg_relit_rest(&once);
  for (int d = 0; d < DECOYS; d++) {
    int g[UDG_PLACES_MAX] = {0}, same = 1, cell[UDG_PLACES_MAX] = {0};
    double least = HUGE_VAL;
    for (int k = 0; k < w->fit.count; k++) {
      g[k] = udg_hub_random_way(&state);
      same &= g[k] == g[0];
    }
    if (same)
      g[0] = (g[0] + 2) & 7;
    for (int c = d % 3; c < w->fit.cells.count; c += 3) { /* every third tells it as well */
      for (int k = 0; k < w->fit.count; k++)
        cell[k] = turned_cell(&w->fit.cells, c, g[k]);
      udg_relit_sums all = sum_twice(w, left_out, strength, cell);
      least = fmin(least, udg_relit_rest(&all));
    }
    double gain = log_over(before, least);
    mean += gain / DECOYS;
    square += gain * gain / DECOYS;
  }
  return fmax(sqrt(fmax(square - mean * mean, 0.0)), SPREAD_LEAST);
}

/* The gain itself and the gain in spreads tell about as much; their geometric mean tells more. */
static double to_log_ratio(double gain, double chance) {
  double score = gain / sqrt(chance);
  return fmax(-LOG_RATIO_MAX, fmin(LOG_RATIO_MAX, SLOPE * (score - EVEN)));
}

/* Softness of the photo's shoulders, and the sums with and without a second image. */
static udg_status fit_digits(work *w, udg_message *message) {
  udg_hub_fit *fit = &w->fit;
  udg_hub_second second = {.strength = -1};
  udg_status status = udg_hub_fit_softs(fit, &second, message);
  if (status != UDG_OK || fit->count < 2)
    return status;
  udg_hub_fit_softest(fit, &fit->soft);
  for (int k = 0; k < fit->count; k++)
    w->once[k] = fit->soft_sums[fit->soft * UDG_PLACES_MAX + k];
  for (int round = 0; round < ROUNDS && status == UDG_OK; round++) {
    int soft = fit->soft;
    status = udg_hub_fit_table(fit, message);
    if (status != UDG_OK || round + 1 == ROUNDS)
      break;
    /* A second image that is not allowed for makes shoulders look wide. */
    spot best = best_spot(w, -1);
    second.strength = best.strength;
    udg_hub_fit_shift(fit, best.cell, second.shift_mm);
    status = udg_hub_fit_softs(fit, &second, message);
    if (status == UDG_OK)
      udg_hub_fit_softest(fit, &fit->soft);
    if (fit->soft == soft)
      break;
  }
  return status;
}

/* What each digit explains as the second image at one place, moved about as the others are. */
static udg_status other_digits(work *w, int index, const spot *rest, double left[10],
                               udg_message *message) {
  udg_hub_fit *fit = &w->fit;
  udg_look *look = fit->at.look;
  const udg_reference *reference = look->scene.reference;
  const udg_date *date = &reference->dates[look->scene.date_index];
  int usable, place = fit->place[index], cells[UDG_PLACES_MAX];
  udg_status status = udg_relit_patch_digit(&fit->at, place, &usable, message);
  alike(rest->cell, cells);
  udg_relit_sums others = sum_twice(w, index, rest->strength, cells);
  for (int d = 0; d < 10 && status == UDG_OK; d++) {
    left[d] = HUGE_VAL;
    if (!reference->has_digit[d] || d > date->places[place].digit - '0')
      continue;
    status = udg_look_lay(look, place, (char)('0' + d), &fit->at.other, message);
    for (int n = 0; n < 9 && status == UDG_OK; n++) {
      udg_hub_second second = {.strength = rest->strength};
      udg_hub_fit_shift(fit, rest->cell, second.shift_mm);
      second.shift_mm[0] += fit->step_mm * (n % 3 - 1);
      second.shift_mm[1] += fit->step_mm * (n / 3 - 1);
      udg_relit_sums one;
      udg_hub_fit_take(fit, &second, 1, fit->soft, &one);
      udg_relit_add(&one, &others);
      left[d] = fmin(left[d], udg_relit_rest(&one));
    }
  }
  return status;
}

/* An earlier hub has an earlier date; the first place where it could differ from the right. */
static udg_status find_digit(work *w, udg_hub_finding *hub, double *least, udg_message *message) {
  const udg_look *look = w->fit.at.look;
  const udg_date *date = &look->scene.reference->dates[look->scene.date_index];
  for (int k = w->fit.count - 1; k >= 0 && w->fit.place[k] >= date->place_count - 2; k--) {
    double left[10];
    spot rest = best_spot(w, k);
    udg_status status = other_digits(w, k, &rest, left, message);
    if (status != UDG_OK)
      return status;
    int own = date->places[w->fit.place[k]].digit - '0', best = -1;
    for (int d = 0; d < own; d++)
      if (isfinite(left[d]) && (best < 0 || left[d] < left[best]))
        best = d;
    if (best < 0)
      continue;
    *least = fmin(*least, left[best]);
    double chance = spread(w, k, rest.strength), lead = log_over(left[own], left[best]) / chance;
    if (hub->place == 0 || lead > hub->digit_lead) {
      udg_relit_sums once = sum_once(w, k);
      hub->place = w->fit.place[k] + 1;
      hub->digit = (char)('0' + best);
      hub->digit_lead = lead;
      hub->rest_log_ratio = to_log_ratio(log_over(udg_relit_rest(&once), rest.rest), chance);
      udg_hub_fit_shift(&w->fit, rest.cell, hub->rest_shift_mm);
    }
  }
  return UDG_OK;
}

static udg_status look(work *w, udg_hub_finding *hub, udg_message *message) {
  udg_hub_fit *fit = &w->fit;
  udg_status status = fit_digits(w, message);
  if (status != UDG_OK || fit->count < 2)
    return status;
  spot best = best_spot(w, -1);
  double least = best.rest, chance = spread(w, -1, best.strength);
  udg_relit_sums once = sum_once(w, -1);
  hub->applies = 1;
  udg_hub_fit_shift(fit, best.cell, hub->shift_mm);
  if (fit->count >= 3)
    status = find_digit(w, hub, &least, message);
  hub->log_ratio = to_log_ratio(log_over(udg_relit_rest(&once), least), chance);
  if (status == UDG_OK && fit->at.look->scene.reference->design_count > 0) {
    int cells[UDG_PLACES_MAX];
    alike(best.cell, cells);
    udg_relit_sums twice = sum_twice(w, -1, best.strength, cells);
    status = udg_hub_legend(fit, &twice, best.strength, hub, message);
  }
  hub->log_ratio += hub->legend_log_ratio;
  hub->rest_log_ratio += hub->legend_log_ratio;
  return status;
}

udg_status udg_hub_look(udg_look *look_at, const udg_look_scene *scene, udg_hub_finding *hub,
                        udg_message *message) {
  work w;
  *hub = (udg_hub_finding){.applies = 0};
  udg_look_begin(look_at, scene);
  udg_status status = udg_hub_fit_create(look_at, &w.fit, message);
  if (status != UDG_OK)
    return status;
  status = look(&w, hub, message);
  udg_hub_fit_destroy(&w.fit);
  return status;
}
