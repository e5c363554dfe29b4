/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Results as JSON (docs/results-format.md). */
#include <math.h>
#include <string.h>

#include <underdigit/result.h>

#include "base.h"
#include "json_write.h"
#include "result_markers.h"

/* A p-value is never 0: chance is not ruled out by any photo. */
static const double p_value_least = 1e-300;

static int clamp_count(int count, int most) {
  return count > most ? most : count;
}

static int has_date(const udg_result *result) {
  int any = 0;
  for (int i = 0; i < 9; i++) {
    if (!isfinite(result->date_to_photo[i]))
      return 0;
    any |= result->date_to_photo[i] != 0;
  }
  return any;
}

static void write_texts(udg_json_writer *writer, const char *key,
                        const char texts[][UDG_REASON_BYTES], int count) {
  udg_json_write_open(writer, key, '[');
  for (int i = 0; i < clamp_count(count, UDG_REASONS_MAX); i++)
    udg_json_write_string(writer, NULL, texts[i], UDG_REASON_BYTES);
  udg_json_write_close(writer, ']');
}

static void write_state(udg_json_writer *writer, udg_state state) {
  if (state == UDG_STATE_STRONG)
    udg_json_write_string(writer, "state", "strong", SIZE_MAX);
  else if (state == UDG_STATE_WEAK)
    udg_json_write_string(writer, "state", "weak", SIZE_MAX);
  else
    udg_json_write_null(writer, "state");
}

static void write_finding(udg_json_writer *writer, const char *key, const udg_finding *finding) {
  udg_json_write_open(writer, key, '{');
  udg_json_write_string(writer, "kind", udg_verdict_text(finding->kind), SIZE_MAX);
  if (finding->place > 0)
    udg_json_write_number(writer, "place", finding->place);
  else
    udg_json_write_null(writer, "place");
  if (finding->digit)
    udg_json_write_string(writer, "digit", &finding->digit, 1);
  else
    udg_json_write_null(writer, "digit");
  udg_json_write_numbers(writer, "offset_mm", finding->offset_mm, 2);
  udg_json_write_number(writer, "turn_deg", finding->turn_deg);
  udg_json_write_number(writer, "strength", finding->strength);
  udg_json_write_numbers(writer, "strength_interval", finding->strength_interval, 2);
  udg_json_write_number(writer, "visible_share", finding->visible_share);
  write_state(writer, finding->state);
  udg_json_write_number(writer, "log_ratio", finding->log_ratio);
  udg_json_write_close(writer, '}');
}

static void write_findings(udg_json_writer *writer, const udg_result *result) {
  if (result->finding.place > 0)
    write_finding(writer, "finding", &result->finding);
  else
    udg_json_write_null(writer, "finding");
  udg_json_write_open(writer, "others", '[');
  for (int i = 0; i < clamp_count(result->other_count, UDG_OTHERS_MAX); i++)
    write_finding(writer, NULL, &result->others[i]);
  udg_json_write_close(writer, ']');
}

/* Nothing of this means anything when no date was found. */
static void write_registration(udg_json_writer *writer, const udg_result *result, int found) {
  if (found)
    udg_json_write_numbers(writer, "date_to_photo", result->date_to_photo, 9);
  else
    udg_json_write_null(writer, "date_to_photo");
  udg_json_write_open(writer, "registration", '{');
  udg_json_write_number(writer, "rms_px", found ? result->registration_rms_px : NAN);
  if (found)
    udg_json_write_numbers(writer, "covariance", result->registration_covariance, 16);
  else
    udg_json_write_null(writer, "covariance");
  udg_json_write_number(writer, "runner_up", found ? result->registration_runner_up : NAN);
  udg_json_write_close(writer, '}');
  udg_json_write_open(writer, "places", '[');
  for (int i = 0; found && i < clamp_count(result->place_count, UDG_PLACES_MAX); i++) {
    udg_json_write_open(writer, NULL, '{');
    udg_json_write_number(writer, "place", i + 1);
    udg_json_write_string(writer, "digit", &result->date[i], 1);
    udg_json_write_numbers(writer, "offset_mm", result->place_offset_mm[i], 2);
    udg_json_write_number(writer, "turn_deg", result->place_turn_deg[i]);
    udg_json_write_close(writer, '}');
  }
  udg_json_write_close(writer, ']');
}

