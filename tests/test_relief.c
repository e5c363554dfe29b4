/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "hooks.h"
#include "outline_build.h"
#include "relief.h"

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

static udg_outline outline_of(const char *path) {
  udg_outline outline;
  udg_message message = {""};
  if (udg_outline_from_path(&settings, path, "f", &outline, &message) != UDG_OK)
    fail_msg("\"%s\": %s", path, message.text);
  return outline;
}

static udg_plane distance_of(const char *path, double px_per_mm, double turn_rad, double max_px) {
  udg_outline outline = outline_of(path);
  udg_plane distance = {0};
  assert_int_equal(udg_plane_create(&settings, 130, 90, &distance), UDG_OK);
  assert_int_equal(udg_relief_distance_within(&settings, &outline, px_per_mm, turn_rad, 61.25, 44.5,
                                              max_px, &distance, NULL),
                   UDG_OK);
  udg_outline_destroy(&settings, &outline);
  return distance;
}

/* Rectangle of half sides a, b about the origin, positive inside. */
static double rectangle_distance(double x, double y, double a, double b) {
  double dx = fabs(x) - a, dy = fabs(y) - b;
  return dx > 0 || dy > 0 ? -hypot(fmax(dx, 0), fmax(dy, 0)) : -fmax(dx, dy);
}

static void distance_to_a_rectangle_is_exact(void **state) {
  (void)state;
  const double turns[] = {0, 0.3, -1.2, 3.0};
  for (int k = 0; k < 4; k++) {
    udg_plane distance = distance_of("M-2-1H2V1H-2Z", 12.5, turns[k], INFINITY);
    for (int y = 0; y < distance.height; y++)
      for (int x = 0; x < distance.width; x++) {
        double px = x + 0.5 - 61.25, py = y + 0.5 - 44.5;
        double u = cos(turns[k]) * px + sin(turns[k]) * py;
        double v = -sin(turns[k]) * px + cos(turns[k]) * py;
        double truth = rectangle_distance(u, v, 25, 12.5);
        if (!(fabs(udg_plane_row(&distance, y)[x] - truth) < 1e-4))
          fail_msg("turn %g, pixel %d, %d: %g, not %g", turns[k], x, y,
                   udg_plane_row(&distance, y)[x], truth);
      }
    udg_plane_destroy(&settings, &distance);
  }
}

static void distance_to_a_ring_is_right_to_the_flattening(void **state) {
  (void)state;
  const char *ring = "M2 0A2 2 0 0 1-2 0A2 2 0 0 1 2 0ZM1 0A1 1 0 0 0-1 0A1 1 0 0 0 1 0Z";
  udg_plane distance = distance_of(ring, 16, 0.7, INFINITY);
  for (int y = 0; y < distance.height; y++)
    for (int x = 0; x < distance.width; x++) {
      double r = hypot(x + 0.5 - 61.25, y + 0.5 - 44.5), truth = fmin(32 - r, r - 16);
      assert_true(fabs(udg_plane_row(&distance, y)[x] - truth) < 1.05 * UDG_FLATTEN_MM * 16);
    }
  udg_plane_destroy(&settings, &distance);
}

/* Strokes within the filled region must not count: two squares that share the
 * corner region, or lie side by side, are measured as the one shape they make. */
static void strokes_inside_do_not_count(void **state) {
  (void)state;
  const char *const parted[] = {"M-2-1H.5V1H-2ZM-.5-1H2V1H-.5Z", "M-2-1H0V1H-2ZM0-1H2V1H0Z",
                                "M-2-1H2V1H-2ZM-1-.5H1V.5H-1Z", "M-2-1H0V1H-2ZM0-1V1H2V-1Z"};
  for (int k = 0; k < 4; k++) {
    udg_plane distance = distance_of(parted[k], 12, 0, INFINITY);
    for (int y = 0; y < distance.height; y++)
      for (int x = 0; x < distance.width; x++)
        assert_true(fabs(udg_plane_row(&distance, y)[x] -
                         rectangle_distance(x + 0.5 - 61.25, y + 0.5 - 44.5, 24, 12)) < 1e-4);
    udg_plane_destroy(&settings, &distance);
  }
}

