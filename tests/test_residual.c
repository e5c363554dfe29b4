/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What is left of a photo after the lit model, against noise and grounds of known kind. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static stage_work work;
static size_t count;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 1);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 48.0, 0.0, 0.0); /* a photo px is an upright px */
  stage_strike(&scene);
  count = (size_t)work.upright.width * (size_t)work.upright.height;
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

/* Adds normal noise blurred to a correlation length. */
static void add_texture(double sigma_px, double levels) {
  udg_plane noise = {0}, scratch = {0};
  int w = scene.photo.width, h = scene.photo.height;
  assert_int_equal(udg_plane_create(&scene.settings, w, h, &noise), UDG_OK);
  assert_int_equal(udg_plane_create(&scene.settings, w, h, &scratch), UDG_OK);
  for (size_t i = 0; i < (size_t)w * (size_t)h; i++)
    noise.v[i] = (float)stage_normal(&scene);
  udg_plane_blur(&noise, sigma_px, &scratch);
  double square = 0.0;
  for (size_t i = 0; i < (size_t)w * (size_t)h; i++)
    square += (double)noise.v[i] * (double)noise.v[i];
  double gain = levels / sqrt(square / ((double)w * h));
  for (size_t i = 0; i < (size_t)w * (size_t)h; i++)
    scene.photo.v[i] += (float)(gain * (double)noise.v[i]);
  udg_plane_destroy(&scene.settings, &noise);
  udg_plane_destroy(&scene.settings, &scratch);
}

typedef struct field_moments {
  double variance, next; /* of `white`; correlation with the pixel to the right */
  size_t pixels;
} field_moments;

static field_moments look_at_field(const udg_plane *plane) {
  field_moments m = {0.0, 0.0, 0};
  int w = work.upright.width;
  for (size_t i = 0; i + 1 < count; i++) {
    if (work.upright.distance.v[i] > -6.0f || work.upright.distance.v[i + 1] > -6.0f ||
        (int)(i % (size_t)w) >= w - 9 || (int)(i % (size_t)w) < 8)
      continue;
    m.variance += (double)plane->v[i] * (double)plane->v[i];
    m.next += (double)plane->v[i] * (double)plane->v[i + 1];
    m.pixels++;
  }
  m.next /= m.variance;
  m.variance /= (double)m.pixels;
  return m;
}

/* Mean over all frequencies of S / (S + floor): 1 less what the floor takes. */
static double expected_variance(void) {
  double sum = 0.0;
  enum { SIDE = 64 };
  for (int j = 0; j < SIDE; j++)
    for (int i = 0; i < SIDE; i++) {
      double f = hypot((i + 0.5) / SIDE - 0.5, (j + 0.5) / SIDE - 0.5);
      double gain = udg_residual_whitening(work.residual, f);
      sum += 1.0 - work.residual->floor * gain * gain;
    }
  return sum / (SIDE * SIDE);
}

/* Grain of the metal, 7 levels, and 3 levels of the camera's own noise: neighbours that were up
 * to 0.8 alike no longer are, and the variance is 1 less what the floor under the spectrum
 * takes. */
static void texture_becomes_white(void **state) {
  (void)state;
  static const double grain[3] = {0.0, 0.7, 1.4};
  for (int k = 0; k < 3; k++) {
    stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, 3.0);
    add_texture(grain[k], 7.0);
    stage_subtract(&scene, &work);
    field_moments before = look_at_field(&work.residual->clean);
    field_moments after = look_at_field(&work.residual->white);
    print_message("grain %g px: variance %.3f (expected %.3f), neighbours %.3f (before %.3f)\n",
                  grain[k], after.variance, expected_variance(), after.next, before.next);
    assert_true(after.pixels > 4000);
    test_near(after.variance, expected_variance(), 0.08);
    assert_true(after.variance > (k < 2 ? 0.6 : 0.25));
    assert_true(fabs(after.next) < 0.4);
    assert_true(k == 0 || before.next > 2.0 * fabs(after.next));
    /* Robust s.d. of the field, in levels (7.6), less what the ground's removal takes. */
    assert_true(work.residual->noise > 6.0 && work.residual->noise < 8.2);
  }
}

/* Louder noise: the same whitened residual, so that scores compare between photos. */
static void noise_level_cancels(void **state) {
  (void)state;
  double variance[3];
  for (int k = 0; k < 3; k++) {
    stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, k == 0 ? 4.0 : k == 1 ? 8.0 : 16.0);
    stage_subtract(&scene, &work);
    variance[k] = look_at_field(&work.residual->white).variance;
    test_near(work.residual->noise / (k == 0 ? 4.0 : k == 1 ? 8.0 : 16.0), 0.95, 0.12);
  }
  test_near(variance[0] / variance[2], 1.0, 0.15);
  test_near(variance[1] / variance[2], 1.0, 0.15);
}

