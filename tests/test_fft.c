/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Transforms against the sum that defines them; small systems; the spline. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "fft.h"
#include "linalg.h"
#include "spline.h"
#include "support.h"

#define PI 3.14159265358979323846

static double value_of(int i, int k) {
  return sin(1.7 * i * i + 0.3 * k) + 0.2 * cos(i + 2.0 * k);
}

static void *take(const udg_settings *settings, size_t count, size_t bytes) {
  void *block = udg_memory_get(settings, count, bytes);
  assert_non_null(block);
  return block;
}

/* X(a, b) = sum x(i, j) exp(-2 pi i (a i / w + b j / h)), odd and even sizes. */
static void forward_is_the_defining_sum(void **state) {
  (void)state;
  static const int sizes[][2] = {{6, 4}, {5, 7}, {1, 3}, {8, 1}, {12, 10}};
  test_allocator allocator = {0};
  udg_settings settings = test_settings(&allocator);
  udg_fft *fft = NULL;
  assert_int_equal(udg_fft_create(&settings, &fft, NULL), UDG_OK);
  for (size_t s = 0; s < sizeof sizes / sizeof *sizes; s++) {
    int w = sizes[s][0], h = sizes[s][1];
    const udg_fft_plan *plan = NULL;
    assert_int_equal(udg_fft_plan_get(fft, w, h, &plan, NULL), UDG_OK);
    assert_int_equal(plan->half_width, w / 2 + 1);
    float *x = take(&settings, (size_t)(w * h), sizeof *x);
    udg_complex *spectrum = take(&settings, (size_t)(plan->half_width * h), sizeof *spectrum);
    for (int i = 0; i < w * h; i++)
      x[i] = (float)value_of(i, 0);
    udg_fft_forward(plan, x, spectrum);
    for (int b = 0; b < h; b++)
      for (int a = 0; a < plan->half_width; a++) {
        double re = 0, im = 0;
        for (int j = 0; j < h; j++)
          for (int i = 0; i < w; i++) {
            double phase = -2 * PI * ((double)a * i / w + (double)b * j / h);
            re += value_of(j * w + i, 0) * cos(phase);
            im += value_of(j * w + i, 0) * sin(phase);
          }
        udg_complex found = spectrum[b * plan->half_width + a];
        assert_true(fabs((double)found.re - re) < 1e-4 && fabs((double)found.im - im) < 1e-4);
      }
    udg_fft_inverse(plan, spectrum, x);
    for (int i = 0; i < w * h; i++)
      assert_true(fabs((double)x[i] * (double)plan->scale - value_of(i, 0)) < 1e-5);
    udg_memory_drop(&settings, spectrum);
    udg_memory_drop(&settings, x);
  }
  udg_fft_destroy(fft);
  assert_int_equal(allocator.live, 0);
}

/* sum over u of kernel(u) image(x + u), circular, no factor left over. */
static void correlation_is_the_defining_sum(void **state) {
  (void)state;
  enum { W = 10, H = 6 };
  test_allocator allocator = {0};
  udg_settings settings = test_settings(&allocator);
  udg_fft *fft = NULL;
  const udg_fft_plan *plan = NULL;
  assert_int_equal(udg_fft_create(&settings, &fft, NULL), UDG_OK);
  assert_int_equal(udg_fft_plan_get(fft, W, H, &plan, NULL), UDG_OK);
  size_t half = (size_t)plan->half_width * H;
  float *image = take(&settings, W * H, sizeof *image);
  float *kernel = take(&settings, W * H, sizeof *kernel);
  udg_complex *a = take(&settings, half, sizeof *a), *b = take(&settings, half, sizeof *b);
  for (int i = 0; i < W * H; i++) {
    image[i] = (float)value_of(i, 1);
    kernel[i] = (float)value_of(i, 2);
  }
  udg_fft_forward(plan, image, a);
  udg_fft_forward(plan, kernel, b);
  udg_fft_correlate(plan, a, b, a);
  udg_fft_inverse(plan, a, image);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      double sum = 0;
      for (int v = 0; v < H; v++)
        for (int u = 0; u < W; u++)
          sum += value_of(v * W + u, 2) * value_of((y + v) % H * W + (x + u) % W, 1);
      assert_true(fabs((double)image[y * W + x] - sum) < 1e-4);
    }
  void *blocks[] = {image, kernel, a, b};
  for (int i = 0; i < 4; i++)
    udg_memory_drop(&settings, blocks[i]);
  udg_fft_destroy(fft);
  assert_int_equal(allocator.live, 0);
}

static int locked, entered;

static void lock(void *user) {
  (void)user;
  assert_int_equal(locked, 0);
  locked = 1;
  entered++;
}

static void unlock(void *user) {
  (void)user;
  assert_int_equal(locked, 1);
  locked = 0;
}

