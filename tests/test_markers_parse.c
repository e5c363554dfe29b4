/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Fields "design" and "markers" of a reference. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "hooks.h"
#include "marker.h"
#include "reference_internal.h"

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

/* An invented coinage; `coin`, `design` and `markers` are put in. */
static const char frame[] =
    "{\"format\": \"underdigit-reference/1\", \"name\": \"Orrin Sluice penny\", %s\n"
    " \"digits\": {\"1\": {\"outline\": \"M-.1-.8H.1V.8H-.1Z\"},\n"
    "            \"7\": {\"outline\": \"M-.4-.8H.4L0 .8H-.2L.1-.6H-.4Z\"},\n"
    "            \"8\": {\"outline\": "
    "\"M-.4-.8H.4V.8H-.4ZM-.2-.6V-.1H.2V-.6ZM-.2.1V.6H.2V.1Z\"}},\n"
    " \"dates\": [{\"date\": \"18\", \"height_mm\": 1.6,\n"
    "            \"places\": [{\"digit\": \"1\", \"centre_mm\": [-0.6, -0.8]},\n"
    "                       {\"digit\": \"8\", \"centre_mm\": [0.6, -0.8]}]}],\n"
    " \"design\": [%s],\n"
    " \"expected\": [{\"id\": \"a\", \"date\": \"18\", \"place\": 2, \"earlier\": \"7\",\n"
    "               \"markers\": [%s]}]}";

static const char coin[] = "\"coin\": {\"diameter_mm\": 20, \"date_origin_mm\": [0, 8]},";
static const char letters[] =
    "{\"id\": \"L\", \"outline\": \"M-.4-.6H-.1V.3H.4V.6H-.4Z\", \"clock\": 3, \"radius_mm\": 7,"
    " \"region\": \"legend\"},"
    "{\"id\": \"I\", \"outline\": \"M-.15-.6H.15V.6H-.15Z\", \"at_mm\": [0, -15], \"turn_deg\": "
    "10}";

static udg_status load(const char *coin_part, const char *design, const char *markers,
                       udg_reference **reference, udg_message *message) {
  char text[4096];
  snprintf(text, sizeof text, frame, coin_part, design, markers);
  return udg_reference_from_memory(&settings, text, strlen(text), "die.json", NULL, 0, reference,
                                   message);
}

static void refused(const char *coin_part, const char *markers, const char *where,
                    const char *why) {
  udg_reference *reference = NULL;
  udg_message message = {""};
  assert_int_equal(load(coin_part, letters, markers, &reference, &message), UDG_ERROR_REFERENCE);
  assert_null(reference);
  if (!strstr(message.text, where) || !strstr(message.text, why))
    fail_msg("\"%s\" lacks \"%s\" or \"%s\"", message.text, where, why);
}

/* Clock 3 at radius 7 lies right of the centre; the date's origin 8 below it. */
static void places_by_clock_and_plane(void **state) {
  (void)state;
  udg_reference *r = NULL;
  udg_message message = {""};
  assert_int_equal(load(coin, letters, "", &r, &message), UDG_OK);
  assert_int_equal(r->design_count, 2);
  assert_float_equal(r->design[0].at_mm[0], 7, 1e-12);
  assert_float_equal(r->design[0].at_mm[1], -8, 1e-12);
  assert_float_equal(r->design[0].turn_rad, acos(-1.0) / 2, 1e-12);
  assert_string_equal(r->design[0].region, "legend");
  assert_float_equal(r->design[1].at_mm[1], -15, 1e-12);
  assert_float_equal(r->design[1].turn_rad, acos(-1.0) / 18, 1e-12);
  double clock, radius;
  udg_date_to_clock(r, r->design[1].at_mm, &clock, &radius);
  assert_float_equal(clock, 12, 1e-9);
  assert_float_equal(radius, 7, 1e-12);
  udg_reference_destroy(r);
}

