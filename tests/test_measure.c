/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include <underdigit/image.h>

#include "image_internal.h"
#include "measure.h"
#include "support.h"

enum { WIDTH = 600, HEIGHT = 260 };

static udg_settings settings;
static const udg_box EVERYTHING = {0, 0, 100000, 100000};

static double unit(uint64_t *state) {
  return (test_random(state) + 0.5) / 4294967296.0;
}

/* Box-Muller. */
static double normal(uint64_t *state) {
  double r = sqrt(-2.0 * log(unit(state)));
  return r * cos(6.283185307179586 * unit(state));
}

static udg_plane make(int width, int height) {
  udg_plane plane = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &plane), UDG_OK);
  return plane;
}

/* Step of a Gaussian-blurred edge. */
static double rise(double u, double sigma) {
  return 0.5 * (1.0 + erf(u / (sigma * sqrt(2.0))));
}

typedef enum picture { SLANTED, SQUARES, RINGS, FLAT } picture;

static double level(picture kind, double x, double y, double sigma) {
  double v = 80.0;
  if (kind == SLANTED) {
    double turn = 5.0 * 3.141592653589793 / 180.0;
    v += 100.0 * rise((x - 0.5 * WIDTH) * cos(turn) + (y - 0.5 * HEIGHT) * sin(turn), sigma);
  } else if (kind == SQUARES) {
    for (int k = 0; k < 5; k++) {
      double turn = 0.12 + 0.26 * k, dx = x - 60.0 - 120.0 * k, dy = y - 0.5 * HEIGHT;
      double a = dx * cos(turn) + dy * sin(turn), b = dy * cos(turn) - dx * sin(turn);
      v += (40.0 + 20.0 * k) * (rise(a + 35.0, sigma) - rise(a - 35.0, sigma)) *
           (rise(b + 35.0, sigma) - rise(b - 35.0, sigma));
    }
  } else if (kind == RINGS) {
    double r = hypot(x - 0.5 * WIDTH, y - 0.5 * HEIGHT);
    for (int k = 1; k <= 4; k++)
      v += 60.0 * (rise(r - 30.0 * k, sigma) - rise(r - 30.0 * k - 15.0, sigma));
  }
  return v;
}

/* 8-bit levels, as a photo has them. */
static udg_plane draw(picture kind, double sigma, double noise, uint64_t seed) {
  udg_plane plane = make(WIDTH, HEIGHT);
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH; x++) {
      double v = level(kind, x + 0.5, y + 0.5, sigma) + noise * normal(&seed);
      udg_plane_row(&plane, y)[x] = (float)fmin(fmax(floor(v + 0.5), 0.0), 255.0);
    }
  return plane;
}

static void assert_within(double value, double truth, double share) {
  if (!(fabs(value - truth) <= share * truth))
    fail_msg("%g is not within %g %% of %g", value, 100.0 * share, truth);
}

/* Immerkaer 1996: the mask answers no ramp. */
static void test_ramp_has_no_noise(void **state) {
  (void)state;
  udg_plane plane = make(128, 96);
  for (int y = 0; y < 96; y++)
    for (int x = 0; x < 128; x++)
      udg_plane_row(&plane, y)[x] = 3.0f + (float)x + 0.5f * (float)y;
  udg_noise noise;
  udg_measure_noise(&plane, &EVERYTHING, &noise);
  assert_true(noise.blocks > 0);
  assert_true(noise.sigma == 0.0 && noise.coarse == 0.0 && noise.whole == 0.0);
  udg_plane_destroy(&settings, &plane);
}

/* 512 x 512 of normal noise of 10: the formula of Immerkaer 1996 gives 9.945 for one such
 * picture made with NumPy; its s.d. over pictures is 0.25 %, found by simulation. */
static void test_whole_is_the_printed_formula(void **state) {
  (void)state;
  udg_plane plane = make(512, 512);
  uint64_t seed = 7;
  for (size_t i = 0; i < 512 * 512; i++)
    plane.v[i] = (float)(128.0 + 10.0 * normal(&seed));
  double sum = 0.0;
  static const double mask[9] = {1, -2, 1, -2, 4, -2, 1, -2, 1};
  for (int y = 1; y < 511; y++)
    for (int x = 1; x < 511; x++) {
      double answer = 0.0;
      for (int k = 0; k < 9; k++)
        answer += mask[k] * (double)udg_plane_row(&plane, y + k / 3 - 1)[x + k % 3 - 1];
      sum += fabs(answer);
    }
  double printed = sqrt(acos(-1.0) / 2.0) / (6.0 * 510.0 * 510.0) * sum;
  udg_noise noise;
  udg_measure_noise(&plane, &EVERYTHING, &noise);
  assert_within(noise.whole, printed, 0.004);
  assert_within(noise.whole, 9.945, 0.01);
  assert_within(noise.sigma, 10.0, 0.02);
  assert_within(noise.coarse, 10.0, 0.04);
  udg_plane_destroy(&settings, &plane);
}

