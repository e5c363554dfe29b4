/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "picture_check.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

udg_settings check_full_size(void) {
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.useful_side_px = UINT32_MAX;
  return s;
}

udg_image *check_decode(const udg_settings *settings, test_bytes file) {
  udg_image *image = NULL;
  udg_message message = {""};
  const udg_status status =
      udg_image_from_memory(settings, file.bytes, file.count, "made", &image, &message);
  if (status != UDG_OK)
    fail_msg("%s", message.text);
  return image;
}

udg_image *check_decode_file(const udg_settings *settings, const char *path) {
  test_bytes file = test_read_file(path);
  udg_image *image = check_decode(settings, file);
  test_bytes_free(&file);
  return image;
}

void check_grey(const udg_image *image, uint32_t width, uint32_t height, const uint8_t *expected,
                int tolerance) {
  assert_int_equal(image->width, width);
  assert_int_equal(image->height, height);
  for (uint32_t i = 0; i < width * height; i++)
    if (abs(image->grey[i] - expected[i]) > tolerance)
      fail_msg("pixel %u, %u is %d, not %d", i % width, i / width, image->grey[i], expected[i]);
}

void check_pgm(const udg_image *image, const char *path) {
  test_bytes pgm = test_read_file(path);
  unsigned width, height;
  char head[64] = "";
  memcpy(head, pgm.bytes, pgm.count < 63 ? pgm.count : 63);
  assert_int_equal(sscanf(head, "P5 %u %u 255", &width, &height), 2);
  assert_true(pgm.count > (size_t)width * height);
  check_grey(image, width, height, pgm.bytes + pgm.count - (size_t)width * height, 0);
  test_bytes_free(&pgm);
}

double check_luma(const uint8_t *rgb) {
  return 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
}

void check_says(const udg_message *message, const char *part) {
  if (!strstr(message->text, part))
    fail_msg("\"%s\" does not say \"%s\"", message->text, part);
}

enum { W = CHECK_SAMPLE_WIDTH, H = CHECK_SAMPLE_HEIGHT };

static uint8_t grey[W * H], colour[W * H * 4];

static void paint_noise(void) {
  uint64_t seed = 1;
  for (size_t i = 0; i < sizeof colour; i++)
    colour[i] = (uint8_t)(128 + (test_random(&seed) >> 27) - (i / 9) % 90);
  for (size_t i = 0; i < sizeof grey; i++)
    grey[i] = colour[4 * i];
}

test_bytes check_sample(int kind) {
  paint_noise();
  const test_jpeg base = {
      .pixels = colour, .width = W, .height = H, .quality = 80, .orientation = 6};
  test_jpeg j = base;
  test_png p = {.rows = colour, .width = W, .height = H, .depth = 8, .orientation = 7};
  switch (kind) {
  case 0:
    j.pixels = grey;
    return test_make_jpeg(&j);
  case 1:
    j.colours = TEST_YCBCR;
    j.restart_rows = 1;
    return test_make_jpeg(&j);
  case 2:
    j.colours = TEST_YCBCR;
    j.scans = -1;
    return test_make_jpeg(&j);
  case 3:
    j.colours = TEST_CMYK;
    return test_make_jpeg(&j);
  case 4:
    j.colours = TEST_RGB;
    j.scans = -1;
    return test_make_jpeg(&j);
  case 5:
    return test_make_png(&p);
  case 6:
    p.colour_type = 6;
    p.interlaced = 1;
    return test_make_png(&p);
  case 7:
    p.depth = 16;
    p.text_bytes = 300;
    return test_make_png(&p);
  default: {
    static uint8_t palette[3 * 16];
    memcpy(palette, colour, sizeof palette);
    p.colour_type = 3;
    p.depth = 4;
    p.palette = palette;
    p.palette_count = 16;
    p.alphas = grey;
    return test_make_png(&p);
  }
  }
}
