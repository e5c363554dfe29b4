/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Photos in, a better reference out. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "expect.h"
#include "learn_internal.h"
#include "name.h"

/* While learning, digits may sit so far off their place, whatever the reference says:
 * shares of the digit height, degrees. */
static const double TRIAL_SLACK_SHARE = 0.05, TRIAL_SLACK_DEG = 2.0;
/* As the inspector has it: below these no date was found for certain. */
static const double SCORE_MIN = 0.15, LEAD_MIN = 0.08;
/* Another date is taken for the photo's when it explains so much more of it. */
static const double OTHER_DATE_MORE = 0.04;
/* A photo is left out for a trace below this p-value; the odd plain coin lost so is
 * no loss. */
static const double OVERDATE_P = 0.01;
/* Doubled dates are rare, and rims of a worn date look like one: so sure, at least. */
static const double STRUCK_AGAIN_LOG_ODDS = 3.0;
/* Misfit at a digit, beyond the other photos': robust s.d. of its logarithm, and
 * factor. */
static const double UNLIKE_SD = 6.0, UNLIKE_FACTOR = 2.0;
static const float MISFIT_REACH_PX = 6.0f;
/* Light with less of a direction counts for none. */
static const double DIRECTED_MIN = 0.15;
enum { PLACE_ROUNDS = 2 };

static udg_status trial_create(udg_learner *learner, udg_message *message) {
  udg_status status = udg_reference_copy(learner->given, &learner->trial, message);
  if (status != UDG_OK)
    return status;
  udg_date *date = &learner->trial->dates[learner->date_index];
  date->evidence_shift = 0.0; /* to be learned anew */
  date->slack_mm = fmax(date->slack_mm, TRIAL_SLACK_SHARE * date->height_mm);
  date->slack_rad = fmax(date->slack_rad, TRIAL_SLACK_DEG * acos(-1.0) / 180.0);
  return udg_inspector_create(&learner->settings, learner->trial, &learner->inspector, message);
}

udg_status udg_learner_create(const udg_settings *settings, const udg_reference *reference,
                              const char *date, udg_learner **learner, udg_message *message) {
  if (!reference || !date || !learner)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_learner_create: NULL argument");
  *learner = NULL;
  size_t index = 0;
  while (index < reference->date_count && strcmp(reference->dates[index].text, date) != 0)
    index++;
  if (index == reference->date_count)
    return udg_fail(message, UDG_ERROR_DATE, "%s: has no date %s", reference->name, date);
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_learner *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a learner");
  made->settings = resolved;
  made->given = reference;
  made->date_index = index;
  udg_status status = trial_create(made, message);
  if (status != UDG_OK) {
    udg_learner_destroy(made);
    return status;
  }
  *learner = made;
  return UDG_OK;
}

static void entry_destroy(const udg_settings *settings, udg_learn_entry *entry) {
  udg_image_destroy(entry->crop);
  udg_learn_layer_destroy(settings, &entry->layer);
}

void udg_learner_destroy(udg_learner *learner) {
  if (!learner)
    return;
  udg_settings settings = learner->settings;
  for (size_t i = 0; i < learner->count; i++)
    entry_destroy(&settings, &learner->entries[i]);
  udg_memory_drop(&settings, learner->entries);
  udg_appearance_destroy(&settings, &learner->learned);
  udg_inspector_destroy(learner->inspector);
  udg_reference_destroy(learner->trial);
  udg_memory_drop(&settings, learner);
}

