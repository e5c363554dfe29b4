/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "name.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "hub.h"

/* Effective strengths the powers are told for: the middle of what dealers would
 * call strong and weak (thresholds of the reference apart). */
static const double STRONG = 0.65, WEAK = 0.25;
/* Log odds from which another explanation is put into words. */
static const double OTHER_FROM = 0.0;
/* A trace that chance explains no better than this many times what a flag asks for is worth
 * another look. */
static const double PERHAPS = 4.0;
/* Unless a second image under its own light, or a digit away from the places, is likelier by this
 * much. */
static const double FAR_LIKELIER = 2.5;
/* Unrest (mean square of the whitened residual) around the digits that texture
 * does not explain. */
static const double STRAY_UNREST = 2.5;
/* Log odds of a digit set twice by what a second image of it gains under its own light (twice.h),
 * held to GAIN_LOW .. GAIN_HIGH; tried on made pictures. */
static const double GAIN_EVEN = 0.02, GAIN_SLOPE = 80.0, GAIN_LOW = -0.02, GAIN_HIGH = 0.08;
/* Log odds of the date set twice: one, the better of its two scores (twice.h), the one where it was
 * registered as set twice, ln of what that gains, ln of the displacement over 0.06 digit heights.
 * By logistic regression on made pictures. */
enum { DOUBLED_TERMS = 5 };
static const double DOUBLED[DOUBLED_TERMS] = {0.1, 1.87, 1.78, 0.51, 1.84};
static const double DOUBLED_GAIN_LEAST = 0.02, DOUBLED_AWAY = 0.06, DOUBLED_AWAY_LEAST = 0.01;
/* The same where registering it as set twice finds nothing: one, its score. */
static const double DOUBLED_ALONE[2] = {-2.7, 3.0};
/* On a date set twice each digit shows a second image.  One digit's outweighs that of the date
 * where ONE_SLOPE ln(its gain / ONE_EVEN) is above the date's log odds.  By logistic regression on
 * made pictures that show both. */
static const double ONE_SLOPE = 1.5, ONE_EVEN = 0.038;
/* Log odds of a crack or a scratch against a clean coin's hairlines: one, ln of the energy along a
 * line, length of the longest that stands out, digit heights, ln of the digits' height in the
 * photo, px (a small photo's pixels tell less each). By logistic regression on made pictures. */
enum { LINE_TERMS = 4 };
static const double LINE[LINE_TERMS] = {-14.85, 1.90, 0.92, 0.855};
/* Log odds of a line, straight or bent, against hairlines and dents, from a spot of the field
 * (fragment.h): one, ln of a thin line's energy over that of two knobs or pits and over a straight
 * one's (hairlines are straight), the log odds above, from LINE_ODDS_LEAST on, and the distance to
 * the date's digits up to SPOT_FAR, digit heights. Each energy has as much added as chance has. By
 * logistic regression on made pictures, as the next. */
enum { BENT_TERMS = 5 };
static const double BENT[BENT_TERMS] = {1.18, 0.68, 0.80, 0.75, -4.43};
static const double CHANCE = 5.0, LINE_ODDS_LEAST = -8.0, SPOT_FAR = 0.5;
/* Without such a spot, log odds of a line from which it is told. */
static const double LINE_ALONE = 1.0;
/* Rough metal, and light that the model fits badly, hide hairlines: what is as likely to be a line
 * is there likelier to be a mark than where every hairline shows. Added to the log odds of a line:
 * by ln of the light's misfit over its peak; 0 is at a misfit of 0.085. */
static const double STRAY_MISFIT = 0.75, STRAY_MISFIT_EVEN = 0.085, MISFIT_LEAST = 0.001;
/* Log odds of a chip at a digit's edge against a coin's dents: one, ln of a raised knob's energy,
 * ln of a pit's near it, ln of the knob's amplitude, ln of its radius, px. */
enum { CHIP_TERMS = 5 };
static const double CHIP[CHIP_TERMS] = {-6.80, 1.07, -0.335, 1.0, 1.35};
/* Log odds from which on a second image of a digit, or of the date, is looked for: others hardly
 * ever turn out to be one. */
static const double ASK_AGAIN = -4.5, ASK_DOUBLED = -2.0;
/* A line's relief, levels by px of its length, from which it is told raised from cut in. */
static const double LINE_RELIEF = 10.0;
/* Length from which a line's own figures are told, digit heights; fainter ones stand out nowhere.
 */
