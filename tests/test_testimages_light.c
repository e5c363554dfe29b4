/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The generator's light: shading against its first order, lamps, noise. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "lamp.h"
#include "made.h"

#define PI 3.141592653589793

static int set_up(void **state) {
  return made_set_up(state, "vellacombe");
}

/* A matt bump under a lamp against its first order: the misfit goes with the
 * square of the slope (Pentland, Int. J. Computer Vision 4, 1990). */
static void linear_shading_errs_with_the_square_of_the_slope(void **state) {
  (void)state;
  ti_camera camera = {0};
  double last = 0;
  for (int step = 0; step < 4; step++) {
    double slope = 0.2 / (1 << step), sum = 0;
    ti_lamp lamp = {.azimuth_rad = 0.7, .elevation_rad = 0.8};
    double l[3];
    ti_lamp_direction(&lamp, &camera, l);
    for (int j = -20; j <= 20; j++)
      for (int i = -20; i <= 20; i++) {
        double x = 0.1 * i, y = 0.1 * j, g = slope * exp(-0.5 * (x * x + y * y));
        double misfit = ti_lamp_lambert(l, -x * g, -y * g) - ti_lamp_linear(l, -x * g, -y * g);
        sum += misfit * misfit;
      }
    double rms = sqrt(sum);
    if (step)
      assert_true(fabs(last / rms - 4) < 0.1);
    last = rms;
  }
}

/* Pentland's linear image: a wave of the height becomes the same wave a quarter
 * ahead, I_F = i (w_x cos t + w_y sin t) cos(elevation) H_F up to the sign that
 * the direction of slopes has; for every azimuth of the lamp. */
static void linear_shading_turns_waves_by_a_quarter(void **state) {
  made *b = *state;
  enum { N = 64 };
  ti_scene scene;
  memset(&scene, 0, sizeof scene);
  for (int a = 0; a < 24; a++) {
    scene.light.lamp_count = 1;
    scene.light.lamps[0] = (ti_lamp){.azimuth_rad = 2 * PI * a / 24, .elevation_rad = 0.6};
    double wx = 2 * PI * 3 / N, wy = 2 * PI * 2 / N, ahead = 0, along = 0, flat = 0;
    ti_field field = {.px_per_mm = 10};
    udg_plane light = {0};
    assert_int_equal(udg_plane_create(&b->settings, N + 2, N + 2, &field.h), UDG_OK);
    for (int y = 0; y < N + 2; y++)
      for (int x = 0; x < N + 2; x++)
        udg_plane_row(&field.h, y)[x] = (float)(0.01 * cos(wx * x + wy * y));
    assert_int_equal(ti_shade_linear(&b->settings, &scene, &field, 100, &light), UDG_OK);
    for (int y = 1; y <= N; y++)
      for (int x = 1; x <= N; x++) {
        double v = udg_plane_row(&light, y)[x] - 128, phase = wx * x + wy * y;
        ahead += 2 * v * sin(phase) / (N * N);
        along += 2 * v * cos(phase) / (N * N);
        flat += v / (N * N);
      }
    /* Slopes by central differences: sin(w) for w. */
    double t = 2 * PI * a / 24, towards = sin(wx) * cos(t) + sin(wy) * sin(t);
    assert_float_equal(along, 0, 0.2);
    assert_float_equal(flat, 0, 0.2);
    assert_float_equal(ahead, towards > 0 ? 50 : -50, 2.0);
    udg_plane_destroy(&b->settings, &light);
    udg_plane_destroy(&b->settings, &field.h);
  }
}

static void lamp_above_leaves_no_linear_shading(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  ti_pixels pixels = {0};
  o.overhead = 1;
  o.ideal_noise = 0;
  ti_scene_draw(b->reference, &o, 5, 0, 0, 0, &scene);
  assert_int_equal(ti_picture_draw(&b->shapes, &o, &scene, 1, &pixels), UDG_OK);
  for (int k = 0; k < pixels.width * pixels.height; k++)
    assert_int_equal(pixels.bytes[k], 128);
  udg_memory_drop(&b->settings, pixels.bytes);
}

static void ideal_noise_is_as_asked(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  ti_pixels pixels = {0};
  o.overhead = 1; /* a flat picture, noise alone */
  o.digit_px[0] = 120;
  o.ideal_noise = 10;
  ti_scene_draw(b->reference, &o, 5, 0, 0, 0, &scene);
  assert_int_equal(ti_picture_draw(&b->shapes, &o, &scene, 1, &pixels), UDG_OK);
  double sum = 0;
  int n = pixels.width * pixels.height;
  for (int k = 0; k < n; k++)
    sum += (pixels.bytes[k] - 128.0) * (pixels.bytes[k] - 128.0);
  /* Rounding adds 1/12; the deviation is known to 1 / sqrt(2 n). */
  assert_true(fabs(sqrt(sum / n) - sqrt(100 + 1.0 / 12)) < 5 * 10 / sqrt(2.0 * n));
  udg_memory_drop(&b->settings, pixels.bytes);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(linear_shading_errs_with_the_square_of_the_slope),
      cmocka_unit_test(linear_shading_turns_waves_by_a_quarter),
      cmocka_unit_test(lamp_above_leaves_no_linear_shading),
      cmocka_unit_test(ideal_noise_is_as_asked),
  };
  return cmocka_run_group_tests(tests, set_up, made_tear_down);
}
