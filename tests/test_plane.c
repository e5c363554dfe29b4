/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "plane.h"
#include "support.h"

static const double pi = 3.14159265358979323846;

static udg_settings settings;

static udg_plane make(int width, int height) {
  udg_plane p = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &p), UDG_OK);
  return p;
}

static void create_checks_sizes_and_memory(void **state) {
  (void)state;
  test_allocator a = {.fail_at = 2};
  const udg_settings s = test_settings(&a);
  udg_plane p = {0};
  assert_int_equal(udg_plane_create(&s, 0, 5, &p), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_plane_create(&s, 5, -1, &p), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_plane_create(&s, 5, 4, &p), UDG_OK);
  for (int i = 0; i < 20; i++)
    assert_true(p.v[i] == 0.0f);
  udg_plane q = {0};
  assert_int_equal(udg_plane_create(&s, 5, 4, &q), UDG_ERROR_MEMORY);
  assert_null(q.v);
  udg_plane_destroy(&s, &p);
  udg_plane_destroy(&s, &p);
  udg_plane_destroy(&s, NULL);
  assert_null(p.v);
  assert_int_equal(a.live, 0);
}

/* Keys 1981: with a = -1/2 the interpolation is exact on polynomials up to the
 * second degree.  Small whole coefficients: the float samples are exact too, so
 * the tolerance is that of rounding one float of about 1000. */
static void cubic_sample_is_exact_on_quadratics(void **state) {
  (void)state;
  udg_plane p = make(24, 17);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++) {
      const double x = i + 0.5, y = j + 0.5;
      udg_plane_row(&p, j)[i] = (float)(3.0 + 2.0 * x - y + 0.5 * x * x - 0.25 * x * y + y * y);
    }
  uint64_t seed = 11;
  for (int n = 0; n < 2000; n++) {
    const double x = 1.5 + 20.999 * (test_random(&seed) / 4294967296.0);
    const double y = 1.5 + 13.999 * (test_random(&seed) / 4294967296.0);
    const double truth = 3.0 + 2.0 * x - y + 0.5 * x * x - 0.25 * x * y + y * y;
    assert_true(fabs(udg_plane_sample(&p, x, y) - truth) < 1e-4);
  }
  udg_plane_destroy(&settings, &p);
}

static void sample_at_a_pixel_centre_is_the_pixel(void **state) {
  (void)state;
  udg_plane p = make(9, 7);
  uint64_t seed = 5;
  for (int i = 0; i < 63; i++)
    p.v[i] = (float)(test_random(&seed) % 1000);
  for (int j = 0; j < 7; j++)
    for (int i = 0; i < 9; i++)
      assert_true(udg_plane_sample(&p, i + 0.5, j + 0.5) == udg_plane_row(&p, j)[i]);
  udg_plane_destroy(&settings, &p);
}

/* The same as sampling a larger plane whose rim repeats the edge. */
static void sample_repeats_the_edge(void **state) {
  (void)state;
  enum { W = 6, H = 5, PAD = 8 };
  udg_plane p = make(W, H), padded = make(W + 2 * PAD, H + 2 * PAD);
  uint64_t seed = 7;
  for (int i = 0; i < W * H; i++)
    p.v[i] = (float)(test_random(&seed) % 256);
  for (int j = 0; j < padded.height; j++)
    for (int i = 0; i < padded.width; i++) {
      const int a = i - PAD < 0 ? 0 : i - PAD >= W ? W - 1 : i - PAD;
      const int b = j - PAD < 0 ? 0 : j - PAD >= H ? H - 1 : j - PAD;
      udg_plane_row(&padded, j)[i] = udg_plane_row(&p, b)[a];
    }
  for (double y = -5.0; y < H + 5.0; y += 0.37)
    for (double x = -5.0; x < W + 5.0; x += 0.31)
      assert_true(fabs(udg_plane_sample(&p, x, y) - udg_plane_sample(&padded, x + PAD, y + PAD)) <
                  1e-4);
  assert_true(udg_plane_sample(&p, -1e300, -1e300) == p.v[0]);
  assert_true(udg_plane_sample(&p, 1e300, INFINITY) == p.v[W * H - 1]);
  assert_true(isfinite(udg_plane_sample(&p, NAN, 2.0)));
  udg_plane_destroy(&settings, &p);
  udg_plane_destroy(&settings, &padded);
}

