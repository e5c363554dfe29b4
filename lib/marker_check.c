/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "marker_check.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "name.h"

/* From these on an answer is given; between them it cannot be told. */
static const double PRESENT_FROM = 2.5, ABSENT_FROM = -2.0;
/* Faults of the light's model are common to all markers of a photo: the strongest counts in
 * full, the others by this share. */
static const double SHARED = 0.7;
/* Log odds of a digit from which on it counts as seen. */
static const double DIGIT_SEEN = 1.5;

const char *udg_marker_answer_text(udg_marker_answer answer) {
  static const char *const texts[] = {"cannot tell", "present", "absent"};
  return (size_t)answer < 3 ? texts[answer] : "unknown";
}

static double digit_log_odds(const udg_score *score, const udg_reference *reference,
                             const udg_date *date, const udg_expected *expected) {
  double best = -HUGE_VAL;
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (h->kind != UDG_TRACE_EARLIER || h->place + 1 != expected->place ||
        h->digit != expected->earlier)
      continue;
    double feature[UDG_FEATURE_COUNT];
    udg_evidence_features(score, reference, date, h, feature);
    best = fmax(best, udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, feature));
  }
  return isfinite(best) ? best : 0.0;
}

static udg_status check_one(udg_look *look, const udg_marker *marker, udg_marker_finding *f,
                            udg_message *message) {
  const udg_reference *reference = look->scene.reference;
  udg_look_tally tally;
  if (udg_stop_wanted(&look->settings))
    return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking for markers");
  udg_status status = udg_look_is_rim(look, marker) ? udg_look_rim(look, marker, &tally, message)
                                                    : udg_look_field(look, marker, &tally, message);
  if (status != UDG_OK)
    return status;
  *f = (udg_marker_finding){.kind = marker->kind, .in_view = tally.in_view > 0};
  snprintf(f->die, sizeof f->die, "%s", reference->expected[marker->expected_index].id);
  snprintf(f->id, sizeof f->id, "%s", marker->id);
  udg_look_weigh(&tally, &f->log_ratio, &f->power);
  if (f->log_ratio >= PRESENT_FROM)
    f->answer = UDG_MARKER_PRESENT;
  else if (f->log_ratio <= ABSENT_FROM)
    f->answer = UDG_MARKER_ABSENT;
  memcpy(f->at_mm, f->answer == UDG_MARKER_PRESENT ? tally.at_mm : marker->at_mm, sizeof f->at_mm);
  f->reach_mm = marker->extent_mm;
  if (reference->diameter_mm > 0.0)
    udg_date_to_clock(reference, f->at_mm, &f->clock, &f->radius_mm);
  double height = reference->dates[look->scene.date_index].height_mm;
  const udg_homography *map = hypot(f->at_mm[0], f->at_mm[1]) < 3.0 * height
                                  ? &look->scene.registration->date_to_photo
                                  : &look->coin_to_photo;
  udg_homography_apply(map, f->at_mm[0], f->at_mm[1], &f->photo_px[0], &f->photo_px[1]);
  return UDG_OK;
}

/* What a marker says of the die: one that comes or goes with use is there half of the time. */
static double of_die(const udg_marker *marker, double log_ratio) {
  return marker->life == UDG_MARKER_EVERY ? log_ratio : log(0.5 + 0.5 * exp(log_ratio));
}

static double together(const udg_marker *markers, const udg_marker_finding *found, int count) {
  double sum = 0.0, strongest = 0.0;
  for (int i = 0; i < count; i++) {
    double r = of_die(&markers[i], found[i].log_ratio);
    sum += r;
    if (fabs(r) > fabs(strongest))
      strongest = r;
  }
  return strongest + SHARED * (sum - strongest);
}

static void tell_state(const udg_marker *markers, const udg_marker_finding *found, int count,
                       const udg_result *result, udg_die_finding *die) {
  double early[UDG_MARKERS_MAX], late[UDG_MARKERS_MAX], strength[3];
  int early_count = 0, late_count = 0;
  for (int i = 0; i < count; i++) {
    if (markers[i].life == UDG_MARKER_EARLY)
      early[early_count++] = found[i].log_ratio;
    if (markers[i].life == UDG_MARKER_LATE)
      late[late_count++] = found[i].log_ratio;
  }
  const udg_finding *f = &result->finding;
  int seen =
      f->place == die->place && f->digit == die->earlier && die->digit_log_ratio > DIGIT_SEEN;
  if (seen) {
    strength[0] = f->strength;
    strength[1] = f->strength_interval[0];
    strength[2] = f->strength_interval[1];
  }
  udg_die_state(seen ? strength : NULL, early, early_count, late, late_count, &die->state,
                die->state_interval);
}