/* A slow change of the ground, 40 levels from side to side and a broad stain, is gone; a mark
 * as small as a stroke is not. */
static void the_ground_is_removed(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, 2.0);
  int w = scene.photo.width, h = scene.photo.height;
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      double u = (x - 0.3 * w) / 45.0, v = (y - 0.5 * h) / 45.0;
      double spot[2] = {x - 0.5 * w, y - 0.13 * h}; /* above the date, in the field */
      int mark = fabs(spot[0]) < 4.0 && fabs(spot[1]) < 4.0;
      udg_plane_row(&scene.photo, y)[x] +=
          (float)(40.0 * x / w + 12.0 * exp(-0.5 * (u * u + v * v)) + (mark ? 25.0 : 0.0));
    }
  stage_subtract(&scene, &work);
  double slow = 0.0, n = 0.0, mark = 0.0, m = 0.0;
  int left = 0;
  for (int y = 0; y < work.upright.height; y++)
    for (int x = 0; x < work.upright.width; x++) {
      size_t i = (size_t)y * (size_t)work.upright.width + (size_t)x;
      if (work.residual->mask.v[i] <= 0.0f)
        continue;
      double mm[2], px[2];
      mm[0] = (x + 0.5 - work.upright.origin_px[0]) / work.upright.px_per_mm;
      mm[1] = (y + 0.5 - work.upright.origin_px[1]) / work.upright.px_per_mm;
      udg_homography_apply(&scene.registration.date_to_photo, mm[0], mm[1], &px[0], &px[1]);
      if (fabs(px[0] - 0.5 * w) < 3.0 && fabs(px[1] - 0.13 * h) < 3.0) {
        mark += (double)work.residual->clean.v[i];
        m += 1.0;
      } else if (fabs(px[0] - 0.5 * w) > 30.0) {
        slow += (double)work.residual->clean.v[i];
        n += 1.0;
        left += fabs((double)work.residual->clean.v[i]) > 10.0;
      }
    }
  assert_true(m > 20.0 && n > 5000.0);
  test_near(slow / n, 0.0, 0.5);
  assert_true(left < n / 50.0);
  assert_true(mark / m > 15.0);
}

/* Present digits, a pixel around them, and what is not usable have no weight and no residual;
 * everything else has some. */
static void present_digits_are_masked(void **state) {
  (void)state;
  stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, 5.0);
  for (int y = 0; y < 40; y++)
    for (int x = 0; x < 40; x++)
      udg_plane_row(&scene.photo, y)[scene.photo.width / 2 + x] = 255.0f;
  stage_subtract(&scene, &work);
  size_t masked = 0, open = 0, blown = 0;
  for (size_t i = 0; i < count; i++) {
    int is_open = work.upright.usable.v[i] > 0.0f && work.upright.distance.v[i] < -1.0f;
    if (is_open) {
      assert_true(work.residual->weight.v[i] > 0.0f && work.residual->weight.v[i] <= 1.0f / 0.3f);
      open++;
    } else {
      assert_true(work.residual->weight.v[i] == 0.0f && work.residual->clean.v[i] == 0.0f);
      masked++;
    }
    blown += is_open && udg_upright_blown(&work.upright, i);
  }
  assert_true(masked > 3000 && open > 10000 && blown > 500);
}

/* Mean of the residual over the open blown-out pixels of a block of 255 on the field, with the
 * model raised by so much. */
static double blown_residual(float raised) {
  stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, 5.0);
  for (int y = 0; y < 12; y++)
    for (int x = 0; x < 12; x++)
      udg_plane_row(&scene.photo, y + 4)[scene.photo.width / 2 + x] = 255.0f;
  stage_subtract(&scene, &work);
  for (size_t i = 0; i < count; i++)
    if (udg_upright_blown(&work.upright, i))
      work.light->model.v[i] += raised;
  assert_int_equal(udg_residual_make(work.residual, &work.upright, work.light, NULL), UDG_OK);
  double sum = 0.0, n = 0.0;
  for (size_t i = 0; i < count; i++) {
    if (!udg_upright_blown(&work.upright, i) || work.residual->weight.v[i] <= 0.0f)
      continue;
    sum += (double)work.residual->clean.v[i];
    n += 1.0;
  }
  assert_true(n > 30.0);
  return sum / n;
}

/* What is blown out was at least so bright: where the model is darker that is told, where it is
 * brighter still they agree. */
