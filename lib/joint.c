/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Several photos of one coin.  A trace stays where it is while light, glare and dirt
 * change, so that all photos are searched at once: the correlations of each trace at each
 * place and offset are summed over the photos, as if they were one photo of so many
 * times the pixels, one amplitude for all,
 *   E = (sum_i N_i)^2 / sum_i D_i,  share = E / sum_i L_i
 * (score.h), and the best offset of the sum is where each photo is looked at again.  What
 * they show there is one hypothesis with E and the share of the sum and the mean of what
 * the photos say of its strokes, with log odds as one photo's has.  They suppose that it shows
 * alike in every photo; a weak trace may show well in one light only, so that the most that one
 * photo alone says of the same digit at the same place counts as much: evidence is the mean of
 * both.  Chance has found the best of as many offsets in all photos as in one, but the noise has
 * been averaged, the more the more photos have a say: JOINT_SHIFT ln n puts the evidence on the
 * scale of one photo's, with n = (sum w)^2 / sum w^2 over the energies w that such a trace would
 * have in each photo.  Where one photo alone would show it, n is 1 and its word stands. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "evidence.h"
#include "name.h"
#include "one_coin.h"
#include "pipeline.h"
#include "reference_internal.h"
#include "score_internal.h"

/* Per ln n: on 398 generated coins without a trace the mean of both had its upper tenth lower than
 * one photo's by 0.3, 0.6 and 0.8 ln n in two, three and four lights, its upper twenty-fifth by
 * 0.5, 0.3 and 0.3. */
static const double JOINT_SHIFT = 0.5;

/* Log odds of a digit at a place in one photo alone, at its own best offset. */
typedef struct word {
  int place;
  char digit;
  udg_trace_kind kind;
  double log_odds;
} word;

/* What one photo says of every digit at every place. */
typedef struct photo {
  int judged, count, word_count;
  udg_hypothesis *hypotheses; /* where the photos together say that it is */
  word *words;
} photo;

/* The photos together. */
typedef struct pool {
  const udg_settings *settings;
  float *maps; /* as udg_score.kept, summed over `photos` */
  size_t map_count, date_index;
  int photos;
  udg_score_choice choice;
  udg_score *score;                 /* hypotheses of the photos together, and nothing else */
  double say[UDG_HYPOTHESES_MAX];   /* of each, how many photos have a say */
  double alone[UDG_HYPOTHESES_MAX]; /* of each, the most that one photo alone says of it */
} pool;

static void pool_close(pool *p) {
  udg_memory_drop(p->settings, p->maps);
  udg_memory_drop(p->settings, p->score);
}

static udg_status pool_open(const udg_settings *settings, pool *p) {
  memset(p, 0, sizeof *p);
  p->settings = settings;
  p->score = udg_memory_get(settings, 1, sizeof *p->score);
  return p->score ? UDG_OK : UDG_ERROR_MEMORY;
}

/* Adds the maps of the photo inspected last. */
static udg_status pool_add(pool *p, const udg_inspector *inspector) {
  const udg_date_work *work = &inspector->dates[inspector->shown];
  size_t count = udg_score_kept_at(work->score, work->bank, work->score->place_count, 0);
  if (!p->maps) {
    p->maps = udg_memory_get(p->settings, count, sizeof *p->maps);
    p->map_count = count;
    p->date_index = (size_t)inspector->shown;
  }
  if (!p->maps)
    return UDG_ERROR_MEMORY;
  if ((size_t)inspector->shown != p->date_index)
    return UDG_OK; /* another date: the photos will not be joined */
  for (size_t i = 0; i < count; i++)
    p->maps[i] += work->score->kept[i];
  p->photos++;
  return UDG_OK;
}

