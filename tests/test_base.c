/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/version.h>

#include "base.h"
#include "support.h"

static void memory_is_zeroed_and_aligned(void **state) {
  (void)state;
  test_allocator a = {0};
  const udg_settings s = test_settings(&a);
  for (size_t n = 0; n < 200; n++) {
    unsigned char *p = udg_memory_get(&s, n, 3);
    assert_non_null(p);
    assert_int_equal((uintptr_t)p % 64, 0);
    for (size_t i = 0; i < 3 * n; i++)
      assert_int_equal(p[i], 0);
    memset(p, 0xff, 3 * n); /* a sanitizer sees a block that is too small */
    udg_memory_drop(&s, p);
  }
  assert_int_equal(a.calls, 200);
  assert_int_equal(a.live, 0);
}

static void memory_product_may_not_wrap(void **state) {
  (void)state;
  const size_t half = (size_t)1 << (4 * sizeof(size_t)); /* half + 1 of these are `half` */
  test_allocator a = {0};
  const udg_settings s = test_settings(&a);
  assert_null(udg_memory_get(&s, SIZE_MAX / 2, 3));
  assert_null(udg_memory_get(&s, SIZE_MAX, 1)); /* room for alignment would wrap */
  assert_null(udg_memory_get(&s, half + 1, half));
  assert_int_equal(a.calls, 0);
  udg_memory_drop(&s, NULL);
}

static void memory_tells_when_the_hook_gives_none(void **state) {
  (void)state;
  test_allocator a = {.fail_at = 1};
  const udg_settings s = test_settings(&a);
  assert_null(udg_memory_get(&s, 10, 10));
  assert_int_equal(a.live, 0);
}

static void message_is_cut_between_characters(void **state) {
  (void)state;
  char name[600];
  udg_message m;
  /* Two-byte letters at both parities: one of them splits at the end. */
  for (size_t shift = 0; shift < 2; shift++) {
    memset(name, 'a', shift);
    for (size_t i = shift; i + 1 < sizeof name - 1; i += 2)
      memcpy(name + i, "\xc3\xa9", 2);
    name[shift + 2 * ((sizeof name - 2 - shift) / 2)] = '\0';
    assert_int_equal(udg_fail(&m, UDG_ERROR_IO, "%s", name), UDG_ERROR_IO);
    const size_t length = strlen(m.text);
    assert_in_range(length, sizeof m.text - 2, sizeof m.text - 1);
    assert_int_equal((length - shift) % 2, 0);
    assert_memory_equal(m.text, name, length);
  }
}

static void message_is_always_utf8(void **state) {
  (void)state;
  static const struct {
    const char *in, *out;
  } cases[] = {
      {"plain", "plain"},
      {"\xc3\xa9 \xe2\x82\xac \xf0\x9f\xaa\x99", "\xc3\xa9 \xe2\x82\xac \xf0\x9f\xaa\x99"},
      {"\xff\xfe", "??"},           /* never in UTF-8 */
      {"\xc0\xaf", "??"},           /* longer than needed */
      {"\xe0\x80\xaf", "???"},      /* longer than needed */
      {"\xed\xa0\x80", "???"},      /* surrogate */
      {"\xf4\x90\x80\x80", "????"}, /* beyond U+10FFFF */
      {"end \xe2\x82", "end ??"},   /* unfinished */
      {"two\nlines\x1b[0m", "two?lines?[0m"},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    udg_message m;
    udg_fail(&m, UDG_ERROR_IO, "%s", cases[i].in);
    assert_string_equal(m.text, cases[i].out);
  }
  assert_int_equal(udg_fail(NULL, UDG_ERROR_DATE, "%d", 1), UDG_ERROR_DATE);
}

static void label_keeps_the_end_of_a_long_path(void **state) {
  (void)state;
  assert_string_equal(udg_label_of(NULL).text, "memory");
  assert_string_equal(udg_label_of("a/b.jpg").text, "a/b.jpg");
  char path[1000];
  for (size_t i = 0; i + 1 < sizeof path; i += 2)
    memcpy(path + i, "\xc3\xa9", 2);
  strcpy(path + 900, "/coin.jpg");
  const udg_label label = udg_label_of(path);
  assert_in_range(strlen(label.text), 200, sizeof label.text - 1);
  assert_memory_equal(label.text, "...\xc3\xa9", 5);
  assert_string_equal(label.text + strlen(label.text) - 9, "/coin.jpg");
}

