/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Smaller copies: sums, slopes and waves are known beforehand. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "rescale.h"
#include "support.h"

#define PI 3.14159265358979323846

static test_allocator allocator;
static udg_settings settings;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  udg_settings_resolve(&settings, &given);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  return 0;
}

static udg_plane plane_of(int width, int height) {
  udg_plane p = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &p), UDG_OK);
  return p;
}

static void fill_ramp(udg_plane *p, double dx, double dy) {
  for (int y = 0; y < p->height; y++)
    for (int x = 0; x < p->width; x++)
      udg_plane_row(p, y)[x] = (float)(20.0 + dx * (x + 0.5) + dy * (y + 0.5));
}

static void boxes_are_means(void **state) {
  (void)state;
  udg_plane p = plane_of(23, 17);
  udg_buffer out = {0};
  for (int i = 0; i < 23 * 17; i++)
    p.v[i] = (float)((i * 37) % 101);
  for (int k = 1; k <= 5; k += 2) {
    assert_int_equal(udg_rescale_box(&settings, udg_photo_of(&p), 2, 3, 20, 13, k, &out), UDG_OK);
    assert_int_equal(out.plane.width, 20 / k);
    assert_int_equal(out.plane.height, 13 / k);
    for (int y = 0; y < out.plane.height; y++)
      for (int x = 0; x < out.plane.width; x++) {
        double sum = 0.0;
        for (int b = 0; b < k; b++)
          for (int a = 0; a < k; a++)
            sum += (double)udg_plane_row(&p, 3 + y * k + b)[2 + x * k + a];
        test_near(udg_plane_row(&out.plane, y)[x], sum / (k * k), 1e-4);
      }
  }
  assert_int_equal(udg_rescale_box(&settings, udg_photo_of(&p), 0, 0, 3, 3, 4, &out),
                   UDG_ERROR_ARGUMENT);
  udg_buffer_destroy(&settings, &out);
  udg_plane_destroy(&settings, &p);
}

/* A photo's bytes through a table are what the same levels are as floats; two boxes one after the
 * other, and samples of a copy that is not made, what they are of the copies: boxes bit for bit. */
static void bytes_are_as_good_as_floats(void **state) {
  (void)state;
  enum { WIDTH = 41, HEIGHT = 29 };
  uint8_t bytes[WIDTH * HEIGHT];
  float level[256];
  udg_plane p = plane_of(WIDTH, HEIGHT);
  udg_buffer one = {0}, two = {0}, of_plane = {0}, scratch = {0};
  for (int g = 0; g < 256; g++)
    level[g] = (float)(30.0 * asinh((g - 90) / 11.0));
  for (int i = 0; i < WIDTH * HEIGHT; i++) {
    bytes[i] = (uint8_t)(i * 37 % 251);
    p.v[i] = level[bytes[i]];
  }
  const udg_photo photo = {.width = WIDTH, .height = HEIGHT, .grey = bytes, .level = level};
  for (int k = 1; k <= 3; k++) {
    const udg_photo plain = udg_photo_of(&p);
    assert_int_equal(udg_rescale_box(&settings, photo, 0, 0, WIDTH, HEIGHT, k, &one), UDG_OK);
    assert_int_equal(udg_rescale_box(&settings, plain, 0, 0, WIDTH, HEIGHT, k, &of_plane), UDG_OK);
    size_t count = (size_t)one.plane.width * (size_t)one.plane.height;
    assert_memory_equal(one.plane.v, of_plane.plane.v, count * sizeof(float));
    for (double x = 0.1; x < one.plane.width; x += 1.7)
      for (double y = 0.2; y < one.plane.height; y += 1.3)
        test_near(udg_photo_sample(photo, k, x, y), udg_plane_sample(&one.plane, x, y), 1e-4);
    assert_int_equal(udg_rescale_box(&settings, udg_photo_of(&one.plane), 0, 0, one.plane.width,
                                     one.plane.height, 2, &of_plane),
                     UDG_OK);
    assert_int_equal(udg_rescale_boxes(&settings, photo, k, 2, &scratch, &two), UDG_OK);
    assert_int_equal(two.plane.width, of_plane.plane.width);
    assert_int_equal(two.plane.height, of_plane.plane.height);
    count = (size_t)two.plane.width * (size_t)two.plane.height;
    assert_memory_equal(two.plane.v, of_plane.plane.v, count * sizeof(float));
  }
  udg_buffer *buffers[] = {&one, &two, &of_plane, &scratch};
  for (int i = 0; i < 4; i++)
    udg_buffer_destroy(&settings, buffers[i]);
  udg_plane_destroy(&settings, &p);
}