/* The host's lock is held for planning and for nothing else; a size is planned once. */
static void planning_takes_the_hosts_lock(void **state) {
  (void)state;
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  settings.planner_lock = lock;
  settings.planner_unlock = unlock;
  udg_fft *fft = NULL;
  const udg_fft_plan *first = NULL, *again = NULL, *other = NULL;
  entered = 0;
  assert_int_equal(udg_fft_create(&settings, &fft, NULL), UDG_OK);
  assert_int_equal(udg_fft_plan_get(fft, 16, 8, &first, NULL), UDG_OK);
  assert_int_equal(entered, 1);
  assert_int_equal(udg_fft_plan_get(fft, 16, 8, &again, NULL), UDG_OK);
  assert_int_equal(entered, 1);
  assert_ptr_equal(first, again);
  assert_int_equal(udg_fft_plan_get(fft, 8, 16, &other, NULL), UDG_OK);
  assert_int_equal(entered, 2);
  assert_ptr_not_equal(first, other);
  udg_message message = {""};
  assert_int_equal(udg_fft_plan_get(fft, 0, 16, &other, &message), UDG_ERROR_ARGUMENT);
  assert_string_not_equal(message.text, "");
  udg_fft_destroy(fft);
  assert_int_equal(locked, 0);
}

static void no_memory_is_told(void **state) {
  (void)state;
  for (size_t at = 1; at <= 4; at++) {
    test_allocator allocator = {.fail_at = at};
    udg_settings settings = test_settings(&allocator);
    udg_fft *fft = NULL;
    const udg_fft_plan *plan = NULL;
    udg_message message = {""};
    udg_status status = udg_fft_create(&settings, &fft, &message);
    if (status == UDG_OK)
      status = udg_fft_plan_get(fft, 12, 12, &plan, &message);
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_string_not_equal(message.text, "");
    udg_fft_destroy(fft);
    assert_int_equal(allocator.live, 0);
  }
}

static void good_sizes_have_small_factors(void **state) {
  (void)state;
  static const int known[][2] = {{1, 2},   {2, 2},     {11, 12},   {13, 14},   {17, 18},
                                 {22, 24}, {101, 108}, {121, 126}, {251, 252}, {1025, 1050}};
  for (size_t i = 0; i < sizeof known / sizeof *known; i++)
    assert_int_equal(udg_fft_good_size(known[i][0]), known[i][1]);
}

/* Hilbert's matrix of order 4 has an inverse of whole numbers: by rows 16 -120
 * 240 -140; -120 1200 -2700 1680; 240 -2700 6480 -4200; -140 1680 -4200 2800
 * (Choi, American Mathematical Monthly 90, 1983; from memory). */
static void hilbert_is_inverted(void **state) {
  (void)state;
  static const double known[16] = {16,  -120,  240,  -140,  -120, 1200, -2700, 1680,
                                   240, -2700, 6480, -4200, -140, 1680, -4200, 2800};
  double a[16], inverse[16], b[4] = {1, 0, 0, 0};
  for (int i = 0; i < 16; i++)
    a[i] = 1.0 / (1 + i / 4 + i % 4);
  assert_int_equal(udg_cholesky_factor(a, 4, 4, 1e-14), 0);
  udg_cholesky_invert(a, 4, 4, inverse);
  udg_cholesky_solve(a, 4, 4, b);
  for (int i = 0; i < 16; i++)
    assert_true(fabs(inverse[i] - known[i]) < 1e-8);
  for (int i = 0; i < 4; i++)
    assert_true(fabs(b[i] - known[4 * i]) < 1e-8);
  double norm[4] = {1, 0, 0, 0};
  udg_cholesky_forward(a, 4, 4, norm);
  double sum = 0;
  for (int i = 0; i < 4; i++)
    sum += norm[i] * norm[i];
  assert_true(fabs(sum - 16) < 1e-8);
}

static void singular_systems_are_told(void **state) {
  (void)state;
  double twice[4] = {1, 1, 1, 1}, negative[4] = {1, 2, 2, 1}, zero[1] = {0};
  assert_int_equal(udg_cholesky_factor(twice, 2, 2, 1e-12), 2);
  assert_int_equal(udg_cholesky_factor(negative, 2, 2, 1e-12), 2);
  assert_int_equal(udg_cholesky_factor(zero, 1, 1, 1e-12), 1);
}

/* Goes through every pixel; a cosine of 6 px between them to 1 % (the spline's
 * error there is 0.3 %; Keys' kernel is 3 % off). */
static void spline_goes_through_the_pixels(void **state) {
  (void)state;
  enum { W = 37, H = 29 };
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  udg_plane plane = {0};
  assert_int_equal(udg_plane_create(&settings, W, H, &plane), UDG_OK);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++)
      udg_plane_row(&plane, y)[x] =
          (float)(100 + 50 * cos(2 * PI * (x + 0.5) / 6) * cos(2 * PI * (y + 0.5) / 6));
  udg_spline_prepare(&plane);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      double truth = 100 + 50 * cos(2 * PI * (x + 0.5) / 6) * cos(2 * PI * (y + 0.5) / 6);
      assert_true(fabs((double)udg_spline_sample(&plane, x + 0.5, y + 0.5) - truth) < 1e-3);
    }
  for (double y = 8; y < 20; y += 0.37)
    for (double x = 8; x < 28; x += 0.41) {
      double truth = 100 + 50 * cos(2 * PI * x / 6) * cos(2 * PI * y / 6);
      assert_true(fabs((double)udg_spline_sample(&plane, x, y) - truth) < 0.5);
    }
  /* Outside, the rim's value. */
  assert_true(udg_spline_sample(&plane, -50, 4.5) == udg_spline_sample(&plane, 0.5, 4.5));
  assert_true(udg_spline_sample(&plane, 3.5, 1e9) == udg_spline_sample(&plane, 3.5, H - 0.5));
  udg_plane_destroy(&settings, &plane);
}