static void cut_distance_agrees_with_the_whole(void **state) {
  (void)state;
  const char *path = "M-2-1C-1-3 1-3 2-1S3 2 0 1.5-3 1-2-1ZM-.5-.5V.5H.5V-.5Z";
  udg_plane whole = distance_of(path, 11, 0.2, INFINITY), cut = distance_of(path, 11, 0.2, 5);
  int far = 0;
  for (int i = 0; i < whole.width * whole.height; i++) {
    float d = whole.v[i], expected = d > 5 ? 5 : d < -5 ? -5 : d;
    far += fabsf(d) > 5;
    assert_true(cut.v[i] == expected);
  }
  assert_true(far > 1000);
  udg_plane_destroy(&settings, &whole);
  udg_plane_destroy(&settings, &cut);
}

static void placing_must_be_finite(void **state) {
  (void)state;
  udg_outline outline = outline_of("M-1-1H1V1H-1Z");
  udg_plane distance = {0};
  udg_message message = {""};
  assert_int_equal(udg_plane_create(&settings, 8, 8, &distance), UDG_OK);
  assert_int_equal(udg_relief_distance(&settings, &outline, NAN, 0, 0, 0, &distance, &message),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_relief_distance(&settings, &outline, 5, INFINITY, 0, 0, &distance, &message),
                   UDG_ERROR_ARGUMENT);
  const long held = hooks.held;
  for (long n = 1; n <= 3; n++) {
    hooks.requests = 0;
    hooks.fail_at = n;
    assert_int_equal(udg_relief_distance(&settings, &outline, 5, 0, 4, 4, &distance, NULL),
                     UDG_ERROR_MEMORY);
    assert_int_equal(hooks.held, held);
  }
  hooks.requests = 0;
  hooks.fail_at = 4;
  assert_int_equal(udg_relief_distance(&settings, &outline, 5, 0, 4, 4, &distance, NULL), UDG_OK);
  udg_plane_destroy(&settings, &distance);
  udg_outline_destroy(&settings, &outline);
}

/* 3 t^2 - 2 t^3: values by hand, slope 1.5 / bevel in the middle, 0 at the ends. */
static void shoulder_is_a_smooth_step(void **state) {
  (void)state;
  assert_true(udg_relief_profile(-3, 2) == 0 && udg_relief_profile(0, 2) == 0);
  assert_true(udg_relief_profile(2, 2) == 1 && udg_relief_profile(7, 2) == 1);
  assert_true(fabs(udg_relief_profile(0.5, 2) - 0.15625) < 1e-12);
  assert_true(fabs(udg_relief_profile(1, 2) - 0.5) < 1e-12);
  assert_true(fabs(udg_relief_profile(1.5, 2) - 0.84375) < 1e-12);
  const double e = 1e-5;
  assert_true(fabs((udg_relief_profile(1 + e, 2) - udg_relief_profile(1 - e, 2)) / (2 * e) - 0.75) <
              1e-6);
  assert_true(udg_relief_profile(e, 2) < 1e-9 && udg_relief_profile(2 - e, 2) > 1 - 1e-9);
  assert_true(udg_relief_profile(-1, 0) == 0 && udg_relief_profile(1e-9, 0) == 1);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(distance_to_a_rectangle_is_exact, set_up, tear_down),
      cmocka_unit_test_setup_teardown(distance_to_a_ring_is_right_to_the_flattening, set_up,
                                      tear_down),
      cmocka_unit_test_setup_teardown(strokes_inside_do_not_count, set_up, tear_down),
      cmocka_unit_test_setup_teardown(cut_distance_agrees_with_the_whole, set_up, tear_down),
      cmocka_unit_test_setup_teardown(placing_must_be_finite, set_up, tear_down),
      cmocka_unit_test_setup_teardown(shoulder_is_a_smooth_step, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
