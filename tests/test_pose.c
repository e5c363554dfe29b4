/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "pose.h"
#include "support.h"

static const double pi = 3.14159265358979323846;

static const udg_homography tilted = {{12.0, -3.0, 400.0, 2.5, 11.0, 300.0, 0.004, -0.003, 1.0}};

static void assert_close(double a, double b, double tolerance) {
  if (!(fabs(a - b) <= tolerance))
    fail_msg("%.17g is not within %g of %.17g", a, tolerance, b);
}

/* Worked by hand: (12*2 - 3*1 + 400) / (0.008 - 0.003 + 1) and so on. */
static void apply_divides_by_the_third_row(void **state) {
  (void)state;
  double x, y;
  udg_homography_apply(&tilted, 2.0, 1.0, &x, &y);
  assert_close(x, 421.0 / 1.005, 1e-12);
  assert_close(y, 316.0 / 1.005, 1e-12);
}

/* y points down: a positive turn takes +x towards +y, clockwise to the eye. */
static void similarity_turns_clockwise(void **state) {
  (void)state;
  const udg_homography h = udg_homography_similarity(2.0, pi / 2, 10.0, 20.0);
  double x, y;
  udg_homography_apply(&h, 1.0, 0.0, &x, &y);
  assert_close(x, 10.0, 1e-12);
  assert_close(y, 22.0, 1e-12);
  udg_homography_apply(&h, 0.0, 1.0, &x, &y);
  assert_close(x, 8.0, 1e-12);
  assert_close(y, 20.0, 1e-12);
}

static void after_applies_the_right_one_first(void **state) {
  (void)state;
  const udg_homography move = udg_homography_similarity(3.0, 0.4, 7.0, -2.0);
  const udg_homography both = udg_homography_after(&tilted, &move);
  double x, y, x2, y2;
  udg_homography_apply(&move, 1.5, -0.5, &x, &y);
  udg_homography_apply(&tilted, x, y, &x, &y);
  udg_homography_apply(&both, 1.5, -0.5, &x2, &y2);
  assert_close(x2, x, 1e-10);
  assert_close(y2, y, 1e-10);
}

static void invert_undoes(void **state) {
  (void)state;
  uint64_t seed = 21;
  for (int n = 0; n < 200; n++) {
    udg_homography h = tilted, back;
    for (int i = 0; i < 6; i++)
      h.m[i] += 5.0 * (test_random(&seed) / 4294967296.0 - 0.5);
    assert_int_equal(udg_homography_invert(&h, &back), 1);
    const double x0 = 4.0 * (test_random(&seed) / 4294967296.0 - 0.5);
    const double y0 = 4.0 * (test_random(&seed) / 4294967296.0 - 0.5);
    double x, y;
    udg_homography_apply(&h, x0, y0, &x, &y);
    udg_homography_apply(&back, x, y, &x, &y);
    assert_close(x, x0, 1e-11);
    assert_close(y, y0, 1e-11);
  }
}

static void invert_refuses_the_singular(void **state) {
  (void)state;
  static const udg_homography singular[] = {
      {{0}},
      {{1, 2, 3, 2, 4, 6, 0, 0, 1}},                   /* a line */
      {{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9}}, /* singular but for rounding */
      {{1e200, 0, 0, 0, 1e200, 0, 0, 0, 1e200}},       /* determinant overflows */
      {{NAN, 0, 0, 0, 1, 0, 0, 0, 1}},
  };
  for (size_t i = 0; i < sizeof singular / sizeof *singular; i++) {
    udg_homography back = tilted;
    assert_int_equal(udg_homography_invert(&singular[i], &back), 0);
    assert_memory_equal(&back, &tilted, sizeof back);
  }
  /* Small or badly mixed units are not singular. */
  udg_homography back;
  const udg_homography tiny = {{1e-60, 0, 0, 0, 1e-60, 0, 0, 0, 1}};
  assert_int_equal(udg_homography_invert(&tiny, &back), 1);
  assert_close(back.m[0] / back.m[8] * 1e-60, 1.0, 1e-12);
}

/* Against central differences of the map itself. */
static void scale_is_that_of_the_jacobian(void **state) {
  (void)state;
  const double h = 1e-5;
  for (double y = -3.0; y <= 3.0; y += 0.75)
    for (double x = -3.0; x <= 3.0; x += 0.75) {
      double a[2], b[2], c[2], d[2];
      udg_homography_apply(&tilted, x + h, y, &a[0], &a[1]);
      udg_homography_apply(&tilted, x - h, y, &b[0], &b[1]);
      udg_homography_apply(&tilted, x, y + h, &c[0], &c[1]);
      udg_homography_apply(&tilted, x, y - h, &d[0], &d[1]);
      const double area =
          ((a[0] - b[0]) * (c[1] - d[1]) - (a[1] - b[1]) * (c[0] - d[0])) / (4.0 * h * h);
      assert_close(udg_homography_scale(&tilted, x, y), sqrt(fabs(area)), 1e-5);
    }
  const udg_homography s = udg_homography_similarity(17.5, 1.1, 3.0, 4.0);
  assert_close(udg_homography_scale(&s, 100.0, -50.0), 17.5, 1e-12);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(apply_divides_by_the_third_row),
      cmocka_unit_test(similarity_turns_clockwise),
      cmocka_unit_test(after_applies_the_right_one_first),
      cmocka_unit_test(invert_undoes),
      cmocka_unit_test(invert_refuses_the_singular),
      cmocka_unit_test(scale_is_that_of_the_jacobian),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