static void spline_of_thin_planes(void **state) {
  (void)state;
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  static const int sizes[][2] = {{1, 1}, {1, 5}, {5, 1}, {2, 2}, {3, 2}};
  for (size_t s = 0; s < sizeof sizes / sizeof *sizes; s++) {
    udg_plane plane = {0};
    int w = sizes[s][0], h = sizes[s][1];
    assert_int_equal(udg_plane_create(&settings, w, h, &plane), UDG_OK);
    for (int i = 0; i < w * h; i++)
      plane.v[i] = (float)value_of(i, 3);
    udg_spline_prepare(&plane);
    for (int i = 0; i < w * h; i++)
      assert_true(fabs((double)udg_spline_sample(&plane, i % w + 0.5, i / w + 0.5) -
                       value_of(i, 3)) < 1e-5);
    udg_plane_destroy(&settings, &plane);
  }
}

/* Two kernels at once correlate with an image as each does alone (checked against the sum above);
 * the first rows are those of the whole inverse. */
static void pairs_of(int width, int height, int rows, double within) {
  const int count = width * height;
  test_allocator allocator = {0};
  udg_settings settings = test_settings(&allocator);
  udg_fft *fft = NULL;
  const udg_fft_plan *real = NULL;
  const udg_fft_pair_plan *pair = NULL, *again = NULL;
  assert_int_equal(udg_fft_create(&settings, &fft, NULL), UDG_OK);
  assert_int_equal(udg_fft_plan_get(fft, width, height, &real, NULL), UDG_OK);
  assert_int_equal(udg_fft_pair_plan_get(fft, width, height, rows, &pair, NULL), UDG_OK);
  assert_int_equal(udg_fft_pair_plan_get(fft, width, height, rows, &again, NULL), UDG_OK);
  assert_ptr_equal(pair, again);
  assert_int_equal(udg_fft_pair_plan_get(fft, width, height, 0, &again, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_fft_pair_plan_get(fft, width, height, height + 1, &again, NULL),
                   UDG_ERROR_ARGUMENT);
  float *x = take(&settings, (size_t)count, sizeof *x);
  udg_complex *c = take(&settings, 6 * (size_t)count, sizeof *c), *image = c, *kernels = c + count;
  udg_complex *all = c + 2 * count, *few = c + 3 * count;
  for (int i = 0; i < count; i++) {
    image[i] = (udg_complex){(float)value_of(i, 2), 0.0f};
    kernels[i] = (udg_complex){(float)value_of(i, 3), (float)value_of(i, 5)};
  }
  udg_fft_pair_forward(pair, image);
  udg_fft_pair_forward(pair, kernels);
  udg_fft_pair_correlate(pair, image, kernels, all);
  udg_fft_pair_correlate(pair, image, kernels, few);
  udg_fft_pair_inverse(pair, all);
  udg_fft_pair_inverse_rows(pair, few);
  for (int which = 0; which < 2; which++) {
    udg_complex *alone = c + 4 * count, *kernel = c + 5 * count;
    for (int i = 0; i < count; i++)
      x[i] = (float)value_of(i, 2);
    udg_fft_forward(real, x, alone);
    for (int i = 0; i < count; i++)
      x[i] = (float)value_of(i, which ? 5 : 3);
    udg_fft_forward(real, x, kernel);
    udg_fft_correlate(real, alone, kernel, alone);
    udg_fft_inverse(real, alone, x);
    for (int i = 0; i < count; i++)
      test_near((double)(which ? -all[i].im : all[i].re), (double)x[i], within);
    for (int i = 0; i < width * rows; i++)
      test_near((double)(which ? -few[i].im : few[i].re), (double)x[i], within);
  }
  udg_memory_drop(&settings, c);
  udg_memory_drop(&settings, x);
  udg_fft_destroy(fft);
  assert_int_equal(allocator.live, 0);
}

/* Sides apart, and the windows of the score stage with some of their rows. */
static void pairs_are_two_transforms(void **state) {
  (void)state;
  pairs_of(12, 10, 3, 1e-4);
  pairs_of(112, 112, 39, 1e-3);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(forward_is_the_defining_sum),
      cmocka_unit_test(correlation_is_the_defining_sum),
      cmocka_unit_test(planning_takes_the_hosts_lock),
      cmocka_unit_test(no_memory_is_told),
      cmocka_unit_test(good_sizes_have_small_factors),
      cmocka_unit_test(hilbert_is_inverted),
      cmocka_unit_test(singular_systems_are_told),
      cmocka_unit_test(spline_goes_through_the_pixels),
      cmocka_unit_test(spline_of_thin_planes),
      cmocka_unit_test(pairs_are_two_transforms),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
