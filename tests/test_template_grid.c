/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>

#include <cmocka.h>

#include "plane.h"
#include "support.h"
#include "template_grid.h"

enum { W = 71, H = 53, COLUMNS = 9, ROWS = 7, POINTS = COLUMNS * ROWS };

static udg_settings settings;

static udg_plane make(int width, int height) {
  udg_plane p = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &p), UDG_OK);
  return p;
}

static udg_plane noise(void) {
  udg_plane p = make(W, H);
  uint64_t seed = 5;
  for (int i = 0; i < W * H; i++)
    p.v[i] = (float)test_random(&seed) / 4294967296.0f - 0.5f;
  return p;
}

/* From the rim, where blur is mirrored, to the other. */
static void places(int size, int count, double *at) {
  for (int k = 0; k < count; k++)
    at[k] = 0.6 + (size - 1.3) * k / (count - 1);
}

/* One sum for each line does what blurring the plane and sampling it does, at the rim as well. */
static void sums_are_blur_and_samples(void **state) {
  (void)state;
  const double sigmas[] = {0.0, 0.8, 4.3, 30.0}, px_per_mm = 3.0;
  for (int n = 0; n < 4; n++) {
    double at_x[COLUMNS], at_y[ROWS];
    int16_t x[POINTS], y[POINTS];
    udg_grid_axis columns, lines;
    udg_grid_sample samples[POINTS];
    udg_plane p = noise(), rows = make(W, 2 * ROWS), scratch = make(W, H);
    places(W, COLUMNS, at_x);
    places(H, ROWS, at_y);
    for (int i = 0; i < POINTS; i++) {
      x[i] = (int16_t)(i % COLUMNS);
      y[i] = (int16_t)(i / COLUMNS);
    }
    assert_int_equal(
        udg_grid_axis_create(&settings, at_x, COLUMNS, W, sigmas[n], px_per_mm, &columns), UDG_OK);
    assert_int_equal(udg_grid_axis_create(&settings, at_y, ROWS, H, sigmas[n], px_per_mm, &lines),
                     UDG_OK);
    udg_grid_rows(&lines, &p, &rows);
    udg_grid_samples(&columns, &rows, x, y, POINTS, samples);
    udg_plane_blur(&p, sigmas[n], &scratch);
    for (int i = 0; i < POINTS; i++) {
      double u = at_x[x[i]], v = at_y[y[i]], half = px_per_mm / 2.0;
      int inside = u > 1.5 && v > 1.5 && u < W - 1.5 && v < H - 1.5;
      test_near(samples[i].value, udg_plane_sample(&p, u, v), 1e-5);
      if (!inside)
        continue; /* two px out a sample repeats the rim, and blur mirrors it */
      double across =
          (double)udg_plane_sample(&p, u + 1.0, v) - (double)udg_plane_sample(&p, u - 1.0, v);
      double down =
          (double)udg_plane_sample(&p, u, v + 1.0) - (double)udg_plane_sample(&p, u, v - 1.0);
      test_near(samples[i].slope_x, half * across, 1e-5);
      test_near(samples[i].slope_y, half * down, 1e-5);
    }
    udg_grid_axis_destroy(&settings, &lines);
    udg_grid_axis_destroy(&settings, &columns);
    udg_plane_destroy(&settings, &scratch);
    udg_plane_destroy(&settings, &rows);
    udg_plane_destroy(&settings, &p);
  }
}

static void lines_outside_are_nothing(void **state) {
  (void)state;
  const double at[3] = {-0.1, 10.0, 20.1};
  udg_grid_axis axis;
  assert_int_equal(udg_grid_axis_create(&settings, at, 3, 20, 1.0, 1.0, &axis), UDG_OK);
  for (int k = 0; k < 3; k++) {
    double sum = 0.0;
    for (int t = 0; t < axis.taps; t++)
      sum += (double)axis.value[k * axis.taps + t];
    test_near(sum, k == 1 ? 1.0 : 0.0, 1e-6);
    assert_true(axis.first[k] >= 0 && axis.first[k] + axis.taps <= 20);
  }
  udg_grid_axis_destroy(&settings, &axis);
}

static int set_up(void **state) {
  (void)state;
  udg_settings_resolve(&settings, NULL);
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sums_are_blur_and_samples),
      cmocka_unit_test(lines_outside_are_nothing),
  };
  return cmocka_run_group_tests(tests, set_up, NULL);
}
