/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Which date, and where: the part of the pipeline that joins coin, date and registration. */
#include <math.h>
#include <string.h>

#include "pipeline.h"

/* A lead over every other spot that wrong dates and foreign designs did not reach. */
static const double LEAD_CLEAR = 0.12;
/* Chance from which on a date on a coin is taken for found. */
static const double COIN_CERTAIN = 0.5;
/* Of several coins in a photo so many of the clearest rims are looked at. */
enum { COINS_TRIED = 6 };
/* Chance from which on the other dates are only looked at where this one is. */
static const double COIN_SURE = 0.9;
/* A date that explains less than this share of what another explains, at that one's place, is not
 * the photo's: with one digit in four another it still is one of the two that explains less. */
static const double NEAR_LEADER = 0.95;

double udg_registration_lead(const udg_registration *registration) {
  return registration->score * (1.0 - registration->runner_up);
}

static udg_status locate_on(udg_inspector *inspector, udg_photo photo, size_t date_index,
                            udg_message *message) {
  udg_status status = udg_find_date(inspector->find, photo, date_index, &inspector->found, message);
  if (status != UDG_OK || inspector->found.count == 0)
    return status;
  return udg_register(inspector->registers, photo, date_index, &inspector->found,
                      &inspector->registration, message);
}

/* Where a registered date is. */
static udg_candidate candidate_of(const udg_registration *r) {
  const double *m = r->date_to_photo.m;
  return (udg_candidate){r->date_to_photo, r->digit_height_px, atan2(m[3], m[0]), r->score};
}

/* The date just located leads over every other spot. */
static int clear(const udg_inspector *inspector) {
  return inspector->found.count > 0 &&
         udg_registration_lead(&inspector->registration) >= LEAD_CLEAR;
}

/* Evened out, texture can drown a date whose highlights are all that shows: a date that does not
 * lead clearly gets a turn in the photo as it is. */
static udg_status locate_as_it_is(udg_inspector *inspector, size_t date_index,
                                  udg_message *message) {
  if (clear(inspector))
    return UDG_OK;
  udg_registration registration = inspector->registration;
  udg_find_result found = inspector->found;
  udg_status status = locate_on(inspector, inspector->grey, date_index, message);
  if (status != UDG_OK || found.count == 0)
    return status;
  if (inspector->found.count == 0 ||
      udg_registration_lead(&inspector->registration) <= udg_registration_lead(&registration)) {
    inspector->registration = registration;
    inspector->found = found;
  }
  return UDG_OK;
}

udg_status udg_pipeline_locate(udg_inspector *inspector, size_t date_index, udg_message *message) {
  udg_status status = locate_on(inspector, inspector->even, date_index, message);
  return status == UDG_OK ? locate_as_it_is(inspector, date_index, message) : status;
}

/* The close-up's first way: the date evened out. */
static udg_status locate_evened(udg_inspector *inspector, size_t date_index, udg_message *message) {
  udg_date_work *work = &inspector->dates[date_index];
  udg_status status = locate_on(inspector, inspector->even, date_index, message);
  work->evened = inspector->registration;
  work->spots = inspector->found;
  work->passed_over = 0;
  return status;
}

/* Whether a date explains what another one was found to be nowhere near as well as that. */
static udg_status far_behind(udg_inspector *inspector, size_t date_index, size_t leader,
                             const udg_candidate *spot, int *behind, udg_message *message) {
  double own = 0.0, leading = 0.0;
  udg_status status =
      udg_register_try(inspector->registers, inspector->even, leader, spot, &leading, message);
  if (status == UDG_OK)
    status =
        udg_register_try(inspector->registers, inspector->even, date_index, spot, &own, message);
  *behind = status == UDG_OK && own < NEAR_LEADER * leading;
  return status;
}

/* Each date in turn, evened out (`as_it_is` 0) or, after that, both ways; the one whose lit
 * model explains most stays.  Where one leads clearly, others are looked for only if they come near
 * it at its own place. */
