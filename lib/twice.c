/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "twice.h"

#include <math.h>
#include <string.h>

enum { DECOYS = 48 };

/* Decoys of fewer digits tell their spread badly: never less. */
static const double SPREAD_LEAST = 0.004;
/* Displacements of a second punch looked at, digit heights. */
static const double LEAST = 0.04;
/* First every other pixel; the rest where that gains so much. */
enum { COARSE = 2 };
static const double GAIN_FROM = 0.01;
/* Strengths of the second image where the date was registered as set twice. */
enum { STRENGTHS_ANEW = 2 };

udg_relit_sums udg_twice_sum_once(const udg_twice *twice, int left_out) {
  udg_relit_sums all = {0};
  for (int k = 0; k < twice->fit.count; k++)
    if (k != left_out)
      udg_relit_add(&all, &twice->once[k]);
  return all;
}

udg_relit_sums udg_twice_sum(const udg_twice *twice, int left_out, int strength,
                             const int cell[UDG_PLACES_MAX]) {
  udg_relit_sums all = {0};
  for (int k = 0; k < twice->fit.count; k++)
    if (k != left_out)
      udg_relit_add(&all, udg_hub_fit_twice(&twice->fit, strength, k, cell[k]));
  return all;
}

void udg_twice_alike(int cell, int cells[UDG_PLACES_MAX]) {
  for (int k = 0; k < UDG_PLACES_MAX; k++)
    cells[k] = cell;
}

udg_twice_spot udg_twice_best(const udg_twice *twice, int left_out) {
  const udg_hub_fit *fit = &twice->fit;
  udg_twice_spot best = {HUGE_VAL, 0, 0};
  for (int t = 0; t < fit->strengths; t++)
    for (int c = 0; c < fit->cells.count; c++) {
      if (!udg_hub_fit_has(fit, c))
        continue;
      int cell[UDG_PLACES_MAX];
      udg_twice_alike(c, cell);
      udg_relit_sums all = udg_twice_sum(twice, left_out, t, cell);
      double rest = udg_relit_rest(&all);
      if (rest < best.rest)
        best = (udg_twice_spot){rest, t, c};
    }
  return best;
}