/* The pixel at X shows X / factor: a ramp keeps its value there, away from the rim. */
static void smooth_scaling_keeps_ramps_in_place(void **state) {
  (void)state;
  udg_plane p = plane_of(80, 60);
  udg_buffer out = {0}, first = {0}, second = {0};
  fill_ramp(&p, 1.5, -0.7);
  for (double factor = 0.4; factor < 1.25; factor += 0.1) {
    assert_int_equal(udg_rescale_smooth(&settings, &p, factor, &out, &first, &second), UDG_OK);
    assert_int_equal(out.plane.width, (int)ceil(80 * factor));
    assert_int_equal(out.plane.height, (int)ceil(60 * factor));
    for (int y = 6; y < out.plane.height - 6; y++)
      for (int x = 6; x < out.plane.width - 6; x++)
        test_near(udg_plane_row(&out.plane, y)[x],
                  20.0 + 1.5 * (x + 0.5) / factor - 0.7 * (y + 0.5) / factor, 2e-3);
  }
  udg_buffer_destroy(&settings, &out);
  udg_buffer_destroy(&settings, &first);
  udg_buffer_destroy(&settings, &second);
  udg_plane_destroy(&settings, &p);
}

/* A wave beyond half the new sampling rate may not come back as a slow one; one far below it
 * passes.  Blur 0.45 sqrt(r^2 - 1): gain exp(-2 pi^2 s^2 f^2). */
static void waves_too_fine_are_taken_out(void **state) {
  (void)state;
  udg_plane p = plane_of(160, 40);
  udg_buffer out = {0}, first = {0}, second = {0};
  static const double frequency[2] = {0.42, 0.03}; /* cycles/px of the source; Nyquist 0.2 */
  for (int k = 0; k < 2; k++) {
    for (int i = 0; i < 160 * 40; i++)
      p.v[i] = (float)(50.0 * cos(2.0 * PI * frequency[k] * (i % 160)));
    assert_int_equal(udg_rescale_smooth(&settings, &p, 0.4, &out, &first, &second), UDG_OK);
    double largest = 0.0, s = 0.45 * sqrt(1.0 / 0.16 - 1.0);
    for (int x = 6; x < out.plane.width - 6; x++)
      largest = fmax(largest, fabs((double)udg_plane_row(&out.plane, 8)[x]));
    double gain = exp(-2.0 * PI * PI * s * s * frequency[k] * frequency[k]);
    test_near(largest / 50.0, gain, 0.03);
  }
  udg_buffer_destroy(&settings, &out);
  udg_buffer_destroy(&settings, &first);
  udg_buffer_destroy(&settings, &second);
  udg_plane_destroy(&settings, &p);
}

/* Two boxes of 2 r + 1: variance 2 r (r + 1) / 3, the widest r that stays below sigma^2. */
static void means_have_their_spread(void **state) {
  (void)state;
  udg_plane p = plane_of(121, 121), scratch = plane_of(121, 121);
  for (double sigma = 2.0; sigma < 13.0; sigma += 2.5) {
    memset(p.v, 0, sizeof(float) * 121 * 121);
    udg_plane_row(&p, 60)[60] = 1000.0f;
    udg_rescale_mean(&p, sigma, &scratch);
    double sum = 0.0, xx = 0.0, yy = 0.0, xm = 0.0;
    for (int y = 0; y < 121; y++)
      for (int x = 0; x < 121; x++) {
        double v = (double)udg_plane_row(&p, y)[x];
        sum += v;
        xm += v * (x - 60);
        xx += v * (x - 60) * (x - 60);
        yy += v * (y - 60) * (y - 60);
      }
    test_near(sum, 1000.0, 0.01);
    test_near(xm, 0.0, 0.01);
    int r = (int)floor(sqrt(1.5 * sigma * sigma + 0.25)); /* nearest box from below */
    test_near(xx / sum, 2.0 * r * (r + 1) / 3.0, 0.01);
    test_near(yy / sum, xx / sum, 1e-3);
    assert_true(fabs(sqrt(xx / sum) - sigma) < 0.75);
  }
  for (int i = 0; i < 121 * 121; i++)
    p.v[i] = 77.0f;
  udg_rescale_mean(&p, 9.0, &scratch);
  for (int i = 0; i < 121 * 121; i++)
    test_near(p.v[i], 77.0, 1e-3);
  udg_plane_destroy(&settings, &p);
  udg_plane_destroy(&settings, &scratch);
}