static void leave_out(udg_learn_photo *told, udg_learn_fate fate, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void leave_out(udg_learn_photo *told, udg_learn_fate fate, const char *format, ...) {
  va_list arguments;
  va_start(arguments, format);
  told->fate = fate;
  vsnprintf(told->why, sizeof told->why, format, arguments);
  va_end(arguments);
}

/* An inspector: none is left when memory ran out while a new one was made. */
static udg_status inspector_have(udg_learner *learner, udg_message *message) {
  return learner->inspector ? UDG_OK
                            : udg_inspector_create(&learner->settings, learner->trial,
                                                   &learner->inspector, message);
}

/* The part of the photo around the date, with the pose on it. */
static udg_status cut_out(const udg_learner *learner, const udg_image *image,
                          udg_learn_entry *entry, udg_message *message) {
  const udg_date *date = &learner->trial->dates[learner->date_index];
  const udg_homography *h = &learner->inspector->registration.date_to_photo;
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  for (int p = 0; p < date->place_count; p++) {
    for (int corner = 0; corner < 4; corner++) {
      double x, y, reach = 1.6 * date->height_mm;
      udg_homography_apply(h, date->places[p].centre_mm[0] + (corner & 1 ? reach : -reach),
                           date->places[p].centre_mm[1] + (corner & 2 ? reach : -reach), &x, &y);
      low[0] = fmin(low[0], x);
      low[1] = fmin(low[1], y);
      high[0] = fmax(high[0], x);
      high[1] = fmax(high[1], y);
    }
  }
  uint32_t left = (uint32_t)fmin(fmax(floor(low[0]), 0.0), image->width - 1.0);
  uint32_t top = (uint32_t)fmin(fmax(floor(low[1]), 0.0), image->height - 1.0);
  uint32_t right = (uint32_t)fmin(fmax(ceil(high[0]), left + 1.0), image->width);
  uint32_t bottom = (uint32_t)fmin(fmax(ceil(high[1]), top + 1.0), image->height);
  udg_status status =
      udg_image_from_grey(&learner->settings, image->grey + (size_t)top * image->width + left,
                          right - left, bottom - top, image->width, &entry->crop, message);
  udg_homography shift = udg_homography_similarity(1.0, 0.0, -(double)left, -(double)top);
  entry->candidate = (udg_candidate){
      .date_to_photo = udg_homography_after(&shift, h),
      .digit_height_px = learner->inspector->registration.digit_height_px,
      .score = learner->inspector->registration.score,
  };
  return status;
}

/* Another date of the reference at the same spot that fits better; -1: none. */
static udg_status find_better_date(udg_learner *learner, int *better, udg_message *message) {
  udg_inspector *inspector = learner->inspector;
  const udg_registration own = inspector->registration;
  udg_find_result there = {.count = 1, .candidates = {{.score = 1.0}}};
  double most = own.score + OTHER_DATE_MORE;
  *better = -1;
  there.candidates[0].date_to_photo = own.date_to_photo;
  there.candidates[0].digit_height_px = own.digit_height_px;
  for (size_t i = 0; i < learner->trial->date_count; i++) {
    udg_registration other;
    if (i == learner->date_index || learner->trial->dates[i].place_count !=
                                        learner->trial->dates[learner->date_index].place_count)
      continue;
    udg_status status =
        udg_register(inspector->registers, inspector->even, i, &there, &other, message);
    if (status != UDG_OK)
      return status;
    if (other.score > most) {
      most = other.score;
      *better = (int)i;
    }
  }
  return UDG_OK;
}

static udg_status look_at(udg_learner *learner, const udg_image *image, udg_learn_entry *entry,
                          udg_message *message) {
  udg_inspector *inspector = learner->inspector;
  const char *date = learner->given->dates[learner->date_index].text;
  size_t index = learner->date_index;
  udg_status status = udg_pipeline_take(inspector, image, message);
  if (status == UDG_OK)
    status = udg_pipeline_locate_best(inspector, date, &index, message);
  if (status != UDG_OK)
    return status;
  const udg_registration *r = &inspector->registration;
  if (inspector->found.count == 0) {
    leave_out(&entry->told, UDG_LEARN_NO_DATE, "%s", udg_pipeline_no_date(inspector));
    return UDG_OK;
  }
  if (inspector->certainty < 0.0 && (r->score < SCORE_MIN || udg_registration_lead(r) < LEAD_MIN)) {
    leave_out(&entry->told, UDG_LEARN_NO_DATE,
              "no date was found for certain: another coin, or too "
              "unclear");
    return UDG_OK;
  }
  int better;
  status = find_better_date(learner, &better, message);
  if (status == UDG_OK && better >= 0) {
    leave_out(&entry->told, UDG_LEARN_OTHER_DATE, "shows %s rather than %s",
              learner->given->dates[better].text, date);
    return UDG_OK;
  }
  if (status == UDG_OK)
    status = cut_out(learner, image, entry, message);
  return status;
}

static udg_status make_room(udg_learner *learner, udg_message *message) {
  if (learner->count < learner->room)
    return UDG_OK;
  size_t room = 2 * learner->room + 16;
  udg_learn_entry *entries = udg_memory_get(&learner->settings, room, sizeof *entries);
  if (!entries)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for another photo");
  if (learner->count > 0)
    memcpy(entries, learner->entries, learner->count * sizeof *entries);
  udg_memory_drop(&learner->settings, learner->entries);
  learner->entries = entries;
  learner->room = room;
  return UDG_OK;
}

udg_status udg_learner_add(udg_learner *learner, const udg_image *image, const char *name,
                           udg_message *message) {
  if (!learner || !image)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_learner_add: NULL argument");
  udg_status status = make_room(learner, message);
  if (status == UDG_OK)
    status = inspector_have(learner, message);
  if (status != UDG_OK)
    return status;
  udg_learn_entry *entry = &learner->entries[learner->count];
  memset(entry, 0, sizeof *entry);
  const char *shown = name ? name : "memory";
  size_t length = strlen(shown), room = sizeof entry->told.name - 1;
  snprintf(entry->told.name, sizeof entry->told.name, "%s",
           shown + (length > room ? length - room : 0));
  status = look_at(learner, image, entry, message);
  if (status != UDG_OK) {
    entry_destroy(&learner->settings, entry);
    return status;
  }
  learner->count++;
  learner->ready = 0;
  return UDG_OK;
}

udg_status udg_learn_register_again(udg_learner *learner, udg_learn_entry *entry,
                                    udg_message *message) {
  udg_inspector *inspector = learner->inspector;
  udg_status status = udg_pipeline_take(inspector, entry->crop, message);
  if (status != UDG_OK)
    return status;
  inspector->found = (udg_find_result){.count = 1, .candidates = {entry->candidate}};
  status = udg_register(inspector->registers, inspector->even, learner->date_index,
                        &inspector->found, &inspector->registration, message);
  if (status != UDG_OK)
    return status;
  entry->registration = inspector->registration;
  entry->candidate.date_to_photo = entry->registration.date_to_photo;
  return UDG_OK;
}

udg_status udg_learn_score_again(udg_learner *learner, udg_learn_entry *entry,
                                 const udg_appearance *appearance, udg_message *message) {
  udg_inspector *inspector = learner->inspector;
  udg_date_work *work = &inspector->dates[learner->date_index];
  udg_status status = udg_pipeline_take(inspector, entry->crop, message);
  inspector->registration = entry->registration;
  if (work->ready)
    work->residual->appearance = appearance;
  if (status == UDG_OK)
    status = udg_pipeline_score(inspector, learner->date_index, message);
  return status;
}

static size_t used_count(const udg_learner *learner) {
  size_t n = 0;
  for (size_t i = 0; i < learner->count; i++)
    n += learner->entries[i].told.fate == UDG_LEARN_USED;
  return n;
}

/* A new inspector: its templates hold the places of the trial reference. */
static udg_status inspector_renew(udg_learner *learner, udg_message *message) {
  udg_inspector_destroy(learner->inspector);
  learner->inspector = NULL;
  return inspector_have(learner, message);
}

static udg_status learn_places(udg_learner *learner, udg_message *message) {
  udg_status status = UDG_OK;
  for (int round = 0; round < PLACE_ROUNDS && status == UDG_OK; round++) {
    for (size_t i = 0; i < learner->count && status == UDG_OK; i++)
      if (learner->entries[i].told.fate == UDG_LEARN_USED)
        status = udg_learn_register_again(learner, &learner->entries[i], message);
    if (status == UDG_OK) {
      udg_learn_places(learner, round + 1 == PLACE_ROUNDS);
      status = inspector_renew(learner, message);
    }
  }
  for (size_t i = 0; i < learner->count && status == UDG_OK; i++)
    if (learner->entries[i].told.fate == UDG_LEARN_USED)
      status = udg_learn_register_again(learner, &learner->entries[i], message);
  return status;
}

/* Mean misfit on and beside each digit over that of all of them. */
static void measure_misfit(const udg_learner *learner, udg_learn_entry *entry) {
  const udg_date_work *work = &learner->inspector->dates[learner->date_index];
  const udg_upright *u = &work->upright;
  double sum[UDG_PLACES_MAX] = {0.0}, pixels[UDG_PLACES_MAX] = {0.0}, all = 0.0, seen = 0.0;
  size_t count = (size_t)u->width * (size_t)u->height;
  for (size_t i = 0; i < count; i++) {
    if (u->usable.v[i] <= 0.0f || fabsf(u->distance.v[i]) > MISFIT_REACH_PX)
      continue;
    double off = fabs((double)(u->grey.v[i] - work->light->model.v[i]));
    sum[(int)u->owner.v[i]] += off;
    pixels[(int)u->owner.v[i]] += 1.0;
    all += off;
    seen += 1.0;
  }
  for (int p = 0; p < u->place_count; p++)
    entry->misfit[p] = pixels[p] > 0.0 && all > 0.0 ? sum[p] / pixels[p] / (all / seen) : 1.0;
}

static udg_status fill_layers(udg_learner *learner, udg_message *message) {
  udg_status status = UDG_OK;
  for (size_t i = 0; i < learner->count && status == UDG_OK; i++) {
    udg_learn_entry *entry = &learner->entries[i];
    if (entry->told.fate != UDG_LEARN_USED)
      continue;
    status = udg_learn_score_again(learner, entry, NULL, message);
    if (status == UDG_ERROR_ARGUMENT) { /* cut off or blown out where the date is */
      leave_out(&entry->told, UDG_LEARN_NO_DATE, "too little of the date can be seen");
      status = UDG_OK;
      continue;
    }
    if (status != UDG_OK)
      break;
    const udg_light *light = learner->inspector->dates[learner->date_index].light;
    entry->told.light_azimuth_deg = light->azimuth_rad * 180.0 / acos(-1.0);
    entry->told.light_directional_share = light->directional_share;
    measure_misfit(learner, entry);
    status = udg_learn_layer_fill(learner, entry, message);
  }
  return status;
}

/* Median and robust s.d. of log misfit at a place over the used photos. */
static void misfit_usual(const udg_learner *learner, int place, float *scratch, double *middle,
                         double *spread) {
  size_t n = 0;
  for (size_t i = 0; i < learner->count; i++)
    if (learner->entries[i].told.fate == UDG_LEARN_USED)
      scratch[n++] = (float)log(learner->entries[i].misfit[place]);
  *middle = n ? (double)udg_values_select(scratch, n, n / 2) : 0.0;
  for (size_t i = 0; i < n; i++)
    scratch[i] = fabsf(scratch[i] - (float)*middle);
  *spread = fmax(n ? 1.4826 * (double)udg_values_select(scratch, n, n / 2) : 0.0, 0.05);
}

/* A digit that fits no better than another one would: another date, another type. */
static udg_status drop_unlike(udg_learner *learner, udg_message *message) {
  const udg_date *date = &learner->trial->dates[learner->date_index];
  float *scratch = udg_memory_get(&learner->settings, learner->count + 1, sizeof *scratch);
  if (!scratch)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to compare the photos");
  double middle[UDG_PLACES_MAX], spread[UDG_PLACES_MAX];
  for (int p = 0; p < date->place_count; p++)
    misfit_usual(learner, p, scratch, &middle[p], &spread[p]);
  for (size_t i = 0; i < learner->count; i++) {
    udg_learn_entry *entry = &learner->entries[i];
    for (int p = 0; p < date->place_count && entry->told.fate == UDG_LEARN_USED; p++) {
      double more = log(entry->misfit[p]) - middle[p];
      if (more > UNLIKE_SD * spread[p] && more > log(UNLIKE_FACTOR))
        leave_out(&entry->told, UDG_LEARN_UNLIKE,
                  "the %c at place %d is unlike that of the other photos: another date or type, "
                  "or damage",
                  date->places[p].digit, p + 1);
    }
  }
  udg_memory_drop(&learner->settings, scratch);
  return UDG_OK;
}

/* Whether a second impression of that kind is beyond the doubt of a plain coin. */
static int struck_again(const udg_result *result, udg_verdict kind) {
  for (int i = 0; i < result->other_count; i++)
    if (result->others[i].kind == kind && result->others[i].log_ratio > STRUCK_AGAIN_LOG_ODDS)
      return 1;
  return 0;
}

/* The photo under what the others taught. */
static void judge(const udg_learner *learner, udg_learn_entry *entry) {
  const udg_date_work *work = &learner->inspector->dates[learner->date_index];
  udg_result result = {.p_value = 1.0};
  udg_settings settings = learner->settings;
  udg_learn_photo *verdict = &entry->verdict;
  settings.flag_p_value = OVERDATE_P;
  udg_name_power(work->score, &result.adequacy);
  udg_name(&settings, learner->trial, &work->upright, work->score, &result);
  if (result.verdict == UDG_VERDICT_UNDERDIGIT)
    leave_out(verdict, UDG_LEARN_OVERDATE, "a trace of an earlier %c shows at place %d (p %.2g)",
              result.finding.digit, result.finding.place, result.p_value);
  else if (struck_again(&result, UDG_VERDICT_DOUBLED))
    leave_out(verdict, UDG_LEARN_DOUBLED, "the date shows twice, all digits displaced alike");
  else if (struck_again(&result, UDG_VERDICT_REPUNCHED))
    leave_out(verdict, UDG_LEARN_DOUBLED, "a digit shows twice: punched again");
}

/* The photos of one fold under what the others taught. */
static udg_status check_fold(udg_learner *learner, int fold, int decide,
                             const udg_appearance *others, udg_message *message) {
  udg_status status = UDG_OK;
  for (size_t i = (size_t)fold; i < learner->count && status == UDG_OK; i += UDG_LEARN_FOLDS) {
    udg_learn_entry *entry = &learner->entries[i];
    if (entry->told.fate != UDG_LEARN_USED)
      continue;
    status = udg_learn_score_again(learner, entry, others, message);
    if (status == UDG_OK && decide)
      judge(learner, entry);
    else if (status == UDG_OK)
      udg_learn_layer_judge(learner, entry);
  }
  return status;
}

/* Every photo scored with what the others taught.  `decide`: leave out what looks
 * like no plain coin, else only gather the variance. */
static udg_status cross_check(udg_learner *learner, int decide, udg_message *message) {
  udg_appearance others = {.px_per_mm = 0.0};
  const udg_upright *upright = &learner->inspector->dates[learner->date_index].upright;
  udg_status status = udg_appearance_create(&learner->settings, upright, &others, message);
  udg_plane *variance = &others.plane[UDG_APPEARANCE_VARIANCE];
  for (size_t i = 0; i < learner->count; i++)
    learner->entries[i].verdict = learner->entries[i].told;
  for (int fold = 0; fold < UDG_LEARN_FOLDS && status == UDG_OK; fold++) {
    double share;
    if ((size_t)fold >= learner->count)
      break;
    status = udg_learn_terms(learner, fold, &others, &share, message);
    if (decide)
      memcpy(variance->v, learner->learned.plane[UDG_APPEARANCE_VARIANCE].v,
             sizeof(float) * (size_t)variance->width * (size_t)variance->height);
    if (status == UDG_OK)
      status = check_fold(learner, fold, decide, &others, message);
  }
  for (size_t i = 0; i < learner->count; i++)
    learner->entries[i].told = learner->entries[i].verdict;
  learner->inspector->dates[learner->date_index].residual->appearance = NULL;
  udg_appearance_destroy(&learner->settings, &others);
  return status;
}

static udg_status learn_appearance(udg_learner *learner, udg_message *message) {
  const udg_upright *upright = &learner->inspector->dates[learner->date_index].upright;
  udg_appearance_destroy(&learner->settings, &learner->learned);
  udg_status status =
      udg_appearance_create(&learner->settings, upright, &learner->learned, message);
  if (status == UDG_OK)
    status = cross_check(learner, 0, message);
  if (status == UDG_OK)
    status =
        udg_learn_terms(learner, -1, &learner->learned, &learner->report.explained_share, message);
  if (status == UDG_OK)
    status = udg_learn_variance(learner, &learner->learned, message);
  return status;
}

static void count_lights(const udg_learner *learner, udg_learn_report *report) {
  for (size_t i = 0; i < learner->count; i++) {
    const udg_learn_photo *told = &learner->entries[i].told;
    if (told->fate != UDG_LEARN_USED)
      continue;
    if (told->light_directional_share < DIRECTED_MIN) {
      report->undirected_count++;
      continue;
    }
    int sector = (int)floor(told->light_azimuth_deg / 45.0 + 0.5) % UDG_LEARN_SECTORS;
    report->sector_count[(sector + UDG_LEARN_SECTORS) % UDG_LEARN_SECTORS]++;
  }
}

/* How far what was learned can be trusted: enough coins, light from enough sides. */
static void tell_trust(udg_learn_report *report) {
  int lit = 0;
  for (int i = 0; i < UDG_LEARN_SECTORS; i++)
    lit += report->sector_count[i] > 0;
  report->trust = report->used_count >= 12 && lit >= 5  ? UDG_LEARN_TRUST_GOOD
                  : report->used_count >= 6 && lit >= 3 ? UDG_LEARN_TRUST_FAIR
                                                        : UDG_LEARN_TRUST_POOR;
  static const char *const said[] = {
      "poor: too few photos, or all lit from one side; what coins differ by is hardly known",
      "fair: more photos, lit from other sides, would make it better",
      "good: many photos, lit from many sides"};
  snprintf(report->trust_text, sizeof report->trust_text, "%s", said[report->trust]);
}

static udg_status learn_all(udg_learner *learner, udg_message *message) {
  udg_status status = learn_places(learner, message);
  if (status == UDG_OK)
    status = fill_layers(learner, message);
  if (status == UDG_OK)
    status = drop_unlike(learner, message);
  if (status == UDG_OK && used_count(learner) > 0)
    status = learn_appearance(learner, message);
  size_t before = used_count(learner);
  if (status == UDG_OK && before > 0)
    status = cross_check(learner, 1, message);
  /* Without those left out, once more. */
  if (status == UDG_OK && used_count(learner) >= UDG_LEARN_PHOTOS_MIN &&
      used_count(learner) < before) {
    status = learn_places(learner, message);
    if (status == UDG_OK)
      status = fill_layers(learner, message);
    if (status == UDG_OK)
      status = learn_appearance(learner, message);
  }
  if (status == UDG_OK && used_count(learner) >= UDG_LEARN_PHOTOS_MIN)
    status = udg_learn_plain(learner, message);
  return status;
}

udg_status udg_learner_finish(udg_learner *learner, udg_learn_report *report,
                              udg_message *message) {
  if (!learner)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_learner_finish: NULL argument");
  udg_status status = inspector_have(learner, message);
  learner->ready = 0;
  memset(&learner->report, 0, sizeof learner->report);
  if (status == UDG_OK && used_count(learner) >= UDG_LEARN_PHOTOS_MIN)
    status = learn_all(learner, message);
  if (status != UDG_OK)
    return status;
  learner->report.photo_count = (int)learner->count;
  learner->report.used_count = (int)used_count(learner);
  count_lights(learner, &learner->report);
  tell_trust(&learner->report);
  if (report)
    *report = learner->report;
  if (learner->report.used_count < UDG_LEARN_PHOTOS_MIN)
    return udg_fail(message, UDG_ERROR_PHOTOS,
                    "only %d of %d photos can be learned from; at least %d are needed",
                    learner->report.used_count, learner->report.photo_count, UDG_LEARN_PHOTOS_MIN);
  learner->ready = 1;
  return UDG_OK;
}

udg_status udg_learner_photo(const udg_learner *learner, size_t index, udg_learn_photo *photo) {
  if (!learner || !photo || index >= learner->count)
    return UDG_ERROR_ARGUMENT;
  *photo = learner->entries[index].told;
  return UDG_OK;
}