/* Best offset of a trace at a place over the photos. */
static udg_peak search(const pool *p, const udg_score *score, const udg_trace_bank *bank, int place,
                       int trace, int offset[2]) {
  size_t side = (size_t)score->map_side, count = side * side;
  float *first = p->maps + udg_score_kept_at(score, bank, place, trace);
  float *const map[UDG_MAPS] = {first, first + count, first + 2 * count};
  double whole = (double)first[UDG_MAPS * count];
  int reach = score->map_side / 2 - 1;
  udg_peak best = {.rank = -1.0};
  for (int dy = -reach; dy <= reach; dy++)
    for (int dx = -reach; dx <= reach; dx++) {
      udg_peak peak = udg_score_peak(map, whole, udg_score_map_index(score, dx, dy));
      if (peak.rank <= best.rank)
        continue;
      best = peak;
      offset[0] = dx;
      offset[1] = dy;
    }
  return best;
}

static int slot_of(const udg_hypothesis *all, int count, int place, char digit,
                   udg_trace_kind kind) {
  for (int i = 0; i < count; i++)
    if (all[i].place == place && all[i].digit == digit && all[i].kind == kind)
      return i;
  return -1;
}

/* The best offset and turn of each digit at each place, and what all photos together
 * measure there. */
static void choose(pool *p, const udg_inspector *inspector) {
  const udg_date_work *work = &inspector->dates[p->date_index];
  const udg_score *score = work->score;
  double rank[UDG_HYPOTHESES_MAX];
  p->score->count = 0;
  for (int place = 0; place < score->place_count; place++)
    for (int t = 0; t < work->bank->trace_count; t++) {
      const udg_trace *trace = &work->bank->traces[t];
      int kind = udg_score_kind(work->upright.date, place, trace), offset[2] = {0, 0};
      if (kind < 0)
        continue;
      udg_peak peak = search(p, score, work->bank, place, t, offset);
      int slot =
          slot_of(p->score->hypotheses, p->score->count, place, trace->digit, (udg_trace_kind)kind);
      if (slot < 0) {
        slot = p->score->count++;
        rank[slot] = -2.0;
      }
      if (peak.rank <= rank[slot])
        continue;
      rank[slot] = peak.rank;
      p->choice.of[slot].place = place;
      p->choice.of[slot].trace = t;
      p->choice.of[slot].digit = trace->digit;
      p->choice.of[slot].kind = (udg_trace_kind)kind;
      for (int axis = 0; axis < 2; axis++)
        p->choice.of[slot].offset_px[axis] = offset[axis];
      p->score->hypotheses[slot] = (udg_hypothesis){.place = place,
                                                    .digit = trace->digit,
                                                    .kind = (udg_trace_kind)kind,
                                                    .energy = peak.energy / p->photos,
                                                    .share = peak.share,
                                                    .amplitude = peak.amplitude};
    }
  p->choice.count = p->score->count;
}

/* Weighted mean of what the photos say of its strokes; the number of those that have a say. */
static double average(const photo *photos, int count, udg_hypothesis *h) {
  double weights = 0.0, square = 0.0;
  for (int i = 0; i < count; i++) {
    int slot = photos[i].judged
                   ? slot_of(photos[i].hypotheses, photos[i].count, h->place, h->digit, h->kind)
                   : -1;
    if (slot < 0)
      continue;
    const udg_hypothesis *one = &photos[i].hypotheses[slot];
    double w = one->norm + 1e-6;
    weights += w;
    square += w * w;
    for (int axis = 0; axis < 2; axis++)
      h->offset_px[axis] += w * one->offset_px[axis];
    h->turn_rad += w * one->turn_rad;
    h->visible += w * one->visible;
    h->complete += w * one->complete;
    h->missing += w * one->missing;
    h->uneven += w * one->uneven;
    h->largest += w * one->largest;
    h->norm += w * one->norm;
    h->around += w * one->around;
    h->height += w * one->height;
    h->crossing += w * one->crossing;
  }
  double *means[] = {&h->offset_px[0], &h->offset_px[1], &h->turn_rad, &h->visible,
                     &h->complete,     &h->missing,      &h->uneven,   &h->largest,
                     &h->norm,         &h->around,       &h->height,   &h->crossing};
  for (size_t k = 0; k < sizeof means / sizeof *means; k++)
    *means[k] /= weights > 0.0 ? weights : 1.0;
  return square > 0.0 ? weights * weights / square : 1.0;
}