static udg_status locate_each(udg_inspector *inspector, const char *date, int as_it_is,
                              size_t *date_index, udg_message *message) {
  const udg_reference *reference = inspector->reference;
  udg_registration best_registration = {.score = -1.0};
  udg_find_result best_found = {.count = 0};
  for (size_t i = 0; i < reference->date_count; i++) {
    udg_date_work *work = &inspector->dates[i];
    if (date && strcmp(date, reference->dates[i].text) != 0)
      continue;
    udg_status status = UDG_OK;
    if (!as_it_is && best_found.count > 0 &&
        udg_registration_lead(&best_registration) >= LEAD_CLEAR) {
      const udg_candidate spot = candidate_of(&best_registration);
      status = far_behind(inspector, i, *date_index, &spot, &work->passed_over, message);
      if (status != UDG_OK)
        return status;
      if (work->passed_over)
        continue;
    }
    if (!as_it_is || work->passed_over)
      status = locate_evened(inspector, i, message);
    inspector->registration = work->evened;
    inspector->found = work->spots;
    if (status == UDG_OK && as_it_is)
      status = locate_as_it_is(inspector, i, message);
    if (status != UDG_OK)
      return status;
    if (inspector->found.count == 0 || inspector->registration.score <= best_registration.score)
      continue;
    best_registration = inspector->registration;
    best_found = inspector->found;
    *date_index = i;
  }
  inspector->registration = best_registration;
  inspector->found = best_found;
  return UDG_OK;
}

/* The close-up's way: each date anywhere. With one that leads clearly, no other gets a second
 * turn: a date that is not there never leads. */
static udg_status locate_close_up(udg_inspector *inspector, const char *date, size_t *date_index,
                                  udg_message *message) {
  udg_status status = locate_each(inspector, date, 0, date_index, message);
  if (status == UDG_OK && !clear(inspector))
    status = locate_each(inspector, date, 1, date_index, message);
  inspector->coin = -1;
  inspector->certainty = -1.0;
  return status;
}

/* The coin's turn by its face, the date where the reference says. */
static udg_status locate_by_face(udg_inspector *inspector, size_t date_index,
                                 const udg_ellipse *rim, const udg_plane *face,
                                 udg_find_result *found, udg_message *message) {
  const udg_reference *reference = inspector->reference;
  const udg_date *date = &reference->dates[date_index];
  memset(found, 0, sizeof *found);
  udg_status status = udg_face_take(&inspector->settings, inspector->grey, rim, &inspector->faces,
                                    &inspector->face);
  if (status == UDG_ERROR_MEMORY)
    return udg_fail(message, status, "no memory for the coin's face");
  if (status != UDG_OK)
    return UDG_OK; /* outside the photo */
  udg_face_match match = udg_face_compare(&inspector->face, face);
  double to_unit = 2.0 / reference->diameter_mm;
  udg_homography unit = udg_homography_similarity(
      to_unit, 0.0, to_unit * reference->date_origin_mm[0], to_unit * reference->date_origin_mm[1]);
  udg_homography map = udg_face_map(rim, match.turn_rad);
  udg_candidate *one = &found->candidates[0];
  one->date_to_photo = udg_homography_after(&map, &unit);
  one->digit_height_px =
      date->height_mm * udg_homography_scale(&one->date_to_photo, 0.0, -0.5 * date->height_mm);
  one->turn_rad = match.turn_rad;
  one->score = fmax(match.likeness, 0.0);
  found->runner_up = match.likeness > 0.0 ? match.runner_up / match.likeness : 1.0;
  found->count = 1;
  inspector->face_certainty = udg_face_certainty(&match);
  return UDG_OK;
}

/* One date on one coin, and the chance that it is there. */
static udg_status locate_on_coin(udg_inspector *inspector, size_t date_index,
                                 const udg_ellipse *rim, udg_find_result *found, double *certainty,
                                 udg_message *message) {
  const udg_appearance *known = udg_reference_appearance(inspector->reference, date_index);
  udg_status status;
  if (known && known->face.v) {
    status = locate_by_face(inspector, date_index, rim, &known->face, found, message);
    *certainty = found->count > 0 ? inspector->face_certainty : 0.0;
    return status;
  }
  status = udg_coin_locate(inspector->locator, inspector->grey, date_index, rim, found, message);
  *certainty = udg_coin_certainty(found);
  return status;
}

/* The whole coin's way: each date at every turn of each of the coins from `first` to
 * before `end`; the one that is certain most. `found.count` is 0 when none is. */
static udg_status locate_on_coins(udg_inspector *inspector, const char *date, int first, int end,
                                  size_t *date_index, udg_message *message) {
  const udg_reference *reference = inspector->reference;
  udg_find_result best = {.count = 0};
  inspector->coin = first;
  inspector->certainty = 0.0;
  for (int c = first; c < end; c++) {
    for (size_t i = 0; i < reference->date_count; i++) {
      udg_find_result found;
      if (date && strcmp(date, reference->dates[i].text) != 0)
        continue;
      double certainty;
      int behind = 0;
      udg_status status = UDG_OK;
      if (inspector->coin == c && inspector->certainty >= COIN_SURE)
        status = far_behind(inspector, i, *date_index, &best.candidates[0], &behind, message);
      if (status != UDG_OK)
        return status;
      if (behind)
        continue;
      status = locate_on_coin(inspector, i, &inspector->rims.coins[c], &found, &certainty, message);
      if (status != UDG_OK)
        return status;
      if (found.count == 0 || certainty <= inspector->certainty)
        continue;
      inspector->coin = c;
      inspector->certainty = certainty;
      best = found;
      *date_index = i;
    }
  }
  inspector->found = best;
  if (inspector->certainty < COIN_CERTAIN)
    inspector->found.count = 0;
  if (inspector->found.count == 0)
    return UDG_OK;
  return udg_register(inspector->registers, inspector->even, *date_index, &inspector->found,
                      &inspector->registration, message);
}

