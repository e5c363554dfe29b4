/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Good JPEG files of every kind. */
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

/* What a smooth, asymmetric picture looks like at (x, y). */
static uint8_t scene(double x, double y) {
  return (uint8_t)(110.0 + 60.0 * sin(x / 9.0) + 40.0 * cos(y / 7.0 + x / 31.0) + x / 8.0);
}

static void paint(uint8_t *pixels, uint32_t width, uint32_t height, unsigned samples) {
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++)
      for (unsigned c = 0; c < samples; c++)
        pixels[(y * width + x) * samples + c] = scene(x + 11.0 * c, y + 5.0 * c);
}

/* A smooth picture at quality 100 comes back within a few levels. */
static void jpeg_of_every_kind(void **state) {
  (void)state;
  enum { W = 61, H = 43 };
  static uint8_t pixels[W * H * 4], expected[W * H];
  for (int colours = TEST_GREY; colours <= TEST_CMYK_PLAIN; colours++)
    for (int scans = -1; scans <= 0; scans++) {
      const unsigned samples = colours == TEST_GREY ? 1 : colours <= TEST_RGB ? 3 : 4;
      paint(pixels, W, H, samples);
      for (int i = 0; i < W * H; i++) {
        const uint8_t *p = pixels + (size_t)i * samples;
        double rgb[3] = {0};
        for (int c = 0; c < 3 && samples == 4; c++)
          rgb[c] =
              colours == TEST_CMYK ? p[c] * p[3] / 255.0 : (255.0 - p[c]) * (255.0 - p[3]) / 255.0;
        const double inks = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
        expected[i] = (uint8_t)lround(samples == 1 ? p[0] : samples == 3 ? check_luma(p) : inks);
      }
      test_bytes file = test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                                    .width = W,
                                                    .height = H,
                                                    .colours = (test_colours)colours,
                                                    .quality = 100,
                                                    .scans = scans});
      udg_image *image = check_decode(NULL, file);
      check_grey(image, W, H, expected, 3);
      assert_int_equal(udg_image_jpeg_quality(image), 100);
      udg_image_destroy(image);
      test_bytes_free(&file);
    }
}

static void jpeg_of_one_pixel(void **state) {
  (void)state;
  const uint8_t pixel = 200;
  test_bytes file =
      test_make_jpeg(&(test_jpeg){.pixels = &pixel, .width = 1, .height = 1, .quality = 100});
  udg_image *image = check_decode(NULL, file);
  check_grey(image, 1, 1, &pixel, 1);
  udg_image_destroy(image);
  test_bytes_free(&file);
}

/* First eight entries in zigzag order as libjpeg-turbo writes them (checks.md;
 * ITU-T T.81 Annex K with IJG scaling). */
static void jpeg_quality_of_known_tables(void **state) {
  (void)state;
  static const struct {
    int quality;
    uint8_t zigzag[8];
  } known[] = {{10, {80, 55, 60, 70, 60, 50, 80, 70}},
               {50, {16, 11, 12, 14, 12, 10, 16, 14}},
               {75, {8, 6, 6, 7, 6, 5, 8, 7}},
               {90, {3, 2, 2, 3, 2, 2, 3, 3}}};
  static uint8_t pixels[64];
  for (size_t i = 0; i < 4; i++) {
    test_bytes file = test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                                  .width = 8,
                                                  .height = 8,
                                                  .quality = known[i].quality,
                                                  .baseline_tables = 1});
    size_t at = 0; /* DQT of 67 bytes for 8-bit table 0 */
    while (at + 13 < file.count && memcmp(file.bytes + at, "\xff\xdb\0\x43\0", 5) != 0)
      at++;
    assert_memory_equal(file.bytes + at + 5, known[i].zigzag, 8);
    udg_image *image = check_decode(NULL, file);
    assert_int_equal(udg_image_jpeg_quality(image), known[i].quality);
    udg_image_destroy(image);
    test_bytes_free(&file);
  }
}

static void jpeg_quality_is_exact_for_every_ijg_table(void **state) {
  (void)state;
  static uint8_t pixels[64 * 3];
  for (int quality = 1; quality <= 100; quality++)
    for (int kind = 0; kind < 4; kind++) {
      test_bytes file = test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                                    .width = 8,
                                                    .height = 8,
                                                    .colours = kind & 1 ? TEST_YCBCR : TEST_GREY,
                                                    .quality = quality,
                                                    .baseline_tables = kind / 2});
      udg_image *image = check_decode(NULL, file);
      assert_int_equal(udg_image_jpeg_quality(image), quality);
      udg_image_destroy(image);
      test_bytes_free(&file);
    }
}

