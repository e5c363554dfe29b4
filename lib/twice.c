/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "twice.h"

#include <math.h>
#include <string.h>

enum { DECOYS = 48 };

/* Decoys of fewer digits tell their spread badly: never less. */
static const double SPREAD_LEAST = 0.004;
/* Displacements of a second punch looked at, digit heights. */
static const double LEAST = 0.04;
/* First every other pixel, then downhill from so many of the best of each strength, for all digits
 * or for each one alone; for one alone the rest where that gains so much. */
enum { COARSE = 2, SEEDS = 3, SEEDS_ALONE = 4 };
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
      if (!udg_hub_fit_has(fit, t, c))
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
  udg_status status = udg_hub_fit_soften(fit, &none, message);
  if (status != UDG_OK || fit->count < 2)
    return status;
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

/* The softness that suits the best second image; nothing is known at another. */
static udg_status soften_twice(udg_twice *twice, int *same, udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  const int soft = fit->soft;
  udg_twice_spot best = udg_twice_best(twice, -1);
  udg_hub_second second = {.strength = best.strength};
  udg_hub_fit_shift(fit, best.cell, second.shift_mm);
  udg_status status = udg_hub_fit_soften(fit, &second, message);
  *same = fit->soft == soft;
  if (!*same)
    udg_hub_fit_forget(fit);
  return status;
}

static udg_status fill_whole(udg_twice *twice, int strength, udg_message *message) {
  udg_hub_fit_want(&twice->fit, strength, 1);
  return udg_hub_fit_table(&twice->fit, message);
}

udg_status udg_twice_fill(udg_twice *twice, udg_message *message) {
  int same = 0;
  udg_status status = fill_whole(twice, -1, message);
  if (status == UDG_OK)
    status = soften_twice(twice, &same, message);
  return status == UDG_OK && !same ? fill_whole(twice, -1, message) : status;
}

/* What a second image of a digit leaves, the others set once, or of all of them (-1). */
static double rest_of(const udg_twice *twice, int digit, int strength, int cell,
                      const udg_relit_sums *others) {
  udg_relit_sums all;
  if (digit < 0) {
    int cells[UDG_PLACES_MAX];
    udg_twice_alike(cell, cells);
    all = udg_twice_sum(twice, -1, strength, cells);
  } else {
    all = *others;
    udg_relit_add(&all, udg_hub_fit_twice(&twice->fit, strength, digit, cell));
  }
  return udg_relit_rest(&all);
}

static int has(const udg_hub_fit *fit, int digit, int strength, int cell) {
  return digit < 0 ? udg_hub_fit_has(fit, strength, cell)
                   : fit->known[udg_hub_fit_at(fit, strength, digit, cell)];
}

static void want(udg_hub_fit *fit, int digit, int strength, int cell) {
  for (int k = 0; k < fit->count; k++)
    if (digit < 0 || digit == k)
      fit->wanted[udg_hub_fit_at(fit, strength, k, cell)] = 1;
}

/* Wants the cells beside the best ones of a strength; 1: none that the table has not. `rest`:
 * below 0 where it has none. */
static int want_beside(udg_hub_fit *fit, int digit, int strength, const double *rest) {
  unsigned char seed[UDG_HUB_CELLS_MAX] = {0};
  int settled = 1;
  for (int n = 0; n < (digit < 0 ? SEEDS : SEEDS_ALONE); n++) {
    int best = -1;
    for (int c = 0; c < fit->cells.count; c++)
      if (rest[c] >= 0.0 && !seed[c] && (best < 0 || rest[c] < rest[best]))
        best = c;
    if (best < 0)
      break;
    seed[best] = 1;
    for (int k = 0; k < 9; k++) {
      int beside = udg_hub_fit_beside(fit, best, k % 3 - 1, k / 3 - 1);
      if (beside < 0 || has(fit, digit, strength, beside))
        continue;
      want(fit, digit, strength, beside);
      settled = 0;
    }
  }
  return settled;
}

/* Fills the table downhill to the second image of a digit, or of all (-1), that explains most. */
static udg_status seek(udg_twice *twice, int digit, udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  double rest[UDG_HUB_STRENGTHS][UDG_HUB_CELLS_MAX];
  for (int i = 0; i < UDG_HUB_STRENGTHS * UDG_HUB_CELLS_MAX; i++)
    rest[i / UDG_HUB_CELLS_MAX][i % UDG_HUB_CELLS_MAX] = -1.0;
  const udg_relit_sums others = udg_twice_sum_once(twice, digit);
  udg_hub_fit_want(fit, -1, COARSE);
  for (int settled = 0; !settled;) {
    udg_status status = udg_hub_fit_table(fit, message);
    if (status != UDG_OK)
      return status;
    settled = 1;
    for (int t = 0; t < fit->strengths; t++) {
      for (int c = 0; c < fit->cells.count; c++)
        if (rest[t][c] < 0.0 && has(fit, digit, t, c))
          rest[t][c] = rest_of(twice, digit, t, c, &others);
      settled &= want_beside(fit, digit, t, rest[t]);
    }
  }
  return UDG_OK;
}

/* The best second image of all digits at the softness that suits it; of its strength the whole
 * table, which chance is told from. */
static udg_status settle(udg_twice *twice, udg_message *message) {
  int same = 0;
  udg_status status = seek(twice, -1, message);
  if (status == UDG_OK)
    status = soften_twice(twice, &same, message);
  if (status == UDG_OK && !same)
    status = seek(twice, -1, message);
  return status == UDG_OK ? fill_whole(twice, udg_twice_best(twice, -1).strength, message) : status;
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
        if (!has(fit, k, t, c))
          continue;
        double rest = rest_of(twice, k, t, c, &others);
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

static udg_status look_at_date(udg_twice *twice, int all, udg_twice_seen *seen,
                               udg_message *message) {
  udg_hub_fit *fit = &twice->fit;
  udg_hub_fit_want(fit, -1, COARSE);
  udg_status status = udg_hub_fit_table(fit, message);
  if (status != UDG_OK)
    return status;
  best_one(twice, seen);
  seen->digits = fit->count;
  udg_relit_sums once = udg_twice_sum_once(twice, -1);
  all |= udg_twice_log_over(udg_relit_rest(&once), udg_twice_best(twice, -1).rest) > GAIN_FROM;
  if (seen->one > GAIN_FROM)
    status = fill_whole(twice, -1, message);
  for (int k = 0; k < fit->count && all && status == UDG_OK; k++)
    status = seek(twice, k, message);
  if (status == UDG_OK && (all || seen->one > GAIN_FROM))
    best_one(twice, seen);
  if (status == UDG_OK && all)
    status = settle(twice, message);
  if (status == UDG_OK && all)
    seen->all = score_all(twice, HUGE_VAL);
  return status;
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
    status = settle(&twice, message);
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