static const double LINE_TOLD = 0.5;

void udg_result_reason(udg_result *result, const char *format, ...) {
  if (result->reason_count >= UDG_REASONS_MAX)
    return;
  va_list arguments;
  va_start(arguments, format);
  vsnprintf(result->reasons[result->reason_count++], UDG_REASON_BYTES, format, arguments);
  va_end(arguments);
}

void udg_result_limit(udg_result *result, const char *format, ...) {
  if (result->limit_count >= UDG_REASONS_MAX)
    return;
  va_list arguments;
  va_start(arguments, format);
  vsnprintf(result->limits[result->limit_count++], UDG_REASON_BYTES, format, arguments);
  va_end(arguments);
}

typedef struct winner {
  const udg_hypothesis *hypothesis; /* NULL: none of the kind */
  double log_odds;
} winner;

static winner best_of(const udg_score *score, const udg_reference *reference, const udg_date *date,
                      udg_trace_kind kind, udg_model model) {
  winner best = {NULL, -HUGE_VAL};
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (h->kind != kind)
      continue;
    double feature[UDG_FEATURE_COUNT];
    udg_evidence_features(score, reference, date, h, feature);
    double log_odds = udg_evidence_log_odds(model, feature);
    if (!best.hypothesis || log_odds > best.log_odds)
      best = (winner){h, log_odds};
  }
  return best;
}

static void best_of_each(const udg_score *score, const udg_reference *reference,
                         const udg_date *date, winner *under, winner *again, winner *doubled) {
  *under = best_of(score, reference, date, UDG_TRACE_EARLIER, UDG_MODEL_UNDERDIGIT);
  *again = best_of(score, reference, date, UDG_TRACE_SAME, UDG_MODEL_REPUNCHED);
  *doubled = best_of(score, reference, date, UDG_TRACE_DOUBLED, UDG_MODEL_DOUBLED);
}

static udg_finding finding_of(const winner *w, udg_verdict kind, const udg_reference *reference,
                              const udg_upright *upright, double against) {
  const udg_hypothesis *h = w->hypothesis;
  udg_finding f = {.place = h->place + 1, .digit = h->digit, .kind = kind};
  if (kind == UDG_VERDICT_REPUNCHED)
    f.digit = upright->date->places[h->place].digit;
  for (int axis = 0; axis < 2; axis++)
    f.offset_mm[axis] = h->offset_px[axis] / upright->px_per_mm;
  f.turn_deg = h->turn_rad * 180.0 / acos(-1.0);
  f.visible_share = h->visible;
  f.strength = udg_evidence_strength(h, f.strength_interval);
  f.state = f.strength >= reference->strong_threshold ? UDG_STATE_STRONG : UDG_STATE_WEAK;
  f.log_ratio = w->log_odds - fmax(against, 0.0);
  return f;
}

static void add_other(udg_result *result, const udg_finding *finding) {
  if (result->other_count < UDG_OTHERS_MAX)
    result->others[result->other_count++] = *finding;
}

/* A copy of a hypothesis, moved to where a second image was found. */
static const udg_hypothesis *moved(const udg_hypothesis *h, const udg_upright *upright,
                                   const double shift_mm[2], udg_hypothesis *copy) {
  *copy = *h;
  for (int axis = 0; axis < 2; axis++)
    copy->offset_px[axis] = shift_mm[axis] * upright->px_per_mm;
  return copy;
}

static double doubled_odds(const udg_twice_seen *seen, double height_mm) {
  if (seen->all_gain <= 0.0)
    return DOUBLED_ALONE[0] + DOUBLED_ALONE[1] * seen->all;
  double away = hypot(seen->all_shift_mm[0], seen->all_shift_mm[1]) / height_mm;
  const double term[DOUBLED_TERMS] = {1.0, fmax(seen->all, seen->anew), seen->anew,
                                      log(fmax(seen->all_gain, DOUBLED_GAIN_LEAST)),
                                      log(fmax(away, DOUBLED_AWAY_LEAST) / DOUBLED_AWAY)};
  double sum = 0.0;
  for (int i = 0; i < DOUBLED_TERMS; i++)
    sum += DOUBLED[i] * term[i];
  return sum;
}

/* What second images found under their own light say (twice.h). `copies`: room for the hypotheses
 * of those that were seen. */
