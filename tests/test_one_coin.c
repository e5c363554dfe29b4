/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Whether photos can be of one coin: places that the test makes up, so that the answer is known by
 * arithmetic. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "one_coin.h"
#include "support.h"

static const double HEIGHT_MM = 2.0;
static udg_date dates[2];
static udg_reference reference;

static int group_set_up(void **state) {
  (void)state;
  for (int d = 0; d < 2; d++) {
    snprintf(dates[d].text, sizeof dates[d].text, "%d", 1811 + d);
    dates[d].height_mm = HEIGHT_MM;
    dates[d].place_count = 4;
    for (int p = 0; p < 4; p++) {
      dates[d].places[p].centre_mm[0] = 1.5 * p - 2.25;
      dates[d].places[p].centre_mm[1] = -1.0;
    }
  }
  reference.dates = dates;
  reference.date_count = 2;
  return 0;
}

/* Digits off by the same on every photo of the coin. */
static udg_result photo(const char *date) {
  static const double strayed[4][2] = {{0.02, -0.03}, {-0.05, 0.01}, {0.0, 0.04}, {0.03, 0.0}};
  udg_result r = {.judged = 1, .place_count = 4};
  snprintf(r.date, sizeof r.date, "%s", date);
  memcpy(r.place_offset_mm, strayed, sizeof strayed);
  return r;
}

/* The whole date shifted, turned by 0.02 and enlarged by 1 %. */
static void lay_differently(udg_result *r) {
  for (int p = 0; p < 4; p++) {
    const double *at = dates[0].places[p].centre_mm;
    r->place_offset_mm[p][0] += 0.1 + 0.01 * at[0] - 0.02 * at[1];
    r->place_offset_mm[p][1] += -0.07 + 0.01 * at[1] + 0.02 * at[0];
  }
}

static void how_the_date_lies_does_not_count(void **state) {
  (void)state;
  const udg_result a = photo("1811");
  udg_result b = photo("1811");
  char why[UDG_REASON_BYTES] = "";
  lay_differently(&b);
  assert_true(udg_one_coin_apart(&dates[0], &a, &b) < 1e-9);
  const udg_result each[2] = {a, b};
  assert_true(udg_one_coin(&reference, each, 2, why));
}

/* The second of four digits in a row raised by v: of v the mean takes a quarter, the turn what
 * lies along x / sqrt(sum x^2) = -0.75 / sqrt(11.25), the rest is v^2 (1 - 1/4 - 1/20) over 4
 * degrees of freedom. */
static void a_digit_elsewhere_counts(void **state) {
  (void)state;
  const double v = 0.2, want = v * sqrt((1.0 - 0.25 - 0.05) / 4.0) / HEIGHT_MM;
  udg_result each[3] = {photo("1811"), photo("1811"), photo("1811")};
  char why[UDG_REASON_BYTES] = "";
  each[2].place_offset_mm[1][1] += v;
  lay_differently(&each[2]);
  test_near(udg_one_coin_apart(&dates[0], &each[0], &each[2]), want, 1e-9);
  assert_false(udg_one_coin(&reference, each, 3, why));
  assert_non_null(strstr(why, "the digits sit differently in photo 1 and photo 3, by 4.2 %"));
  each[2].judged = 0;
  assert_true(udg_one_coin(&reference, each, 3, why));
  each[2] = each[1];
  each[2].place_offset_mm[1][1] += 0.25 * v; /* as light may move a digit */
  assert_true(udg_one_coin(&reference, each, 3, why));
}

static void short_dates_tell_nothing(void **state) {
  (void)state;
  udg_result a = photo("1811"), b = photo("1811");
  udg_date two = dates[0];
  two.place_count = a.place_count = b.place_count = 2;
  b.place_offset_mm[0][1] += 1.0;
  assert_true(udg_one_coin_apart(&two, &a, &b) == 0.0);
}

static void other_dates_and_sizes_are_told(void **state) {
  (void)state;
  udg_result each[2] = {photo("1811"), photo("1812")};
  char why[UDG_REASON_BYTES] = "";
  assert_false(udg_one_coin(&reference, each, 2, why));
  assert_non_null(strstr(why, "photo 1 reads as 1811, photo 2 as 1812"));
  each[1] = photo("1811");
  each[0].coin_diameter_mm = 24.0; /* the other is a close-up: no rim */
  assert_true(udg_one_coin(&reference, each, 2, why));
  each[1].coin_diameter_mm = 24.7;
  assert_true(udg_one_coin(&reference, each, 2, why));
  each[1].coin_diameter_mm = 26.5;
  assert_false(udg_one_coin(&reference, each, 2, why));
  assert_non_null(strstr(why, "photo 1 is 24.0 mm across, that of photo 2 26.5"));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(how_the_date_lies_does_not_count),
      cmocka_unit_test(a_digit_elsewhere_counts),
      cmocka_unit_test(short_dates_tell_nothing),
      cmocka_unit_test(other_dates_and_sizes_are_told),
  };
  return cmocka_run_group_tests(tests, group_set_up, NULL);
}
