/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Results as JSON, read back by jansson. */
#include <locale.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <jansson.h>

#include <cmocka.h>

#include <underdigit/result.h>

#include "hooks.h"

static udg_settings settings;
static test_hooks hooks;

static int set_up(void **state) {
  (void)state;
  settings = hooked_settings(&hooks);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  return hooks.held != 0;
}

static udg_result sample(void) {
  udg_result r = {.reference = "Quillmarsh lantern penny",
                  .date = "1810",
                  .verdict = UDG_VERDICT_UNDERDIGIT,
                  .reason_count = 2,
                  .reasons = {"a trace of 0 shows beside the third digit", "\"all\" strokes"},
                  .judged = 1,
                  .evidence = 7.25,
                  .decoy_evidence = -1.5,
                  .p_value = 1.25e-5,
                  .date_to_photo = {101.123456789, -3, 640, 3.5, 99, 480, 1e-4, -2e-4, 1},
                  .registration_rms_px = 0.5,
                  .registration_runner_up = 0.75,
                  .place_count = 4,
                  .place_offset_mm = {{0.01, -0.02}, {0, 0.03}, {-0.04, 0}, {0, 0}},
                  .place_turn_deg = {1, -2, 0.5, 0},
                  .other_count = 1,
                  .adequacy = {80, 4.5, 1.25, 0.02, 85, 0.9, 0.3},
                  .limit_count = 1,
                  .limits = {"the fourth digit is hidden by glare"},
                  .light_azimuth_deg = -45,
                  .light_directional_share = 0.8,
                  .stage_count = 2,
                  .stage_name = {"date", "score"},
                  .stage_ms = {12.5, 30},
                  .total_ms = 44};
  for (int i = 0; i < 16; i++)
    r.registration_covariance[i] = i / 8.0;
  r.finding = (udg_finding){.place = 3,
                            .digit = '0',
                            .kind = UDG_VERDICT_UNDERDIGIT,
                            .offset_mm = {0.125, -0.25},
                            .turn_deg = 1.5,
                            .strength = 0.625,
                            .strength_interval = {0.5, 0.75},
                            .visible_share = 0.4,
                            .state = UDG_STATE_STRONG,
                            .log_ratio = 12.5};
  r.others[0] = (udg_finding){.kind = UDG_VERDICT_STRAY, .offset_mm = {2, -1}};
  return r;
}

static json_t *parsed(const char *text) {
  json_error_t error;
  json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &error);
  if (!root)
    fail_msg("%s at %d in %s", error.text, error.position, text);
  assert_null(strchr(text, '\n'));
  return root;
}

static json_t *written(const udg_result *result, const char *photo) {
  char *text;
  udg_message message = {""};
  assert_int_equal(udg_result_to_json(&settings, result, photo, &text, &message), UDG_OK);
  json_t *root = parsed(text);
  udg_text_destroy(&settings, text);
  return root;
}

static const char *text_at(const json_t *object, const char *key) {
  const char *text = json_string_value(json_object_get(object, key));
  if (!text)
    fail_msg("no string \"%s\"", key);
  return text;
}

static void check_number(const json_t *object, const char *key, double value) {
  json_t *number = json_object_get(object, key);
  if (!json_is_number(number) || !(fabs(json_number_value(number) - value) <= 1e-9 * fabs(value)))
    fail_msg("\"%s\" is not %g", key, value);
}

static void check_numbers(const json_t *array, const double *values, size_t count) {
  assert_int_equal(json_array_size(array), count);
  for (size_t i = 0; i < count; i++) {
    json_t *number = json_array_get(array, i);
    assert_true(json_is_number(number));
    assert_true(fabs(json_number_value(number) - values[i]) <= 1e-9 * fabs(values[i]));
  }
}

