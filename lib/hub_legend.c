/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Letters of a hub that was set twice: far from the date they tell the turn as well. */
#include <math.h>

#include "hub_fit.h"

enum { LETTERS_MAX = 16, TURNS = 5, WAYS = 8, DECOYS = 48 };

/* Turns of the hub between its two impressions, rad. */
static const double TURN_STEP = 0.005;
static const double SPREAD_LEAST = 0.004;
/* From score to log ratio, by drawn coins with and without (tests/bench/hub.c). */
static const double EVEN = 0.35, SLOPE = 6.0, LEAST = -2.0, MOST = 5.0;

typedef struct letters {
  int count;
  udg_relit_sums once[LETTERS_MAX];
  udg_relit_sums twice[LETTERS_MAX][TURNS][WAYS];
} letters;

static double turn_of(int w) {
  return TURN_STEP * (w - TURNS / 2);
}

/* Displacement where a letter stands, and that turned by one of the square's symmetries. */
static void displaced(const double shift_mm[2], double turn, const double at_mm[2], int way,
                      double v[2]) {
  v[0] = shift_mm[0] - turn * at_mm[1];
  v[1] = shift_mm[1] + turn * at_mm[0];
  if (way & 4)
    v[0] = -v[0];
  for (int k = 0; k < (way & 3); k++) {
    double t = v[0];
    v[0] = -v[1];
    v[1] = t;
  }
}

static udg_status take_letters(udg_hub_fit *fit, const double shift_mm[2], int strength,
                               letters *all, udg_message *message) {
  const udg_reference *reference = fit->at.look->scene.reference;
  const udg_hub_second none = {.strength = -1};
  for (size_t i = 0; i < reference->design_count && all->count < LETTERS_MAX; i++) {
    int usable;
    if (udg_stop_wanted(&fit->at.look->settings))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking at the hub");
    udg_status status = udg_relit_patch_item(&fit->at, (int)i, &usable, message);
    if (status != UDG_OK)
      return status;
    if (!usable)
      continue;
    int n = all->count++;
    udg_hub_fit_take(fit, &none, 0, fit->soft, &all->once[n]);
    for (int w = 0; w < TURNS; w++)
      for (int g = 0; g < WAYS; g++) {
        udg_hub_second second = {.strength = strength};
        displaced(shift_mm, turn_of(w), reference->design[i].at_mm, g, second.shift_mm);
        udg_hub_fit_take(fit, &second, 0, fit->soft, &all->twice[n][w][g]);
      }
  }
  return UDG_OK;
}

/* What is left with all letters set twice, each moved its way. */
static double rest_at(const letters *all, const udg_relit_sums *digits, int turn,
                      const int way[LETTERS_MAX]) {
  udg_relit_sums sums = *digits;
  for (int k = 0; k < all->count; k++)
    udg_relit_add(&sums, &all->twice[k][turn][way[k]]);
  return fmax(udg_relit_rest(&sums), 1e-3);
}

/* s.d. of what ways that the letters do not share gain at their best turn. */
static double spread(const letters *all, const udg_relit_sums *digits, double before) {
  double mean = 0.0, square = 0.0;
  uint32_t state = 54321u;
  for (int d = 0; d < DECOYS; d++) {
    int way[LETTERS_MAX];
    double least = HUGE_VAL;
    for (int k = 0; k < all->count; k++)
      way[k] = udg_hub_random_way(&state);
    for (int w = 0; w < TURNS; w++)
      least = fmin(least, rest_at(all, digits, w, way));
    double gain = log(before / least);
    mean += gain / DECOYS;
    square += gain * gain / DECOYS;
  }
  return fmax(sqrt(fmax(square - mean * mean, 0.0)), SPREAD_LEAST);
}

static void weigh(const letters *all, const udg_relit_sums *digits, udg_hub_finding *hub) {
  const int straight[LETTERS_MAX] = {0};
  udg_relit_sums sums = *digits;
  double least = HUGE_VAL;
  for (int k = 0; k < all->count; k++)
    udg_relit_add(&sums, &all->once[k]);
  double before = fmax(udg_relit_rest(&sums), 1e-3);
  for (int w = 0; w < TURNS; w++) {
    double rest = rest_at(all, digits, w, straight);
    if (rest < least) {
      least = rest;
      hub->turn_deg = turn_of(w) * 180.0 / acos(-1.0);
    }
  }
  double score = log(before / least) / sqrt(spread(all, digits, before));
  hub->legend_letters = all->count;
  hub->legend_log_ratio = fmax(LEAST, fmin(MOST, SLOPE * (score - EVEN)));
}

udg_status udg_hub_legend(udg_hub_fit *fit, const udg_relit_sums *digits, int strength,
                          udg_hub_finding *hub, udg_message *message) {
  const udg_settings *settings = &fit->at.look->settings;
  letters *all = udg_memory_get(settings, 1, sizeof *all);
  if (!all)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the hub's letters");
  udg_status status = take_letters(fit, hub->shift_mm, strength, all, message);
  if (status == UDG_OK && all->count > 0)
    weigh(all, digits, hub);
  udg_memory_drop(settings, all);
  return status;
}
