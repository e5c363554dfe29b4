/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "hooks.h"
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

/* An invented coinage; digits cut from straight strokes. */
static const char good[] =
    "{\n"
    "  \"format\": \"underdigit-reference/1\",\n"
    "  \"name\": \"Quillmarsh lantern penny\",\n"
    "  \"coin\": {\"diameter_mm\": 24.5, \"date_origin_mm\": [0.5, 9], \"date_in_hub_since\": "
    "1820},\n"
    "  \"relief\": {\"height_mm\": 0.07, \"bevel_mm\": 0.14},\n"
    "  \"strong_from\": 0.5,\n"
    "  \"digits\": {\n"
    "    \"0\": {\"outline\": \"M-.4-.8H.4V.8H-.4ZM-.2-.6V.6H.2V-.6Z\"},\n"
    "    \"1\": {\"outline\": \"M-.1-.8H.1V.8H-.1Z\"},\n"
    "    \"7\": {\"outline\": \"M-.4-.8H.4L0 .8H-.2L.1-.6H-.4Z\"},\n"
    "    \"8\": {\"outline\": \"M-.4-.8H.4V.8H-.4ZM-.2-.6V-.1H.2V-.6ZM-.2.1V.6H.2V.1Z\"}\n"
    "  },\n"
    "  \"dates\": [\n"
    "    {\"date\": \"1810\", \"height_mm\": 1.6, \"slack_mm\": 0.08, \"slack_deg\": 3,\n"
    "     \"places\": [{\"digit\": \"1\", \"centre_mm\": [-1.8, -0.8]},\n"
    "                {\"digit\": \"8\", \"centre_mm\": [-0.6, -0.8], \"turn_deg\": -90},\n"
    "                {\"digit\": \"1\", \"centre_mm\": [0.6, -0.8]},\n"
    "                {\"digit\": \"0\", \"centre_mm\": [1.8, -0.8]}]},\n"
    "    {\"date\": \"1878\", \"height_mm\": 1.5, \"slack_mm\": 0.2,\n"
    "     \"places\": [{\"digit\": \"1\", \"centre_mm\": [-1.8, -0.8]},\n"
    "                {\"digit\": \"8\", \"centre_mm\": [-0.6, -0.8]},\n"
    "                {\"digit\": \"7\", \"centre_mm\": [0.6, -0.8]},\n"
    "                {\"digit\": \"8\", \"centre_mm\": [1.8, -0.8]}]}\n"
    "  ],\n"
    "  \"expected\": [\n"
    "    {\"id\": \"1810-over-00\", \"date\": \"1810\", \"place\": 3, \"earlier\": \"0\",\n"
    "     \"offset_mm\": [0.1, -0.2], \"tolerance_mm\": 0.15},\n"
    "    {\"id\": \"1878-over-7\", \"date\": \"1878\", \"place\": 4, \"earlier\": \"7\"}\n"
    "  ]\n"
    "}\n";

/* `text` with the first `needle` replaced; free() it. */
static char *replaced(const char *text, const char *needle, const char *replacement) {
  const char *at = strstr(text, needle);
  if (!at)
    fail_msg("the test looks for \"%s\", which is not there", needle);
  char *result = malloc(strlen(text) + strlen(replacement) + 1);
  assert_non_null(result);
  sprintf(result, "%.*s%s%s", (int)(at - text), text, replacement, at + strlen(needle));
  return result;
}

static udg_status load(const char *json, udg_reference **reference, udg_message *message) {
  return udg_reference_from_memory(&settings, json, strlen(json), "penny.json", NULL, 0, reference,
                                   message);
}

static udg_reference *load_good(const char *json) {
  udg_reference *reference = NULL;
  udg_message message = {""};
  if (load(json, &reference, &message) != UDG_OK)
    fail_msg("%s", message.text);
  return reference;
}

static int near(double a, double b) {
  return fabs(a - b) < 1e-9;
}

