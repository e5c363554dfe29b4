/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The register stage: on linear shading with white noise, where it should be
 * exact, and on the generator's metal, where it should be good. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made.h"
#include "register.h"
#include "support.h"

typedef struct stages {
  udg_find_state *find;
  udg_register_state *registers;
} stages;

static stages stages_open(const made *m) {
  stages s = {0};
  assert_int_equal(udg_find_create(&m->settings, m->reference, &s.find, NULL), UDG_OK);
  assert_int_equal(udg_register_create(&m->settings, m->reference, &s.registers, NULL), UDG_OK);
  return s;
}

static void stages_close(stages *s) {
  udg_register_destroy(s->registers);
  udg_find_destroy(s->find);
}

static int compare(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Where the found digit's centre lies off the true one, in digit heights. */
static double digit_error(const ti_scene *scene, const udg_registration *r, int place) {
  double centre[2], turn, a[2], b[2];
  const double *nominal = scene->date->places[place].centre_mm;
  ti_scene_place(scene, place, &scene->coin.digits[place], centre, &turn);
  udg_homography_apply(&scene->camera.date_to_photo, centre[0], centre[1], &a[0], &a[1]);
  udg_homography_apply(&r->date_to_photo, nominal[0] + r->place_offset_mm[place][0],
                       nominal[1] + r->place_offset_mm[place][1], &b[0], &b[1]);
  return hypot(a[0] - b[0], a[1] - b[1]) / scene->camera.digit_px;
}

typedef struct quality {
  double corner_median, digit_median;
  int gross; /* corners beyond 8 % */
} quality;

static void result_is_sound(const udg_registration *r) {
  assert_true(r->score > 0 && r->score <= 1);
  assert_true(r->runner_up >= 0 && r->runner_up <= 1.0001);
  assert_true(r->inside > 0.8 && r->inside <= 1);
  for (int i = 0; i < 4; i++) {
    assert_true(r->covariance[5 * i] > 0 && isfinite(r->covariance[5 * i]));
    for (int j = 0; j < i; j++)
      assert_true(fabs(r->covariance[4 * i + j] - r->covariance[4 * j + i]) <=
                  1e-9 * fabs(r->covariance[4 * i + j]));
  }
  assert_true(fabs(r->date_to_photo.m[8] - 1) < 1e-12);
}

#define MANY 48

static quality measure(const char *name, const ti_options *options, int count) {
  made m;
  assert_int_equal(made_open(&m, name), 0);
  stages s = stages_open(&m);
  double corners[MANY], digits[MANY * UDG_PLACES_MAX];
  int digit_count = 0;
  quality q = {0, 0, 0};
  for (int i = 0; i < count; i++) {
    ti_scene scene;
    udg_plane grey = {0};
    udg_find_result found;
    udg_registration r;
    made_draw(&m, options, 77, i, &scene, &grey);
    size_t date = made_date(&m, &scene);
    assert_int_equal(udg_find_date(s.find, udg_photo_of(&grey), date, &found, NULL), UDG_OK);
    assert_true(found.count > 0);
    assert_int_equal(udg_register(s.registers, udg_photo_of(&grey), date, &found, &r, NULL),
                     UDG_OK);
    corners[i] = made_corner_error(&scene, &r.date_to_photo);
    q.gross += corners[i] > 0.08;
    if (corners[i] <= 0.08)
      result_is_sound(&r);
    for (int p = 0; p < r.place_count; p++)
      digits[digit_count++] = digit_error(&scene, &r, p);
    udg_plane_destroy(&m.settings, &grey);
  }
  stages_close(&s);
  made_close(&m);
  qsort(corners, (size_t)count, sizeof *corners, compare);
  qsort(digits, (size_t)digit_count, sizeof *digits, compare);
  q.corner_median = corners[count / 2];
  q.digit_median = digits[digit_count / 2];
  return q;
}

/* At the place of the date that is there, another date of the reference explains clearly less,
 * roughly registered already: what the search for dates saves its time by. */
static void another_date_explains_less(void **state) {
  (void)state;
  enum { PHOTOS = 8 };
  made m;
  ti_options options;
  assert_int_equal(made_open(&m, "karrow"), 0);
  assert_true(m.reference->date_count >= 2);
  stages s = stages_open(&m);
  ti_options_defaults(&options);
  options.class_fixed = TI_CLEAN;
  options.date_fixed = 0;
  options.digit_px[0] = 40;
  options.digit_px[1] = 90;
  int behind = 0;
  for (int i = 0; i < PHOTOS; i++) {
    ti_scene scene;
    udg_plane grey = {0};
    udg_find_result found;
    double own, other;
    made_draw(&m, &options, 78, i, &scene, &grey);
    const udg_photo photo = udg_photo_of(&grey);
    assert_int_equal(udg_find_date(s.find, photo, 0, &found, NULL), UDG_OK);
    assert_true(found.count > 0);
    const udg_candidate *spot = &found.candidates[0];
    assert_int_equal(udg_register_try(s.registers, photo, 0, spot, &own, NULL), UDG_OK);
    assert_int_equal(udg_register_try(s.registers, photo, 1, spot, &other, NULL), UDG_OK);
    assert_true(own > 0.0 && own <= 1.0);
    behind += other < 0.95 * own;
    assert_int_equal(
        udg_register_try(s.registers, photo, m.reference->date_count, spot, &own, NULL),
        UDG_ERROR_ARGUMENT);
    udg_plane_destroy(&m.settings, &grey);
  }
  stages_close(&s);
  made_close(&m);
  if (behind < PHOTOS - 1)
    fail_msg("the other date is behind in %d of %d", behind, PHOTOS);
}

/* Linear light, white noise: each digit to a small part of a per cent.  (The
 * corners carry the digits' slack, which no photo tells from a shift.) */
static void ideal_light_is_exact(void **state) {
  (void)state;
  ti_options options;
  ti_options_defaults(&options);
  options.ideal = 1;
  options.ideal_noise = 5;
  options.ideal_contrast = 120;
  options.class_fixed = TI_CLEAN;
  options.digit_px[0] = 40;
  options.digit_px[1] = 90;
  quality q = measure("vellacombe", &options, 12);
  assert_int_equal(q.gross, 0);
  assert_true(q.digit_median < 0.004);
  assert_true(q.corner_median < 0.03);
}

/* Of a date in the hub the digits have no slack: the corners are good too. */
static void metal_is_good(void **state) {
  (void)state;
  ti_options options;
  ti_options_defaults(&options);
  options.digit_px[0] = 30;
  options.digit_px[1] = 110;
  quality hub = measure("karrow", &options, 20);
  assert_true(hub.gross <= 1);
  assert_true(hub.corner_median < 0.015);
  quality punched = measure("vellacombe", &options, 20);
  assert_true(punched.gross <= 1);
  assert_true(punched.digit_median < 0.015);
  assert_true(punched.corner_median < 0.03);
}

/* A call without candidates, a candidate beside the photo, one in a flat photo. */
static void nothing_to_register_is_told(void **state) {
  (void)state;
  made m;
  assert_int_equal(made_open(&m, "karrow"), 0);
  stages s = stages_open(&m);
  udg_plane grey = {0};
  udg_find_result found = {0};
  udg_registration r;
  udg_message message = {""};
  assert_int_equal(udg_plane_create(&m.settings, 80, 60, &grey), UDG_OK);
  assert_int_equal(udg_register(s.registers, udg_photo_of(&grey), 0, &found, &r, &message),
                   UDG_ERROR_ARGUMENT);
  assert_string_not_equal(message.text, "");
  /* A candidate beside the photo. */
  found.count = 1;
  found.candidates[0] = (udg_candidate){udg_homography_similarity(20, 0, 5000, 5000), 30, 0, 0.1};
  assert_int_not_equal(udg_register(s.registers, udg_photo_of(&grey), 0, &found, &r, &message),
                       UDG_OK);
  /* One in a flat photo: no direction of the pose can be told. */
  found.candidates[0].date_to_photo = udg_homography_similarity(10, 0, 40, 40);
  found.candidates[0].digit_height_px = 16;
  assert_int_equal(udg_register(s.registers, udg_photo_of(&grey), 0, &found, &r, &message), UDG_OK);
  assert_int_equal(r.undetermined, 15);
  assert_true(isinf(r.covariance[0]));
  udg_plane_destroy(&m.settings, &grey);
  stages_close(&s);
  made_close(&m);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(another_date_explains_less),
      cmocka_unit_test(ideal_light_is_exact),
      cmocka_unit_test(metal_is_good),
      cmocka_unit_test(nothing_to_register_is_told),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