/* Rounding to whole levels adds 1/12 to the variance. */
static void test_noise_beside_edges(void **state) {
  (void)state;
  static const double sigmas[] = {1.0, 2.0, 3.5, 5.0, 10.0};
  for (picture kind = SLANTED; kind <= FLAT; kind++)
    for (size_t i = 0; i < 5; i++) {
      udg_plane plane = draw(kind, 0.7, sigmas[i], 11 + i);
      udg_noise noise;
      udg_measure_noise(&plane, &EVERYTHING, &noise);
      assert_within(noise.sigma, sqrt(sigmas[i] * sigmas[i] + 1.0 / 12.0), 0.05);
      udg_plane_destroy(&settings, &plane);
    }
}

/* A third of the picture is rough: the calm parts still say what the noise is. */
static void test_noise_beside_texture(void **state) {
  (void)state;
  udg_plane plane = draw(SQUARES, 0.7, 3.0, 5);
  uint64_t seed = 99;
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH / 3; x++)
      udg_plane_row(&plane, y)[x] += (float)(12.0 * normal(&seed));
  udg_noise noise;
  udg_measure_noise(&plane, &EVERYTHING, &noise);
  assert_within(noise.sigma, sqrt(9.0 + 1.0 / 12.0), 0.05);
  assert_true(noise.whole > 4.5);
  udg_plane_destroy(&settings, &plane);
}

/* Coarse quantiser steps take the finest noise away, and it is gone; means of 2 x 2 px keep
 * more of it. */
static void test_noise_of_a_jpeg(void **state) {
  (void)state;
  static const struct {
    int quality;
    double fine_low, fine_high, coarse_low, coarse_high;
  } cases[] = {{98, 4.7, 5.3, 4.7, 5.3}, {75, 0.5, 1.5, 2.3, 5.0}};
  udg_plane plane = draw(SQUARES, 0.8, 5.0, 3);
  uint8_t *pixels = malloc(WIDTH * HEIGHT);
  assert_non_null(pixels);
  for (size_t i = 0; i < WIDTH * HEIGHT; i++)
    pixels[i] = (uint8_t)plane.v[i];
  for (size_t k = 0; k < 2; k++) {
    test_jpeg how = {.pixels = pixels,
                     .width = WIDTH,
                     .height = HEIGHT,
                     .colours = TEST_GREY,
                     .quality = cases[k].quality,
                     .baseline_tables = 1};
    test_bytes file = test_make_jpeg(&how);
    udg_image *image = NULL;
    assert_int_equal(udg_image_from_memory(&settings, file.bytes, file.count, NULL, &image, NULL),
                     UDG_OK);
    for (size_t i = 0; i < WIDTH * HEIGHT; i++)
      plane.v[i] = (float)image->grey[i];
    udg_noise noise;
    udg_measure_noise(&plane, &EVERYTHING, &noise);
    print_message("quality %d: noise %.2f, coarse %.2f of 5\n", cases[k].quality, noise.sigma,
                  noise.coarse);
    assert_true(noise.sigma > cases[k].fine_low && noise.sigma < cases[k].fine_high);
    assert_true(noise.coarse > cases[k].coarse_low && noise.coarse < cases[k].coarse_high);
    udg_image_destroy(image);
    test_bytes_free(&file);
  }
  free(pixels);
  udg_plane_destroy(&settings, &plane);
}

static void test_blur_of_edges(void **state) {
  (void)state;
  static const double sigmas[] = {0.6, 0.8, 1.0, 1.5, 2.0, 2.5, 3.0}, noises[] = {0.0, 2.0, 5.0};
  for (picture kind = SLANTED; kind <= RINGS; kind++)
    for (size_t i = 0; i < 7; i++)
      for (size_t k = 0; k < 3; k++) {
        udg_plane plane = draw(kind, sigmas[i], noises[k], 17 + i);
        udg_blur blur;
        udg_measure_blur(&plane, &EVERYTHING, noises[k], &blur);
        assert_true(blur.edges >= 3);
        assert_within(blur.sigma_px, sigmas[i], 0.1);
        assert_true(fabs(blur.sigma_px - sigmas[i]) < 4.0 * blur.error_px + 0.02);
        udg_plane_destroy(&settings, &plane);
      }
}