/* A table a little off the IJG row is told by the nearest. */
static void jpeg_quality_of_a_foreign_table_is_the_nearest(void **state) {
  (void)state;
  static uint8_t pixels[64];
  test_bytes file =
      test_make_jpeg(&(test_jpeg){.pixels = pixels, .width = 8, .height = 8, .quality = 60});
  size_t at = 0;
  while (memcmp(file.bytes + at, "\xff\xdb\0\x43\0", 5) != 0)
    at++;
  for (size_t i = 0; i < 64; i += 4)
    file.bytes[at + 5 + i] = (uint8_t)(file.bytes[at + 5 + i] + (i % 8 ? 1 : -1));
  udg_image *image = check_decode(NULL, file);
  assert_in_range(udg_image_jpeg_quality(image), 59, 61);
  udg_image_destroy(image);
  test_bytes_free(&file);
}

static void write_ppm(const char *path, const uint8_t *pixels, unsigned width, unsigned height) {
  FILE *file = fopen(path, "wb");
  assert_non_null(file);
  fprintf(file, "P6\n%u %u\n255\n", width, height);
  assert_int_equal(fwrite(pixels, 3, (size_t)width * height, file), (size_t)width * height);
  assert_int_equal(fclose(file), 0);
}

/* djpeg of libjpeg-turbo-progs as oracle: the same pixels, at every scale, for
 * sequential, progressive, arithmetic, restarted and subsampled files. */
static void jpeg_is_what_djpeg_gives(void **state) {
  (void)state;
  if (!test_has_program("cjpeg") || !test_has_program("djpeg"))
    skip();
  enum { W = 203, H = 149 };
  static uint8_t rgb[W * H * 3];
  uint64_t seed = 4;
  paint(rgb, W, H, 3);
  for (size_t i = 0; i < sizeof rgb; i++)
    rgb[i] = (uint8_t)(rgb[i] / 2 + (test_random(&seed) >> 25));
  const char *ppm = test_path("in.ppm"), *jpg = test_path("in.jpg"), *pgm = test_path("out.pgm");
  write_ppm(ppm, rgb, W, H);
  static const char *options[] = {"-quality 35",
                                  "-quality 92 -progressive",
                                  "-quality 80 -sample 1x1 -restart 1",
                                  "-quality 71 -arithmetic",
                                  "-quality 88 -rgb",
                                  "-quality 64 -grayscale -optimize"};
  static const int qualities[] = {35, 92, 80, 71, 88, 64};
  for (size_t o = 0; o < 6; o++) {
    assert_int_equal(test_run("cjpeg %s -outfile %s %s", options[o], jpg, ppm), 0);
    for (unsigned denominator = 1; denominator <= 8; denominator *= 2) {
      assert_int_equal(
          test_run("djpeg -grayscale -scale 1/%u -outfile %s %s", denominator, pgm, jpg), 0);
      udg_settings s = check_full_size();
      s.useful_side_px = W / denominator; /* 203, 101, 50, 25: the next half falls below */
      udg_image *image = check_decode_file(&s, jpg);
      check_pgm(image, pgm);
      assert_true(image->scale == denominator);
      assert_int_equal(udg_image_width(image), W);
      assert_int_equal(udg_image_height(image), H);
      assert_int_equal(udg_image_jpeg_quality(image), qualities[o]);
      udg_image_destroy(image);
    }
  }
}

/* The longer side decides, and stays at or above the useful one. */
static void jpeg_is_scaled_while_large_enough(void **state) {
  (void)state;
  enum { W = 40, H = 161 };
  static uint8_t pixels[W * H];
  paint(pixels, W, H, 1);
  test_bytes file =
      test_make_jpeg(&(test_jpeg){.pixels = pixels, .width = W, .height = H, .quality = 95});
  static const struct {
    uint32_t useful;
    unsigned scale;
  } cases[] = {{200, 1}, {161, 1}, {81, 1}, {80, 2}, {41, 2}, {40, 4}, {21, 4}, {20, 8}, {1, 8}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    udg_settings s = check_full_size();
    s.useful_side_px = cases[i].useful;
    udg_image *image = check_decode(&s, file);
    assert_true(image->scale == cases[i].scale);
    assert_int_equal(image->width, (W + cases[i].scale - 1) / cases[i].scale);
    assert_int_equal(image->height, (H + cases[i].scale - 1) / cases[i].scale);
    assert_int_equal(udg_image_width(image), W);
    assert_int_equal(udg_image_height(image), H);
    /* Pixel (i, j) still shows the scene around (i + 1/2, j + 1/2) * scale. */
    const double k = cases[i].scale;
    assert_true(abs(image->grey[2] - scene(2.5 * k - 0.5, 0.5 * k - 0.5)) <= 4);
    udg_image_destroy(image);
  }
  test_bytes_free(&file);
}

static int clean_up(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(jpeg_of_every_kind),
      cmocka_unit_test(jpeg_of_one_pixel),
      cmocka_unit_test(jpeg_quality_of_known_tables),
      cmocka_unit_test(jpeg_quality_is_exact_for_every_ijg_table),
      cmocka_unit_test(jpeg_quality_of_a_foreign_table_is_the_nearest),
      cmocka_unit_test(jpeg_is_what_djpeg_gives),
      cmocka_unit_test(jpeg_is_scaled_while_large_enough),
  };
  return cmocka_run_group_tests(tests, NULL, clean_up);
}
