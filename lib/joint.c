/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Several photos of one coin.  A trace stays where it is while light, glare and dirt
 * change, so that each earlier digit at each place is judged over all photos:
 *   J = mean_i z_i - L mean_i min((d_i / T)^2, D)
 * z_i the log odds that photo i alone gives it (a photo that says more against it than
 * Z_LEAST counts as Z_LEAST), d_i how far photo i has it from where they have it
 * together, in digit heights.  The best J of plain coins lies lower than the best z of a
 * single photo, which is the best of as many chances: JOINT_SHIFT puts both on one scale.
 * Fitted on 94 coins of three types in two to four lights that the generator drew
 * (tests/bench/same_coin.py). */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "evidence.h"
#include "name.h"
#include "pipeline.h"
#include "reference_internal.h"

static const double SPREAD_WEIGHT = 0.2, SPREAD_UNIT = 0.04, SPREAD_MOST = 9.0;
static const double Z_LEAST = -8.0, JOINT_SHIFT = 2.2;
/* Log odds beyond which a photo does not weigh more in where the trace is. */
static const double Z_WEIGHT_MOST = 6.0;

enum { SIGHTINGS_MAX = UDG_HYPOTHESES_MAX };

/* What one photo says of one digit at one place. */
typedef struct sighting {
  int place;
  char digit;
  udg_trace_kind kind;
  double offset_mm[2], turn_rad, log_odds, strength, interval[2];
} sighting;

typedef struct photo {
  int judged, count;
  sighting seen[SIGHTINGS_MAX];
} photo;

/* One digit at one place over all photos. */
typedef struct joined {
  int place; /* -1: none */
  char digit;
  double evidence, offset_mm[2], turn_rad, strength, interval[2];
  int loudest; /* photo */
} joined;

static void gather(const udg_inspector *inspector, const udg_result *result, photo *p) {
  p->count = 0;
  p->judged = result->judged && inspector->shown >= 0;
  if (!p->judged)
    return;
  const udg_date_work *work = &inspector->dates[inspector->shown];
  for (int i = 0; i < work->score->count; i++) {
    const udg_hypothesis *h = &work->score->hypotheses[i];
    double feature[UDG_FEATURE_COUNT];
    if (h->kind != UDG_TRACE_EARLIER && h->kind != UDG_TRACE_MIRRORED)
      continue;
    udg_evidence_features(work->score, inspector->reference, work->upright.date, h, feature);
    sighting *s = &p->seen[p->count++];
    *s = (sighting){.place = h->place, .digit = h->digit, .kind = h->kind, .turn_rad = h->turn_rad};
    for (int axis = 0; axis < 2; axis++)
      s->offset_mm[axis] = h->offset_px[axis] / work->upright.px_per_mm;
    s->log_odds = udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, feature);
    s->strength = udg_evidence_strength(h, s->interval);
  }
}

static const sighting *sighting_of(const photo *p, const sighting *like) {
  for (int i = 0; i < p->count; i++) {
    const sighting *s = &p->seen[i];
    if (s->place == like->place && s->digit == like->digit && s->kind == like->kind)
      return s;
  }
  return NULL;
}

/* The digit and place of `like` over all photos. */
static joined join(const photo *photos, int count, const sighting *like, double height_mm) {
  joined j = {.place = like->place, .digit = like->digit, .loudest = -1};
  double weights = 0, sum = 0, spread = 0, loudest = -HUGE_VAL;
  int judged = 0;
  for (int i = 0; i < count; i++) {
    const sighting *s = photos[i].judged ? sighting_of(&photos[i], like) : NULL;
    judged += photos[i].judged;
    if (photos[i].judged)
      sum += s ? fmax(s->log_odds, Z_LEAST) : Z_LEAST;
    if (!s)
      continue;
    double weight = exp(fmin(s->log_odds, Z_WEIGHT_MOST));
    weights += weight;
    for (int axis = 0; axis < 2; axis++) {
      j.offset_mm[axis] += weight * s->offset_mm[axis];
      j.interval[axis] += weight * s->interval[axis];
    }
    j.turn_rad += weight * s->turn_rad;
    j.strength += weight * s->strength;
    if (s->log_odds > loudest) {
      loudest = s->log_odds;
      j.loudest = i;
    }
  }
  for (int axis = 0; axis < 2; axis++) {
    j.offset_mm[axis] /= weights;
    j.interval[axis] /= weights;
  }
  j.turn_rad /= weights;
  j.strength /= weights;
  int seen = 0;
  for (int i = 0; i < count; i++) {
    const sighting *s = photos[i].judged ? sighting_of(&photos[i], like) : NULL;
    if (!s)
      continue;
    double off = hypot(s->offset_mm[0] - j.offset_mm[0], s->offset_mm[1] - j.offset_mm[1]);
    spread += fmin(pow(off / (SPREAD_UNIT * height_mm), 2), SPREAD_MOST);
    seen++;
  }
  j.evidence = sum / judged - SPREAD_WEIGHT * spread / seen + (judged > 1 ? JOINT_SHIFT : 0);
  return j;
}

static joined best_of(const photo *photos, int count, udg_trace_kind kind, double height_mm) {
  joined best = {.place = -1, .evidence = -HUGE_VAL};
  for (int i = 0; i < count; i++)
    for (int k = 0; k < photos[i].count; k++) {
      if (photos[i].seen[k].kind != kind)
        continue;
      joined j = join(photos, count, &photos[i].seen[k], height_mm);
      if (j.evidence > best.evidence)
        best = j;
    }
  return best;
}

