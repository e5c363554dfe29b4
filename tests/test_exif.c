/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The turn that EXIF tells. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "picture_check.h"
#include "support.h"

/* CIPA DC-008: what row 0 and column 0 of the stored picture are to the eye.
 * Worked by hand on three by two letters. */
static void png_is_turned_by_exif(void **state) {
  (void)state;
  static const char *upright[] = {"abcdef", "cbafed", "fedcba", "defabc",
                                  "adbecf", "daebfc", "fcebda", "cfbead"};
  for (int orientation = 1; orientation <= 8; orientation++) {
    test_bytes file = test_make_png(&(test_png){.rows = (const uint8_t *)"abcdef",
                                                .width = 3,
                                                .height = 2,
                                                .depth = 8,
                                                .orientation = orientation});
    udg_image *image = check_decode(NULL, file);
    const uint32_t width = orientation >= 5 ? 2 : 3;
    check_grey(image, width, 6 / width, (const uint8_t *)upright[orientation - 1], 0);
    assert_int_equal(udg_image_width(image), width);
    assert_int_equal(udg_image_height(image), 6 / width);
    udg_image_destroy(image);
    test_bytes_free(&file);
  }
}

/* A turn larger than one tile of the turning loop, and not square. */
static void large_turns_lose_no_pixel(void **state) {
  (void)state;
  enum { W = 200, H = 131 };
  static uint8_t pixels[W * H], turned[W * H];
  for (int i = 0; i < W * H; i++)
    pixels[i] = (uint8_t)(i * 31 + i / 255);
  for (uint32_t y = 0; y < W; y++) /* 6: the stored bottom left comes to the top left */
    for (uint32_t x = 0; x < H; x++)
      turned[y * H + x] = pixels[(H - 1 - x) * W + y];
  test_bytes file = test_make_png(
      &(test_png){.rows = pixels, .width = W, .height = H, .depth = 8, .orientation = 6});
  udg_image *image = check_decode(NULL, file);
  check_grey(image, H, W, turned, 0);
  udg_image_destroy(image);
  test_bytes_free(&file);
}

/* Blocks of one level each, so that turning by jpegtran's kind of exchange of
 * blocks leaves every pixel exact. */
static test_bytes make_blocks(uint32_t width, uint32_t height, int orientation) {
  static uint8_t pixels[64 * 48];
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++)
      pixels[y * width + x] = (uint8_t)(20 + 40 * (x / 16) + 17 * (y / 16) + 11 * (x / 16 == 1));
  return test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                     .width = width,
                                     .height = height,
                                     .quality = 90,
                                     .orientation = orientation});
}

/* Writes the tag, and sees that it is there. */
static void tag(const char *path, int orientation) {
  assert_int_equal(test_run("jpegexiforient -%d %s >/dev/null && "
                            "test \"$(jpegexiforient -n %s)\" = %d",
                            orientation, path, path, orientation),
                   0);
}

/* libjpeg-turbo-progs as oracle: jpegexiforient writes the tag into our file,
 * exifautotran turns the blocks as the tag asks and resets it. */
static void jpeg_is_turned_as_exifautotran_does(void **state) {
  (void)state;
  if (!test_has_program("jpegexiforient") || !test_has_program("exifautotran") ||
      !test_has_program("jpegtran") || !test_has_program("djpeg"))
    skip();
  const char *jpg = test_path("stored.jpg"), *turned = test_path("turned.jpg");
  const char *pgm = test_path("turned.pgm");
  for (int orientation = 1; orientation <= 8; orientation++) {
    test_bytes file = make_blocks(64, 48, 1);
    test_write_file(jpg, file.bytes, file.count);
    test_bytes_free(&file);
    tag(jpg, orientation);
    assert_int_equal(test_run("cp %s %s && cd %s && exifautotran turned.jpg >/dev/null 2>&1", jpg,
                              turned, test_directory()),
                     0);
    assert_int_equal(test_run("djpeg -grayscale -outfile %s %s", pgm, turned), 0);
    udg_image *image = check_decode_file(NULL, jpg);
    check_pgm(image, pgm);
    udg_image_destroy(image);
    image = check_decode_file(NULL, turned);
    check_pgm(image, pgm);
    udg_image_destroy(image);
  }
}

/* Eight stored files of one upright picture: jpegtran makes each, jpegexiforient
 * tags it; all decode alike, also when scaled. */
static void eight_stored_ways_give_one_upright_picture(void **state) {
  (void)state;
  if (!test_has_program("jpegexiforient") || !test_has_program("jpegtran"))
    skip();
  static const char *stored_by[] = {
      "",           "-flip horizontal", "-rotate 180", "-flip vertical",
      "-transpose", "-rotate 270",      "-transverse", "-rotate 90"};
  const char *jpg = test_path("upright.jpg"), *stored = test_path("stored.jpg");
  test_bytes file = make_blocks(64, 48, 1);
  test_write_file(jpg, file.bytes, file.count);
  for (unsigned scale = 1; scale <= 2; scale++) {
    udg_settings s = check_full_size();
    s.useful_side_px = 64 / scale;
    udg_image *upright = check_decode(&s, file);
    for (int orientation = 1; orientation <= 8; orientation++) {
      assert_int_equal(
          test_run("jpegtran -copy all %s -outfile %s %s", stored_by[orientation - 1], stored, jpg),
          0);
      tag(stored, orientation);
      udg_image *image = check_decode_file(&s, stored);
      check_grey(image, 64 / scale, 48 / scale, upright->grey, 0);
      assert_int_equal(udg_image_width(image), 64);
      assert_int_equal(udg_image_height(image), 48);
      udg_image_destroy(image);
    }
    udg_image_destroy(upright);
  }
  test_bytes_free(&file);
}

static void exif_is_read_in_both_byte_orders_and_never_believed_blindly(void **state) {
  (void)state;
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  uint8_t exif[64];
  for (int value = 0; value <= 12; value++) {
    const size_t count = test_make_exif(value, exif);
    const int expected = value >= 1 && value <= 8 ? value : 1;
    assert_int_equal(udg_exif_orientation(&s, exif, count), expected);
    assert_int_equal(udg_exif_orientation(&s, exif + 6, count - 6), expected);
    for (size_t cut = 0; cut < 22 && cut < count; cut++) /* before the entry's type */
      assert_int_equal(udg_exif_orientation(&s, exif, cut), 1);
  }
  static const uint8_t motorola[] = {'M', 'M', 0, 42, 0, 0, 0, 8, 0, 1, 1, 0x12, 0,
                                     3,   0,   0, 0,  1, 0, 6, 0, 0, 0, 0, 0,    0};
  assert_int_equal(udg_exif_orientation(&s, motorola, sizeof motorola), 6);
  test_make_exif(6, exif);
  assert_int_equal(udg_exif_orientation(&s, exif, 32), 6);
  exif[18] = 2; /* text in place of a number */
  assert_int_equal(udg_exif_orientation(&s, exif, 32), 1);
  exif[18] = 4; /* LONG, where the standard and jpegexiforient want SHORT */
  assert_int_equal(udg_exif_orientation(&s, exif, 32), 1);
}

static int clean_up(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(png_is_turned_by_exif),
      cmocka_unit_test(large_turns_lose_no_pixel),
      cmocka_unit_test(jpeg_is_turned_as_exifautotran_does),
      cmocka_unit_test(eight_stored_ways_give_one_upright_picture),
      cmocka_unit_test(exif_is_read_in_both_byte_orders_and_never_believed_blindly),
  };
  return cmocka_run_group_tests(tests, NULL, clean_up);
}