static void every_field_comes_back(void **state) {
  (void)state;
  udg_result r = sample();
  json_t *root = written(&r, "photos/a.jpg");
  assert_string_equal(text_at(root, "photo"), "photos/a.jpg");
  assert_string_equal(text_at(root, "status"), "ok");
  assert_null(json_object_get(root, "error"));
  assert_string_equal(text_at(root, "reference"), r.reference);
  assert_string_equal(text_at(root, "date"), "1810");
  assert_string_equal(text_at(root, "verdict"), "underdigit");
  json_t *reasons = json_object_get(root, "reasons");
  assert_int_equal(json_array_size(reasons), 2);
  assert_string_equal(json_string_value(json_array_get(reasons, 1)), "\"all\" strokes");
  check_number(root, "evidence", 7.25);
  check_number(root, "decoy_evidence", -1.5);
  check_number(root, "p_value", 1.25e-5);
  check_numbers(json_object_get(root, "date_to_photo"), r.date_to_photo, 9);
  json_t *registration = json_object_get(root, "registration");
  check_number(registration, "rms_px", 0.5);
  check_number(registration, "runner_up", 0.75);
  check_numbers(json_object_get(registration, "covariance"), r.registration_covariance, 16);
  json_t *places = json_object_get(root, "places");
  assert_int_equal(json_array_size(places), 4);
  check_number(json_array_get(places, 1), "place", 2);
  check_number(json_array_get(places, 1), "turn_deg", -2);
  assert_string_equal(text_at(json_array_get(places, 1), "digit"), "8");
  check_numbers(json_object_get(json_array_get(places, 1), "offset_mm"), r.place_offset_mm[1], 2);
  json_t *adequacy = json_object_get(root, "adequacy");
  check_number(adequacy, "digit_height_px", 80);
  check_number(adequacy, "noise", 4.5);
  check_number(adequacy, "blur_px", 1.25);
  check_number(adequacy, "clipped_share", 0.02);
  check_number(adequacy, "jpeg_quality", 85);
  check_number(adequacy, "power_strong", 0.9);
  check_number(adequacy, "power_weak", 0.3);
  assert_int_equal(json_array_size(json_object_get(adequacy, "limits")), 1);
  check_number(json_object_get(root, "light"), "azimuth_deg", -45);
  check_number(json_object_get(root, "light"), "directional_share", 0.8);
  check_number(json_object_get(root, "ms"), "date", 12.5);
  check_number(json_object_get(root, "ms"), "score", 30);
  check_number(json_object_get(root, "ms"), "total", 44);
  json_decref(root);
}

static void findings_come_back(void **state) {
  (void)state;
  udg_result r = sample();
  json_t *root = written(&r, "a"), *finding = json_object_get(root, "finding");
  check_number(finding, "place", 3);
  assert_string_equal(text_at(finding, "digit"), "0");
  check_numbers(json_object_get(finding, "offset_mm"), r.finding.offset_mm, 2);
  check_number(finding, "turn_deg", 1.5);
  check_number(finding, "strength", 0.625);
  check_numbers(json_object_get(finding, "strength_interval"), r.finding.strength_interval, 2);
  check_number(finding, "visible_share", 0.4);
  assert_string_equal(text_at(finding, "state"), "strong");
  check_number(finding, "log_ratio", 12.5);
  json_t *others = json_object_get(root, "others"), *other = json_array_get(others, 0);
  assert_int_equal(json_array_size(others), 1);
  assert_string_equal(text_at(other, "kind"), "stray");
  assert_true(json_is_null(json_object_get(other, "place")));
  assert_true(json_is_null(json_object_get(other, "digit")));
  assert_true(json_is_null(json_object_get(other, "state")));
  json_decref(root);

  r.finding.place = 0;
  r.finding.state = UDG_STATE_WEAK;
  r.other_count = 0;
  root = written(&r, "a");
  assert_true(json_is_null(json_object_get(root, "finding")));
  assert_int_equal(json_array_size(json_object_get(root, "others")), 0);
  json_decref(root);
}

static void what_was_not_judged_is_null(void **state) {
  (void)state;
  udg_result r = sample();
  r.judged = 0;
  json_t *root = written(&r, "a");
  assert_true(json_is_null(json_object_get(root, "evidence")));
  assert_true(json_is_null(json_object_get(root, "decoy_evidence")));
  check_number(root, "p_value", 1);
  json_decref(root);

  memset(&r, 0, sizeof r); /* not even a date found */
  root = written(&r, NULL);
  assert_string_equal(text_at(root, "photo"), "");
  assert_string_equal(text_at(root, "verdict"), "undecided");
  assert_true(json_is_null(json_object_get(root, "date_to_photo")));
  assert_true(json_is_null(json_object_get(json_object_get(root, "registration"), "rms_px")));
  assert_true(json_is_null(json_object_get(json_object_get(root, "light"), "azimuth_deg")));
  assert_true(json_is_null(json_object_get(root, "finding")));
  assert_int_equal(json_array_size(json_object_get(root, "places")), 0);
  json_decref(root);
}

