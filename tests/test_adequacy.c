/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "adequacy.h"
#include "support.h"

enum { WIDTH = 500, HEIGHT = 260 };

static double normal(uint64_t *state) {
  double u = (test_random(state) + 0.5) / 4294967296.0;
  double v = (test_random(state) + 0.5) / 4294967296.0;
  return sqrt(-2.0 * log(u)) * cos(6.283185307179586 * v);
}

/* Two places 2 mm apart, digits 2 mm high: 6 x 4 mm with what is around. */
static udg_date made_date(void) {
  return (udg_date){.height_mm = 2.0,
                    .place_count = 2,
                    .places = {{'1', {-1.0, 0.0}, 0.0}, {'2', {1.0, 0.0}, 0.0}}};
}

static void test_box(void **state) {
  (void)state;
  udg_date date = made_date();
  udg_homography h = udg_homography_similarity(10.0, 0.0, 100.0, 80.0);
  udg_box box = udg_adequacy_box(&date, &h);
  assert_int_equal(box.left, 70);
  assert_int_equal(box.right, 130);
  assert_int_equal(box.top, 60);
  assert_int_equal(box.bottom, 100);
  udg_homography quarter = udg_homography_similarity(10.0, acos(-1.0) / 2.0, 100.25, 80.25);
  box = udg_adequacy_box(&date, &quarter);
  assert_int_equal(box.left, 80);
  assert_int_equal(box.right, 121);
  assert_int_equal(box.top, 50);
  assert_int_equal(box.bottom, 111);
}

/* Loud and soft where the date is, quiet and sharp elsewhere; the date's part is what counts.
 * Each stripe is a Gaussian-blurred edge of known sigma; the noise is normal and white. */
static void test_only_the_date_counts(void **state) {
  (void)state;
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  udg_plane photo = {0};
  udg_buffer window = {0};
  assert_int_equal(udg_plane_create(&settings, WIDTH, HEIGHT, &photo), UDG_OK);
  uint64_t seed = 3;
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH; x++) {
      int beside = x < 130 || x >= 370 || y < 50 || y >= 210;
      double sigma = beside ? 0.7 : 1.2, u = 0.0;
      for (int k = -8; k <= 8; k++) {
        double edge = x + 0.5 - 250.0 - 40.0 * k + 0.1 * (y - 130.0);
        u += (k % 2 ? -1.0 : 1.0) * (1.0 + erf(edge / (sigma * sqrt(2.0)))) / 2.0;
      }
      udg_plane_row(&photo, y)[x] = (float)(90.0 + 70.0 * u + (beside ? 1.2 : 3.0) * normal(&seed));
    }
  udg_date date = made_date();
  udg_homography h = udg_homography_similarity(39.0, 0.0, 250.0, 130.0);
  udg_adequacy adequacy = {.clipped_share = 0.25};
  assert_int_equal(
      udg_adequacy_measure(&settings, &date, udg_photo_of(&photo), &h, 2.0, &window, &adequacy),
      UDG_OK);
  print_message("noise %.3f of 3, blur %.3f of 2 x 1.2\n", adequacy.noise, adequacy.blur_px);
  assert_true(fabs(adequacy.noise - 3.0) < 0.05 * 3.0);
  assert_true(fabs(adequacy.blur_px - 2.4) < 0.1 * 2.4);
  assert_true(adequacy.clipped_share == 0.25);
  for (size_t i = 0; i < (size_t)WIDTH * HEIGHT; i++)
    photo.v[i] = (float)(128.0 + 3.0 * normal(&seed));
  assert_int_equal(
      udg_adequacy_measure(&settings, &date, udg_photo_of(&photo), &h, 1.0, &window, &adequacy),
      UDG_OK);
  udg_buffer_destroy(&settings, &window);
  assert_true(adequacy.blur_px == 0.0);
  udg_plane_destroy(&settings, &photo);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_box),
      cmocka_unit_test(test_only_the_date_counts),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