/* The verdict of a single photo that most of those judged share. */
static int most_say(const udg_result *each, int count, udg_verdict verdict) {
  int say = 0, judged = 0;
  for (int i = 0; i < count; i++) {
    judged += each[i].judged != 0;
    say += each[i].judged && each[i].verdict == verdict;
  }
  return 2 * say > judged;
}

static void cannot_join(const udg_result *each, int count, udg_result *joint) {
  *joint = each[udg_results_speaker(each, count)];
  joint->judged = 0;
  joint->verdict = UDG_VERDICT_UNDECIDED;
  joint->p_value = 1;
  joint->finding = (udg_finding){0};
  joint->other_count = joint->reason_count = joint->limit_count = 0;
  joint->marker_count = joint->die_count = 0;
}

static void decide(const udg_settings *settings, const udg_result *each, int count, int judged,
                   udg_result *joint) {
  udg_verdict alone = joint->verdict;
  joint->reason_count = 0;
  if (most_say(each, count, UDG_VERDICT_REPUNCHED) || most_say(each, count, UDG_VERDICT_DOUBLED)) {
    joint->verdict = most_say(each, count, UDG_VERDICT_DOUBLED) ? UDG_VERDICT_DOUBLED
                                                                 : UDG_VERDICT_REPUNCHED;
    udg_result_reason(joint, "most of the %d photos that could be judged say so", judged);
  } else if (joint->p_value < settings->flag_p_value) {
    joint->verdict = UDG_VERDICT_UNDERDIGIT;
    udg_result_reason(joint, "over the %d photos that could be judged the trace stays where it is",
                      judged);
  } else if (alone == UDG_VERDICT_UNDERDIGIT) {
    joint->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(joint, "what looks like a trace in one photo does not show alike in the "
                             "others");
  } else {
    udg_result_reason(joint, "%d photo%s could be judged", judged, judged == 1 ? "" : "s");
  }
}

static void judge(const udg_settings *settings, const photo *photos, const udg_result *each,
                  int count, double height_mm, udg_result *joint) {
  int judged = 0;
  double strong = 0, weak = 0;
  for (int i = 0; i < count; i++) {
    judged += photos[i].judged;
    strong = fmax(strong, photos[i].judged ? each[i].adequacy.power_strong : 0);
    weak = fmax(weak, photos[i].judged ? each[i].adequacy.power_weak : 0);
  }
  joined best = best_of(photos, count, UDG_TRACE_EARLIER, height_mm);
  if (best.place < 0)
    return;
  *joint = each[best.loudest];
  joint->evidence = best.evidence;
  joint->p_value = udg_evidence_p_value(best.evidence);
  joint->decoy_evidence = best_of(photos, count, UDG_TRACE_MIRRORED, height_mm).evidence;
  joint->adequacy.power_strong = strong;
  joint->adequacy.power_weak = weak;
  if (joint->finding.place != best.place + 1 || joint->finding.digit != best.digit)
    joint->finding.visible_share = 0; /* of another digit */
  udg_finding *f = &joint->finding;
  f->place = best.place + 1;
  f->digit = best.digit;
  f->kind = UDG_VERDICT_UNDERDIGIT;
  f->turn_deg = best.turn_rad * 180 / acos(-1.0);
  f->strength = best.strength;
  for (int i = 0; i < 2; i++) {
    f->offset_mm[i] = best.offset_mm[i];
    f->strength_interval[i] = best.interval[i];
  }
  f->log_ratio = best.evidence;
  joint->other_count = 0;
  decide(settings, each, count, judged, joint);
}

/* Index of a judged photo whose date is not that of the first judged one; -1: none. */
static int odd_one(const udg_result *each, int count, int *first) {
  *first = -1;
  for (int i = 0; i < count; i++) {
    if (!each[i].judged)
      continue;
    if (*first < 0)
      *first = i;
    else if (strcmp(each[i].date, each[*first].date) != 0)
      return i;
  }
  return -1;
}

static double height_of(const udg_reference *reference, const char *date) {
  for (size_t i = 0; i < reference->date_count; i++)
    if (strcmp(reference->dates[i].text, date) == 0)
      return reference->dates[i].height_mm;
  return 1;
}

udg_status udg_inspect_same_coin(udg_inspector *inspector, const udg_image *const *images, int count,
                                 const char *date, udg_result *each, udg_result *joint,
                                 udg_message *message) {
  if (!inspector || !images || count < 1 || !each || !joint)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_inspect_same_coin: NULL argument or no photo");
  udg_settings settings = inspector->budget.host;
  photo *photos = udg_memory_get(&settings, (size_t)count, sizeof *photos);
  if (!photos)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for %d photos", count);
  udg_status status = UDG_OK;
  for (int i = 0; i < count && status == UDG_OK; i++) {
    status = udg_inspect(inspector, images[i], date, &each[i], message);
    if (status == UDG_OK)
      gather(inspector, &each[i], &photos[i]);
  }
  if (status == UDG_OK) {
    int first, odd = odd_one(each, count, &first);
    cannot_join(each, count, joint);
    if (first < 0)
      udg_result_reason(joint, "none of the %d photos could be judged", count);
    else if (odd >= 0)
      udg_result_reason(joint,
                        "photo %d reads as %s, photo %d as %s: not one coin, or one is misread",
                        first + 1, each[first].date, odd + 1, each[odd].date);
    else
      judge(&settings, photos, each, count, height_of(inspector->reference, each[first].date),
            joint);
  }
  udg_memory_drop(&settings, photos);
  return status;
}
