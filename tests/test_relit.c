/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Reliefs against pictures of them under lights that the test knows. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "hooks.h"
#include "relief.h"
#include "relit.h"

enum { SIZE = 61, COUNT = SIZE * SIZE };

static test_hooks hooks;
static udg_settings settings;
static udg_relit *relit;
static udg_plane height, grey, soft, mask;

static const double BEVEL_PX = 4.0, BLUR_PX = 1.0;

static int set_up(void **state) {
  (void)state;
  settings = hooked_settings(&hooks);
  udg_plane *planes[] = {&height, &grey, &soft, &mask};
  for (int k = 0; k < 4; k++)
    if (udg_plane_create(&settings, SIZE, SIZE, planes[k]) != UDG_OK)
      return 1;
  for (int i = 0; i < COUNT; i++)
    mask.v[i] = 1.0f;
  return udg_relit_create(&settings, SIZE, &relit, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  udg_plane *planes[] = {&height, &grey, &soft, &mask};
  for (int k = 0; k < 4; k++)
    udg_plane_destroy(&settings, planes[k]);
  udg_relit_destroy(relit);
  return hooks.held != 0;
}

/* A ring, and over it the same moved by (dx, dy) and `share` as high. */
static void ring(double dx, double dy, double share) {
  for (int y = 0; y < SIZE; y++)
    for (int x = 0; x < SIZE; x++) {
      double r = hypot(x - 30.0, y - 30.0), moved = hypot(x - 30.0 - dx, y - 30.0 - dy);
      double one = udg_relief_profile(7.0 - fabs(r - 16.0), BEVEL_PX);
      double two = udg_relief_profile(7.0 - fabs(moved - 16.0), BEVEL_PX);
      height.v[y * SIZE + x] = (float)fmax(one, share * two);
    }
}

static udg_relit_view view_of(void) {
  udg_relit_hold(&grey, 110.0, &soft);
  return (udg_relit_view){.grey = &soft,
                          .mask = &mask,
                          .bevel_px = BEVEL_PX,
                          .relief_px = 2.0,
                          .blur_px = BLUR_PX,
                          .azimuth_rad = 2.0};
}

/* The relief lit to first order in its slopes, (4, -2.5) levels for the steepest, on a ramp:
 * so little that what holds extremes down does nothing. */
static void light_it(void) {
  udg_plane h = {0}, scratch = {0};
  assert_int_equal(udg_plane_create(&settings, SIZE, SIZE, &h), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, SIZE, SIZE, &scratch), UDG_OK);
  memcpy(h.v, height.v, sizeof(float) * COUNT);
  udg_plane_blur(&h, BLUR_PX, &scratch);
  const float to = (float)(BEVEL_PX / 1.5 / 2.0);
  for (int y = 0; y < SIZE; y++)
    for (int x = 0; x < SIZE; x++) {
      int l = x ? x - 1 : x, r = x + 1 < SIZE ? x + 1 : x;
      int a = y ? y - 1 : y, b = y + 1 < SIZE ? y + 1 : y;
      float p = to * (h.v[y * SIZE + r] - h.v[y * SIZE + l]);
      float q = to * (h.v[b * SIZE + x] - h.v[a * SIZE + x]);
      grey.v[y * SIZE + x] = 110.0f + 0.01f * (float)x - 0.02f * (float)y + 4.0f * p - 2.5f * q;
    }
  udg_plane_destroy(&settings, &h);
  udg_plane_destroy(&settings, &scratch);
}

static double left_over(void) {
  udg_relit_sums sums;
  udg_relit_view view = view_of();
  udg_relit_take(relit, &view, &height, &sums);
  return udg_relit_rest(&sums) / sums.pixels;
}

/* Mean squares per pixel: nothing is left of what the relief explains, and the ramp is ground. */
static void the_right_relief_explains_all(void **state) {
  (void)state;
  ring(0, 0, 0);
  light_it();
  assert_true(left_over() < 1e-4);
  double before = left_over();
  for (int i = 0; i < COUNT; i++)
    grey.v[i] += 0.5f - 0.02f * (float)(i % SIZE) + 0.0003f * (float)(i / SIZE) * (float)(i % SIZE);
  assert_true(fabs(left_over() - before) < 1e-3);
}

