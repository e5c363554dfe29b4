/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "evidence.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Log odds are held to this much either way: one part of the picture must not decide alone. */
static const double CROSSING_MOST = 6.0;

static double odds_of_crossing(const udg_hypothesis *h) {
  return CROSSING_MOST * tanh(h->crossing / CROSSING_MOST);
}

/* A date is changed where it stands: the new digit goes over the old one, a quarter of its height
 * off at most as a rule (common practice, no source). */
static const double NEAR = 0.25, FAR_STEP = 0.1;

static double far_off(const udg_hypothesis *h) {
  if (h->kind == UDG_TRACE_DOUBLED)
    return 0.0;
  double off = hypot(h->offset_px[0], h->offset_px[1]) / UDG_UPRIGHT_DIGIT_PX;
  return fmax(off - NEAR, 0.0) / FAR_STEP;
}

/* What a hypothesis is ranked by against others of its photo. */
static double strength_of(const udg_hypothesis *h) {
  return h->energy * h->share * h->complete;
}

static double best_of(const udg_score *score, udg_trace_kind kind, int place,
                      const udg_hypothesis *except) {
  double best = 0.0;
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (h != except && h->kind == kind && (place < 0 || h->place == place))
      best = fmax(best, strength_of(h));
  }
  return best;
}

int udg_years_before(const udg_date *date, int place, char digit) {
  char earlier[sizeof date->text];
  memcpy(earlier, date->text, sizeof earlier);
  earlier[place] = digit;
  long present = strtol(date->text, NULL, 10), other = strtol(earlier, NULL, 10);
  if (other > present && place > 0) { /* 9 under the 0 of 1880: from 1879 */
    long carry = 1;
    for (int i = place; i < date->place_count; i++)
      carry *= 10;
    other -= carry;
  }
  return (int)(present - other);
}

/* Whether two digits of the date were changed, not one. */
static int changes_two(const udg_date *date, const udg_hypothesis *h) {
  return h->digit > date->places[h->place].digit;
}

static int is_expected(const udg_reference *reference, const udg_date *date,
                       const udg_hypothesis *h) {
  for (size_t i = 0; i < reference->expected_count; i++) {
    const udg_expected *e = &reference->expected[i];
    if (&reference->dates[e->date_index] == date && e->place == h->place + 1 &&
        e->earlier == h->digit)
      return 1;
  }
  return 0;
}

/* A listed overdate is as likely as the year before; where two digits had to
 * change, the one alone is the less likely find. */
static double years_of(const udg_reference *reference, const udg_date *date,
                       const udg_hypothesis *h) {
  if (h->kind != UDG_TRACE_EARLIER || is_expected(reference, date, h))
    return 1.0;
  double years = udg_years_before(date, h->place, h->digit);
  return fmax(years, 1.0) * (changes_two(date, h) ? 3.0 : 1.0);
}

/* The best explanation of another kind for what is seen there. */
static double rival_of(const udg_score *score, const udg_hypothesis *h) {
  switch (h->kind) {
  case UDG_TRACE_EARLIER:
    return best_of(score, UDG_TRACE_SAME, h->place, h);
  case UDG_TRACE_SAME:
    return best_of(score, UDG_TRACE_EARLIER, h->place, h);
  case UDG_TRACE_LATER:
  case UDG_TRACE_MIRRORED:
  case UDG_TRACE_DOUBLED:
  case UDG_TRACE_AWAY:
    break;
  }
  return best_of(score, UDG_TRACE_EARLIER, -1, h);
}

void udg_evidence_features(const udg_score *score, const udg_reference *reference,
                           const udg_date *date, const udg_hypothesis *h,
                           double feature[UDG_FEATURE_COUNT]) {
  double strength = strength_of(h);
  feature[UDG_FEATURE_ONE] = 1.0;
  feature[UDG_FEATURE_ENERGY] = log(1.0 + h->energy);
  feature[UDG_FEATURE_COMPLETE] = h->complete;
  feature[UDG_FEATURE_LARGEST] = h->largest;
  feature[UDG_FEATURE_RIVAL] = log((strength + 1e-3) / (rival_of(score, h) + 1.0));
  feature[UDG_FEATURE_DECOY] =
      log((strength + 1e-3) / (best_of(score, UDG_TRACE_MIRRORED, -1, h) + 1.0));
  feature[UDG_FEATURE_AMPLITUDE] = log(h->amplitude + 0.02);
  feature[UDG_FEATURE_AROUND] = log(h->around + 0.1);
  feature[UDG_FEATURE_YEARS] = -log(years_of(reference, date, h));
  feature[UDG_FEATURE_SHARE] = log(h->share / (1.0 - h->share) + 1e-3);
  feature[UDG_FEATURE_MISSING] = h->missing;
  feature[UDG_FEATURE_CROSSING] = odds_of_crossing(h);
  feature[UDG_FEATURE_FAR] = far_off(h);
}

double udg_evidence_log_odds(udg_model model, const double feature[UDG_FEATURE_COUNT]) {
  double sum = 0.0;
  for (int i = 0; i < UDG_FEATURE_COUNT; i++)
    sum += udg_model_weight[model][i] * feature[i];
  return sum;
}

double udg_evidence_p_value(double evidence) {
  const double *x = udg_null_evidence, *chance = udg_null_chance;
  if (!(evidence > x[0]))
    return 1.0;
  for (int i = 1; i < UDG_NULL_POINTS; i++) {
    if (evidence > x[i])
      continue;
    double part = (evidence - x[i - 1]) / (x[i] - x[i - 1]);
    return exp((1.0 - part) * log(chance[i - 1]) + part * log(chance[i]));
  }
  double tail =
      chance[UDG_NULL_POINTS - 1] * exp(-(evidence - x[UDG_NULL_POINTS - 1]) / udg_null_tail_scale);
  return fmax(tail, 1e-12);
}

double udg_evidence_strength(const udg_hypothesis *h, double interval[2]) {
  const double bright = log(fmax(h->amplitude, 0.02));
  const double term[UDG_STRENGTH_TERMS] = {1.0, bright, bright * bright, h->height,
                                           odds_of_crossing(h)};
  double log_strength = 0.0;
  for (int i = 0; i < UDG_STRENGTH_TERMS; i++)
    log_strength += udg_strength_weight[i] * term[i];
  interval[0] = fmin(exp(log_strength + udg_strength_rest[0]), 1.0);
  interval[1] = fmin(exp(log_strength + udg_strength_rest[1]), 1.0);
  return fmin(exp(log_strength), 1.0);
}

double udg_evidence_power(double misfit, double strength) {
  const double *w = udg_power_weight;
  double z = w[0] + w[1] * log(strength) + w[2] * log(misfit + 1e-3);
  return 1.0 / (1.0 + exp(-z));
}