/* The most that one photo says of it on its own. */
static double most_alone(const photo *photos, int count, const udg_hypothesis *h) {
  double most = -HUGE_VAL;
  for (int i = 0; i < count; i++)
    for (int k = 0; photos[i].judged && k < photos[i].word_count; k++) {
      const word *w = &photos[i].words[k];
      if (w->place == h->place && w->digit == h->digit && w->kind == h->kind)
        most = fmax(most, w->log_odds);
    }
  return most;
}

/* What the photos say one by one, as the hypotheses of the photos together. */
static void describe(pool *p, const photo *photos, int count) {
  for (int i = 0; i < p->score->count; i++) {
    p->say[i] = average(photos, count, &p->score->hypotheses[i]);
    p->alone[i] = most_alone(photos, count, &p->score->hypotheses[i]);
  }
}

/* The best hypothesis of a kind over the photos; NULL: none. */
static const udg_hypothesis *best_of(const pool *p, const udg_reference *reference,
                                     const udg_date *date, udg_trace_kind kind, double *log_odds) {
  const udg_hypothesis *best = NULL;
  for (int i = 0; i < p->score->count; i++) {
    const udg_hypothesis *h = &p->score->hypotheses[i];
    double feature[UDG_FEATURE_COUNT];
    if (h->kind != kind)
      continue;
    udg_evidence_features(p->score, reference, date, h, feature);
    double together = udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, feature);
    double odds =
        date->evidence_shift + JOINT_SHIFT * log(p->say[i]) + 0.5 * (together + p->alone[i]);
    if (best && odds <= *log_odds)
      continue;
    best = h;
    *log_odds = odds;
  }
  return best;
}

