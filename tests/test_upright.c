/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The upright date: a photo made under a known homography comes back as the date plane. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "relief.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static udg_upright upright;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  return udg_upright_create(&scene.settings, scene.reference, 0, &upright, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  udg_upright_destroy(&upright);
  stage_close(&scene);
  return 0;
}

static void to_mm(double x, double y, double mm[2]) {
  mm[0] = (x - upright.origin_px[0]) / upright.px_per_mm;
  mm[1] = (y - upright.origin_px[1]) / upright.px_per_mm;
}

static void the_plane_holds_the_date_with_its_field(void **state) {
  (void)state;
  test_near(upright.px_per_mm, 48.0 / 1.6, 1e-12);
  test_near(upright.bevel_px, 0.13 * 30.0, 1e-9);
  double low[2], high[2];
  to_mm(0, 0, low);
  to_mm(upright.width, upright.height, high);
  /* A trace reaches 0.38 + 0.5 of a height from the present digit's centre. */
  assert_true(low[0] < -1.8 - 0.88 * 1.6 && high[0] > 1.8 + 0.88 * 1.6);
  assert_true(low[1] < -0.8 - 0.88 * 1.6 && high[1] > -0.8 + 0.88 * 1.6);
}

/* Each pixel shows the photo where the homography says: a smooth pattern is drawn in the
 * photo and looked up again.  Cubic sampling of waves of 30 px: below 0.1 level. */