double udg_twice_log_over(double before, double after) {
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

double udg_twice_spread(const udg_twice *twice, int left_out, int strength) {
  const udg_hub_fit *fit = &twice->fit;
  double mean = 0.0, square = 0.0;
  uint32_t state = 12345u;
  udg_relit_sums once = udg_twice_sum_once(twice, left_out);
  double before = udg_relit_rest(&once);
  for (int d = 0; d < DECOYS; d++) {
    int g[UDG_PLACES_MAX] = {0}, same = 1, cell[UDG_PLACES_MAX] = {0};
    double least = HUGE_VAL;
    for (int k = 0; k < fit->count; k++) {
      g[k] = udg_hub_random_way(&state);
      same &= g[k] == g[0];
    }
    if (same)
      g[0] = (g[0] + 2) & 7;
    for (int c = d % 3; c < fit->cells.count; c += 3) { /* every third tells it as well */
      for (int k = 0; k < fit->count; k++)
        cell[k] = turned_cell(&fit->cells, c, g[k]);
      udg_relit_sums all = udg_twice_sum(twice, left_out, strength, cell);
      least = fmin(least, udg_relit_rest(&all));
    }
    double gain = udg_twice_log_over(before, least);
    mean += gain / DECOYS;
    square += gain * gain / DECOYS;
  }
  return fmax(sqrt(fmax(square - mean * mean, 0.0)), SPREAD_LEAST);
}

/* The softness that suits the date set once, and its sums. */
static udg_status soften(udg_twice *twice, udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  const udg_hub_second none = {.strength = -1};
  udg_status status = udg_hub_fit_softs(fit, &none, message);
  if (status != UDG_OK || fit->count < 2)
    return status;
  udg_hub_fit_softest(fit, &fit->soft);
  for (int k = 0; k < fit->count; k++)
    twice->once[k] = fit->soft_sums[fit->soft * UDG_PLACES_MAX + k];
  return UDG_OK;
}

void udg_twice_close(udg_twice *twice) {
  udg_hub_fit_destroy(&twice->fit);
}

udg_status udg_twice_open(udg_look *look, const udg_look_scene *scene, double least, int strengths,
                          udg_twice *twice, udg_message *message) {
  udg_look_begin(look, scene);
  udg_status status = udg_hub_fit_create(look, least, strengths, &twice->fit, message);
  if (status != UDG_OK)
    return status;
  status = soften(twice, message);
  if (status != UDG_OK)
    udg_twice_close(twice);
  return status;
}

udg_status udg_twice_fill(udg_twice *twice, int rounds, udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  udg_status status = udg_hub_fit_table(fit, message);
  for (int round = 0; round < rounds && status == UDG_OK; round++) {
    const int soft = fit->soft;
    udg_twice_spot best = udg_twice_best(twice, -1);
    udg_hub_second second = {.strength = best.strength};
    udg_hub_fit_shift(fit, best.cell, second.shift_mm);
    status = udg_hub_fit_softs(fit, &second, message);
    if (status == UDG_OK)
      udg_hub_fit_softest(fit, &fit->soft);
    if (status != UDG_OK || fit->soft == soft)
      break;
    fit->done = 0;
    status = udg_hub_fit_table(fit, message);
  }
  return status;
}

/* What the digit gains that a second image of it alone explains best, or how far that is ahead of
 * the next digit's gain, whichever is less. */
static void best_one(const udg_twice *twice, udg_twice_seen *seen) {
  const udg_hub_fit *fit = &twice->fit;
  udg_relit_sums once = udg_twice_sum_once(twice, -1);
  double before = udg_relit_rest(&once), first = -HUGE_VAL, next = -HUGE_VAL;
  for (int k = 0; k < fit->count; k++) {
    udg_twice_spot best = {HUGE_VAL, 0, 0};
    const udg_relit_sums others = udg_twice_sum_once(twice, k);
    for (int t = 0; t < fit->strengths; t++)
      for (int c = 0; c < fit->cells.count; c++) {
        if (!udg_hub_fit_has(fit, c))
          continue;
        udg_relit_sums all = others;
        udg_relit_add(&all, udg_hub_fit_twice(fit, t, k, c));
        double rest = udg_relit_rest(&all);
        if (rest < best.rest)
          best = (udg_twice_spot){rest, t, c};
      }
    double gain = udg_twice_log_over(before, best.rest);
    next = fmax(next, fmin(gain, first));
    if (gain > first) {
      first = gain;
      seen->one_place = fit->place[k];
      udg_hub_fit_shift(fit, best.cell, seen->one_shift_mm);
    }
  }
  seen->one = fmin(first, first - next);
}

/* What the date set once leaves unexplained, by pixel. */
static double rest_once_by_pixel(const udg_twice *twice) {
  udg_relit_sums once = udg_twice_sum_once(twice, -1);
  return udg_relit_rest(&once) / fmax(once.pixels, 1.0);
}

/* The date's score against the least that setting it once leaves, here or elsewhere. */
static double score_all(const udg_twice *twice, double rest_elsewhere) {
  const double pixels = fmax(udg_twice_sum_once(twice, -1).pixels, 1.0);
  udg_twice_spot best = udg_twice_best(twice, -1);
  double once = fmin(rest_once_by_pixel(twice), rest_elsewhere);
  return udg_twice_log_over(once, best.rest / pixels) /
         sqrt(udg_twice_spread(twice, -1, best.strength));
}

static udg_status look_closely(udg_twice *twice, int all, udg_twice_seen *seen,
                               udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  fit->every = 1;
  udg_status status = udg_twice_fill(twice, 0, message);
  if (status != UDG_OK)
    return status;
  best_one(twice, seen);
  if (!all)
    return UDG_OK;
  status = udg_twice_fill(twice, 1, message);
  if (status == UDG_OK)
    seen->all = score_all(twice, HUGE_VAL);
  return status;
}

static udg_status look_at_date(udg_twice *twice, int all, udg_twice_seen *seen,
                               udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  fit->every = COARSE;
  udg_status status = udg_twice_fill(twice, 0, message);
  if (status != UDG_OK)
    return status;
  best_one(twice, seen);
  seen->digits = fit->count;
  udg_relit_sums once = udg_twice_sum_once(twice, -1);
  double gain = udg_twice_log_over(udg_relit_rest(&once), udg_twice_best(twice, -1).rest);
  all |= gain > GAIN_FROM;
  return all || seen->one > GAIN_FROM ? look_closely(twice, all, seen, message) : UDG_OK;
}

/* The date where it was registered as set twice. */
static udg_status look_anew(udg_look *look, const udg_look_scene *scene, const udg_twice_pose *pose,
                            double rest_once, udg_twice_seen *seen, udg_message *message) {
  udg_twice twice;
  udg_look_scene there = *scene;
  there.registration = &pose->registration;
  udg_status status = udg_twice_open(look, &there, LEAST, STRENGTHS_ANEW, &twice, message);
  if (status != UDG_OK)
    return status;
  if (twice.fit.count >= 2)
    status = udg_twice_fill(&twice, 1, message);
  if (twice.fit.count >= 2 && status == UDG_OK) {
    seen->anew = score_all(&twice, rest_once);
    seen->all_gain = pose->gain;
    memcpy(seen->all_shift_mm, pose->shift_mm, sizeof seen->all_shift_mm);
  }
  udg_twice_close(&twice);
  return status;
}

udg_status udg_twice_look(udg_look *look, const udg_look_scene *scene, const udg_twice_pose *pose,
                          udg_twice_seen *seen, udg_message *message) {
  udg_twice twice;
  double rest_once = HUGE_VAL;
  *seen = (udg_twice_seen){.digits = 0};
  udg_status status = udg_twice_open(look, scene, LEAST, UDG_HUB_STRENGTHS, &twice, message);
  if (status != UDG_OK)
    return status;
  if (twice.fit.count >= 2)
    status = look_at_date(&twice, pose->found, seen, message);
  if (seen->digits > 0 && status == UDG_OK)
    rest_once = rest_once_by_pixel(&twice);
  udg_twice_close(&twice);
  if (seen->digits > 0 && pose->found && status == UDG_OK)
    status = look_anew(look, scene, pose, rest_once, seen, message);
  return status;
}