static void look_again(const udg_score *score, const udg_upright *upright, winner *again,
                       winner *doubled, udg_hypothesis copies[2]) {
  const udg_twice_seen *seen = &score->twice;
  if (seen->digits == 0 || !again->hypothesis || !doubled->hypothesis)
    return;
  double gain = fmin(fmax(seen->one, GAIN_LOW), GAIN_HIGH);
  again->log_odds = GAIN_SLOPE * (gain - GAIN_EVEN);
  doubled->log_odds = doubled_odds(seen, upright->date->height_mm);
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (gain > 0.0 && h->kind == UDG_TRACE_SAME && h->place == seen->one_place)
      again->hypothesis = moved(h, upright, seen->one_shift_mm, &copies[0]);
  }
  if (seen->all_gain > 0.0)
    doubled->hypothesis = moved(doubled->hypothesis, upright, seen->all_shift_mm, &copies[1]);
}

/* Whether a digit's own second image is more than its part in the date's. */
static int one_outweighs(const udg_twice_seen *seen, const winner *again, const winner *doubled) {
  if (again->log_odds <= OTHER_FROM)
    return 0;
  return seen->digits > 0 ? ONE_SLOPE * log(seen->one / ONE_EVEN) > doubled->log_odds
                          : again->log_odds > doubled->log_odds;
}

/* Further earlier digits that come near the best one. */
static void add_rivals(const udg_score *score, const udg_reference *reference,
                       const udg_upright *upright, const winner *best, udg_result *result) {
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (h->kind != UDG_TRACE_EARLIER || h == best->hypothesis)
      continue;
    double feature[UDG_FEATURE_COUNT];
    udg_evidence_features(score, reference, upright->date, h, feature);
    winner w = {h, udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, feature)};
    if (w.log_odds < best->log_odds - 2.0)
      continue;
    udg_finding f = finding_of(&w, UDG_VERDICT_UNDERDIGIT, reference, upright, best->log_odds);
    add_other(result, &f);
  }
}

static const char *article(char digit) {
  return digit == '8' ? "an" : "a";
}

const char *udg_name_place(int place, int count) {
  static const char *const words[] = {"first", "second", "third",   "fourth",
                                      "fifth", "sixth",  "seventh", "eighth"};
  return place == count && count > 1 ? "last" : words[place - 1];
}

static void explain_underdigit(const udg_upright *upright, const winner *w, udg_result *result) {
  const udg_hypothesis *h = w->hypothesis;
  const udg_finding *f = &result->finding;
  udg_result_reason(result,
                    "strokes of %s %c show beside the %s digit, lit as this photo lights "
                    "the date's own edges",
                    article(f->digit), f->digit, udg_name_place(f->place, upright->place_count));
  if (h->complete > 0.75)
    udg_result_reason(result, "all of its strokes that the %c leaves open are there",
                      upright->date->places[h->place].digit);
  else if (h->missing > 0.1)
    udg_result_reason(result, "some strokes that should show do not");
  if (h->share > 0.5)
    udg_result_reason(result, "it explains most of what is not the present date there");
}

/* Mean square of the residual about the least quiet place, texture being 1. */
static double unrest(const udg_score *score) {
  double most = 0.0;
  for (int i = 0; i < score->count; i++)
    if (score->hypotheses[i].kind == UDG_TRACE_SAME)
      most = fmax(most, score->hypotheses[i].around);
  return most;
}

static double line_odds(const udg_upright *upright, const udg_line *line) {
  const double term[LINE_TERMS] = {1.0, log(1.0 + line->along),
                                   line->length_px / UDG_UPRIGHT_DIGIT_PX,
                                   log(fmax(upright->zoom, 1e-3) * UDG_UPRIGHT_DIGIT_PX)};
  double sum = 0.0;
  for (int i = 0; i < LINE_TERMS; i++)
    sum += LINE[i] * term[i];
  return sum;
}

static double spot_odds(const udg_spot_seen *spot, double lines) {
  const double term[BENT_TERMS] = {1.0, log((spot->arc + CHANCE) / (spot->knobs + CHANCE)),
                                   log((spot->arc + CHANCE) / (spot->straight + CHANCE)),
                                   fmax(lines, LINE_ODDS_LEAST), fmin(spot->off, SPOT_FAR)};
  double sum = 0.0;
  for (int i = 0; i < BENT_TERMS; i++)
    sum += BENT[i] * term[i];
  return sum;
}