static void write_coin(udg_json_writer *writer, const udg_result *result) {
  if (result->coin_index < 1) {
    udg_json_write_null(writer, "coin");
    return;
  }
  udg_json_write_open(writer, "coin", '{');
  udg_json_write_number(writer, "index", result->coin_index);
  udg_json_write_number(writer, "count", result->coin_count);
  udg_json_write_numbers(writer, "centre_px", result->coin_centre_px, 2);
  udg_json_write_numbers(writer, "diameter_px", result->coin_diameter_px, 2);
  udg_json_write_number(writer, "diameter_mm",
                        result->coin_diameter_mm > 0 ? result->coin_diameter_mm : NAN);
  udg_json_write_close(writer, '}');
}

static void write_adequacy(udg_json_writer *writer, const udg_result *result) {
  const udg_adequacy *adequacy = &result->adequacy;
  udg_json_write_open(writer, "adequacy", '{');
  udg_json_write_number(writer, "digit_height_px", adequacy->digit_height_px);
  udg_json_write_number(writer, "noise", adequacy->noise);
  udg_json_write_number(writer, "blur_px", adequacy->blur_px);
  udg_json_write_number(writer, "clipped_share", adequacy->clipped_share);
  udg_json_write_number(writer, "jpeg_quality", adequacy->jpeg_quality);
  udg_json_write_number(writer, "power_strong", adequacy->power_strong);
  udg_json_write_number(writer, "power_weak", adequacy->power_weak);
  write_texts(writer, "limits", result->limits, result->limit_count);
  udg_json_write_close(writer, '}');
}

static void write_light(udg_json_writer *writer, const udg_result *result, int found) {
  udg_json_write_open(writer, "light", '{');
  udg_json_write_number(writer, "azimuth_deg", found ? result->light_azimuth_deg : NAN);
  udg_json_write_number(writer, "directional_share", found ? result->light_directional_share : NAN);
  udg_json_write_close(writer, '}');
}

static void write_times(udg_json_writer *writer, const udg_result *result) {
  udg_json_write_open(writer, "ms", '{');
  for (int i = 0; i < clamp_count(result->stage_count, UDG_STAGES_MAX); i++)
    if (result->stage_name[i])
      udg_json_write_number(writer, result->stage_name[i], result->stage_ms[i]);
  udg_json_write_number(writer, "total", result->total_ms);
  udg_json_write_close(writer, '}');
}

static void write_judgement(udg_json_writer *writer, const udg_result *result) {
  int judged = result->judged && isfinite(result->evidence);
  double p_value = result->p_value;
  udg_json_write_string(writer, "verdict", udg_verdict_text(result->verdict), SIZE_MAX);
  write_texts(writer, "reasons", result->reasons, result->reason_count);
  udg_json_write_number(writer, "evidence", judged ? result->evidence : NAN);
  if (!judged || !(p_value <= 1))
    p_value = 1;
  udg_json_write_number(writer, "p_value", p_value > p_value_least ? p_value : p_value_least);
  udg_json_write_number(writer, "decoy_evidence", judged ? result->decoy_evidence : NAN);
}

static udg_status finish(udg_json_writer *writer, char **text, udg_message *message) {
  *text = udg_json_write_end(writer);
  if (!*text)
    return udg_fail(message, UDG_ERROR_MEMORY, "result: out of memory");
  return UDG_OK;
}

static void write_fields(udg_json_writer *writer, const udg_result *result) {
  int found = has_date(result);
  udg_json_write_string(writer, "reference", result->reference, sizeof result->reference);
  udg_json_write_string(writer, "date", result->date, sizeof result->date);
  write_judgement(writer, result);
  write_registration(writer, result, found);
  write_findings(writer, result);
  udg_result_write_markers(writer, result);
  write_coin(writer, result);
  write_adequacy(writer, result);
  write_light(writer, result, found);
  write_times(writer, result);
}