/* The sharpest edges count, not the many soft ones that are as steep for their height. */
static void test_blur_of_the_sharpest(void **state) {
  (void)state;
  udg_plane plane = draw(SQUARES, 1.0, 2.0, 1), soft = draw(SQUARES, 2.6, 2.0, 2);
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 240; x < WIDTH; x++)
      udg_plane_row(&plane, y)[x] = udg_plane_row(&soft, y)[x];
  udg_blur blur;
  udg_measure_blur(&plane, &EVERYTHING, 2.0, &blur);
  assert_true(blur.edges >= 3);
  assert_within(blur.sigma_px, 1.0, 0.1);
  udg_box right = {240, 0, WIDTH, HEIGHT};
  udg_measure_blur(&plane, &right, 2.0, &blur);
  assert_within(blur.sigma_px, 2.6, 0.1);
  udg_plane_destroy(&settings, &plane);
  udg_plane_destroy(&settings, &soft);
}

enum { PROFILE = 400 }; /* samples of 0.1 px */

/* ISO 12233: pixels of a slanted edge sorted by their distance to it make an
 * edge profile finer than the pixels. */
static void edge_profile(const udg_plane *plane, double *profile) {
  double number[PROFILE] = {0.0}, turn = 5.0 * 3.141592653589793 / 180.0;
  for (int k = 0; k < PROFILE; k++)
    profile[k] = 0.0;
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH; x++) {
      double u = (x + 0.5 - 0.5 * WIDTH) * cos(turn) + (y + 0.5 - 0.5 * HEIGHT) * sin(turn);
      int k = (int)floor(10.0 * u) + PROFILE / 2;
      if (k < 0 || k >= PROFILE)
        continue;
      profile[k] += (double)udg_plane_row(plane, y)[x];
      number[k] += 1.0;
    }
  for (int k = 0; k < PROFILE; k++) {
    assert_true(number[k] > 0.0);
    profile[k] = (profile[k] / number[k] - 80.0) / 100.0;
  }
}

static double crossing_px(const double *profile, double at) {
  for (int k = 1; k < PROFILE; k++)
    if (profile[k - 1] < at && profile[k] >= at)
      return 0.1 * (k - 1 + (at - profile[k - 1]) / (profile[k] - profile[k - 1]));
  return NAN;
}

/* |Fourier transform| of the profile's derivative. */
static double modulation(const double *profile, double frequency) {
  double re = 0.0, im = 0.0;
  for (int k = 1; k < PROFILE; k++) {
    double line = profile[k] - profile[k - 1], angle = 6.283185307179586 * frequency * 0.1 * k;
    re += line * cos(angle);
    im += line * sin(angle);
  }
  return hypot(re, im);
}

/* MTF = exp(-2 pi^2 s^2 f^2): MTF50 = 0.187391 / s, 10-90 % = 2.563103 s (computed with SciPy
 * 1.10.1: sqrt(ln 2 / 2) / pi and 2 norm.ppf(0.9)). */
static void test_blur_against_the_profile(void **state) {
  (void)state;
  assert_within(sqrt(log(2.0) / 2.0) / acos(-1.0), UDG_MTF50_SIGMA, 1e-5);
  static const double sigmas[] = {0.9, 1.7, 2.8};
  for (size_t i = 0; i < 3; i++) {
    udg_plane plane = draw(SLANTED, sigmas[i], 0.0, 1);
    double profile[PROFILE];
    edge_profile(&plane, profile);
    udg_blur blur;
    udg_measure_blur(&plane, &EVERYTHING, 0.0, &blur);
    double rise_px = crossing_px(profile, 0.9) - crossing_px(profile, 0.1);
    assert_within(UDG_RISE_SIGMA * blur.sigma_px, rise_px, 0.03);
    assert_within(modulation(profile, UDG_MTF50_SIGMA / blur.sigma_px), 0.5, 0.05);
    udg_plane_destroy(&settings, &plane);
  }
}