/* Waves that fit a mirrored edge, cos(pi k (i + 1/2) / n), pass a symmetric
 * kernel scaled by its MTF at f = k / 2n.  Gaussian: exp(-2 pi^2 sigma^2 f^2)
 * (checks.md).  Cutting at 4 sigma moves it by less than 1e-3, sampling by
 * exp(-2 pi^2 sigma^2 (1 - f)^2), below 1e-3 from sigma 1 on and f < 0.4. */
static double wave_gain(int along_y, int k, int n, double sigma) {
  udg_plane p = along_y ? make(70, n) : make(n, 70);
  udg_plane scratch = make(p.width, p.height);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++)
      udg_plane_row(&p, j)[i] = (float)(100.0 * cos(pi * k * ((along_y ? j : i) + 0.5) / n));
  udg_plane_blur(&p, sigma, &scratch);
  double gain = 0.0, power = 0.0;
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++) {
      const double wave = cos(pi * k * ((along_y ? j : i) + 0.5) / n);
      gain += wave * udg_plane_row(&p, j)[i] / 100.0;
      power += wave * wave;
    }
  gain /= power;
  for (int j = 0; j < p.height; j++) /* and is otherwise unchanged, the edges included */
    for (int i = 0; i < p.width; i++) {
      const double wave = cos(pi * k * ((along_y ? j : i) + 0.5) / n);
      assert_true(fabs(udg_plane_row(&p, j)[i] - 100.0 * gain * wave) < 1e-3);
    }
  udg_plane_destroy(&settings, &p);
  udg_plane_destroy(&settings, &scratch);
  return gain;
}

static void blur_has_the_gaussian_mtf(void **state) {
  (void)state;
  enum { N = 120 };
  static const double sigmas[] = {1.0, 1.7, 3.0, 8.5, 40.0, 75.0};
  for (size_t s = 0; s < sizeof sigmas / sizeof *sigmas; s++)
    for (int k = 0; k <= 96; k += 6) {
      const double f = k / (2.0 * N), sigma = sigmas[s];
      const double mtf = exp(-2.0 * pi * pi * sigma * sigma * f * f);
      assert_true(fabs(wave_gain(0, k, N, sigma) - mtf) < 1.2e-3);
      assert_true(fabs(wave_gain(1, k, N, sigma) - mtf) < 1.2e-3);
    }
  /* Wider than one pass takes: sigma 150 on 1000 samples. */
  for (int k = 1; k <= 6; k++) {
    const double f = k / 2000.0, mtf = exp(-2.0 * pi * pi * 150.0 * 150.0 * f * f);
    assert_true(fabs(wave_gain(0, k, 1000, 150.0) - mtf) < 1.2e-3);
  }
  /* MTF50 = 0.187391 / sigma cycles a pixel (checks.md): k / 240 with sigma 3. */
  assert_true(fabs(wave_gain(0, 15, N, 0.187391 / (15 / 240.0)) - 0.5) < 1.2e-3);
}

/* Against the definition: the kernel over the plane laid out with its mirror
 * images, summed directly. */