static int stands_before(const udg_result *a, const udg_result *b) {
  int flagged_a = a->verdict == UDG_VERDICT_UNDERDIGIT;
  int flagged_b = b->verdict == UDG_VERDICT_UNDERDIGIT;
  if (flagged_a != flagged_b)
    return flagged_a;
  if (!a->judged != !b->judged)
    return a->judged != 0;
  return a->judged && a->evidence > b->evidence;
}

int udg_results_speaker(const udg_result *results, int count) {
  int best = 0;
  for (int i = 1; i < count; i++)
    if (stands_before(&results[i], &results[best]))
      best = i;
  return best;
}

double udg_results_p_value(const udg_result *results, int count) {
  int judged = 0;
  for (int i = 0; i < count; i++)
    judged += results[i].judged != 0;
  if (judged == 0)
    return 1.0;
  return fmin(1.0, judged * results[udg_results_speaker(results, count)].p_value);
}

udg_status udg_results_to_json(const udg_settings *settings, const udg_result *results, int count,
                               const char *photo, char **text, udg_message *message) {
  udg_settings resolved;
  if (!text)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "result: no place for the text given");
  *text = NULL;
  if (!results || count < 1)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "result: none given");
  udg_settings_resolve(&resolved, settings);
  udg_json_writer writer = {.settings = &resolved};
  udg_json_write_open(&writer, NULL, '{');
  udg_json_write_string(&writer, "photo", photo, SIZE_MAX);
  udg_json_write_string(&writer, "status", "ok", SIZE_MAX);
  udg_result speaker = results[udg_results_speaker(results, count)];
  speaker.p_value = udg_results_p_value(results, count);
  write_fields(&writer, &speaker);
  if (count > 1) {
    udg_json_write_open(&writer, "coins", '[');
    for (int i = 0; i < count; i++) {
      udg_json_write_open(&writer, NULL, '{');
      write_fields(&writer, &results[i]);
      udg_json_write_close(&writer, '}');
    }
    udg_json_write_close(&writer, ']');
  }
  udg_json_write_close(&writer, '}');
  return finish(&writer, text, message);
}

udg_status udg_joint_to_json(const udg_settings *settings, const udg_result *joint,
                             const udg_result *each, const char *const *paths, int count,
                             char **text, udg_message *message) {
  udg_settings resolved;
  if (!text)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "result: no place for the text given");
  *text = NULL;
  if (!joint || !each || !paths || count < 1)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "result: none given");
  udg_settings_resolve(&resolved, settings);
  udg_json_writer writer = {.settings = &resolved};
  udg_json_write_open(&writer, NULL, '{');
  udg_json_write_string(&writer, "photo", paths[0], SIZE_MAX);
  udg_json_write_string(&writer, "status", "ok", SIZE_MAX);
  write_fields(&writer, joint);
  udg_json_write_open(&writer, "photos", '[');
  for (int i = 0; i < count; i++) {
    udg_json_write_open(&writer, NULL, '{');
    udg_json_write_string(&writer, "photo", paths[i], SIZE_MAX);
    write_fields(&writer, &each[i]);
    udg_json_write_close(&writer, '}');
  }
  udg_json_write_close(&writer, ']');
  udg_json_write_close(&writer, '}');
  return finish(&writer, text, message);
}

udg_status udg_result_to_json(const udg_settings *settings, const udg_result *result,
                              const char *photo, char **text, udg_message *message) {
  return udg_results_to_json(settings, result, 1, photo, text, message);
}

udg_status udg_error_to_json(const udg_settings *settings, const char *photo, const char *error,
                             char **text, udg_message *message) {
  udg_settings resolved;
  if (!text)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "result: no place for the text given");
  udg_settings_resolve(&resolved, settings);
  udg_json_writer writer = {.settings = &resolved};
  udg_json_write_open(&writer, NULL, '{');
  udg_json_write_string(&writer, "photo", photo, SIZE_MAX);
  udg_json_write_string(&writer, "status", "error", SIZE_MAX);
  udg_json_write_string(&writer, "error", error, SIZE_MAX);
  udg_json_write_close(&writer, '}');
  return finish(&writer, text, message);
}

void udg_text_destroy(const udg_settings *settings, char *text) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_memory_drop(&resolved, text);
}