static udg_status check_die(udg_look *look, const udg_expected *expected, const udg_score *score,
                            udg_result *result, udg_message *message) {
  const udg_reference *reference = look->scene.reference;
  const udg_marker *markers = reference->markers + expected->marker_first;
  int first = result->marker_count, count = (int)expected->marker_count;
  if (result->die_count >= UDG_DIES_MAX || first + count > UDG_MARKERS_MAX)
    return UDG_OK;
  udg_die_finding *die = &result->dies[result->die_count];
  udg_marker_finding *found = &result->markers[first];
  const udg_marker_finding *always_absent = NULL;
  *die = (udg_die_finding){.place = expected->place, .earlier = expected->earlier};
  snprintf(die->id, sizeof die->id, "%s", expected->id);
  for (int i = 0; i < count; i++) {
    udg_status status = check_one(look, &markers[i], &found[i], message);
    if (status != UDG_OK)
      return status;
    die->present += found[i].answer == UDG_MARKER_PRESENT;
    die->absent += found[i].answer == UDG_MARKER_ABSENT;
    if (found[i].answer == UDG_MARKER_ABSENT && markers[i].life == UDG_MARKER_EVERY)
      always_absent = &found[i];
  }
  die->digit_log_ratio =
      digit_log_odds(score, reference, &reference->dates[expected->date_index], expected);
  die->marker_log_ratio = together(markers, found, count);
  die->log_ratio = die->digit_log_ratio + die->marker_log_ratio;
  tell_state(markers, found, count, result, die);
  udg_die_words(result, die, always_absent, die->words, sizeof die->words);
  /* What bears on the answer belongs to its reasons. */
  int seen = die->digit_log_ratio > DIGIT_SEEN;
  if (die->present || (seen && always_absent))
    udg_result_reason(result, "%s", die->words);
  result->die_count++;
  result->marker_count += count;
  return UDG_OK;
}

udg_status udg_markers_check(udg_look *look, const udg_look_scene *scene, const udg_score *score,
                             udg_result *result, udg_message *message) {
  const udg_reference *reference = scene->reference;
  udg_look_begin(look, scene);
  udg_status status = UDG_OK;
  for (size_t i = 0; i < reference->expected_count && status == UDG_OK; i++) {
    const udg_expected *expected = &reference->expected[i];
    if ((size_t)expected->date_index == scene->date_index && expected->marker_count > 0)
      status = check_die(look, expected, score, result, message);
  }
  return status;
}

void udg_die_words(const udg_result *result, const udg_die_finding *die,
                   const udg_marker_finding *always_absent, char *words, size_t room) {
  int seen = die->digit_log_ratio > DIGIT_SEEN;
  int told = die->present + die->absent;
  (void)result;
  if (seen && always_absent)
    snprintf(words, room,
             "doubt: the %c of die %s seems to show, but its marker %s, which it always has, "
             "is not there",
             die->earlier, die->id, always_absent->id);
  else if (seen && die->present)
    snprintf(words, room, "the %c and %s of die %s show together: they confirm each other",
             die->earlier, die->present == 1 ? "a marker" : "markers", die->id);
  else if (die->present && always_absent)
    snprintf(words, room,
             "markers of die %s contradict each other: %s, which it always has, is not there",
             die->id, always_absent->id);
  else if (die->present)
    snprintf(words, room,
             "%s of die %s %s there, but its %c is not seen: this die in a late state, or a "
             "weak photo; worth a look",
             die->present == 1 ? "a marker" : "markers", die->id, die->present == 1 ? "is" : "are",
             die->earlier);
  else if (always_absent)
    snprintf(words, room, "not die %s: its marker %s is not there", die->id, always_absent->id);
  else if (!told)
    snprintf(words, room, "the markers of die %s cannot be told in this photo", die->id);
  else
    snprintf(words, room, "markers of die %s that come or go with use are not there", die->id);
}

/* ---- state of the die */

/* A trace is cut at about this share of the relief and polished away from there; how strong
 * it was at first differs from die to die (estimates, no source). */
static const double FIRST_STRENGTH = 0.7, FIRST_SD = 0.12;
/* A marker that goes or comes does so about the middle of the die's life, within this. */
static const double CHANGE_AT = 0.5, CHANGE_WIDTH = 0.12;
enum { STATES = 101 };

static double marker_likelihood(double state, double log_ratio, int late) {
  double there = 1.0 / (1.0 + exp((late ? -1.0 : 1.0) * (state - CHANGE_AT) / CHANGE_WIDTH));
  return there * exp(log_ratio) + (1.0 - there);
}

void udg_die_state(const double strength[3], const double *early, int early_count,
                   const double *late, int late_count, double *state, double interval[2]) {
  double weight[STATES], sum = 0.0;
  for (int i = 0; i < STATES; i++) {
    double t = i / (STATES - 1.0);
    weight[i] = 1.0;
    for (int k = 0; k < early_count; k++)
      weight[i] *= marker_likelihood(t, early[k], 0);
    for (int k = 0; k < late_count; k++)
      weight[i] *= marker_likelihood(t, late[k], 1);
    if (strength) {
      /* 90 % of a normal distribution lie within 1.645 s.d. to both sides. */
      double sd = hypot((strength[2] - strength[1]) / (2.0 * 1.645), FIRST_SD * (1.0 - t));
      double z = (strength[0] - FIRST_STRENGTH * (1.0 - t)) / fmax(sd, 0.02);
      weight[i] *= exp(-0.5 * z * z) / fmax(sd, 0.02);
    }
    sum += weight[i];
  }
  double mean = 0.0, below = 0.0;
  interval[0] = 0.0;
  interval[1] = 1.0;
  for (int i = 0; i < STATES; i++) {
    double t = i / (STATES - 1.0), part = sum > 0.0 ? weight[i] / sum : 1.0 / STATES;
    mean += part * t;
    if (below < 0.05 && below + part >= 0.05)
      interval[0] = t;
    if (below < 0.95 && below + part >= 0.95)
      interval[1] = t;
    below += part;
  }
  *state = mean;
}
