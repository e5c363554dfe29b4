/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "hub.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "relief.h"
#include "twice.h"

/* Displacements looked at, digit heights, and how many strengths of the second image. */
static const double LEAST = 0.05;
enum { STRENGTHS = 2 };
/* From score to log ratio, by drawn coins with and without (tests/bench/hub.c). */
static const double EVEN = 0.58, SLOPE = 6.0, LOG_RATIO_MAX = 9.0;

int udg_hub_has(const udg_reference *reference, size_t date_index) {
  return reference->date_in_hub_since > 0 &&
         atol(reference->dates[date_index].text) >= reference->date_in_hub_since;
}

/* The gain itself and the gain in spreads tell about as much; their geometric mean tells more. */
static double to_log_ratio(double gain, double chance) {
  double score = gain / sqrt(chance);
  return fmax(-LOG_RATIO_MAX, fmin(LOG_RATIO_MAX, SLOPE * (score - EVEN)));
}

/* What each digit explains as the second image at one place, moved about as the others are. */
static udg_status other_digits(udg_twice *w, int index, const udg_twice_spot *rest, double left[10],
                               udg_message *message) {
  udg_hub_fit *fit = &w->fit;
  udg_look *look = fit->at.look;
  const udg_reference *reference = look->scene.reference;
  const udg_date *date = &reference->dates[look->scene.date_index];
  int usable, place = fit->place[index], cells[UDG_PLACES_MAX];
  udg_status status = udg_relit_patch_digit(&fit->at, place, &usable, message);
  udg_twice_alike(rest->cell, cells);
  udg_relit_sums others = udg_twice_sum(w, index, rest->strength, cells);
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
static udg_status find_digit(udg_twice *w, udg_hub_finding *hub, double *least,
                             udg_message *message) {
  const udg_look *look = w->fit.at.look;
  const udg_date *date = &look->scene.reference->dates[look->scene.date_index];
  for (int k = w->fit.count - 1; k >= 0 && w->fit.place[k] >= date->place_count - 2; k--) {
    double left[10];
    udg_twice_spot rest = udg_twice_best(w, k);
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
    double chance = udg_twice_spread(w, k, rest.strength),
           lead = udg_twice_log_over(left[own], left[best]) / chance;
    if (hub->place == 0 || lead > hub->digit_lead) {
      udg_relit_sums once = udg_twice_sum_once(w, k);
      hub->place = w->fit.place[k] + 1;
      hub->digit = (char)('0' + best);
      hub->digit_lead = lead;
      hub->rest_log_ratio =
          to_log_ratio(udg_twice_log_over(udg_relit_rest(&once), rest.rest), chance);
      udg_hub_fit_shift(&w->fit, rest.cell, hub->rest_shift_mm);
    }
  }
  return UDG_OK;
}

static udg_status look(udg_twice *w, udg_hub_finding *hub, udg_message *message) {
  udg_hub_fit *fit = &w->fit;
  udg_status status = udg_twice_fill(w, message);
  if (status != UDG_OK)
    return status;
  udg_twice_spot best = udg_twice_best(w, -1);
  double least = best.rest, chance = udg_twice_spread(w, -1, best.strength);
  udg_relit_sums once = udg_twice_sum_once(w, -1);
  hub->applies = 1;
  udg_hub_fit_shift(fit, best.cell, hub->shift_mm);
  if (fit->count >= 3)
    status = find_digit(w, hub, &least, message);
  hub->log_ratio = to_log_ratio(udg_twice_log_over(udg_relit_rest(&once), least), chance);
  if (status == UDG_OK && fit->at.look->scene.reference->design_count > 0) {
    int cells[UDG_PLACES_MAX];
    udg_twice_alike(best.cell, cells);
    udg_relit_sums twice = udg_twice_sum(w, -1, best.strength, cells);
    status = udg_hub_legend(fit, &twice, best.strength, hub, message);
  }
  hub->log_ratio += hub->legend_log_ratio;
  hub->rest_log_ratio += hub->legend_log_ratio;
  return status;
}

udg_status udg_hub_look(udg_look *look_at, const udg_look_scene *scene, udg_hub_finding *hub,
                        udg_message *message) {
  udg_twice w;
  *hub = (udg_hub_finding){.applies = 0};
  udg_status status = udg_twice_open(look_at, scene, LEAST, STRENGTHS, &w, message);
  if (status != UDG_OK)
    return status;
  if (w.fit.count >= 2)
    status = look(&w, hub, message);
  udg_twice_close(&w);
  return status;
}