/* Stripes so close that none has a level of its own. */
static udg_plane draw_stripes(double noise) {
  udg_plane plane = make(WIDTH, HEIGHT);
  uint64_t seed = 4;
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH; x++)
      udg_plane_row(&plane, y)[x] =
          (float)(128.0 + 50.0 * sin(0.9 * x + 0.2 * y) + noise * normal(&seed));
  return plane;
}

static void assert_untold(const udg_plane *plane, const udg_box *box, double noise) {
  udg_blur blur;
  udg_measure_blur(plane, box, noise, &blur);
  assert_int_equal(blur.edges, 0);
  assert_true(blur.sigma_px == 0.0 && blur.error_px == 0.0);
}

static void test_blur_that_cannot_be_told(void **state) {
  (void)state;
  udg_plane flat = draw(FLAT, 1.0, 4.0, 1), stripes = draw_stripes(2.0);
  assert_untold(&flat, &EVERYTHING, 4.0);
  assert_untold(&stripes, &EVERYTHING, 2.0);
  udg_blur blur;
  udg_measure_blur(&flat, &EVERYTHING, 4.0, &blur);
  assert_true(blur.rough_px == 0.0);
  udg_measure_blur(&stripes, &EVERYTHING, 2.0, &blur);
  /* Their flanks are as steep as a step of 2 x 50 levels under a sigma of 0.87 px. */
  assert_within(blur.rough_px, 100.0 / (50.0 * hypot(0.9, 0.2) * sqrt(2.0 * acos(-1.0))), 0.4);
  udg_plane faint = draw(SLANTED, 1.0, 20.0, 1); /* a step of five times the noise */
  assert_untold(&faint, &EVERYTHING, 20.0);
  udg_plane burnt = draw(SLANTED, 1.0, 2.0, 1); /* its bright side blown out */
  for (size_t i = 0; i < WIDTH * HEIGHT; i++)
    burnt.v[i] = fminf(burnt.v[i] + 80.0f, 255.0f);
  assert_untold(&burnt, &EVERYTHING, 2.0);
  udg_plane sharp = draw(SLANTED, 1.0, 2.0, 1);
  udg_box nowhere = {700, 10, 800, 50}, small = {290, 100, 300, 110}, inverted = {9, 9, 2, 2};
  assert_untold(&sharp, &nowhere, 2.0);
  assert_untold(&sharp, &small, 2.0);
  assert_untold(&sharp, &inverted, 2.0);
  udg_noise noise;
  udg_measure_noise(&sharp, &nowhere, &noise);
  assert_int_equal(noise.blocks, 0);
  udg_plane tiny = make(2, 2), empty = {0};
  assert_untold(&tiny, &EVERYTHING, 2.0);
  assert_untold(&empty, &EVERYTHING, 2.0);
  udg_measure_noise(&empty, &EVERYTHING, &noise);
  assert_int_equal(noise.blocks, 0);
  udg_plane *planes[] = {&flat, &stripes, &faint, &burnt, &sharp, &tiny};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(&settings, planes[i]);
}

static void test_clipped_shares(void **state) {
  (void)state;
  udg_plane plane = make(20, 10);
  for (size_t i = 0; i < 200; i++)
    plane.v[i] = i < 30 ? 255.0f : i < 40 ? 0.0f : 128.0f;
  udg_clipped all = udg_measure_clipped(&plane, &EVERYTHING);
  assert_true(all.bright == 0.15 && all.dark == 0.05);
  udg_box top = {-5, -5, 20, 1}, none = {30, 0, 40, 10};
  udg_clipped first = udg_measure_clipped(&plane, &top),
              nothing = udg_measure_clipped(&plane, &none);
  assert_true(first.bright == 1.0 && first.dark == 0.0);
  assert_true(nothing.bright == 0.0 && nothing.dark == 0.0);
  udg_plane_destroy(&settings, &plane);
}

int main(void) {
  udg_settings_default(&settings, sizeof settings);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_ramp_has_no_noise),
      cmocka_unit_test(test_whole_is_the_printed_formula),
      cmocka_unit_test(test_noise_beside_edges),
      cmocka_unit_test(test_noise_beside_texture),
      cmocka_unit_test(test_noise_of_a_jpeg),
      cmocka_unit_test(test_blur_of_edges),
      cmocka_unit_test(test_blur_of_the_sharpest),
      cmocka_unit_test(test_blur_against_the_profile),
      cmocka_unit_test(test_blur_that_cannot_be_told),
      cmocka_unit_test(test_clipped_shares),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