static void blur_mirrors_at_the_edge(void **state) {
  (void)state;
  enum { W = 11, H = 4 };
  udg_plane p = make(W, H), scratch = make(W, H);
  float in[W * H];
  uint64_t seed = 3;
  for (int i = 0; i < W * H; i++)
    in[i] = p.v[i] = (float)(test_random(&seed) % 256);
  const double sigma = 2.3;
  const int reach = (int)ceil(4.0 * sigma);
  udg_plane_blur(&p, sigma, &scratch);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      double sum = 0.0, weight = 0.0;
      for (int b = -reach; b <= reach; b++)
        for (int a = -reach; a <= reach; a++) {
          int i = x + a, j = y + b;
          while (i < 0 || i >= W)
            i = i < 0 ? -1 - i : 2 * W - 1 - i;
          while (j < 0 || j >= H)
            j = j < 0 ? -1 - j : 2 * H - 1 - j;
          const double w = exp(-0.5 * (a * a + b * b) / (sigma * sigma));
          sum += w * in[j * W + i];
          weight += w;
        }
      assert_true(fabs(udg_plane_row(&p, y)[x] - sum / weight) < 1e-3);
    }
  udg_plane_destroy(&settings, &p);
  udg_plane_destroy(&settings, &scratch);
}

static void blur_of_nothing_and_of_everything(void **state) {
  (void)state;
  udg_plane p = make(33, 9), scratch = make(33, 9);
  double mean = 0.0;
  float in[33 * 9];
  uint64_t seed = 9;
  for (int i = 0; i < 33 * 9; i++) {
    in[i] = p.v[i] = (float)(test_random(&seed) % 256);
    mean += in[i] / (33.0 * 9.0);
  }
  udg_plane_blur(&p, 0.0, &scratch);
  udg_plane_blur(&p, -1.0, &scratch);
  udg_plane_blur(&p, NAN, &scratch);
  assert_memory_equal(p.v, in, sizeof in);
  udg_plane_blur(&p, 1e9, &scratch);
  for (int i = 0; i < 33 * 9; i++)
    assert_true(fabs(p.v[i] - mean) < 1e-2);
  udg_plane one = make(1, 1), one_scratch = make(1, 1);
  one.v[0] = 42.0f;
  udg_plane_blur(&one, 3.0, &one_scratch);
  assert_true(fabs(one.v[0] - 42.0) < 1e-4);
  udg_plane_destroy(&settings, &p);
  udg_plane_destroy(&settings, &scratch);
  udg_plane_destroy(&settings, &one);
  udg_plane_destroy(&settings, &one_scratch);
}

static int rising(const void *a, const void *b) {
  float u = *(const float *)a, v = *(const float *)b;
  return (u > v) - (u < v);
}

/* Every rank as the C library's sort has it: ties, order, reverse order. */
static void values_are_selected_by_rank(void **state) {
  (void)state;
  float given[40], sorted[40], moved[40];
  for (int kind = 0; kind < 5; kind++)
    for (size_t n = 1; n <= 40; n++) {
      for (size_t i = 0; i < n; i++)
        given[i] = kind == 0   ? (float)i
                   : kind == 1 ? -(float)i
                   : kind == 2 ? 3.0f
                   : kind == 3 ? (float)(i * 7919 % 13)
                               : (float)sin(12.9898 * (double)(i * i));
      memcpy(sorted, given, sizeof sorted);
      qsort(sorted, n, sizeof *sorted, rising);
      for (size_t rank = 0; rank < n; rank++) {
        memcpy(moved, given, sizeof moved);
        assert_true(udg_values_select(moved, n, rank) == sorted[rank]);
      }
    }
}

