/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "reference_internal.h"

/* Two dates of an invented token; 0.1 rad is 5.729578 degrees. */
static udg_date dates[] = {
    {.text = "71",
     .height_mm = 1.2,
     .place_count = 2,
     .places = {{'7', {-0.5, -0.6}, 0.0}, {'1', {0.5, -0.6}, 0.1}}},
    {.text = "705",
     .height_mm = 1.5,
     .place_count = 3,
     .places = {{'7', {-1.0, -0.7}, 0.0}, {'0', {0.0, -0.8}, -0.1}, {'5', {1.0, -0.9}, 0.0}}},
};
static const udg_reference reference = {.date_count = 2, .dates = dates};

static void places_come_back_as_given(void **state) {
  (void)state;
  udg_place_view view;
  assert_int_equal(udg_reference_place(&reference, "705", 2, &view), UDG_OK);
  assert_int_equal(view.digit, '0');
  assert_true(view.centre_mm[0] == 0.0 && view.centre_mm[1] == -0.8);
  assert_true(view.height_mm == 1.5);
  assert_true(fabs(view.turn_deg - (-5.729578)) < 1e-6);
  assert_int_equal(udg_reference_place(&reference, "71", 2, &view), UDG_OK);
  assert_int_equal(view.digit, '1');
  assert_true(fabs(view.turn_deg - (5.729578)) < 1e-6);
}

static void what_is_not_there_is_told(void **state) {
  (void)state;
  udg_place_view view = {.digit = 'x'};
  assert_int_equal(udg_reference_place(&reference, "72", 1, &view), UDG_ERROR_DATE);
  assert_int_equal(udg_reference_place(&reference, "71", 0, &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_place(&reference, "71", 3, &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_place(&reference, NULL, 1, &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_reference_place(NULL, "71", 1, &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(view.digit, 'x');
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(places_come_back_as_given),
                                     cmocka_unit_test(what_is_not_there_is_told)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