static void every_kind_is_read(void **state) {
  (void)state;
  static const char markers[] =
      "{\"id\": \"1\", \"kind\": \"line\", \"clock\": 2, \"radius_mm\": 9, \"length_mm\": 1.2,"
      " \"width_mm\": 0.3, \"state\": \"late\", \"relief\": 1.5, \"tolerance_deg\": 3},"
      "{\"id\": \"2\", \"kind\": \"spot\", \"at_mm\": [1, -2], \"size_mm\": 0.3, \"state\": "
      "\"early\", \"tolerance_mm\": 0.05},"
      "{\"id\": \"3\", \"kind\": \"corner\", \"at_mm\": [1, -2], \"size_mm\": 0.5},"
      "{\"id\": \"4\", \"kind\": \"dash\", \"at_mm\": [-2, -1], \"length_mm\": 0.8, "
      "\"width_mm\": 0.2, \"turn_deg\": 20},"
      "{\"id\": \"5\", \"kind\": \"digit_part\", \"digit\": \"8\", \"at_mm\": [0, -6], "
      "\"part_mm\": [0, 0.5], \"part_radius_mm\": 0.4},"
      "{\"id\": \"6\", \"kind\": \"doubled\", \"of\": [\"L\", \"I\"], \"shift_mm\": [0.1, 0]},"
      "{\"id\": \"7\", \"kind\": \"extra\", \"outline\": \"M0 0H.3V.2Z\", \"at_mm\": [0, -9]},"
      "{\"id\": \"8\", \"kind\": \"missing\", \"of\": [\"L\"], \"outline\": \"M0 0H.3V.2Z\", "
      "\"clock\": 3, \"radius_mm\": 6.5}";
  udg_reference *r = NULL;
  udg_message message = {""};
  if (load(coin, letters, markers, &r, &message) != UDG_OK)
    fail_msg("%s", message.text);
  assert_int_equal(r->marker_count, 8);
  assert_int_equal(r->expected[0].marker_count, 8);
  for (int k = 0; k < 8; k++)
    assert_int_equal(r->markers[k].kind, k == 3 ? UDG_MARKER_DASH : k);
  assert_int_equal(r->markers[0].life, UDG_MARKER_LATE);
  assert_int_equal(r->markers[1].life, UDG_MARKER_EARLY);
  assert_int_equal(r->markers[2].life, UDG_MARKER_EVERY);
  /* Two o'clock: sin 60 degrees, 1/2. */
  assert_true(fabs(r->markers[0].at_mm[0] - 9 * sqrt(3.0) / 2) < 1e-12);
  assert_float_equal(r->markers[0].at_mm[1], -4.5 - 8, 1e-12);
  assert_float_equal(r->markers[0].relief, 1.5, 1e-12);
  assert_float_equal(r->markers[0].narrow_mm, 0.3, 1e-12);
  assert_float_equal(r->markers[1].tolerance_mm, 0.05, 1e-12);
  assert_float_equal(r->markers[2].tolerance_mm, 0.16, 1e-12);
  assert_float_equal(r->markers[3].turn_rad, acos(-1.0) / 9, 1e-12);
  /* A line stands, a dash lies. */
  assert_float_equal(r->markers[0].outline.high[1], 0.6, 1e-9);
  assert_float_equal(r->markers[3].outline.high[0], 0.4, 1e-9);
  assert_int_equal(r->markers[5].of_count, 2);
  assert_int_equal(r->markers[7].of[0], 0);
  udg_reference_destroy(r);
}

#define SPOT "\"kind\": \"spot\", \"size_mm\": 0.3"

