/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Pictures from grey pixels, and calls that break the rules. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

#include "picture_check.h"
#include "support.h"

enum { W = 40, H = 36 };

static const uint8_t grey[W * H];

static void grey_pixels_are_copied_with_their_stride(void **state) {
  (void)state;
  test_allocator a = {0};
  const udg_settings s = test_settings(&a);
  uint8_t pixels[] = {1, 2, 3, 99, 4, 5, 6, 99};
  static const uint8_t expected[] = {1, 2, 3, 4, 5, 6};
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(&s, pixels, 3, 2, 4, &image, NULL), UDG_OK);
  memset(pixels, 0, sizeof pixels);
  check_grey(image, 3, 2, expected, 0);
  assert_int_equal(udg_image_width(image), 3);
  assert_int_equal(udg_image_height(image), 2);
  assert_int_equal(udg_image_jpeg_quality(image), 0);
  udg_image_destroy(image);
  assert_int_equal(a.live, 0);
  udg_image_destroy(NULL);
}

/* Means by hand: of each half, of parts that cut pixels, beyond the edge. */
static void parts_are_means_of_what_they_cover(void **state) {
  (void)state;
  static const uint8_t pixels[] = {10, 20, 30, 40, 50, 60, 70, 80};
  udg_image *image = NULL;
  uint8_t out[8];
  assert_int_equal(udg_image_from_grey(NULL, pixels, 4, 2, 4, &image, NULL), UDG_OK);
  assert_int_equal(udg_image_grey(image, NULL, 4, 2, out), UDG_OK);
  assert_memory_equal(out, pixels, 8);
  assert_int_equal(udg_image_grey(image, NULL, 2, 1, out), UDG_OK);
  assert_int_equal(out[0], 35);
  assert_int_equal(out[1], 55);
  assert_int_equal(udg_image_grey(image, (double[]){0.5, 0, 2, 1}, 1, 1, out), UDG_OK);
  assert_int_equal(out[0], 17); /* (0.5 * 10 + 20) / 1.5 = 16.7 */
  assert_int_equal(udg_image_grey(image, (double[]){1, 0, 2, 1}, 2, 2, out), UDG_OK);
  for (int i = 0; i < 4; i++)
    assert_int_equal(out[i], 20);
  assert_int_equal(udg_image_grey(image, (double[]){-4, -4, -2, -2}, 1, 1, out), UDG_OK);
  assert_int_equal(out[0], 10);
  assert_int_equal(udg_image_grey(image, (double[]){2, 0, 2, 1}, 1, 1, out), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_grey(image, (double[]){0, 0, 1e300, 1}, 1, 1, out),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_grey(image, NULL, 0, 1, out), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_grey(image, NULL, 1, 1, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_grey(NULL, NULL, 1, 1, out), UDG_ERROR_ARGUMENT);
  udg_image_destroy(image);
}

static void wrong_arguments_are_told(void **state) {
  (void)state;
  udg_image *image = (udg_image *)&image;
  udg_message m;
  assert_int_equal(udg_image_from_memory(NULL, grey, 9, NULL, NULL, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_memory(NULL, NULL, 9, NULL, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_file(NULL, NULL, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_file(NULL, "x", NULL, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, NULL, 2, 2, 2, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, grey, 2, 2, 1, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, grey, 0, 2, 2, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, grey, 2, 0, 2, &image, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, grey, 2, 2, 2, NULL, &m), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_image_from_grey(NULL, grey, 20001, 1, 20001, &image, &m), UDG_ERROR_LIMIT);
  assert_null(image);
  for (size_t fail_at = 1; fail_at <= 2; fail_at++) {
    test_allocator a = {.fail_at = fail_at};
    const udg_settings s = test_settings(&a);
    assert_int_equal(udg_image_from_grey(&s, grey, W, H, W, &image, &m), UDG_ERROR_MEMORY);
    assert_null(image);
    assert_int_equal(a.live, 0);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(grey_pixels_are_copied_with_their_stride),
      cmocka_unit_test(parts_are_means_of_what_they_cover),
      cmocka_unit_test(wrong_arguments_are_told),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