/* Log odds of a line, straight or bent. */
static double lines_odds(const udg_upright *upright, const udg_score *score) {
  double lines = line_odds(upright, &score->line), best = lines - LINE_ALONE;
  for (int i = 0; i < score->spot_count; i++)
    best = fmax(best, spot_odds(&score->spots[i], lines));
  return best;
}

/* The same, where hairlines are what else there may be. */
static double stray_odds(const udg_upright *upright, const udg_score *score) {
  return lines_odds(upright, score) +
         STRAY_MISFIT * log((score->misfit + MISFIT_LEAST) / STRAY_MISFIT_EVEN);
}

static double chip_odds(const udg_chip_seen *chip) {
  const double term[CHIP_TERMS] = {1.0, log(1.0 + chip->energy), log(1.0 + chip->dent),
                                   log(0.02 + chip->amplitude), log(chip->radius_px)};
  double sum = 0.0;
  for (int i = 0; i < CHIP_TERMS; i++)
    sum += CHIP[i] * term[i];
  return chip->energy > 0.0 ? sum : -HUGE_VAL;
}

static void explain_line(const udg_line *line, double odds, udg_result *result) {
  const char *what = line->relief > LINE_RELIEF    ? "raised, as a crack of the die is"
                     : line->relief < -LINE_RELIEF ? "cut in, as a scratch is"
                                                   : "raised or cut in, the light does not tell";
  double height = line->length_px / UDG_UPRIGHT_DIGIT_PX;
  if (height > LINE_TOLD)
    udg_result_reason(result, "a line %.1f digit heights long runs by the date: %s", height, what);
  else if (odds > LINE_ALONE)
    udg_result_reason(result, "a faint line runs by the date, longer than a digit's strokes");
  else
    udg_result_reason(result, "a bent line runs by the date, thinner than a digit's strokes");
}

/* A digit, or a part of one, away from the places; hairlines and cracks come together to strokes,
 * so that it must be likelier than a line. */
static int shows_away(const udg_upright *upright, const udg_score *score) {
  return score->fragment.digit &&
         score->fragment_log_odds > fmax(OTHER_FROM, lines_odds(upright, score));
}

static void add_away(const udg_score *score, const udg_reference *reference,
                     const udg_upright *upright, udg_result *result) {
  const udg_hypothesis *h = &score->fragment;
  winner w = {h, score->fragment_log_odds};
  udg_finding f = finding_of(&w, UDG_VERDICT_FRAGMENT, reference, upright, 0.0);
  for (int axis = 0; axis < 2; axis++)
    f.offset_mm[axis] = (h->offset_px[axis] - upright->origin_px[axis]) / upright->px_per_mm;
  add_other(result, &f);
}

static void decide(const udg_settings *settings, const udg_upright *upright, const udg_score *score,
                   const winner *under, double other, const winner *again, const winner *doubled,
                   udg_result *result) {
  const double straight = line_odds(upright, &score->line);
  const double twice = fmax(again->log_odds, doubled->log_odds);
  const int date_twice = doubled->log_odds > fmax(OTHER_FROM, straight) &&
                         !one_outweighs(&score->twice, again, doubled);
  const int digit_twice = again->log_odds > fmax(OTHER_FROM, straight);
  const int away = shows_away(upright, score) && score->fragment_log_odds > twice;
  const double rival = away                        ? score->fragment_log_odds
                       : date_twice || digit_twice ? twice
                                                   : -HUGE_VAL;
  if (result->p_value < settings->flag_p_value && under->log_odds > other) {
    result->verdict = UDG_VERDICT_UNDERDIGIT;
    explain_underdigit(upright, under, result);
  } else if (result->p_value < PERHAPS * settings->flag_p_value &&
             under->log_odds > fmax(fmax(other, OTHER_FROM), rival - FAR_LIKELIER)) {
    result->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(result,
                      "strokes as of %s %c may show beside the %s digit, too little for a flag: "
                      "worth another photo, in other light",
                      article(result->finding.digit), result->finding.digit,
                      udg_name_place(result->finding.place, upright->place_count));
  } else if (away) {
    result->verdict = UDG_VERDICT_FRAGMENT;
    udg_result_reason(result,
                      "strokes as of %s %c show away from the date's places: a punch that slipped",
                      article(score->fragment.digit), score->fragment.digit);
  } else if (date_twice) {
    result->verdict = UDG_VERDICT_DOUBLED;
    udg_result_reason(result, "every digit shows again, all displaced alike");
  } else if (digit_twice) {
    result->verdict = UDG_VERDICT_REPUNCHED;
    udg_result_reason(result, "the %s digit shows twice: the same digit, set off a little",
                      udg_name_place(again->hypothesis->place + 1, upright->place_count));
  } else if (stray_odds(upright, score) > OTHER_FROM) {
    result->verdict = UDG_VERDICT_STRAY;
    explain_line(&score->line, straight, result);
  } else if (chip_odds(&score->chip) > OTHER_FROM) {
    result->verdict = UDG_VERDICT_STRAY;
    udg_result_reason(result, "a knob stands at the edge of a digit, as where a piece broke out of "
                              "the die");
  } else if (unrest(score) > STRAY_UNREST) {
    result->verdict = UDG_VERDICT_STRAY;
    udg_result_reason(result, "there are marks beside the date that no digit explains");
  } else if (result->adequacy.power_strong < settings->min_power) {
    result->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(result, "even a strong trace might not show in this photo");
  } else {
    result->verdict = UDG_VERDICT_PLAIN;
    udg_result_reason(result, "nothing but the present date shows");
  }
}