static void grey_levels_come_from_the_right_place(void **state) {
  (void)state;
  static const double turns[3] = {0.0, 0.45, -2.0};
  for (int k = 0; k < 3; k++) {
    memset(&scene.registration.place_offset_mm, 0, sizeof scene.registration.place_offset_mm);
    stage_aim(&scene, 44.0, turns[k], k == 1 ? 0.02 : 0.0);
    for (int y = 0; y < scene.photo.height; y++)
      for (int x = 0; x < scene.photo.width; x++)
        udg_plane_row(&scene.photo, y)[x] =
            (float)(120.0 + 60.0 * sin((x + 0.5) / 5.0) * cos((y + 0.5) / 6.0));
    assert_int_equal(
        udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
    test_near(upright.zoom, 44.0 / 48.0, 0.03);
    int compared = 0;
    for (int y = 0; y < upright.height; y++)
      for (int x = 0; x < upright.width; x++) {
        double mm[2], u, v;
        to_mm(x + 0.5, y + 0.5, mm);
        udg_homography_apply(&scene.registration.date_to_photo, mm[0], mm[1], &u, &v);
        int inside = u >= 1 && v >= 1 && u <= scene.photo.width - 1 && v <= scene.photo.height - 1;
        float usable = udg_plane_row(&upright.usable, y)[x];
        assert_true(usable == (inside ? 1.0f : 0.0f));
        int rim = u < 4 || v < 4 || u > scene.photo.width - 4 || v > scene.photo.height - 4 ||
                  x < 4 || y < 4 || x > upright.width - 5 || y > upright.height - 5;
        if (rim) /* samples repeat there */
          continue;
        test_near(udg_plane_row(&upright.grey, y)[x], 120.0 + 60.0 * sin(u / 5.0) * cos(v / 6.0),
                  0.1);
        compared++;
      }
    assert_true(compared > upright.width * upright.height / 2);
  }
}

/* The zero line of `distance` against a rasterised outline: cover and distance change over
 * at the same pixels, at each digit's own shift and turn. */
static void distance_is_zero_on_the_strokes_edges(void **state) {
  (void)state;
  stage_aim(&scene, 60.0, 0.1, 0.0);
  for (int i = 0; i < 4; i++) {
    scene.registration.place_offset_mm[i][0] = 0.05 * (i - 1.5);
    scene.registration.place_offset_mm[i][1] = 0.04 * (1.5 - i);
    scene.registration.place_turn_rad[i] = 0.04 * (i - 1.5);
  }
  stage_strike(&scene);
  stage_expose(&scene, STAGE_LINEAR, 1.0, 50.0, 0.5, 0.0);
  assert_int_equal(
      udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
  udg_plane cover = {0};
  assert_int_equal(udg_plane_create(&scene.settings, upright.width, upright.height, &cover),
                   UDG_OK);
  size_t count = (size_t)upright.width * (size_t)upright.height, inside = 0;
  for (int i = 0; i < 4; i++) {
    stage_digit d = stage_present(&scene, i);
    double centre[2] = {upright.origin_px[0] + upright.px_per_mm * d.centre_mm[0],
                        upright.origin_px[1] + upright.px_per_mm * d.centre_mm[1]};
    test_near(upright.place_px[i][0], centre[0], 1e-9);
    test_near(upright.place_px[i][1], centre[1], 1e-9);
    test_near(upright.place_turn_rad[i], d.turn_rad, 1e-12);
    assert_int_equal(udg_outline_cover(&scene.settings, &scene.reference->digits[d.digit - '0'],
                                       upright.px_per_mm, d.turn_rad, centre[0], centre[1], &cover,
                                       NULL),
                     UDG_OK);
    for (size_t k = 0; k < count; k++) {
      if (cover.v[k] > 0.95f) {
        assert_true(upright.distance.v[k] > 0.0f);
        assert_true((int)upright.owner.v[k] == i);
        inside++;
      }
      if ((int)upright.owner.v[k] == i && upright.distance.v[k] > 1.0f)
        assert_true(cover.v[k] > 0.95f);
      if ((int)upright.owner.v[k] == i && upright.distance.v[k] < -1.0f)
        assert_true(cover.v[k] < 0.05f);
    }
  }
  assert_true(inside > 2000);
  udg_plane_destroy(&scene.settings, &cover);
}

/* Up a straight edge the steepest ascent is its inward normal.  The bar "1" at the first
 * place, not turned: left edge +x, right edge -x; the ridge in the middle has no direction. */
static void edges_point_inwards(void **state) {
  (void)state;
  memset(&scene.registration.place_offset_mm, 0, sizeof scene.registration.place_offset_mm);
  memset(&scene.registration.place_turn_rad, 0, sizeof scene.registration.place_turn_rad);
  stage_aim(&scene, 60.0, 0.1, 0.0);
  assert_int_equal(
      udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
  int y = (int)upright.place_px[0][1];
  double half_px = 0.13 * upright.px_per_mm;
  int left = (int)floor(upright.place_px[0][0] - half_px);
  int right = (int)floor(upright.place_px[0][0] + half_px);
  int middle = (int)floor(upright.place_px[0][0]);
  test_near(udg_plane_row(&upright.cosine, y)[left], 1.0, 1e-3);
  test_near(udg_plane_row(&upright.sine, y)[left], 0.0, 1e-3);
  test_near(udg_plane_row(&upright.rim, y)[left], 1.0, 0.03);
  test_near(udg_plane_row(&upright.cosine, y)[right], -1.0, 1e-3);
  assert_true(udg_plane_row(&upright.rim, y)[middle] < 0.6f);
  int foot = (int)(upright.place_px[0][1] + 24.0) + 1; /* below the bar: up is inwards */
  test_near(udg_plane_row(&upright.sine, foot)[middle], -1.0, 1e-2);
}

static void blown_out_pixels_are_told(void **state) {
  (void)state;
  stage_aim(&scene, 48.0, 0.0, 0.0);
  for (int y = 0; y < scene.photo.height; y++)
    for (int x = 0; x < scene.photo.width; x++)
      udg_plane_row(&scene.photo, y)[x] = x < scene.photo.width / 2 ? 255.0f : 120.0f;
  assert_int_equal(
      udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
  for (int y = 0; y < upright.height; y++) {
    size_t middle = (size_t)y * (size_t)upright.width + (size_t)upright.width / 2;
    assert_true(udg_upright_blown(&upright, middle - 5) && upright.usable.v[middle - 5] == 1.0f);
    assert_true(!udg_upright_blown(&upright, middle + 5));
  }
}

static void a_date_outside_the_photo_is_an_error(void **state) {
  (void)state;
  stage_aim(&scene, 48.0, 0.0, 0.0);
  udg_registration away = scene.registration;
  away.date_to_photo.m[2] += 5000.0;
  udg_message message = {""};
  assert_int_equal(udg_upright_make(&upright, udg_photo_of(&scene.photo), &away, &message),
                   UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "outside the photo"));
  /* Half outside is no error: that half is not used. */
  away.date_to_photo.m[2] = scene.registration.date_to_photo.m[2] + 0.5 * scene.photo.width;
  assert_int_equal(udg_upright_make(&upright, udg_photo_of(&scene.photo), &away, NULL), UDG_OK);
  assert_true(udg_plane_row(&upright.usable, 60)[upright.width - 4] == 0.0f);
  assert_true(udg_plane_row(&upright.usable, 60)[20] == 1.0f);
}

/* Digits a metre apart would make a plane that no memory holds. */
static void a_date_spread_far_is_refused(void **state) {
  (void)state;
  udg_message message = {""};
  udg_upright far;
  for (int axis = 0; axis < 2; axis++) {
    udg_reference *wide = NULL;
    assert_int_equal(udg_reference_copy(scene.reference, &wide, NULL), UDG_OK);
    wide->dates[0].places[3].centre_mm[axis] = 85 * wide->dates[0].height_mm;
    assert_int_equal(udg_upright_create(&scene.settings, wide, 0, &far, &message), UDG_ERROR_LIMIT);
    assert_non_null(strstr(message.text, "spread over more than 85 digit heights"));
    udg_reference_destroy(wide);
  }
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0;
  stage_aim(&scene, 130.0, 0.0, 0.0);
  for (size_t n = 1; n < 100; n++) {
    udg_upright u;
    udg_message message = {""};
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_upright_create(&scene.settings, scene.reference, 0, &u, &message);
    if (status == UDG_OK) {
      status = udg_upright_make(&u, udg_photo_of(&scene.photo), &scene.registration, &message);
      udg_upright_destroy(&u);
    }
    allocator.fail_at = 0;
    assert_int_equal(allocator.live, before);
    if (status == UDG_OK)
      break;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_non_null(strstr(message.text, "memory"));
    failed++;
  }
  assert_true(failed >= 10 && failed < 99);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_plane_holds_the_date_with_its_field),
      cmocka_unit_test(grey_levels_come_from_the_right_place),
      cmocka_unit_test(distance_is_zero_on_the_strokes_edges),
      cmocka_unit_test(edges_point_inwards),
      cmocka_unit_test(blown_out_pixels_are_told),
      cmocka_unit_test(a_date_outside_the_photo_is_an_error),
      cmocka_unit_test(a_date_spread_far_is_refused),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
