/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The light that the present digits tell, against lamps the test has set up.
 * Linear shading: Pentland, "Linear shape from shading", Int. J. Computer Vision 4, 1990
 * (from memory): brightness is first order in the slopes, so F has one harmonic only. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "stage_scene.h"

#define PI 3.14159265358979323846

static test_allocator allocator;
static stage_scene scene;
static udg_upright upright;
static udg_light *light;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_aim(&scene, 60.0, 0.2, 0.0);
  stage_strike(&scene);
  return udg_upright_create(&scene.settings, scene.reference, 0, &upright, NULL) != UDG_OK ||
         udg_light_create(&scene.settings, &upright, &light, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  udg_light_destroy(light);
  udg_upright_destroy(&upright);
  stage_close(&scene);
  return 0;
}

static void fit(void) {
  assert_int_equal(
      udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
  assert_int_equal(udg_light_fit(light, &upright, NULL), UDG_OK);
}

static double turn_between(double a, double b) {
  return fabs(remainder(a - b, 2.0 * PI));
}

/* S.d. of the misfit and of the photo's own relief, within a shoulder's width of the digits. */
static double misfit_share(void) {
  double rest = 0.0, all = 0.0, mean = 0.0, n = 0.0;
  for (int pass = 0; pass < 2; pass++)
    for (size_t i = 0; i < (size_t)upright.width * (size_t)upright.height; i++) {
      if (upright.distance.v[i] < -2.0f || upright.usable.v[i] <= 0.0f)
        continue;
      double g = (double)upright.grey.v[i], m = (double)light->model.v[i];
      if (pass == 0) {
        mean += g;
        n += 1.0;
      } else {
        rest += (g - m) * (g - m);
        all += (g - mean / n) * (g - mean / n);
      }
    }
  return sqrt(rest / all);
}

/* 24 azimuths, the photo turned against the date plane: the azimuth is told in the date plane.
 * Bound: 2 degrees without noise, linear or matt. */
static void azimuth_is_right_all_round(void **state) {
  (void)state;
  for (int lamp = STAGE_LINEAR; lamp <= STAGE_LAMBERT; lamp++)
    for (int k = 0; k < 24; k++) {
      double azimuth = 2.0 * PI * k / 24.0;
      stage_expose(&scene, (stage_lamp)lamp, azimuth, 60.0, 0.5, 0.0);
      fit();
      assert_true(turn_between(light->azimuth_rad, azimuth) < 2.0 * PI / 180.0);
      assert_true(light->directional_share > 0.75);
    }
}

/* With noise of 10 levels on edges of 55 the azimuth stays within 2 degrees rms. */
static void azimuth_stands_noise(void **state) {
  (void)state;
  double square = 0.0;
  for (int k = 0; k < 12; k++) {
    double azimuth = 2.0 * PI * (k + 0.3) / 12.0;
    stage_expose(&scene, STAGE_LINEAR, azimuth, 60.0, 0.5, 10.0);
    fit();
    square += pow(turn_between(light->azimuth_rad, azimuth), 2) / 12.0;
    /* Resampling takes some of the noise away. */
    assert_true(light->rms > 5.0 && light->rms < 10.5);
  }
  assert_true(sqrt(square) < 2.0 * PI / 180.0);
}

/* A linear image leaves next to nothing, and its even harmonics are empty. */
static void linear_shading_is_matched(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, 0.9, 60.0, 0.5, 0.0);
  fit();
  assert_true(misfit_share() < 0.15);
  assert_true(light->rms < 2.0);
  assert_true(light->directional_share > 0.97);
  /* F over the middle of the shoulder turns with the cosine of the lamp's angle. */
  int step =
      (int)((0.5 - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) * (UDG_LIGHT_STEPS - 1) +
            0.5);
  double most = 0.0;
  for (int n = 0; n < UDG_LIGHT_ANGLES; n++)
    most = fmax(most, fabs((double)light->odd[step][n]));
  for (int n = 0; n < UDG_LIGHT_ANGLES; n++) {
    double expected = -cos(2.0 * PI * n / UDG_LIGHT_ANGLES - 0.9);
    test_near((double)light->odd[step][n] / most, expected, 0.12);
    assert_true(fabs((double)light->even[step][n]) < 0.15 * most);
  }
  /* 60 levels at slope 1, 1.5 relief / bevel at the steepest, less what the blur takes. */
  double steepest = 60.0 * 1.5 * STAGE_RELIEF_UM / STAGE_BEVEL_UM;
  assert_true(light->peak > 0.6 * steepest && light->peak < 1.05 * steepest);
}

