/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Good pictures of every kind. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "image_internal.h"
#include "support.h"

/* Settings that never scale down. */
static udg_settings full_size(void) {
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.useful_side_px = UINT32_MAX;
  return s;
}

static udg_image *decode(const udg_settings *settings, test_bytes file) {
  udg_image *image = NULL;
  udg_message message = {""};
  const udg_status status =
      udg_image_from_memory(settings, file.bytes, file.count, "made", &image, &message);
  if (status != UDG_OK)
    fail_msg("%s", message.text);
  return image;
}

static udg_image *decode_file(const udg_settings *settings, const char *path) {
  test_bytes file = test_read_file(path);
  udg_image *image = decode(settings, file);
  test_bytes_free(&file);
  return image;
}

static void assert_grey(const udg_image *image, uint32_t width, uint32_t height,
                        const uint8_t *expected, int tolerance) {
  assert_int_equal(image->width, width);
  assert_int_equal(image->height, height);
  for (uint32_t i = 0; i < width * height; i++)
    if (abs(image->grey[i] - expected[i]) > tolerance)
      fail_msg("pixel %u, %u is %d, not %d", i % width, i / width, image->grey[i], expected[i]);
}

static void decode_and_check_png(const test_png *p, const uint8_t *expected, int tolerance) {
  for (int interlaced = 0; interlaced <= 1; interlaced++) {
    test_png q = *p;
    q.interlaced = interlaced;
    test_bytes file = test_make_png(&q);
    udg_image *image = decode(NULL, file);
    assert_grey(image, p->width, p->height, expected, tolerance);
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
      &(test_png){.rows = rows16, .width = 6, .height = 6, .depth = 16, .colour_type = 4},
      expected, 0);
}

/* ITU-R BT.601 luma, 0.299 R + 0.587 G + 0.114 B. */
static double luma(const uint8_t *rgb) {
  return 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
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
    expected[i] = (uint8_t)lround(luma(rgb + 3 * i));
    over[i] = (uint8_t)lround((luma(rgb + 3 * i) * alpha + 255.0 * (255 - alpha)) / 255.0);
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
    const double y = luma(palette + 3 * index[i]), a = alphas[index[i]] / 255.0;
    expected[i] = (uint8_t)lround(y);
    over[i] = (uint8_t)lround(y * a + 255.0 * (1.0 - a));
  }
  test_png p = {.rows = rows,       .width = 4,         .height = 4,       .depth = 2,
                .colour_type = 3,   .palette = palette, .palette_count = 4};
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
          rgb[c] = colours == TEST_CMYK ? p[c] * p[3] / 255.0
                                        : (255.0 - p[c]) * (255.0 - p[3]) / 255.0;
        const double inks = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
        expected[i] = (uint8_t)lround(samples == 1 ? p[0] : samples == 3 ? luma(p) : inks);
      }
      test_bytes file = test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                                    .width = W,
                                                    .height = H,
                                                    .colours = (test_colours)colours,
                                                    .quality = 100,
                                                    .scans = scans});
      udg_image *image = decode(NULL, file);
      assert_grey(image, W, H, expected, 3);
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
  udg_image *image = decode(NULL, file);
  assert_grey(image, 1, 1, &pixel, 1);
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
    udg_image *image = decode(NULL, file);
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
      test_bytes file =
          test_make_jpeg(&(test_jpeg){.pixels = pixels,
                                      .width = 8,
                                      .height = 8,
                                      .colours = kind & 1 ? TEST_YCBCR : TEST_GREY,
                                      .quality = quality,
                                      .baseline_tables = kind / 2});
      udg_image *image = decode(NULL, file);
      const int found = udg_image_jpeg_quality(image);
      /* Clipped at 255, the lowest qualities share a table. */
      const int shared = quality == 1 && kind / 2;
      if (found != quality && !(shared && found == 2))
        fail_msg("quality %d read as %d", quality, found);
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
  udg_image *image = decode(NULL, file);
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