/* A photo six times as fine as asked for: whatever the reduction, the map says where each
 * window pixel came from. */
static void windows_know_where_they_come_from(void **state) {
  (void)state;
  udg_plane photo = plane_of(300, 240);
  udg_buffer window = {0}, scratch = {0};
  fill_ramp(&photo, 0.4, 0.2);
  static const double centre[2] = {1.0, -1.0}, half[2] = {5.0, 3.0};
  udg_homography h = udg_homography_similarity(20.0, 0.3, 140.0, 130.0), to_window, back;
  for (double px_per_mm = 3.0; px_per_mm < 25.0; px_per_mm *= 1.7) {
    assert_int_equal(udg_rescale_window(&settings, udg_photo_of(&photo), &h, centre, half,
                                        px_per_mm, &window, &scratch, &to_window),
                     UDG_OK);
    assert_true(udg_homography_invert(&to_window, &back));
    double per_mm = 20.0 * udg_homography_scale(&to_window, 150.0, 120.0);
    assert_true(per_mm < 2.0 * px_per_mm || per_mm == 20.0);
    assert_true(per_mm >= fmin(px_per_mm, 20.0) - 1e-9);
    for (int y = 5; y < window.plane.height - 5; y++)
      for (int x = 5; x < window.plane.width - 5; x++) {
        double u, v;
        udg_homography_apply(&back, x + 0.5, y + 0.5, &u, &v);
        test_near(udg_plane_row(&window.plane, y)[x], 20.0 + 0.4 * u + 0.2 * v, 5e-3);
      }
    /* All of the box that lies in the photo is in the window. */
    double u, v;
    udg_homography_apply(&h, centre[0], centre[1], &u, &v);
    udg_homography_apply(&to_window, u, v, &u, &v);
    assert_true(u > 0 && v > 0 && u < window.plane.width && v < window.plane.height);
  }
  udg_homography away = udg_homography_similarity(20.0, 0.0, 900.0, 130.0);
  assert_int_equal(udg_rescale_window(&settings, udg_photo_of(&photo), &away, centre, half, 9.0,
                                      &window, &scratch, &to_window),
                   UDG_ERROR_ARGUMENT);
  udg_buffer_destroy(&settings, &window);
  udg_buffer_destroy(&settings, &scratch);
  udg_plane_destroy(&settings, &photo);
}

static void buffers_only_grow_and_fail_clean(void **state) {
  (void)state;
  udg_buffer b = {0};
  assert_int_equal(udg_buffer_size(&settings, &b, 40, 30), UDG_OK);
  size_t calls = allocator.calls;
  assert_int_equal(udg_buffer_size(&settings, &b, 30, 40), UDG_OK);
  assert_int_equal(udg_buffer_size(&settings, &b, 3, 4), UDG_OK);
  assert_int_equal(allocator.calls, calls);
  assert_int_equal(b.plane.width, 3);
  assert_int_equal(b.plane.height, 4);
  assert_int_equal(udg_buffer_size(&settings, &b, 0, 4), UDG_ERROR_ARGUMENT);
  allocator.fail_at = allocator.calls + 1;
  assert_int_equal(udg_buffer_size(&settings, &b, 100, 100), UDG_ERROR_MEMORY);
  allocator.fail_at = 0;
  assert_int_equal(udg_buffer_size(&settings, &b, 5, 5), UDG_OK);
  udg_buffer_destroy(&settings, &b);
  assert_int_equal(allocator.live, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(boxes_are_means),
      cmocka_unit_test(bytes_are_as_good_as_floats),
      cmocka_unit_test(smooth_scaling_keeps_ramps_in_place),
      cmocka_unit_test(waves_too_fine_are_taken_out),
      cmocka_unit_test(means_have_their_spread),
      cmocka_unit_test(windows_know_where_they_come_from),
      cmocka_unit_test(buffers_only_grow_and_fail_clean),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
