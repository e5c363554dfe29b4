/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Good PNG files of every kind. */
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

static void decode_and_check_png(const test_png *p, const uint8_t *expected, int tolerance) {
  for (int interlaced = 0; interlaced <= 1; interlaced++) {
    test_png q = *p;
    q.interlaced = interlaced;
    test_bytes file = test_make_png(&q);
    udg_image *image = check_decode(NULL, file);
    check_grey(image, p->width, p->height, expected, tolerance);
    assert_int_equal(udg_image_width(image), p->width);
    assert_int_equal(udg_image_height(image), p->height);
    assert_int_equal(udg_image_jpeg_quality(image), 0);
    assert_true(image->scale == 1.0);
    udg_image_destroy(image);
    test_bytes_free(&file);
  }
}

/* Every size up to 17 covers each of the seven passes being empty or not. */
static void png_grey8_of_every_small_size(void **state) {
  (void)state;
  uint8_t pixels[17 * 17];
  for (int i = 0; i < 17 * 17; i++)
    pixels[i] = (uint8_t)(7 * i + i / 5);
  for (uint32_t h = 1; h <= 17; h++)
    for (uint32_t w = 1; w <= 17; w++)
      decode_and_check_png(&(test_png){.rows = pixels, .width = w, .height = h, .depth = 8}, pixels,
                           0);
}

/* Depths 1, 2, 4: value v of the most m stands for 255 v / m. */
static void png_grey_of_few_bits(void **state) {
  (void)state;
  for (int depth = 1; depth <= 4; depth *= 2) {
    const int most = (1 << depth) - 1;
    uint8_t rows[11 * 6] = {0}, expected[11 * 11];
    const size_t stride = (size_t)(11 * depth + 7) / 8;
    for (int y = 0; y < 11; y++)
      for (int x = 0; x < 11; x++) {
        const int v = (3 * x + 5 * y + x * y) & most;
        rows[(size_t)y * stride + (size_t)(x * depth / 8)] |=
            (uint8_t)(v << (8 - depth - x * depth % 8));
        expected[11 * y + x] = (uint8_t)(255 * v / most);
      }
    decode_and_check_png(&(test_png){.rows = rows, .width = 11, .height = 11, .depth = depth},
                         expected, 0);
  }
}

/* 16 bits: v / 65535 * 255, rounded. */
static void png_grey16(void **state) {
  (void)state;
  uint8_t rows[2 * 64], expected[64];
  for (int i = 0; i < 64; i++) {
    const int v = i * 1040 + 15;
    rows[2 * i] = (uint8_t)(v >> 8);
    rows[2 * i + 1] = (uint8_t)v;
    expected[i] = (uint8_t)lround(v * 255.0 / 65535.0);
  }
  decode_and_check_png(&(test_png){.rows = rows, .width = 8, .height = 8, .depth = 16}, expected,
                       0);
}

/* Transparent parts show white. */
static void png_grey_with_alpha(void **state) {
  (void)state;
  uint8_t rows[2 * 36], rows16[4 * 36], expected[36];
  for (int i = 0; i < 36; i++) {
    const int grey = 7 * i, alpha = i < 6 ? 0 : i < 12 ? 255 : 5 * i;
    rows[2 * i] = (uint8_t)grey;
    rows[2 * i + 1] = (uint8_t)alpha;
    rows16[4 * i] = rows16[4 * i + 1] = (uint8_t)grey; /* 257 times as much */
    rows16[4 * i + 2] = rows16[4 * i + 3] = (uint8_t)alpha;
    expected[i] = (uint8_t)lround((grey * alpha + 255.0 * (255 - alpha)) / 255.0);
  }
  decode_and_check_png(
      &(test_png){.rows = rows, .width = 6, .height = 6, .depth = 8, .colour_type = 4}, expected,
      0);
  decode_and_check_png(
      &(test_png){.rows = rows16, .width = 6, .height = 6, .depth = 16, .colour_type = 4}, expected,
      0);
}