static int knows_date(const udg_reference *reference, const char *date) {
  for (size_t i = 0; i < reference->date_count; i++)
    if (strcmp(date, reference->dates[i].text) == 0)
      return 1;
  return 0;
}

/* Numbers as one reads a page: a rim whose middle lies above half of a row's first is
 * of that row. */
int udg_pipeline_coin_number(const udg_coin_result *rims, int coin) {
  int order[UDG_COINS_MAX], count = rims->count;
  for (int i = 0; i < count; i++) {
    int at = i;
    for (; at > 0 && rims->coins[order[at - 1]].centre[1] > rims->coins[i].centre[1]; at--)
      order[at] = order[at - 1];
    order[at] = i;
  }
  for (int row = 0, end; row < count; row = end) {
    const udg_ellipse *first = &rims->coins[order[row]];
    end = row + 1;
    while (end < count && rims->coins[order[end]].centre[1] < first->centre[1] + first->semi[1])
      end++;
    int left = 0, inside = 0;
    for (int i = row; i < end; i++) {
      left += rims->coins[order[i]].centre[0] < rims->coins[coin].centre[0];
      inside |= order[i] == coin;
    }
    if (inside)
      return row + left + 1;
  }
  return coin + 1;
}

/* A rim with more of it outside the photo than this is part of a coin. */
static const double WHOLE_INSIDE = 0.85;

const char *udg_pipeline_no_date(const udg_inspector *inspector) {
  const udg_coin_result *rims = &inspector->rims;
  if (rims->sure_count == 0)
    return "no date was found";
  int coin = inspector->coin >= 0 ? inspector->coin : 0;
  return rims->coins[coin].inside < WHOLE_INSIDE
             ? "a coin that lies in the photo only in part, and no date was found on that part"
             : "a coin, or something as round, but no date was found on it: the other side, "
               "another coin, or too unclear";
}

/* The photo's rims, once the date asked for is known. */
static udg_status find_rims(udg_inspector *inspector, const char *date, udg_message *message) {
  udg_coin_result *rims = &inspector->rims;
  if (date && !knows_date(inspector->reference, date))
    return udg_fail(message, UDG_ERROR_DATE, "%s: has no date %s", inspector->reference->name,
                    date);
  rims->count = rims->sure_count = 0;
  return inspector->coins ? udg_coin_find(inspector->coins, inspector->grey, rims, message)
                          : UDG_OK;
}

static udg_status locate_best(udg_inspector *inspector, const char *date, size_t *date_index,
                              udg_message *message) {
  udg_coin_result *rims = &inspector->rims;
  udg_status status = find_rims(inspector, date, message);
  if (status != UDG_OK)
    return status;
  /* A doubtful rim is a coin's when a date is found on it, else a close-up's. */
  int coins = rims->sure_count > 0 ? rims->sure_count : rims->count;
  if (coins > 0) {
    status = locate_on_coins(inspector, date, 0, coins < COINS_TRIED ? coins : COINS_TRIED,
                             date_index, message);
    if (status != UDG_OK || rims->sure_count > 0 || inspector->found.count > 0)
      return status;
  }
  return locate_close_up(inspector, date, date_index, message);
}

udg_status udg_pipeline_locate_best(udg_inspector *inspector, const char *date, size_t *date_index,
                                    udg_message *message) {
  udg_status status = locate_best(inspector, date, date_index, message);
  udg_templates_rest(inspector->templates); /* kernels and patches are made */
  return status;
}

udg_status udg_pipeline_locate_coin(udg_inspector *inspector, const char *date, int coin,
                                    size_t *date_index, udg_message *message) {
  const udg_coin_result *rims = &inspector->rims;
  udg_status status = find_rims(inspector, date, message);
  if (status != UDG_OK)
    return status;
  for (int c = 0; c < rims->sure_count; c++)
    if (udg_pipeline_coin_number(rims, c) == coin)
      return locate_on_coins(inspector, date, c, c + 1, date_index, message);
  return udg_fail(message, UDG_ERROR_ARGUMENT, "the photo has no coin %d, but %d", coin,
                  rims->sure_count);
}