static char logged[600];
static udg_log_level logged_level;

static void keep_log(void *user, udg_log_level level, const char *text) {
  *(int *)user += 1;
  logged_level = level;
  snprintf(logged, sizeof logged, "%s", text);
}

static void log_goes_to_the_hook_only(void **state) {
  (void)state;
  int count = 0;
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  udg_log(&s, UDG_LOG_INFO, "nobody listens");
  s.user = &count;
  s.log = keep_log;
  udg_log(&s, UDG_LOG_WARNING, "%s: %d", "coin.jpg", 7);
  assert_int_equal(count, 1);
  assert_int_equal(logged_level, UDG_LOG_WARNING);
  assert_string_equal(logged, "coin.jpg: 7");
}

static void defaults_are_as_documented(void **state) {
  (void)state;
  udg_settings s;
  udg_settings_resolve(&s, NULL);
  assert_int_equal(s.struct_size, sizeof s);
  assert_true(s.max_file_bytes == UINT64_C(268435456));
  assert_int_equal(s.max_side_px, 20000);
  assert_true(s.max_pixels == 120000000);
  assert_true(s.max_decode_bytes == UINT64_C(536870912));
  assert_int_equal(s.max_scans, 100);
  assert_int_equal(s.useful_side_px, 2400);
  assert_true(s.digit_height_min_px == 20.0 && s.digit_height_max_px == 250.0);
  assert_true(s.turn_max_deg == 30.0 && s.flag_p_value == 0.005 && s.min_power == 0.5);
  assert_true(s.max_milliseconds == 0.0 && s.max_work_bytes == 0);
  assert_non_null(s.allocate);
  assert_non_null(s.release);
  assert_null(s.log);
}

/* What follows the caller's struct must be neither read nor written. */
static void older_callers_get_the_later_fields_by_default(void **state) {
  (void)state;
  const size_t older = offsetof(udg_settings, flag_p_value);
  udg_settings given;
  memset(&given, 0x5a, sizeof given);
  udg_settings_default(&given, older);
  assert_int_equal(given.struct_size, older);
  for (size_t i = older; i < sizeof given; i++)
    assert_int_equal(((unsigned char *)&given)[i], 0x5a);
  given.turn_max_deg = 12.0;
  udg_settings s;
  udg_settings_resolve(&s, &given);
  assert_true(s.turn_max_deg == 12.0);
  assert_true(s.flag_p_value == 0.005 && s.min_power == 0.5 && s.max_work_bytes == 0);
  assert_int_equal(s.struct_size, sizeof s);
}

static void newer_callers_are_understood(void **state) {
  (void)state;
  struct {
    udg_settings known;
    double later;
  } given;
  memset(&given, 0x5a, sizeof given);
  udg_settings_default(&given.known, sizeof given);
  assert_true(given.later == 0.0);
  assert_int_equal(given.known.struct_size, sizeof given);
  given.known.max_scans = 7;
  udg_settings s;
  udg_settings_resolve(&s, &given.known);
  assert_int_equal(s.max_scans, 7);
  assert_int_equal(s.struct_size, sizeof s);
}

static void an_unset_struct_means_defaults(void **state) {
  (void)state;
  const udg_settings given = {.struct_size = 0, .max_scans = 3};
  udg_settings s;
  udg_settings_resolve(&s, &given);
  assert_int_equal(s.max_scans, 100);
  udg_settings_default(NULL, sizeof s);
}