/* A binary PGM of 8 bits, as djpeg and pngtopnm write it. */
static void assert_same_as_pgm(const udg_image *image, const char *path) {
  test_bytes pgm = test_read_file(path);
  unsigned width, height;
  char head[64] = "";
  memcpy(head, pgm.bytes, pgm.count < 63 ? pgm.count : 63);
  assert_int_equal(sscanf(head, "P5 %u %u 255", &width, &height), 2);
  assert_true(pgm.count > (size_t)width * height);
  assert_grey(image, width, height, pgm.bytes + pgm.count - (size_t)width * height, 0);
  test_bytes_free(&pgm);
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
      udg_settings s = full_size();
      s.useful_side_px = W / denominator; /* 203, 101, 50, 25: the next half falls below */
      udg_image *image = decode_file(&s, jpg);
      assert_same_as_pgm(image, pgm);
      assert_true(image->scale == denominator);
      assert_int_equal(udg_image_width(image), W);
      assert_int_equal(udg_image_height(image), H);
      assert_int_equal(udg_image_jpeg_quality(image), qualities[o]);
      udg_image_destroy(image);
    }
  }
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
    test_bytes file = test_make_png(&(test_png){
        .rows = rows, .width = W, .height = H, .depth = 8, .interlaced = interlaced});
    test_write_file(png, file.bytes, file.count);
    test_bytes_free(&file);
    assert_int_equal(test_run("pngtopnm %s > %s", png, pgm), 0);
    udg_image *image = decode_file(NULL, png);
    assert_same_as_pgm(image, pgm);
    udg_image_destroy(image);
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
    udg_settings s = full_size();
    s.useful_side_px = cases[i].useful;
    udg_image *image = decode(&s, file);
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
    udg_image *image = decode(NULL, file);
    const uint32_t width = orientation >= 5 ? 2 : 3;
    assert_grey(image, width, 6 / width, (const uint8_t *)upright[orientation - 1], 0);
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
  udg_image *image = decode(NULL, file);
  assert_grey(image, H, W, turned, 0);
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
    udg_image *image = decode_file(NULL, jpg);
    assert_same_as_pgm(image, pgm);
    udg_image_destroy(image);
    image = decode_file(NULL, turned);
    assert_same_as_pgm(image, pgm);
    udg_image_destroy(image);
  }
}

/* Eight stored files of one upright picture: jpegtran makes each, jpegexiforient
 * tags it; all decode alike, also when scaled. */
static void eight_stored_ways_give_one_upright_picture(void **state) {
  (void)state;
  if (!test_has_program("jpegexiforient") || !test_has_program("jpegtran"))
    skip();
  static const char *stored_by[] = {"",
                                    "-flip horizontal",
                                    "-rotate 180",
                                    "-flip vertical",
                                    "-transpose",
                                    "-rotate 270",
                                    "-transverse",
                                    "-rotate 90"};
  const char *jpg = test_path("upright.jpg"), *stored = test_path("stored.jpg");
  test_bytes file = make_blocks(64, 48, 1);
  test_write_file(jpg, file.bytes, file.count);
  for (unsigned scale = 1; scale <= 2; scale++) {
    udg_settings s = full_size();
    s.useful_side_px = 64 / scale;
    udg_image *upright = decode(&s, file);
    for (int orientation = 1; orientation <= 8; orientation++) {
      assert_int_equal(test_run("jpegtran -copy all %s -outfile %s %s", stored_by[orientation - 1],
                                stored, jpg),
                       0);
      tag(stored, orientation);
      udg_image *image = decode_file(&s, stored);
      assert_grey(image, 64 / scale, 48 / scale, upright->grey, 0);
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
  static const uint8_t motorola[] = {'M', 'M', 0, 42, 0, 0, 0, 8, 0, 1, 1, 0x12, 0, 3, 0,
                                     0,   0,   1, 0,  6, 0, 0, 0, 0, 0, 0};
  assert_int_equal(udg_exif_orientation(&s, motorola, sizeof motorola), 6);
  test_make_exif(6, exif);
  exif[18] = 2; /* text in place of a number */
  assert_int_equal(udg_exif_orientation(&s, exif, 32), 1);
}

static void grey_pixels_are_copied_with_their_stride(void **state) {
  (void)state;
  test_allocator a = {0};
  const udg_settings s = test_settings(&a);
  uint8_t pixels[] = {1, 2, 3, 99, 4, 5, 6, 99};
  static const uint8_t expected[] = {1, 2, 3, 4, 5, 6};
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(&s, pixels, 3, 2, 4, &image, NULL), UDG_OK);
  memset(pixels, 0, sizeof pixels);
  assert_grey(image, 3, 2, expected, 0);
  assert_int_equal(udg_image_width(image), 3);
  assert_int_equal(udg_image_height(image), 2);
  assert_int_equal(udg_image_jpeg_quality(image), 0);
  udg_image_destroy(image);
  assert_int_equal(a.live, 0);
  udg_image_destroy(NULL);
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
      cmocka_unit_test(jpeg_of_every_kind),
      cmocka_unit_test(jpeg_of_one_pixel),
      cmocka_unit_test(jpeg_quality_of_known_tables),
      cmocka_unit_test(jpeg_quality_is_exact_for_every_ijg_table),
      cmocka_unit_test(jpeg_quality_of_a_foreign_table_is_the_nearest),
      cmocka_unit_test(jpeg_is_what_djpeg_gives),
      cmocka_unit_test(png_is_what_pngtopnm_gives),
      cmocka_unit_test(jpeg_is_scaled_while_large_enough),
      cmocka_unit_test(png_is_turned_by_exif),
      cmocka_unit_test(large_turns_lose_no_pixel),
      cmocka_unit_test(jpeg_is_turned_as_exifautotran_does),
      cmocka_unit_test(eight_stored_ways_give_one_upright_picture),
      cmocka_unit_test(exif_is_read_in_both_byte_orders_and_never_believed_blindly),
      cmocka_unit_test(grey_pixels_are_copied_with_their_stride),
  };
  return cmocka_run_group_tests(tests, NULL, clean_up);
}