/* A ring of lamps has no direction: all that shows is even. */
static void a_ring_has_no_direction(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_RING, 0.0, 300.0, 0.5, 1.0);
  fit();
  assert_true(light->directional_share < 0.05);
  assert_true(misfit_share() < 0.4);
}

/* A bright scratch over 5 % of the pixels the fit looks at changes neither azimuth nor model;
 * a plain least-squares fit would follow it. */
static void a_scratch_is_left_out(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, -2.2, 60.0, 0.5, 2.0);
  fit();
  double azimuth = light->azimuth_rad, peak = light->peak;
  size_t marked = 0, looked_at = 0;
  for (int y = 0; y < upright.height; y++)
    for (int x = 0; x < upright.width; x++) {
      size_t at = (size_t)y * (size_t)upright.width + (size_t)x;
      if (upright.distance.v[at] < -12.0f)
        continue;
      looked_at++;
      /* Parallel straight bands across the date. */
      double off = remainder(y - 0.25 * x, 60.0);
      if (fabs(off) < 1.5) {
        upright.grey.v[at] = 235.0f;
        marked++;
      }
    }
  assert_true(marked > looked_at / 25 && marked < looked_at / 16);
  assert_int_equal(udg_light_fit(light, &upright, NULL), UDG_OK);
  assert_true(turn_between(light->azimuth_rad, azimuth) < 1.5 * PI / 180.0);
  assert_true(fabs(light->peak - peak) < 0.08 * peak);
  /* The scratch stays in the misfit. */
  double left = 0.0, n = 0.0;
  for (size_t i = 0; i < (size_t)upright.width * (size_t)upright.height; i++)
    if (upright.grey.v[i] == 235.0f) {
      left += 235.0 - (double)light->model.v[i];
      n += 1.0;
    }
  assert_true(left / n > 85.0);
}

/* Toning and falling off of the light belong to the ground, not to the edges. */
static void the_ground_is_told_apart(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, 0.5, 60.0, 0.5, 0.0);
  for (int y = 0; y < scene.photo.height; y++)
    for (int x = 0; x < scene.photo.width; x++)
      udg_plane_row(&scene.photo, y)[x] +=
          (float)(0.15 * x - 0.1 * y - 10.0 + 4e-3 * (y - 80.0) * (y - 80.0));
  fit();
  assert_true(turn_between(light->azimuth_rad, 0.5) < 2.0 * PI / 180.0);
  assert_true(light->rms < 2.5);
  assert_true(light->directional_share > 0.95);
}

static void a_flat_photo_has_no_edges(void **state) {
  (void)state;
  for (size_t i = 0; i < (size_t)scene.photo.width * (size_t)scene.photo.height; i++)
    scene.photo.v[i] = 90.0f;
  fit();
  assert_true(light->peak < 0.05);
  assert_true(isfinite(light->directional_share) && isfinite(light->azimuth_rad));
  for (size_t i = 0; i < (size_t)upright.width * (size_t)upright.height; i++)
    if (upright.distance.v[i] > -12.0f)
      test_near(light->model.v[i], 90.0, 0.2);
}

static void too_few_pixels_are_an_error(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, 0.5, 60.0, 0.5, 0.0);
  assert_int_equal(
      udg_upright_make(&upright, udg_photo_of(&scene.photo), &scene.registration, NULL), UDG_OK);
  memset(upright.usable.v, 0, sizeof(float) * (size_t)upright.width * (size_t)upright.height);
  udg_message message = {""};
  assert_int_equal(udg_light_fit(light, &upright, &message), UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "too little"));
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0;
  udg_light_destroy(NULL);
  for (size_t n = 1; n < 50; n++) {
    udg_light *other = NULL;
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_light_create(&scene.settings, &upright, &other, NULL);
    allocator.fail_at = 0;
    if (status == UDG_OK) {
      udg_light_destroy(other);
      break;
    }
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_null(other);
    assert_int_equal(allocator.live, before);
    failed++;
  }
  assert_int_equal(allocator.live, before);
  assert_true(failed >= 7);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(azimuth_is_right_all_round),  cmocka_unit_test(azimuth_stands_noise),
      cmocka_unit_test(linear_shading_is_matched),   cmocka_unit_test(a_ring_has_no_direction),
      cmocka_unit_test(a_scratch_is_left_out),       cmocka_unit_test(the_ground_is_told_apart),
      cmocka_unit_test(a_flat_photo_has_no_edges),   cmocka_unit_test(too_few_pixels_are_an_error),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