static void numbers_stay_finite(void **state) {
  (void)state;
  udg_result r = sample();
  r.finding.log_ratio = INFINITY;
  r.finding.turn_deg = NAN;
  r.adequacy.noise = -INFINITY;
  r.p_value = 0;
  json_t *root = written(&r, "a");
  check_number(json_object_get(root, "finding"), "log_ratio", 1e308);
  assert_true(json_is_null(json_object_get(json_object_get(root, "finding"), "turn_deg")));
  check_number(json_object_get(root, "adequacy"), "noise", -1e308);
  assert_true(json_number_value(json_object_get(root, "p_value")) > 0);
  json_decref(root);
  r.evidence = NAN;
  r.p_value = NAN;
  r.date_to_photo[4] = INFINITY;
  r.other_count = r.reason_count = r.limit_count = r.stage_count = 1000;
  r.place_count = -3;
  root = written(&r, "a");
  assert_true(json_is_null(json_object_get(root, "evidence")));
  check_number(root, "p_value", 1);
  assert_true(json_is_null(json_object_get(root, "date_to_photo")));
  assert_int_equal(json_array_size(json_object_get(root, "others")), UDG_OTHERS_MAX);
  assert_int_equal(json_array_size(json_object_get(root, "reasons")), UDG_REASONS_MAX);
  json_decref(root);
}

/* Expected texts by the Unicode standard's rule of one U+FFFD for each byte that
 * begins no character (Unicode 15, section 3.9). */