/* Parts with and without the edge, of kernels longer than the plane as well, in wider storage. */
static void blur_of_a_part_is_that_of_the_whole(void **state) {
  (void)state;
  enum { W = 23, H = 17, STRIDE = 31 };
  static const double sigmas[] = {0.0, 0.3, 1.1, 2.8, 9.0, 40.0};
  static const udg_part parts[] = {{0, 0, W, H}, {5, 4, 15, 11}, {22, 0, 23, 1}, {0, 9, 8, 17}};
  udg_plane whole = {0}, scratch = {0};
  assert_int_equal(udg_plane_create(&settings, W, H, &whole), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, W, H, &scratch), UDG_OK);
  float in[H * STRIDE] = {0.0f}, out[H * STRIDE + 7];
  float *work = calloc(udg_plane_blur_scratch(W, H), sizeof *work);
  assert_non_null(work);
  for (size_t s = 0; s < sizeof sigmas / sizeof *sigmas; s++)
    for (size_t p = 0; p < sizeof parts / sizeof *parts; p++) {
      const udg_part *part = &parts[p];
      for (int i = 0; i < W * H; i++)
        in[i / W * STRIDE + i % W] = whole.v[i] = (float)sin(12.9898 * i * i);
      const udg_plane stored = {W, H, in};
      udg_plane_blur(&whole, sigmas[s], &scratch);
      udg_plane_blur_part(&stored, STRIDE, sigmas[s], 0, H, part, out, STRIDE, work);
      for (int y = part->y0; y < part->y1; y++)
        assert_memory_equal(out + y * STRIDE + part->x0, udg_plane_row(&whole, y) + part->x0,
                            sizeof *out * (size_t)(part->x1 - part->x0));
    }
  memset(whole.v, 0, sizeof *whole.v * W * 3); /* lines that are not read */
  memset(whole.v + W * 12, 0, sizeof *whole.v * W * (H - 12));
  for (int i = 3 * W; i < 12 * W; i++)
    whole.v[i] = in[i / W * STRIDE + i % W];
  udg_plane_blur(&whole, 1.1, &scratch);
  udg_plane_blur_part(&(udg_plane){W, H, in}, STRIDE, 1.1, 3, 12, &parts[0], out, STRIDE, work);
  for (int y = 0; y < H; y++)
    assert_memory_equal(out + y * STRIDE, udg_plane_row(&whole, y), sizeof *out * W);
  assert_int_equal(udg_plane_blur_reach(0.0), 0);
  assert_int_equal(udg_plane_blur_reach(0.3), 2);
  assert_int_equal(udg_plane_blur_reach(1e9), 256);
  free(work);
  udg_plane_destroy(&settings, &whole);
  udg_plane_destroy(&settings, &scratch);
}

static void what_is_not_zero_is_found(void **state) {
  (void)state;
  enum { W = 530, H = 4 };
  udg_plane plane = {0};
  assert_int_equal(udg_plane_create(&settings, W, H, &plane), UDG_OK);
  udg_part part = udg_plane_filled(&plane);
  assert_true(part.x0 == 0 && part.x1 == 0 && part.y0 == 0 && part.y1 == 0);
  plane.v[2 * W + 525] = -1.0f;
  part = udg_plane_filled(&plane);
  assert_true(part.x0 == 525 && part.x1 == 526 && part.y0 == 2 && part.y1 == 3);
  plane.v[1 * W + 7] = plane.v[3 * W + 9] = 1.0f;
  part = udg_plane_filled(&plane);
  assert_true(part.x0 == 7 && part.x1 == 526 && part.y0 == 1 && part.y1 == 4);
  udg_plane_destroy(&settings, &plane);
}

int main(void) {
  udg_settings_default(&settings, sizeof settings);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(create_checks_sizes_and_memory),
      cmocka_unit_test(cubic_sample_is_exact_on_quadratics),
      cmocka_unit_test(sample_at_a_pixel_centre_is_the_pixel),
      cmocka_unit_test(sample_repeats_the_edge),
      cmocka_unit_test(blur_has_the_gaussian_mtf),
      cmocka_unit_test(blur_mirrors_at_the_edge),
      cmocka_unit_test(blur_of_nothing_and_of_everything),
      cmocka_unit_test(blur_of_a_part_is_that_of_the_whole),
      cmocka_unit_test(what_is_not_zero_is_found),
      cmocka_unit_test(values_are_selected_by_rank),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
