/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "stats.h"
#include "subspace.h"
#include "support.h"

static void assert_near(double value, double truth, double share) {
  if (!(fabs(value - truth) <= share * fabs(truth)))
    fail_msg("%.12g is not within %g of %.12g", value, share, truth);
}

/* Two groups of ten (hours of sleep gained with two drugs: Student, Biometrika 6, 1908, as in
 * R's data set "sleep"). With a common level as nuisance and the second group as signal F is
 * the square of the two-sample t: scipy.stats.ttest_ind 1.10.1 gives t = 1.8608135 and
 * p = 0.0791867. */
static void test_two_groups(void **state) {
  (void)state;
  static const double hours[2][10] = {{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0},
                                      {1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}};
  udg_subspace sums;
  udg_subspace_result result;
  udg_subspace_begin(&sums, 1, 1);
  for (int g = 0; g < 2; g++)
    for (int i = 0; i < 10; i++) {
      double row[2] = {1.0, g};
      udg_subspace_add(&sums, row, hours[g][i], 1.0);
    }
  udg_subspace_solve(&sums, &result);
  assert_int_equal(result.signal, 1);
  assert_int_equal(result.rest_freedom, 18);
  assert_near(result.ratio, 1.8608134674868526 * 1.8608134674868526, 1e-9);
  assert_near(udg_f_upper(result.ratio, 1.0, 18.0, 0.0), 0.07918671421593818, 1e-8);
  assert_near(result.amplitude[0], 1.58, 1e-9); /* difference of the means */
  assert_near(result.kept[0], 0.5, 1e-9);       /* 10 - 10^2 / 20 of 10 */
  assert_near(result.gram[0], 5.0, 1e-9);
  double amplitude = 2.0;
  assert_near(udg_subspace_lambda(&result, &amplitude, 0.5), 80.0, 1e-9);
}

enum { PIXELS = 60 };

/* Four nuisance and two signal columns, and a y made of them. */
static void make_row(int i, double row[6], double *y) {
  double t = i / (double)PIXELS;
  row[0] = 1.0;
  row[1] = t;
  row[2] = sin(9.0 * t);
  row[3] = cos(5.0 * t);
  row[4] = t * t;
  row[5] = sin(7.0 * t + 1.0);
  *y = 0.3 * sin(31.0 * i) + 0.8 * row[4] - 0.2 * row[5];
}

static void solve(const double *shift, int doubled, udg_subspace_result *result) {
  udg_subspace sums;
  udg_subspace_begin(&sums, 4, 2);
  for (int i = 0; i < PIXELS; i++) {
    double row[6], y;
    make_row(i, row, &y);
    for (int k = 0; k < 4; k++)
      y += shift[k] * row[k];
    udg_subspace_add(&sums, row, y, doubled == i ? 2.0 : 1.0);
    if (doubled == -2 - i)
      udg_subspace_add(&sums, row, y, 1.0);
  }
  udg_subspace_solve(&sums, result);
}

static void test_blind_to_nuisance(void **state) {
  (void)state;
  static const double none[4] = {0.0}, some[4] = {40.0, -3.0, 7.0, 2.5};
  udg_subspace_result a, b;
  solve(none, -1, &a);
  solve(some, -1, &b);
  assert_int_equal(a.signal, 2);
  assert_int_equal(a.rest_freedom, PIXELS - 6);
  assert_near(b.energy, a.energy, 1e-7);
  assert_near(b.rest, a.rest, 1e-7);
  for (int k = 0; k < 2; k++)
    assert_near(b.amplitude[k], a.amplitude[k], 1e-7);
}

/* Twice the weight is the pixel twice. */
static void test_weight(void **state) {
  (void)state;
  static const double none[4] = {0.0};
  udg_subspace_result once, twice, repeated;
  solve(none, -1, &once);
  solve(none, 17, &twice);
  solve(none, -2 - 17, &repeated);
  assert_near(twice.energy, repeated.energy, 1e-10);
  assert_near(twice.rest, repeated.rest, 1e-10);
  assert_true(fabs(twice.energy - once.energy) > 1e-4 * once.energy);
  udg_subspace sums;
  udg_subspace_begin(&sums, 1, 1);
  double row[2] = {1.0, 1.0};
  udg_subspace_add(&sums, row, 1.0, 0.0);
  udg_subspace_add(&sums, row, 1.0, -1.0);
  assert_int_equal(sums.pixels, 0);
}

/* Energy is what the amplitudes explain: a' G a. */
static void test_energy_of_amplitudes(void **state) {
  (void)state;
  static const double none[4] = {0.0};
  udg_subspace_result r;
  solve(none, -1, &r);
  assert_near(udg_subspace_lambda(&r, r.amplitude, 1.0), r.energy, 1e-9);
  assert_true(r.kept[0] > 0.0 && r.kept[0] < 1.0);
}

static void test_columns_that_repeat(void **state) {
  (void)state;
  udg_subspace sums;
  udg_subspace_result result;
  udg_subspace_begin(&sums, 3, 2);
  uint64_t seed = 5;
  for (int i = 0; i < PIXELS; i++) {
    double u = test_random(&seed) / 4294967296.0 - 0.5, v = test_random(&seed) / 4294967296.0;
    double row[5] = {1.0, u, 2.0 - 3.0 * u, 4.0 * u - 1.0, v};
    udg_subspace_add(&sums, row, 2.0 * v, 1.0);
  }
  udg_subspace_solve(&sums, &result);
  assert_int_equal(result.signal, 1); /* 4u - 1 is level and ramp */
  assert_int_equal(result.used[0], 1);
  assert_int_equal(result.rest_freedom, PIXELS - 3);
  assert_near(result.amplitude[0], 2.0, 1e-9);
  udg_subspace_begin(&sums, 1, 1);
  double row[2] = {1.0, 5.0};
  for (int i = 0; i < 9; i++)
    udg_subspace_add(&sums, row, i, 1.0);
  udg_subspace_solve(&sums, &result);
  assert_int_equal(result.signal, 0);
  assert_true(result.energy == 0.0 && result.ratio == 0.0);
  udg_subspace_begin(&sums, 1, 1);
  udg_subspace_solve(&sums, &result);
  assert_int_equal(result.signal, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_two_groups),
      cmocka_unit_test(test_blind_to_nuisance),
      cmocka_unit_test(test_weight),
      cmocka_unit_test(test_energy_of_amplitudes),
      cmocka_unit_test(test_columns_that_repeat),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