static void blown_out_tells_one_way(void **state) {
  (void)state;
  assert_true(blown_residual(0.0f) > 20.0);
  assert_true(fabs(blown_residual(1000.0f)) < 3.0);
}

/* Misfit beside the digits lowers the weight there and nowhere else: the photo's digits are
 * struck wider than the reference has them. */
static void weights_fall_where_the_model_fails(void **state) {
  (void)state;
  double mean[2][2] = {{0.0, 0.0}, {0.0, 0.0}}, n[2] = {0.0, 0.0};
  for (int k = 0; k < 2; k++) {
    stage_strike(&scene);
    for (int i = 0; k == 1 && i < 4; i++)
      for (int side = -1; side <= 1; side += 2) {
        stage_digit d = stage_present(&scene, i);
        d.centre_mm[0] += side * (0.08 + 0.03 * i);
        d.centre_mm[1] += 0.05 * (i - 1.5);
        stage_lay(&scene, &d);
      }
    stage_expose(&scene, STAGE_LINEAR, 0.8, 80.0, 0.6, 3.0);
    stage_subtract(&scene, &work);
    n[0] = n[1] = 0.0;
    for (size_t i = 0; i < count; i++) {
      float d = work.upright.distance.v[i];
      int band = d < -12.0f ? 0 : d > -2.5f && d < -1.0f ? 1 : -1;
      if (band < 0 || work.residual->mask.v[i] <= 0.0f)
        continue;
      mean[k][band] += (double)work.residual->weight.v[i];
      n[band] += 1.0;
    }
    mean[k][0] /= n[0];
    mean[k][1] /= n[1];
  }
  stage_strike(&scene);
  assert_true(mean[0][1] > 0.3 * mean[0][0]);
  assert_true(mean[1][1] < 0.4 * mean[0][1]);
  assert_true(mean[1][0] > 0.5 * mean[0][0]);
}

/* 1 - exp(-2 pi^2 s^2 f^2) with s = 0.25 of 48 px; at f = 1 / (2 pi s) it is 1 - exp(-1/2). */
static void gains_follow_their_formulas(void **state) {
  (void)state;
  test_near(udg_residual_highpass(0.0), 0.0, 1e-15);
  test_near(udg_residual_highpass(1.0 / (2.0 * 3.14159265358979 * 12.0)), 0.39346934, 1e-6);
  test_near(udg_residual_highpass(0.5), 1.0, 1e-9);
  stage_expose(&scene, STAGE_LINEAR, 0.8, 60.0, 0.6, 0.0);
  add_texture(1.2, 8.0); /* power falls with frequency: the gain rises */
  stage_subtract(&scene, &work);
  double last = 0.0;
  for (double f = 0.04; f < 0.4; f += 0.05) {
    double gain = udg_residual_whitening(work.residual, f);
    assert_true(gain > 0.95 * last && isfinite(gain));
    last = gain;
  }
  assert_true(last > 2.0 * udg_residual_whitening(work.residual, 0.05));
  assert_true(isfinite(udg_residual_whitening(work.residual, 0.0)));
  assert_true(isfinite(udg_residual_whitening(work.residual, 10.0)));
}

/* No noise at all: nothing divides by it. */
static void silence_is_no_trouble(void **state) {
  (void)state;
  for (size_t i = 0; i < (size_t)scene.photo.width * (size_t)scene.photo.height; i++)
    scene.photo.v[i] = 100.0f;
  stage_subtract(&scene, &work);
  for (size_t i = 0; i < count; i++) {
    assert_true(isfinite(work.residual->white.v[i]) && fabsf(work.residual->white.v[i]) < 1.0f);
    assert_true(isfinite(work.residual->weight.v[i]));
  }
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0;
  udg_residual_destroy(NULL);
  for (size_t n = 1; n < 50; n++) {
    udg_residual *other = NULL;
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_residual_create(&scene.settings, &work.upright, work.fft, &other, NULL);
    allocator.fail_at = 0;
    if (status == UDG_OK) {
      udg_residual_destroy(other);
      break;
    }
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_int_equal(allocator.live, before);
    failed++;
  }
  assert_int_equal(allocator.live, before);
  assert_true(failed >= 8);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(texture_becomes_white),
      cmocka_unit_test(noise_level_cancels),
      cmocka_unit_test(the_ground_is_removed),
      cmocka_unit_test(present_digits_are_masked),
      cmocka_unit_test(blown_out_tells_one_way),
      cmocka_unit_test(weights_fall_where_the_model_fails),
      cmocka_unit_test(gains_follow_their_formulas),
      cmocka_unit_test(silence_is_no_trouble),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