static void good_file_gives_every_field(void **state) {
  (void)state;
  udg_reference *r = load_good(good);
  assert_int_equal(hooks.warnings, 0);
  assert_string_equal(udg_reference_name(r), "Quillmarsh lantern penny");
  assert_true(near(r->diameter_mm, 24.5) && near(r->date_origin_mm[0], 0.5) &&
              near(r->date_origin_mm[1], 9));
  assert_int_equal(r->date_in_hub_since, 1820);
  assert_true(near(r->relief_mm, 0.07) && near(r->bevel_mm, 0.14) &&
              near(r->strong_threshold, 0.5));
  assert_int_equal(udg_reference_date_count(r), 2);
  assert_string_equal(udg_reference_date(r, 0), "1810");
  assert_string_equal(udg_reference_date(r, 1), "1878");
  assert_null(udg_reference_date(r, 2));
  const udg_date *date = &r->dates[0];
  assert_int_equal(date->place_count, 4);
  assert_true(near(date->height_mm, 1.6) && near(date->slack_mm, 0.08));
  assert_true(near(date->slack_rad, 0.05235987755982988)); /* 3 degrees */
  assert_int_equal(date->places[1].digit, '8');
  assert_true(near(date->places[1].centre_mm[0], -0.6) && near(date->places[1].centre_mm[1], -0.8));
  assert_true(near(date->places[1].turn_rad, -1.5707963267948966));
  assert_true(date->places[0].turn_rad == 0);
  /* 1878 lies after the date joined the hub: no slack whatever the file says. */
  assert_true(r->dates[1].slack_mm == 0 && r->dates[1].slack_rad == 0);
  for (int d = 0; d < 10; d++)
    assert_int_equal(r->has_digit[d], d == 0 || d == 1 || d == 7 || d == 8);
  assert_int_equal(r->expected_count, 2);
  assert_string_equal(r->expected[0].id, "1810-over-00");
  assert_int_equal(r->expected[0].date_index, 0);
  assert_int_equal(r->expected[0].place, 3);
  assert_int_equal(r->expected[0].earlier, '0');
  assert_true(near(r->expected[0].offset_mm[0], 0.1) && near(r->expected[0].offset_mm[1], -0.2));
  assert_true(near(r->expected[0].tolerance_mm, 0.15));
  assert_int_equal(r->expected[1].date_index, 1);
  assert_true(near(r->expected[1].tolerance_mm, 0.5)); /* no offset given: a third of 1.5 mm */
  udg_reference_destroy(r);
  udg_reference_destroy(NULL);
}