/* The photo in which this digit at this place shows most. */
static int loudest(const photo *photos, int count, const udg_hypothesis *like) {
  int best = -1;
  double most = -1.0;
  for (int i = 0; i < count; i++) {
    int slot = photos[i].judged ? slot_of(photos[i].hypotheses, photos[i].count, like->place,
                                          like->digit, like->kind)
                                : -1;
    if (slot < 0)
      continue;
    const udg_hypothesis *h = &photos[i].hypotheses[slot];
    double shows = h->energy * h->share * h->complete;
    if (shows > most) {
      most = shows;
      best = i;
    }
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

static int one_says(const udg_result *each, int count, udg_verdict verdict) {
  for (int i = 0; i < count; i++)
    if (each[i].judged && each[i].verdict == verdict)
      return 1;
  return 0;
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
  joint->reason_count = 0;
  if (most_say(each, count, UDG_VERDICT_REPUNCHED) || most_say(each, count, UDG_VERDICT_DOUBLED)) {
    joint->verdict =
        most_say(each, count, UDG_VERDICT_DOUBLED) ? UDG_VERDICT_DOUBLED : UDG_VERDICT_REPUNCHED;
    udg_result_reason(joint, "most of the %d photos that could be judged say so", judged);
  } else if (joint->p_value < settings->flag_p_value) {
    joint->verdict = UDG_VERDICT_UNDERDIGIT;
    udg_result_reason(joint, "over the %d photos that could be judged the trace stays where it is",
                      judged);
  } else if (one_says(each, count, UDG_VERDICT_UNDERDIGIT)) {
    joint->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(joint, "what looks like a trace in one photo does not show alike in the "
                             "others");
  } else {
    udg_result_reason(joint, "%d photo%s could be judged", judged, judged == 1 ? "" : "s");
  }
}

/* The joint finding in the loudest photo's terms. */
static void tell(const udg_hypothesis *h, double evidence, double px_per_mm, udg_result *joint) {
  udg_finding *f = &joint->finding;
  joint->evidence = evidence;
  joint->p_value = udg_evidence_p_value(evidence);
  *f = (udg_finding){.place = h->place + 1,
                     .digit = h->digit,
                     .kind = UDG_VERDICT_UNDERDIGIT,
                     .turn_deg = h->turn_rad * 180 / acos(-1.0),
                     .visible_share = h->visible,
                     .state = f->state,
                     .log_ratio = evidence};
  f->strength = udg_evidence_strength(h, f->strength_interval);
  for (int axis = 0; axis < 2; axis++)
    f->offset_mm[axis] = h->offset_px[axis] / px_per_mm;
  joint->other_count = 0;
}

static void judge(const udg_inspector *inspector, const pool *p, const photo *photos,
                  const udg_result *each, int count, udg_result *joint) {
  const udg_reference *reference = inspector->reference;
  const udg_date_work *work = &inspector->dates[p->date_index];
  const udg_date *date = &reference->dates[p->date_index];
  double evidence = 0, decoy = 0, strong = 0, weak = 0;
  for (int i = 0; i < count; i++) {
    strong = fmax(strong, photos[i].judged ? each[i].adequacy.power_strong : 0);
    weak = fmax(weak, photos[i].judged ? each[i].adequacy.power_weak : 0);
  }
  const udg_hypothesis *best = best_of(p, reference, date, UDG_TRACE_EARLIER, &evidence);
  int most = best ? loudest(photos, count, best) : -1;
  if (most < 0)
    return;
  *joint = each[most];
  tell(best, evidence, work->upright.px_per_mm, joint);
  joint->finding.state =
      joint->finding.strength >= reference->strong_threshold ? UDG_STATE_STRONG : UDG_STATE_WEAK;
  best_of(p, reference, date, UDG_TRACE_MIRRORED, &decoy);
  joint->decoy_evidence = decoy;
  joint->adequacy.power_strong = strong;
  joint->adequacy.power_weak = weak;
  decide(&inspector->budget.host, each, count, p->photos, joint);
}

static int first_judged(const udg_result *each, int count) {
  for (int i = 0; i < count; i++)
    if (each[i].judged)
      return i;
  return -1;
}

/* Keeps what the photo inspected last says of every digit. */
static udg_status gather(const udg_settings *settings, const udg_inspector *inspector, photo *p) {
  const udg_score *score = inspector->dates[inspector->shown].score;
  if (!p->hypotheses)
    p->hypotheses = udg_memory_get(settings, UDG_HYPOTHESES_MAX, sizeof *p->hypotheses);
  if (!p->hypotheses)
    return UDG_ERROR_MEMORY;
  p->count = score->count;
  memcpy(p->hypotheses, score->hypotheses, (size_t)score->count * sizeof *p->hypotheses);
  return UDG_OK;
}

/* Keeps what the photo inspected last says on its own. */
static udg_status keep_words(const udg_settings *settings, const udg_inspector *inspector,
                             photo *p) {
  const udg_date_work *work = &inspector->dates[inspector->shown];
  p->words = udg_memory_get(settings, UDG_HYPOTHESES_MAX, sizeof *p->words);
  if (!p->words)
    return UDG_ERROR_MEMORY;
  for (int i = 0; i < work->score->count; i++) {
    const udg_hypothesis *h = &work->score->hypotheses[i];
    double feature[UDG_FEATURE_COUNT];
    udg_evidence_features(work->score, inspector->reference, work->upright.date, h, feature);
    p->words[p->word_count++] =
        (word){h->place, h->digit, h->kind, udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, feature)};
  }
  return UDG_OK;
}

/* Each photo alone; its correlations into the pool. */
static udg_status look_alone(udg_inspector *inspector, const udg_image *const *images, int count,
                             const char *date, udg_result *each, photo *photos, pool *p,
                             udg_message *message) {
  udg_status status = UDG_OK;
  inspector->keep_maps = 1;
  for (int i = 0; i < count && status == UDG_OK; i++) {
    status = udg_inspect(inspector, images[i], date, &each[i], message);
    photos[i].judged = status == UDG_OK && each[i].judged && inspector->shown >= 0;
    if (!photos[i].judged)
      continue;
    status = pool_add(p, inspector);
    if (status == UDG_OK)
      status = keep_words(&inspector->budget.host, inspector, &photos[i]);
    if (status != UDG_OK)
      udg_fail(message, status, "no memory for %d photos", count);
  }
  inspector->keep_maps = 0;
  return status;
}

/* Each judged photo again, where all of them together say that traces are. */
static udg_status look_together(udg_inspector *inspector, const udg_image *const *images, int count,
                                const udg_result *each, photo *photos, pool *p,
                                udg_message *message) {
  udg_status status = UDG_OK;
  for (int i = 0; i < count && status == UDG_OK; i++) {
    udg_result again;
    if (!photos[i].judged)
      continue;
    inspector->choice = &p->choice;
    status = udg_inspect(inspector, images[i], each[i].date, &again, message);
    inspector->choice = NULL;
    photos[i].judged = status == UDG_OK && again.judged && inspector->shown >= 0;
    if (photos[i].judged &&
        (status = gather(&inspector->budget.host, inspector, &photos[i])) != UDG_OK)
      udg_fail(message, status, "no memory for %d photos", count);
  }
  return status;
}

static udg_status join(udg_inspector *inspector, const udg_image *const *images, int count,
                       const udg_result *each, photo *photos, pool *p, udg_result *joint,
                       udg_message *message) {
  const int first = first_judged(each, count);
  char why[UDG_REASON_BYTES];
  cannot_join(each, count, joint);
  if (first < 0) {
    udg_result_reason(joint, "none of the %d photos could be judged", count);
    return UDG_OK;
  }
  if (!udg_one_coin(inspector->reference, each, count, why)) {
    udg_result_reason(joint, "%s", why);
    return UDG_OK;
  }
  if (p->photos == 1) {
    *joint = each[first];
    decide(&inspector->budget.host, each, count, 1, joint);
    return UDG_OK;
  }
  if (!inspector->dates || !inspector->dates[p->date_index].ready) {
    udg_result_reason(joint, "the photos take more memory together than is set for one");
    return UDG_OK;
  }
  choose(p, inspector);
  udg_status status = look_together(inspector, images, count, each, photos, p, message);
  if (status != UDG_OK)
    return status;
  describe(p, photos, count);
  if (inspector->dates && inspector->dates[p->date_index].ready)
    judge(inspector, p, photos, each, count, joint);
  return UDG_OK;
}

udg_status udg_inspect_same_coin(udg_inspector *inspector, const udg_image *const *images,
                                 int count, const char *date, udg_result *each, udg_result *joint,
                                 udg_message *message) {
  if (!inspector || !images || count < 1 || !each || !joint)
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "udg_inspect_same_coin: NULL argument or no photo");
  udg_settings settings = inspector->budget.host;
  photo *photos = udg_memory_get(&settings, (size_t)count, sizeof *photos);
  pool p;
  udg_status status = pool_open(&settings, &p);
  if (!photos || status != UDG_OK)
    status = udg_fail(message, UDG_ERROR_MEMORY, "no memory for %d photos", count);
  if (status == UDG_OK)
    status = look_alone(inspector, images, count, date, each, photos, &p, message);
  if (status == UDG_OK)
    status = join(inspector, images, count, each, photos, &p, joint, message);
  for (int i = 0; photos && i < count; i++) {
    udg_memory_drop(&settings, photos[i].hypotheses);
    udg_memory_drop(&settings, photos[i].words);
  }
  udg_memory_drop(&settings, photos);
  pool_close(&p);
  return status;
}