static void faults_name_field_and_reason(void **state) {
  (void)state;
  refused(coin, "{\"id\": \"x\", " SPOT ", \"clock\": 13, \"radius_mm\": 8}",
          "expected[0].markers[0].clock", "is 13, must be from 0 to 12");
  refused(coin, "{\"id\": \"x\", " SPOT ", \"clock\": 2, \"radius_mm\": 10.5}",
          "expected[0].markers[0].radius_mm", "outside the coin");
  refused(coin, "{\"id\": \"x\", " SPOT ", \"at_mm\": [11, -8]}", "expected[0].markers[0].at_mm",
          "outside the coin: 11.00 mm from its centre");
  refused(coin, "{\"id\": \"x\", \"kind\": \"blob\", \"at_mm\": [0, -4]}",
          "expected[0].markers[0].kind", "\"blob\" is no kind; there are line, spot");
  refused(coin,
          "{\"id\": \"x\", " SPOT ", \"at_mm\": [0, -4]}, {\"id\": \"x\", " SPOT
          ", \"at_mm\": [0, -5]}",
          "expected[0].markers[1].id", "\"x\" is given twice");
  refused("", "{\"id\": \"x\", " SPOT ", \"clock\": 1, \"radius_mm\": 8}", "clock",
          "needs coin.diameter_mm");
  refused(coin, "{\"id\": \"x\", " SPOT "}", "markers[0].at_mm", "missing");
  refused(coin, "{\"id\": \"x\", " SPOT ", \"at_mm\": [0, -4], \"clock\": 1, \"radius_mm\": 3}",
          "markers[0].at_mm", "beside clock");
  refused(coin, "{\"id\": \"x\", \"kind\": \"spot\", \"at_mm\": [0, -4]}", "markers[0].size_mm",
          "missing");
  refused(coin, "{\"id\": \"x\", " SPOT ", \"at_mm\": [0, -4], \"state\": \"old\"}",
          "markers[0].state", "must be every, early or late");
  refused(coin, "{\"id\": \"x\", \"kind\": \"doubled\", \"of\": [\"Q\"], \"shift_mm\": [0.1, 0]}",
          "markers[0].of", "\"Q\" is not among the design");
  refused(coin, "{\"id\": \"x\", \"kind\": \"doubled\", \"of\": [\"L\"], \"shift_mm\": [0, 0]}",
          "markers[0].shift_mm", "no shift");
  refused(coin,
          "{\"id\": \"x\", \"kind\": \"missing\", \"outline\": \"M0 0H1V1Z\", \"at_mm\": [0, -9]}",
          "markers[0].of", "missing");
  refused(coin, "{\"id\": \"x\", \"kind\": \"digit_part\", \"digit\": \"5\", \"at_mm\": [0, -4]}",
          "markers[0].digit", "no outline of 5");
}

static void design_faults_name_the_item(void **state) {
  (void)state;
  static const char twice[] = "{\"id\": \"L\", \"outline\": \"M0 0H1V1Z\", \"at_mm\": [0, -9]},"
                              "{\"id\": \"L\", \"outline\": \"M0 0H1V1Z\", \"at_mm\": [0, -12]}";
  udg_reference *r = NULL;
  udg_message message = {""};
  assert_int_equal(load(coin, twice, "", &r, &message), UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, "design[1].id: \"L\" is given twice"));
  assert_int_equal(
      load(coin, "{\"id\": \"L\", \"outline\": \"M0 0X\", \"at_mm\": [0, -9]}", "", &r, &message),
      UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, "design[0].outline: character 5"));
}

/* The n-th allocation fails: an error, and nothing is left behind. */
static void no_memory_is_told(void **state) {
  (void)state;
  static const char markers[] =
      "{\"id\": \"1\", " SPOT ", \"at_mm\": [0, -4]},"
      "{\"id\": \"5\", \"kind\": \"digit_part\", \"digit\": \"8\", \"at_mm\": [0, -6]}";
  for (int n = 1; n < 400; n++) {
    udg_reference *r = NULL;
    hooks.fail_at = hooks.requests + n;
    udg_status status = load(coin, letters, markers, &r, NULL);
    hooks.fail_at = 0;
    if (status == UDG_OK) {
      udg_reference_destroy(r);
      assert_true(n > 20);
      return;
    }
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_int_equal(hooks.held, 0);
  }
  fail();
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(places_by_clock_and_plane, set_up, tear_down),
      cmocka_unit_test_setup_teardown(every_kind_is_read, set_up, tear_down),
      cmocka_unit_test_setup_teardown(faults_name_field_and_reason, set_up, tear_down),
      cmocka_unit_test_setup_teardown(design_faults_name_the_item, set_up, tear_down),
      cmocka_unit_test_setup_teardown(no_memory_is_told, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