static void a_second_image_needs_its_own_relief(void **state) {
  (void)state;
  ring(4, -2, 0.6);
  light_it();
  double right = left_over();
  ring(0, 0, 0);
  double once = left_over();
  ring(-4, 2, 0.6);
  double opposite = left_over();
  assert_true(right < 1e-4);
  assert_true(once > 100 * right && once > 0.01);
  assert_true(opposite > once);
}

/* A place off by a fraction of a pixel costs nearly nothing: it has columns of its own. */
static void a_small_error_of_place_is_allowed_for(void **state) {
  (void)state;
  ring(0, 0, 0);
  light_it();
  ring(0, 0, 0);
  double full = 0.0, mean = 0.0;
  for (int i = 0; i < COUNT; i++)
    mean += (double)grey.v[i] / COUNT;
  for (int i = 0; i < COUNT; i++)
    full += ((double)grey.v[i] - mean) * ((double)grey.v[i] - mean) / COUNT;
  for (int y = 0; y < SIZE; y++)
    for (int x = 0; x < SIZE; x++) {
      double r = hypot(x - 30.3, y - 29.8);
      height.v[y * SIZE + x] = (float)udg_relief_profile(7.0 - fabs(r - 16.0), BEVEL_PX);
    }
  if (left_over() > 0.002 * full)
    fail_msg("%.5f of the variance is left", left_over() / full);
}

/* Sums of two halves are those of the whole but for the ground, which each has its own. */
static void sums_add_up(void **state) {
  (void)state;
  udg_relit_sums whole, part, both = {0};
  ring(0, 0, 0);
  light_it();
  udg_relit_view view = view_of();
  udg_relit_take(relit, &view, &height, &whole);
  for (int half = 0; half < 2; half++) {
    for (int i = 0; i < COUNT; i++)
      mask.v[i] = (i / SIZE < 30) == half ? 1.0f : 0.0f;
    udg_relit_take(relit, &view, &height, &part);
    udg_relit_add(&both, &part);
  }
  for (int i = 0; i < COUNT; i++)
    mask.v[i] = 1.0f;
  assert_float_equal(both.pixels, whole.pixels, 1e-9);
  assert_true(both.e < whole.e && both.e > 0.5 * whole.e);
  assert_true(udg_relit_rest(&both) / both.pixels < 1e-4);
}

/* A glint a thousand levels high weighs no more than a few strokes. */
static void extremes_are_held_down(void **state) {
  (void)state;
  ring(0, 0, 0);
  light_it();
  grey.v[30 * SIZE + 5] += 1000.0f;
  double most = 15.0 * asinh(1000.0 / 15.0);
  assert_true(left_over() <= 1.1 * most * most / COUNT);
}

static void nothing_usable_leaves_nothing(void **state) {
  (void)state;
  udg_relit_sums sums;
  udg_relit_view view = view_of();
  ring(0, 0, 0);
  memset(mask.v, 0, sizeof(float) * COUNT);
  udg_relit_take(relit, &view, &height, &sums);
  assert_true(sums.pixels == 0);
  assert_true(udg_relit_rest(&sums) == 0);
}

static void no_memory_is_told(void **state) {
  (void)state;
  for (int n = 1; n < 20; n++) {
    udg_relit *other = NULL;
    size_t held = hooks.held;
    hooks.fail_at = hooks.requests + n;
    udg_status status = udg_relit_create(&settings, SIZE, &other, NULL);
    hooks.fail_at = 0;
    if (status == UDG_OK) {
      udg_relit_destroy(other);
      assert_true(n > 5);
      return;
    }
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_int_equal(hooks.held, held);
  }
  fail();
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(the_right_relief_explains_all, set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_second_image_needs_its_own_relief, set_up, tear_down),
      cmocka_unit_test_setup_teardown(a_small_error_of_place_is_allowed_for, set_up, tear_down),
      cmocka_unit_test_setup_teardown(sums_add_up, set_up, tear_down),
      cmocka_unit_test_setup_teardown(extremes_are_held_down, set_up, tear_down),
      cmocka_unit_test_setup_teardown(nothing_usable_leaves_nothing, set_up, tear_down),
      cmocka_unit_test_setup_teardown(no_memory_is_told, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