static void senseless_values_fall_to_the_defaults(void **state) {
  (void)state;
  udg_settings given;
  udg_settings_default(&given, sizeof given);
  given.max_side_px = 0;
  given.max_pixels = 0;
  given.digit_height_min_px = 300.0; /* above the greatest */
  given.turn_max_deg = NAN;
  given.flag_p_value = -1.0;
  given.min_power = 2.0;
  given.max_milliseconds = NAN;
  given.release = NULL; /* half a pair: blocks would go to the wrong free() */
  test_allocator a = {0};
  given.allocate = test_settings(&a).allocate;
  given.user = &a;
  udg_settings s;
  udg_settings_resolve(&s, &given);
  assert_int_equal(s.max_side_px, 20000);
  assert_true(s.max_pixels == 120000000);
  assert_true(s.digit_height_min_px == 20.0 && s.digit_height_max_px == 250.0);
  assert_true(s.turn_max_deg == 30.0 && s.flag_p_value == 0.005 && s.min_power == 0.5);
  assert_true(s.max_milliseconds == 0.0);
  udg_memory_drop(&s, udg_memory_get(&s, 1, 1));
  assert_int_equal(a.calls, 0);

  given.turn_max_deg = 0.0; /* makes sense: upright only */
  given.flag_p_value = 0.0; /* flag nothing */
  given.min_power = 0.0;
  udg_settings_resolve(&s, &given);
  assert_true(s.turn_max_deg == 0.0 && s.flag_p_value == 0.0 && s.min_power == 0.0);
}

/* 0 is what a struct that somebody filled by hand holds: it never means "refuse all". */
static void nothing_given_means_the_defaults(void **state) {
  (void)state;
  udg_settings d, s;
  const udg_settings given = {.struct_size = sizeof given, .flag_p_value = NAN, .min_power = NAN};
  udg_settings_default(&d, sizeof d);
  udg_settings_resolve(&s, &given);
  assert_true(s.max_file_bytes == d.max_file_bytes && s.max_side_px == d.max_side_px);
  assert_true(s.max_pixels == d.max_pixels && s.max_decode_bytes == d.max_decode_bytes);
  assert_true(s.max_scans == d.max_scans && s.useful_side_px == d.useful_side_px);
  assert_true(s.digit_height_min_px == d.digit_height_min_px);
  assert_true(s.digit_height_max_px == d.digit_height_max_px);
  assert_true(s.flag_p_value == d.flag_p_value && s.min_power == d.min_power);
  assert_true(s.turn_max_deg == 0.0 && s.max_milliseconds == 0.0 && s.max_work_bytes == 0);
  udg_settings odd = d;
  odd.digit_height_max_px = INFINITY;
  odd.turn_max_deg = 1e9;
  odd.flag_p_value = 1.5;
  odd.min_power = -0.5;
  udg_settings_resolve(&s, &odd);
  assert_true(s.digit_height_max_px == d.digit_height_max_px && s.turn_max_deg == 180.0);
  assert_true(s.flag_p_value == d.flag_p_value && s.min_power == d.min_power);
}

static void every_status_has_its_own_text(void **state) {
  (void)state;
  const char *unknown = udg_status_text((udg_status)-1000);
  for (int i = 0; i >= UDG_ERROR_PHOTOS; i--) {
    const char *text = udg_status_text((udg_status)i);
    assert_true(strlen(text) > 0);
    assert_string_not_equal(text, unknown);
    for (int j = 0; j > i; j--)
      assert_string_not_equal(text, udg_status_text((udg_status)j));
  }
  assert_string_equal(udg_version(), UDG_VERSION);
}

static void clock_runs_forward(void **state) {
  (void)state;
  const double first = udg_clock_ms();
  double last = first;
  for (int i = 0; i < 100000 && last == first; i++) {
    const double now = udg_clock_ms();
    assert_true(now >= last);
    last = now;
  }
  assert_true(last > first);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(memory_is_zeroed_and_aligned),
      cmocka_unit_test(memory_product_may_not_wrap),
      cmocka_unit_test(memory_tells_when_the_hook_gives_none),
      cmocka_unit_test(message_is_cut_between_characters),
      cmocka_unit_test(message_is_always_utf8),
      cmocka_unit_test(label_keeps_the_end_of_a_long_path),
      cmocka_unit_test(log_goes_to_the_hook_only),
      cmocka_unit_test(defaults_are_as_documented),
      cmocka_unit_test(older_callers_get_the_later_fields_by_default),
      cmocka_unit_test(newer_callers_are_understood),
      cmocka_unit_test(an_unset_struct_means_defaults),
      cmocka_unit_test(senseless_values_fall_to_the_defaults),
      cmocka_unit_test(nothing_given_means_the_defaults),
      cmocka_unit_test(every_status_has_its_own_text),
      cmocka_unit_test(clock_runs_forward),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