static void any_name_gives_valid_utf8(void **state) {
  (void)state;
  static const char *const names[][2] = {
      {"a\"b\\c/d", "a\"b\\c/d"},
      {"tab\tline\nbell\a\x1b\x7f", "tab\tline\nbell\a\x1b\x7f"},
      {"M\xC3\xBCnze \xE2\x82\xAC \xF0\x9F\xAA\x99", "M\xC3\xBCnze \xE2\x82\xAC \xF0\x9F\xAA\x99"},
      {"M\xFCnze", "M\xEF\xBF\xBDnze"},
      {"cut \xC3", "cut \xEF\xBF\xBD"},
      {"cut \xF0\x9F\xAA", "cut \xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},
      {"\xC0\xAF", "\xEF\xBF\xBD\xEF\xBF\xBD"},                                 /* overlong */
      {"\xED\xA0\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},                 /* surrogate */
      {"\xF4\x90\x80\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"}, /* > U+10FFFF */
  };
  udg_result r = sample();
  for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
    json_t *root = written(&r, names[i][0]);
    assert_string_equal(text_at(root, "photo"), names[i][1]);
    json_decref(root);
  }
  /* Fields without a terminator, and a character cut at the end of one. */
  memset(r.reasons[0], 'x', sizeof r.reasons[0]);
  r.reasons[0][UDG_REASON_BYTES - 1] = '\xC3';
  r.reasons[1][0] = '\xA4'; /* what follows in memory is not part of it */
  memset(r.date, '1', sizeof r.date);
  json_t *root = written(&r, "a");
  const char *reason = json_string_value(json_array_get(json_object_get(root, "reasons"), 0));
  assert_int_equal(strlen(reason), UDG_REASON_BYTES - 1 + 3);
  assert_string_equal(reason + UDG_REASON_BYTES - 1, "\xEF\xBF\xBD");
  assert_int_equal(strlen(text_at(root, "date")), sizeof r.date);
  json_decref(root);
}

static void numbers_ignore_the_locale(void **state) {
  (void)state;
  /* A locale with a decimal comma, when the machine has one. */
  const char *set = setlocale(LC_ALL, "de_DE.UTF-8");
  set = set ? set : setlocale(LC_ALL, "fr_FR.UTF-8");
  if (!set)
    skip();
  udg_result r = sample();
  json_t *root = written(&r, "a");
  check_number(root, "evidence", 7.25);
  json_decref(root);
  setlocale(LC_ALL, "C");
}

static void errors_are_objects_too(void **state) {
  (void)state;
  char *text;
  assert_int_equal(
      udg_error_to_json(&settings, "b\xFF.jpg", "b.jpg: byte 7: no marker", &text, NULL), UDG_OK);
  json_t *root = parsed(text);
  assert_int_equal(json_object_size(root), 3);
  assert_string_equal(text_at(root, "photo"), "b\xEF\xBF\xBD.jpg");
  assert_string_equal(text_at(root, "status"), "error");
  assert_string_equal(text_at(root, "error"), "b.jpg: byte 7: no marker");
  json_decref(root);
  udg_text_destroy(&settings, text);
  udg_text_destroy(NULL, NULL);
}

static void arguments_and_memory(void **state) {
  (void)state;
  udg_result r = sample();
  udg_message message = {""};
  char *text = (char *)1, *long_name = malloc(100001);
  assert_non_null(long_name);
  memset(long_name, 'n', 100000);
  long_name[100000] = '\0';
  assert_int_equal(udg_result_to_json(NULL, NULL, "a", &text, &message), UDG_ERROR_ARGUMENT);
  assert_null(text);
  assert_int_equal(udg_result_to_json(NULL, &r, "a", NULL, &message), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_error_to_json(NULL, "a", "b", NULL, &message), UDG_ERROR_ARGUMENT);
  long n = 0;
  udg_status status;
  do {
    hooks.requests = 0;
    hooks.fail_at = ++n;
    status = udg_result_to_json(&settings, &r, long_name, &text, &message);
    assert_true(status == UDG_OK ? text != NULL : status == UDG_ERROR_MEMORY && !text);
    udg_text_destroy(&settings, text);
    assert_int_equal(hooks.held, 0);
  } while (status != UDG_OK);
  assert_true(n > 5);
  free(long_name);
}

static void verdicts_have_their_words(void **state) {
  (void)state;
  static const char *const words[] = {"undecided", "plain",    "underdigit", "repunched",
                                      "doubled",   "fragment", "stray"};
  for (int v = 0; v < 7; v++)
    assert_string_equal(udg_verdict_text((udg_verdict)v), words[v]);
  assert_string_equal(udg_verdict_text((udg_verdict)99), "undecided");
}

static void strikes_are_written(void **state) {
  (void)state;
  udg_result r = sample();
  json_t *root = written(&r, "a.jpg");
  assert_int_equal(json_array_size(json_object_get(root, "strike")), 0);
  assert_null(json_object_get(root, "wear")); /* nobody looked */
  json_decref(root);
  r.strike_count = 2;
  r.strikes[0] = (udg_strike_finding){.region = "date",
                                      .things = 4,
                                      .full = 0.875,
                                      .full_interval = {0.7, 1},
                                      .answer = UDG_STRIKE_FULL};
  r.strikes[1] = (udg_strike_finding){.region = "legend", .full_interval = {0.4, 1}};
  r.wear = 0.25;
  r.wear_interval[1] = 0.5;
  root = written(&r, "a.jpg");
  json_t *strike = json_object_get(root, "strike"), *date = json_array_get(strike, 0);
  assert_int_equal(json_array_size(strike), 2);
  assert_string_equal(text_at(date, "region"), "date");
  assert_string_equal(text_at(date, "answer"), "full");
  check_number(date, "full", 0.875);
  check_number(date, "things", 4);
  check_numbers(json_object_get(date, "full_interval"), r.strikes[0].full_interval, 2);
  assert_string_equal(text_at(json_array_get(strike, 1), "answer"), "cannot tell");
  check_number(root, "wear", 0.25);
  check_numbers(json_object_get(root, "wear_interval"), r.wear_interval, 2);
  json_decref(root);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(every_field_comes_back, set_up, tear_down),
      cmocka_unit_test_setup_teardown(findings_come_back, set_up, tear_down),
      cmocka_unit_test_setup_teardown(what_was_not_judged_is_null, set_up, tear_down),
      cmocka_unit_test_setup_teardown(numbers_stay_finite, set_up, tear_down),
      cmocka_unit_test_setup_teardown(any_name_gives_valid_utf8, set_up, tear_down),
      cmocka_unit_test_setup_teardown(numbers_ignore_the_locale, set_up, tear_down),
      cmocka_unit_test_setup_teardown(errors_are_objects_too, set_up, tear_down),
      cmocka_unit_test_setup_teardown(arguments_and_memory, set_up, tear_down),
      cmocka_unit_test_setup_teardown(verdicts_have_their_words, set_up, tear_down),
      cmocka_unit_test_setup_teardown(strikes_are_written, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