static void outlines_can_be_drawn(void **state) {
  (void)state;
  udg_reference *r = load_good(good);
  udg_outline_view view;
  assert_int_equal(udg_reference_outline(r, '8', &view), UDG_OK);
  assert_int_equal(view.contour_count, 3);
  assert_int_equal(view.starts[0], 0);
  assert_int_equal(view.starts[3], view.point_count);
  assert_int_equal(view.point_count, 12);
  assert_int_equal(udg_reference_outline(r, '5', &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_outline(r, 'x', &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_outline(r, '8', NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_outline(NULL, '8', &view), UDG_ERROR_ARGUMENT);
  udg_reference_destroy(r);
}

static void what_is_left_out_gets_its_default(void **state) {
  (void)state;
  udg_reference *r = load_good("{\"format\":\"underdigit-reference/1\",\"name\":\"N\","
                               "\"digits\":{\"1\":{\"outline\":\"M-.1-.8H.1V.8H-.1Z\"}},"
                               "\"dates\":[{\"date\":\"1\",\"height_mm\":2,"
                               "\"places\":[{\"digit\":\"1\",\"centre_mm\":[0,-1]}]}]}");
  assert_true(r->diameter_mm == 0 && r->date_origin_mm[0] == 0 && r->date_in_hub_since == 0);
  assert_true(near(r->relief_mm, 0.1) && near(r->bevel_mm, 0.2)); /* 0.05 and 0.1 of 2 mm */
  assert_true(near(r->strong_threshold, 0.45));
  assert_true(near(r->dates[0].slack_mm, 0.1) && near(r->dates[0].slack_rad, 0.03490658503988659));
  assert_int_equal(r->expected_count, 0);
  udg_reference_destroy(r);
}

/* What replaces what in the good file, and how the message begins after the
 * file's name. */
typedef struct test_fault {
  const char *needle, *replacement, *message;
} test_fault;

static const test_fault faults[] = {
    /* syntax: by line */
    {"\"relief\": {", "\"relief\": ", "line 5, column "},
    {"24.5,", "24.5", "line 4, column "},
    {"\"name\":", "\"format\":", "line 3, column "},
    {"0.07", "NaN", "line 5, column "},
    {"0.07", "1e999", "line 5, column "},
    {"lantern", "lan\xFFtern", "line 3, column "},
    {"lantern", "lan\\u0000tern", "line 3, column "},
    /* head */
    {"underdigit-reference/1", "underdigit-reference/2", "format: must be"},
    {"\"format\": \"underdigit-reference/1\",", "", "format: missing"},
    {"\"underdigit-reference/1\"", "1", "format: is a number, must be a string"},
    {"\"Quillmarsh lantern penny\"", "[]", "name: is an array, must be a string"},
    {"Quillmarsh lantern penny", "", "name: is empty"},
    {"\"strong_from\": 0.5", "\"strong_from\": 1.5", "strong_from: is 1.5, must be from 0 to 1"},
    {"\"strong_from\": 0.5", "\"strong_from\": \"x\"", "strong_from: is a string"},
    {"\"strong_from\": 0.5", "\"font\": 3", "font: is a number"},
    /* coin, relief */
    {"{\"diameter_mm\"", "7, \"x\": {\"diameter_mm\"", "coin: is a number, must be an object"},
    {"24.5", "0", "coin.diameter_mm: is 0, must be above 0"},
    {"24.5", "1001", "coin.diameter_mm: is 1001, must be"},
    {"24.5", "null", "coin.diameter_mm: is null, must be a number"},
    {"[0.5, 9]", "[0.5]", "coin.date_origin_mm: has 1 items"},
    {"[0.5, 9]", "[0.5, true]", "coin.date_origin_mm: y is true or false"},
    {"[0.5, 9]", "[-2000, 9]", "coin.date_origin_mm: x is -2000"},
    {"1820}", "1820.5}", "coin.date_in_hub_since: is 1820.5, must be a whole number"},
    {"0.07", "-0.07", "relief.height_mm: is -0.07, must be above 0"},
    {"0.14", "1e300", "relief.bevel_mm: is 1e+300, must be above 0"},
    /* digits */
    {"\"0\": {\"outline\"", "\"0\": {\"outlines\"", "digits.0.outline: missing"},
    {"\"M-.1-.8H.1V.8H-.1Z\"", "5", "digits.1.outline: is a number, must be a string"},
    {"{\"outline\": \"M-.1-.8H.1V.8H-.1Z\"}", "\"M\"", "digits.1: is a string, must be an object"},
    {"M-.1-.8H.1", "M-.1-.8H!", "digits.1.outline: character 9: expected a number"},
    {"M-.1-.8H.1V.8H-.1Z", "M0 0L1 1", "digits.1.outline: the outline encloses nothing"},
    {"\"7\": {\"outline\"", "\"6\": {\"outline\"",
     "dates[1].places[2].digit: there is no outline of 7"},
    /* dates */
    {"\"dates\": [", "\"dates\": [], \"x\": [", "dates: is empty"},
    {"\"dates\": [", "\"dates\": 1, \"x\": [", "dates: is a number, must be an array"},
    {"\"dates\": [", "\"dates\": [7,", "dates[0]: is a number, must be an object"},
    {"\"1810\", \"height", "\"181\", \"height", "dates[0].places: has 4 items, but the date has 3"},
    {"\"1810\", \"height", "\"181O\", \"height", "dates[0].date: must consist of the digits"},
    {"\"1810\", \"height", "\"181000000\", \"height", "dates[0].date: is longer than 8 bytes"},
    {"\"1810\", \"height", "1810, \"height", "dates[0].date: is a number, must be a string"},
    {"\"1878\", \"height", "\"1810\", \"height", "dates[1].date: 1810 is given twice"},
    {"1.6", "0", "dates[0].height_mm: is 0, must be above 0"},
    {"\"slack_mm\": 0.08", "\"slack_mm\": -1", "dates[0].slack_mm: is -1, must be from 0"},
    {"\"slack_deg\": 3", "\"slack_deg\": 181", "dates[0].slack_deg: is 181, must be from 0"},
    {"\"slack_deg\": 3", "\"evidence_shift\": 6",
     "dates[0].evidence_shift: is 6, must be from -5 to 5"},
    {"\"digit\": \"0\"", "\"digit\": \"8\"",
     "dates[0].places[3].digit: is 8, but the date has 0 there"},
    {"\"digit\": \"0\"", "\"digit\": \"00\"", "dates[0].places[3].digit: must be one digit"},
    {"\"digit\": \"0\"", "\"digit\": 0", "dates[0].places[3].digit: is a number"},
    {"{\"digit\": \"0\", \"centre_mm\": [1.8, -0.8]}", "[]", "dates[0].places[3]: is an array"},
    {"\"centre_mm\": [1.8, -0.8]}]},", "\"center_mm\": [1.8, -0.8]}]},",
     "dates[0].places[3].centre_mm: missing"},
    {"-90", "-900", "dates[0].places[1].turn_deg: is -900, must be from -360 to 360"},
    /* expected */
    {"1878-over-7", "1810-over-00", "expected[1].id: \"1810-over-00\" is given twice"},
    {"\"1878-over-7\"", "7", "expected[1].id: is a number"},
    {"\"date\": \"1810\", \"place\"", "\"date\": \"1811\", \"place\"",
     "expected[0].date: \"1811\" is not among the dates"},
    {"\"place\": 3", "\"place\": 5", "expected[0].place: is 5, must be from 1 to 4"},
    {"\"place\": 3", "\"place\": 0", "expected[0].place: is 0, must be from 1 to 4"},
    {"\"place\": 3", "\"place\": 2.5", "expected[0].place: is 2.5, must be a whole number"},
    {"\"earlier\": \"0\"", "\"earlier\": \"5\"", "expected[0].earlier: there is no outline of 5"},
    {"\"earlier\": \"0\"", "\"earlier\": \"1\"",
     "expected[0].earlier: 1 at place 3 is not earlier than 1810"},
    {"\"place\": 3, \"earlier\": \"0\"", "\"place\": 1, \"earlier\": \"7\"",
     "expected[0].earlier: 7 at place 1 is not earlier than 1810"},
    {"\"place\": 3, \"earlier\": \"0\"", "\"place\": 1, \"earlier\": \"0\"",
     "expected[0].earlier: 0 at place 1 is not earlier than 1810"},
    {"[0.1, -0.2]", "0.1", "expected[0].offset_mm: is a number, must be an array"},
    {"\"tolerance_mm\": 0.15", "\"tolerance_mm\": 0", "expected[0].tolerance_mm: is 0, must be"},
    {"\"tolerance_mm\": 0.15", "\"usual_strike\": \"bad\"",
     "expected[0].usual_strike: is \"bad\", must be weak or full"},
    {"\"tolerance_mm\": 0.15", "\"usual_strike\": 1", "expected[0].usual_strike: is a number"},
    {"\"tolerance_mm\": 0.15", "\"markers\": {}", "expected[0].markers: is an object"},
};

static void every_fault_names_its_field(void **state) {
  (void)state;
  for (size_t i = 0; i < sizeof faults / sizeof *faults; i++) {
    char *json = replaced(good, faults[i].needle, faults[i].replacement), begin[256];
    udg_reference *reference = (udg_reference *)1;
    udg_message message = {""};
    udg_status status = load(json, &reference, &message);
    snprintf(begin, sizeof begin, "penny.json: %s", faults[i].message);
    if (status != UDG_ERROR_REFERENCE || strncmp(message.text, begin, strlen(begin)) != 0)
      fail_msg("\"%s\" for \"%s\": status %d, message \"%s\", not \"%s\"", faults[i].replacement,
               faults[i].needle, status, message.text, begin);
    assert_null(reference);
    assert_int_equal(load(json, &reference, NULL), UDG_ERROR_REFERENCE);
    assert_int_equal(hooks.held, 0);
    free(json);
  }
}

/* 1880 from 1879: the last digit grew, the one before fell. */
static void usual_strike_is_kept(void **state) {
  (void)state;
  static const char *const words[] = {"weak", "full"};
  for (int i = 0; i < 2; i++) {
    char field[64];
    snprintf(field, sizeof field, "\"usual_strike\": \"%s\"", words[i]);
    char *json = replaced(good, "\"tolerance_mm\": 0.15", field);
    udg_reference *reference = load_good(json);
    assert_int_equal(reference->expected[0].usually_weak, i == 0 ? 1 : -1);
    assert_int_equal(reference->expected[1].usually_weak, 0);
    udg_reference_destroy(reference);
    free(json);
  }
}

/* Tables that no coinage has: told before anything is made of them. */
static void long_tables_are_refused(void **state) {
  (void)state;
  enum { DATES = 1001 };
  udg_message message = {""};
  udg_reference *reference = NULL;
  char many[DATES * 3 + 64] = "\"dates\": [{}";
  size_t used = strlen(many);
  for (int i = 1; i < DATES; i++, used += 3)
    memcpy(many + used, ",{}", 4);
  memcpy(many + used, "], \"x\": [", sizeof "], \"x\": [");
  char *json = replaced(good, "\"dates\": [", many);
  assert_int_equal(load(json, &reference, &message), UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, "dates: has 1001 items, at most 1000 are allowed"));
  free(json);
}

static void earlier_digit_may_be_greater_after_a_fall(void **state) {
  (void)state;
  char *json =
      replaced(good, "\"place\": 4, \"earlier\": \"7\"", "\"place\": 3, \"earlier\": \"8\"");
  udg_reference_destroy(load_good(json)); /* 1878 over 178. */
  free(json);
}

static void unknown_fields_are_warned_of(void **state) {
  (void)state;
  char *a = replaced(good, "\"strong_from\"", "\"colour\": \"red\", \"strong_from\"");
  char *b = replaced(a, "\"turn_deg\": -90", "\"turn_deg\": -90, \"turn_rad\": {\"a\": 1}");
  char *c = replaced(b, "\"tolerance_mm\"", "\"tolerance_px\": 1, \"tolerance_mm\"");
  char *d = replaced(c, "\"1\": {\"outline\"", "\"A\": {}, \"1\": {\"note\": 1, \"outline\"");
  udg_reference_destroy(load_good(d));
  assert_int_equal(hooks.warnings, 5);
  assert_non_null(strstr(hooks.log, "penny.json: colour: unknown field, ignored\n"));
  assert_non_null(strstr(hooks.log, "penny.json: dates[0].places[1].turn_rad: unknown"));
  assert_non_null(strstr(hooks.log, "penny.json: expected[0].tolerance_px: unknown"));
  assert_non_null(strstr(hooks.log, "penny.json: digits.A: unknown"));
  assert_non_null(strstr(hooks.log, "penny.json: digits.1.note: unknown"));
  free(a);
  free(b);
  free(c);
  free(d);
}

static void self_crossing_outline_is_warned_of_and_filled(void **state) {
  (void)state;
  char *json = replaced(good, "M-.1-.8H.1V.8H-.1Z", "M-.1-.8H.1V.8H-.1ZM-.3.6H.3V.8H-.3Z");
  udg_reference *r = load_good(json);
  assert_int_equal(hooks.warnings, 1);
  assert_non_null(
      strstr(hooks.log, "penny.json: digits.1.outline: the outline crosses or overlaps itself"));
  assert_int_equal(r->digits[1].contour_count, 1);
  udg_reference_destroy(r);
  free(json);
}

static void byte_order_mark_is_accepted(void **state) {
  (void)state;
  char json[sizeof good + 3];
  sprintf(json, "\xEF\xBB\xBF%s", good);
  udg_reference_destroy(load_good(json));
}

static void arguments_are_checked(void **state) {
  (void)state;
  udg_reference *r;
  udg_message message = {""};
  assert_int_equal(udg_reference_from_memory(NULL, NULL, 0, NULL, NULL, 0, &r, &message),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_from_memory(NULL, good, 3, NULL, NULL, 0, NULL, &message),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_from_memory(NULL, "[]", 2, NULL, NULL, 0, &r, &message),
                   UDG_ERROR_REFERENCE);
  assert_string_equal(message.text, "memory: the file must be a JSON object");
  assert_int_equal(udg_reference_from_memory(NULL, "", 0, NULL, NULL, 0, &r, &message),
                   UDG_ERROR_REFERENCE);
  settings.max_file_bytes = 100;
  assert_int_equal(load(good, &r, &message), UDG_ERROR_LIMIT);
  assert_null(r);
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  long n = 0;
  udg_status status;
  do {
    udg_reference *reference;
    udg_message message = {""};
    hooks.requests = 0;
    hooks.fail_at = ++n;
    status = load(good, &reference, &message);
    if (status == UDG_OK) {
      udg_reference_destroy(reference);
    } else {
      assert_int_equal(status, UDG_ERROR_MEMORY);
      assert_non_null(strstr(message.text, "out of memory"));
      assert_null(reference);
    }
    assert_int_equal(hooks.held, 0);
  } while (status != UDG_OK);
  assert_true(n > 20);
}

static void write_text(const char *path, const char *text) {
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  assert_int_equal(fwrite(text, 1, strlen(text), file), strlen(text));
  assert_int_equal(fclose(file), 0);
}

static void files_are_read_with_their_font(void **state) {
  (void)state;
  const char *font = "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf";
  char folder[] = "/tmp/underdigit-test-XXXXXX", path[64], link_path[64];
  udg_reference *r = NULL;
  udg_message message = {""};
  assert_non_null(mkdtemp(folder));
  snprintf(path, sizeof path, "%s/penny.json", folder);
  snprintf(link_path, sizeof link_path, "%s/letters.ttf", folder);

  assert_int_equal(udg_reference_from_file(&settings, path, &r, &message), UDG_ERROR_IO);
  assert_non_null(strstr(message.text, "penny.json: "));
  assert_int_equal(udg_reference_from_file(&settings, folder, &r, &message), UDG_ERROR_IO);

  write_text(path, good);
  assert_int_equal(udg_reference_from_file(&settings, path, &r, &message), UDG_OK);
  udg_reference_destroy(r);

  char *json = replaced(good, "\"relief\"", "\"font\": \"letters.ttf\", \"relief\"");
  write_text(path, json);
  assert_int_equal(udg_reference_from_file(&settings, path, &r, &message), UDG_ERROR_IO);
  assert_non_null(strstr(message.text, "penny.json: font: "));
  assert_non_null(strstr(message.text, "letters.ttf"));
  write_text(link_path, "no font at all");
  assert_int_equal(udg_reference_from_file(&settings, path, &r, &message), UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, "penny.json: font: not a font"));
  assert_int_equal(unlink(link_path), 0);
  if (access(font, R_OK) == 0) {
    assert_int_equal(symlink(font, link_path), 0);
    assert_int_equal(udg_reference_from_file(&settings, path, &r, &message), UDG_OK);
    for (int d = 0; d < 10; d++)
      assert_int_equal(r->has_digit[d], 1);
    assert_int_equal(r->digits[1].point_count, 4);         /* the file's own digit goes first */
    assert_true(fabs(r->digits[4].high[1] - 0.8) < 0.005); /* half of the first date's height */
    udg_reference_destroy(r);
    unlink(link_path);
  }
  free(json);
  unlink(path);
  rmdir(folder);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(good_file_gives_every_field, set_up, tear_down),
      cmocka_unit_test_setup_teardown(outlines_can_be_drawn, set_up, tear_down),
      cmocka_unit_test_setup_teardown(what_is_left_out_gets_its_default, set_up, tear_down),
      cmocka_unit_test_setup_teardown(every_fault_names_its_field, set_up, tear_down),
      cmocka_unit_test_setup_teardown(usual_strike_is_kept, set_up, tear_down),
      cmocka_unit_test_setup_teardown(long_tables_are_refused, set_up, tear_down),
      cmocka_unit_test_setup_teardown(earlier_digit_may_be_greater_after_a_fall, set_up, tear_down),
      cmocka_unit_test_setup_teardown(unknown_fields_are_warned_of, set_up, tear_down),
      cmocka_unit_test_setup_teardown(self_crossing_outline_is_warned_of_and_filled, set_up,
                                      tear_down),
      cmocka_unit_test_setup_teardown(byte_order_mark_is_accepted, set_up, tear_down),
      cmocka_unit_test_setup_teardown(arguments_are_checked, set_up, tear_down),
      cmocka_unit_test_setup_teardown(memory_may_run_out_anywhere, set_up, tear_down),
      cmocka_unit_test_setup_teardown(files_are_read_with_their_font, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
