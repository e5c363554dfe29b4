/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What chance does on plain coins of this type.  The p-values' table comes from made pictures;
 * each photo learned from says what the evidence on this type is when there is nothing.  Each is
 * scored as an inspection would, with the places, the slack and what the others taught, and
 *   shift = (m_table - m) T^2 / (T^2 + e^2)
 * is added to the evidence, m the mean of the photos', e its standard error, T how far types
 * differ: the mean of a normal variable with a normal prior about the table's. */
#include <math.h>
#include <string.h>

#include "evidence.h"
#include "expect.h"
#include "learn_internal.h"
#include "name.h"

/* How far the mean evidence of plain coins differs from one type to the next, one s.d.: seven
 * types of two renderers. */
static const double TYPES_SD = 0.4;
/* Evidence of a few photos much alike is not believed to vary by less. */
static const double SD_MIN = 1.0;

/* Mean of the table's evidence: between points its chance is taken to be linear, beyond the last
 * one exponential. */
static double table_mean(void) {
  const double *x = udg_null_evidence, *chance = udg_null_chance;
  const int last = UDG_NULL_POINTS - 1;
  double sum = (1.0 - chance[0]) * x[0] + chance[last] * (x[last] + udg_null_tail_scale);
  for (int i = 1; i < UDG_NULL_POINTS; i++)
    sum += 0.5 * (chance[i - 1] - chance[i]) * (x[i - 1] + x[i]);
  return sum;
}

double udg_learn_shift(double mean, double sd, size_t count) {
  if (count < 2)
    return 0.0;
  double prior = TYPES_SD * TYPES_SD, error = fmax(sd, SD_MIN) * fmax(sd, SD_MIN) / (double)count;
  return (table_mean() - mean) * prior / (prior + error);
}

/* Evidence of the photo scored last; 0 when no digit makes an earlier date. */
static int evidence_of(const udg_learner *learner, double *evidence) {
  const udg_date_work *work = &learner->inspector->dates[learner->date_index];
  udg_result result = {.p_value = 1.0};
  udg_name(&learner->settings, learner->trial, &work->upright, work->score, &result);
  *evidence = result.evidence;
  return result.judged && isfinite(result.evidence);
}

/* Of the used photos of a fold; `sum` over them of 1, evidence and its square. */
static udg_status add_fold(udg_learner *learner, int fold, const udg_appearance *others,
                           double sum[3], udg_message *message) {
  udg_status status = UDG_OK;
  for (size_t i = (size_t)fold; i < learner->count && status == UDG_OK; i += UDG_LEARN_FOLDS) {
    udg_learn_entry *entry = &learner->entries[i];
    double evidence;
    if (entry->told.fate != UDG_LEARN_USED)
      continue;
    status = udg_learn_register_again(learner, entry, message);
    if (status == UDG_OK)
      status = udg_learn_score_again(learner, entry, others, message);
    if (status != UDG_OK || !evidence_of(learner, &evidence))
      continue;
    sum[0] += 1.0;
    sum[1] += evidence;
    sum[2] += evidence * evidence;
  }
  return status;
}

udg_status udg_learn_plain(udg_learner *learner, udg_message *message) {
  udg_appearance others = {.px_per_mm = 0.0};
  udg_date *date = &learner->trial->dates[learner->date_index];
  const udg_upright *upright = &learner->inspector->dates[learner->date_index].upright;
  const udg_date trial = *date;
  double sum[3] = {0.0}, share;
  udg_status status = udg_appearance_create(&learner->settings, upright, &others, message);
  udg_plane *variance = &others.plane[UDG_APPEARANCE_VARIANCE];
  const udg_plane *learned = &learner->learned.plane[UDG_APPEARANCE_VARIANCE];
  date->slack_mm = learner->slack_mm;
  date->slack_rad = learner->slack_deg * acos(-1.0) / 180.0;
  for (int fold = 0; fold < UDG_LEARN_FOLDS && status == UDG_OK; fold++) {
    if ((size_t)fold >= learner->count)
      break;
    status = udg_learn_terms(learner, fold, &others, &share, message);
    if (status == UDG_OK)
      memcpy(variance->v, learned->v,
             sizeof(float) * (size_t)variance->width * (size_t)variance->height);
    if (status == UDG_OK)
      status = add_fold(learner, fold, &others, sum, message);
  }
  date->slack_mm = trial.slack_mm;
  date->slack_rad = trial.slack_rad;
  learner->inspector->dates[learner->date_index].residual->appearance = NULL;
  udg_appearance_destroy(&learner->settings, &others);
  learner->plain_count = (size_t)sum[0];
  learner->plain_mean = sum[0] > 0.0 ? sum[1] / sum[0] : 0.0;
  double square =
      sum[0] > 1.0 ? (sum[2] - sum[0] * learner->plain_mean * learner->plain_mean) / (sum[0] - 1.0)
                   : 0.0;
  learner->plain_sd = sqrt(fmax(square, 0.0));
  return status;
}