static void png_colour(void **state) {
  (void)state;
  uint8_t rgb[3 * 100], rgba[4 * 100], rgb16[6 * 100], expected[100], over[100];
  uint64_t seed = 77;
  for (int i = 0; i < 100; i++) {
    for (int c = 0; c < 3; c++) {
      const uint8_t v = (uint8_t)(test_random(&seed) >> 24);
      rgb[3 * i + c] = rgba[4 * i + c] = v;
      rgb16[6 * i + 2 * c] = rgb16[6 * i + 2 * c + 1] = v;
    }
    const uint8_t alpha = rgba[4 * i + 3] = (uint8_t)(test_random(&seed) >> 24);
    expected[i] = (uint8_t)lround(check_luma(rgb + 3 * i));
    over[i] = (uint8_t)lround((check_luma(rgb + 3 * i) * alpha + 255.0 * (255 - alpha)) / 255.0);
  }
  decode_and_check_png(
      &(test_png){.rows = rgb, .width = 10, .height = 10, .depth = 8, .colour_type = 2}, expected,
      0);
  decode_and_check_png(
      &(test_png){.rows = rgb16, .width = 10, .height = 10, .depth = 16, .colour_type = 2},
      expected, 0);
  decode_and_check_png(
      &(test_png){.rows = rgba, .width = 10, .height = 10, .depth = 8, .colour_type = 6}, over, 1);
}

static void png_palette_with_and_without_alpha(void **state) {
  (void)state;
  static const uint8_t palette[] = {255, 0, 0, 0, 255, 0, 0, 0, 255, 128, 128, 128};
  static const uint8_t alphas[] = {255, 0, 128, 255};
  static const uint8_t rows[] = {0x1b, 0xe4, 0x4e, 0xb1}; /* 2 bits a pixel, 4 x 4 */
  static const uint8_t index[] = {0, 1, 2, 3, 3, 2, 1, 0, 1, 0, 3, 2, 2, 3, 0, 1};
  uint8_t expected[16], over[16];
  for (int i = 0; i < 16; i++) {
    const double y = check_luma(palette + 3 * index[i]), a = alphas[index[i]] / 255.0;
    expected[i] = (uint8_t)lround(y);
    over[i] = (uint8_t)lround(y * a + 255.0 * (1.0 - a));
  }
  test_png p = {.rows = rows,
                .width = 4,
                .height = 4,
                .depth = 2,
                .colour_type = 3,
                .palette = palette,
                .palette_count = 4};
  decode_and_check_png(&p, expected, 0);
  p.alphas = alphas;
  decode_and_check_png(&p, over, 1);
}

static void png_grey_with_a_transparent_level(void **state) {
  (void)state;
  static const uint8_t rows[] = {10, 20, 30, 20};
  static const uint8_t expected[] = {10, 255, 30, 255};
  decode_and_check_png(
      &(test_png){.rows = rows, .width = 2, .height = 2, .depth = 8, .key_grey = 20}, expected, 0);
}

/* pngtopnm of netpbm as oracle for grey files of 8 bits and fewer. */
static void png_is_what_pngtopnm_gives(void **state) {
  (void)state;
  if (!test_has_program("pngtopnm"))
    skip();
  enum { W = 37, H = 29 };
  static uint8_t rows[W * H];
  uint64_t seed = 8;
  for (size_t i = 0; i < sizeof rows; i++)
    rows[i] = (uint8_t)(test_random(&seed) >> 24);
  const char *png = test_path("in.png"), *pgm = test_path("out.pgm");
  for (int interlaced = 0; interlaced <= 1; interlaced++) {
    test_bytes file = test_make_png(
        &(test_png){.rows = rows, .width = W, .height = H, .depth = 8, .interlaced = interlaced});
    test_write_file(png, file.bytes, file.count);
    test_bytes_free(&file);
    assert_int_equal(test_run("pngtopnm %s > %s", png, pgm), 0);
    udg_image *image = check_decode_file(NULL, png);
    check_pgm(image, pgm);
    udg_image_destroy(image);
  }
}

static int clean_up(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(png_grey8_of_every_small_size),
      cmocka_unit_test(png_grey_of_few_bits),
      cmocka_unit_test(png_grey16),
      cmocka_unit_test(png_grey_with_alpha),
      cmocka_unit_test(png_colour),
      cmocka_unit_test(png_palette_with_and_without_alpha),
      cmocka_unit_test(png_grey_with_a_transparent_level),
      cmocka_unit_test(png_is_what_pngtopnm_gives),
  };
  return cmocka_run_group_tests(tests, NULL, clean_up);
}
