/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The path of a photo, stage by stage, on a date the test has struck itself. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "pipeline.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static udg_inspector *inspector;
static udg_image *image;

static void take_photo(double digit_px, double turn_rad) {
  stage_aim(&scene, digit_px, turn_rad, 0.0);
  stage_strike(&scene);
  stage_digit trace = stage_present(&scene, 3);
  trace.digit = '4';
  trace.centre_mm[0] += 0.22;
  trace.centre_mm[1] -= 0.15;
  trace.share = 0.5;
  stage_lay(&scene, &trace);
  stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 3.0);
  size_t count = (size_t)scene.photo.width * (size_t)scene.photo.height;
  uint8_t *grey = malloc(count);
  assert_non_null(grey);
  for (size_t i = 0; i < count; i++)
    grey[i] = (uint8_t)fminf(fmaxf(scene.photo.v[i] + 0.5f, 0.0f), 255.0f);
  udg_image_destroy(image);
  assert_int_equal(udg_image_from_grey(&scene.settings, grey, (uint32_t)scene.photo.width,
                                       (uint32_t)scene.photo.height, (size_t)scene.photo.width,
                                       &image, NULL),
                   UDG_OK);
  free(grey);
}

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  given.digit_height_min_px = 35.0; /* a narrow search: this is no test of the finding */
  given.digit_height_max_px = 75.0;
  given.turn_max_deg = 12.0;
  stage_open(&scene, &given, 1);
  return udg_inspector_create(&given, scene.reference, &inspector, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
  stage_close(&scene);
  return 0;
}

/* Largest distance between the digits' centres as found and as struck, px of the photo. */
static double misplaced_px(const udg_registration *r) {
  double most = 0.0;
  for (int i = 0; i < 4; i++) {
    const double *mm = scene.reference->dates[0].places[i].centre_mm;
    double a[2], b[2];
    udg_homography_apply(&scene.registration.date_to_photo, mm[0], mm[1], &a[0], &a[1]);
    udg_homography_apply(&r->date_to_photo, mm[0] + r->place_offset_mm[i][0],
                         mm[1] + r->place_offset_mm[i][1], &b[0], &b[1]);
    most = fmax(most, hypot(a[0] - b[0], a[1] - b[1]));
  }
  return most;
}

static void grey_levels_are_taken_as_they_are(void **state) {
  (void)state;
  take_photo(50.0, 0.1);
  assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
  assert_int_equal(inspector->grey.width, scene.photo.width);
  assert_int_equal(inspector->grey.height, scene.photo.height);
  for (size_t i = 0; i < (size_t)scene.photo.width * (size_t)scene.photo.height; i++)
    test_near(inspector->grey.level[inspector->grey.grey[i]],
              fmin(fmax((double)scene.photo.v[i], 0.0), 255.0), 0.51);
}

/* Registration to 1.5 % of the digits' height, as the registration's own bound asks for the
 * median; no noise worth mentioning here. */
static void the_date_is_located(void **state) {
  (void)state;
  take_photo(50.0, 0.1);
  assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
  assert_int_equal(udg_pipeline_locate(inspector, 0, NULL), UDG_OK);
  assert_true(inspector->found.count >= 1);
  assert_true(misplaced_px(&inspector->registration) < 0.015 * 50.0);
  test_near(inspector->registration.digit_height_px, 50.0, 1.0);
  assert_true(inspector->registration.score > 0.5);
}

static void dates_are_asked_for_by_name(void **state) {
  (void)state;
  size_t index = 7;
  udg_message message = {""};
  take_photo(50.0, 0.1);
  assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
  assert_int_equal(udg_pipeline_locate_best(inspector, "1847", &index, NULL), UDG_OK);
  assert_int_equal(index, 0);
  index = 7;
  assert_int_equal(udg_pipeline_locate_best(inspector, NULL, &index, NULL), UDG_OK);
  assert_int_equal(index, 0);
  assert_int_equal(udg_pipeline_locate_best(inspector, "1848", &index, &message), UDG_ERROR_DATE);
  assert_non_null(strstr(message.text, "1848"));
  assert_non_null(strstr(message.text, "Tarnholt quay token"));
  assert_int_equal(udg_pipeline_locate_best(inspector, "184", &index, NULL), UDG_ERROR_DATE);
  assert_int_equal(udg_pipeline_locate_best(inspector, "", &index, NULL), UDG_ERROR_DATE);
}