void udg_name(const udg_settings *settings, const udg_reference *reference,
              const udg_upright *upright, const udg_score *score, udg_result *result) {
  const udg_date *date = upright->date;
  winner under, again, doubled;
  best_of_each(score, reference, date, &under, &again, &doubled);
  result->judged = 1;
  if (!under.hypothesis) { /* a date of noughts has no earlier one */
    result->judged = 0;
    result->p_value = 1.0;
    result->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(result, "the reference has no digit that makes an earlier date");
    return;
  }
  result->evidence = under.log_odds + date->evidence_shift;
  result->p_value = udg_evidence_p_value(result->evidence);
  result->decoy_evidence =
      best_of(score, reference, date, UDG_TRACE_MIRRORED, UDG_MODEL_UNDERDIGIT).log_odds +
      date->evidence_shift;
  double other = fmax(again.log_odds, doubled.log_odds);
  udg_hypothesis copies[2];
  look_again(score, upright, &again, &doubled, copies);
  if (udg_hub_has(reference, (size_t)(date - reference->dates)))
    again.log_odds = -HUGE_VAL; /* no digit of a hub is punched alone */
  result->finding = finding_of(&under, UDG_VERDICT_UNDERDIGIT, reference, upright, other);
  if (again.hypothesis && again.log_odds > OTHER_FROM) {
    udg_finding f = finding_of(&again, UDG_VERDICT_REPUNCHED, reference, upright, under.log_odds);
    add_other(result, &f);
  }
  if (doubled.hypothesis && doubled.log_odds > OTHER_FROM) {
    udg_finding f = finding_of(&doubled, UDG_VERDICT_DOUBLED, reference, upright, under.log_odds);
    add_other(result, &f);
  }
  /* An underdigit's own strokes may pass for another digit farther off. */
  if (shows_away(upright, score) && result->p_value >= settings->flag_p_value)
    add_away(score, reference, upright, result);
  add_rivals(score, reference, upright, &under, result); /* last: there may be many */
  decide(settings, upright, score, &under, other, &again, &doubled, result);
}

int udg_name_asks_twice(const udg_settings *settings, const udg_reference *reference,
                        const udg_upright *upright, const udg_score *score) {
  winner under, again, doubled;
  best_of_each(score, reference, upright->date, &under, &again, &doubled);
  if (!under.hypothesis || !again.hypothesis || !doubled.hypothesis)
    return 0;
  double evidence = under.log_odds + upright->date->evidence_shift;
  int settled = udg_evidence_p_value(evidence) < settings->flag_p_value &&
                under.log_odds > fmax(again.log_odds, doubled.log_odds);
  return !settled && (again.log_odds > ASK_AGAIN || doubled.log_odds > ASK_DOUBLED);
}

void udg_name_power(const udg_score *score, udg_adequacy *adequacy) {
  adequacy->power_strong = adequacy->power_weak = 0.0;
  for (int i = 0; i < score->count; i++) {
    if (score->hypotheses[i].kind != UDG_TRACE_EARLIER)
      continue;
    adequacy->power_strong = udg_evidence_power(score->misfit, STRONG);
    adequacy->power_weak = udg_evidence_power(score->misfit, WEAK);
    return;
  }
}