static const udg_hypothesis *trace_found(void) {
  const udg_score *score = inspector->dates[0].score;
  const udg_hypothesis *best = NULL;
  for (int i = 0; i < score->count; i++) {
    const udg_hypothesis *h = &score->hypotheses[i];
    if (h->kind != UDG_TRACE_DOUBLED &&
        (!best || h->energy * h->share > best->energy * best->share))
      best = h;
  }
  return best;
}

/* All stages joined: the trace is where it was laid. */
static void the_stages_are_joined(void **state) {
  (void)state;
  static const double turns[2] = {0.12, -0.15};
  static const double heights[2] = {50.0, 64.0};
  for (int k = 0; k < 2; k++) {
    size_t index = 0;
    take_photo(heights[k], turns[k]);
    assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_locate_best(inspector, NULL, &index, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_score(inspector, index, NULL), UDG_OK);
    const udg_hypothesis *h = trace_found();
    assert_int_equal(h->place, 3);
    assert_int_equal(h->digit, '4');
    assert_int_equal(h->kind, UDG_TRACE_EARLIER);
    test_near(h->offset_px[0] / 30.0, 0.22, 0.05);
    test_near(h->offset_px[1] / 30.0, -0.15, 0.05);
    test_near(h->amplitude, 0.5, 0.15);
    test_near(remainder(inspector->dates[0].light->azimuth_rad - 0.6, 6.283185307), 0.0, 0.06);
  }
}

/* What one photo leaves behind does not touch the next: the same photo gives the same scores to
 * the last bit after another one was inspected, and in a fresh inspector. */
static void nothing_is_left_of_the_photo_before(void **state) {
  (void)state;
  static udg_score first;
  size_t index = 0;
  for (int pass = 0; pass < 2; pass++) {
    scene.random = 3; /* the same noise */
    take_photo(50.0, 0.1);
    assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_locate_best(inspector, NULL, &index, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_score(inspector, index, NULL), UDG_OK);
    const udg_score *score = inspector->dates[0].score;
    if (pass == 0)
      first = *score;
    assert_int_equal(score->count, first.count);
    for (int i = 0; i < score->count; i++) {
      test_near(score->hypotheses[i].energy, first.hypotheses[i].energy, 0.0);
      test_near(score->hypotheses[i].offset_px[0], first.hypotheses[i].offset_px[0], 0.0);
      test_near(score->hypotheses[i].amplitude, first.hypotheses[i].amplitude, 0.0);
    }
    if (pass == 1)
      break;
    take_photo(70.0, -0.1);
    assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_locate_best(inspector, NULL, &index, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_score(inspector, index, NULL), UDG_OK);
    udg_inspector_destroy(inspector);
    assert_int_equal(udg_inspector_create(&scene.settings, scene.reference, &inspector, NULL),
                     UDG_OK);
  }
}

/* Scratch is made once: the second photo of the same size asks for next to no memory. */
static void scratch_is_kept(void **state) {
  (void)state;
  size_t index = 0, calls[3];
  udg_inspector_destroy(inspector);
  assert_int_equal(udg_inspector_create(&scene.settings, scene.reference, &inspector, NULL),
                   UDG_OK);
  for (int pass = 0; pass < 3; pass++) {
    scene.random = 3; /* the same photo: as many places to look at */
    size_t before = allocator.calls;
    take_photo(50.0, 0.1);
    assert_int_equal(udg_pipeline_take(inspector, image, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_locate_best(inspector, NULL, &index, NULL), UDG_OK);
    assert_int_equal(udg_pipeline_score(inspector, index, NULL), UDG_OK);
    calls[pass] = allocator.calls - before;
  }
  assert_int_equal(calls[1], calls[2]);
  print_message("allocations: %zu, then %zu\n", calls[0], calls[1]);
  assert_true(calls[1] < calls[0] / 4);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(grey_levels_are_taken_as_they_are),
      cmocka_unit_test(the_date_is_located),
      cmocka_unit_test(dates_are_asked_for_by_name),
      cmocka_unit_test(the_stages_are_joined),
      cmocka_unit_test(nothing_is_left_of_the_photo_before),
      cmocka_unit_test(scratch_is_kept),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
