/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Broken, cut and hostile pictures, and memory that runs out.  Each must be an
 * error with its place, and leave nothing. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "picture_check.h"
#include "support.h"

enum { W = CHECK_SAMPLE_WIDTH, H = CHECK_SAMPLE_HEIGHT };

static uint8_t colour[W * H * 3];

/* Decodes a copy of exactly `count` bytes; checks what must hold on any fault. */
static udg_status decode(const udg_settings *settings, const uint8_t *bytes, size_t count,
                         udg_message *message) {
  uint8_t *copy = malloc(count ? count : 1);
  assert_non_null(copy);
  memcpy(copy, bytes, count);
  udg_image *image = (udg_image *)&image;
  message->text[0] = '\0';
  const udg_status status =
      udg_image_from_memory(settings, copy, count, "coin.xyz", &image, message);
  if (status != UDG_OK) {
    assert_null(image);
    assert_memory_equal(message->text, "coin.xyz: ", 10);
    assert_true(strlen(message->text) > 14);
  } else {
    assert_non_null(image);
    assert_string_equal(message->text, "");
  }
  udg_image_destroy(image);
  free(copy);
  return status;
}

static void cut_anywhere_is_truncated(void **state) {
  (void)state;
  test_allocator a = {0};
  const udg_settings s = test_settings(&a);
  udg_message m;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_OK);
    for (size_t n = 0; n < file.count; n++) {
      if (decode(&s, file.bytes, n, &m) != UDG_ERROR_TRUNCATED)
        fail_msg("sample %d cut at %zu of %zu: \"%s\"", kind, n, file.count, m.text);
      if (n >= 8) { /* place and length are told */
        char of[40];
        snprintf(of, sizeof of, " of %zu: ", n);
        check_says(&m, of);
      }
    }
    assert_int_equal(a.live, 0);
    test_bytes_free(&file);
  }
}

/* A cut file that someone closed again with an end marker. */
static void cut_and_closed_jpeg_is_no_picture(void **state) {
  (void)state;
  udg_message m;
  for (int kind = 0; kind < 4; kind++) {
    if (kind == 2) /* progressive: fewer scans are a coarser, complete picture */
      continue;
    test_bytes file = check_sample(kind);
    const size_t n = file.count * 2 / 3;
    file.bytes[n] = 0xff;
    file.bytes[n + 1] = 0xd9;
    const udg_status status = decode(NULL, file.bytes, n + 2, &m);
    assert_true(status == UDG_ERROR_TRUNCATED || status == UDG_ERROR_FORMAT);
    test_bytes_free(&file);
  }
}

/* Where the next marker of this kind is; only ever asked for markers that come. */
static size_t find_marker(test_bytes file, size_t from, int low, int high) {
  size_t at = from;
  while (at + 1 < file.count &&
         !(file.bytes[at] == 0xff && file.bytes[at + 1] >= low && file.bytes[at + 1] <= high))
    at++;
  assert_true(at + 1 < file.count);
  return at;
}

/* Complete to the last byte, but for one scan that is left out: libjpeg alone
 * would show an even grey in its place. */
static void jpeg_without_a_scan_is_refused(void **state) {
  (void)state;
  static const struct {
    test_colours colours;
    int scans;
    udg_status status;
    const char *says;
  } cases[] = {
      {TEST_GREY, -1, UDG_ERROR_FORMAT, "Inconsistent progression"},
      {TEST_RGB, -1, UDG_ERROR_FORMAT, "Inconsistent progression"},
      {TEST_RGB, -2, UDG_ERROR_TRUNCATED, "a colour component is missing"},
      {TEST_YCBCR, -2, UDG_ERROR_TRUNCATED, "a colour component is missing"},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    test_bytes file = test_make_jpeg(&(test_jpeg){.pixels = colour,
                                                  .width = W,
                                                  .height = H,
                                                  .quality = 80,
                                                  .colours = cases[i].colours,
                                                  .scans = cases[i].scans});
    udg_message m;
    assert_int_equal(decode(NULL, file.bytes, file.count, &m), UDG_OK);
    const size_t scan = find_marker(file, 0, 0xda, 0xda);
    const size_t next = find_marker(file, scan + 2, 0xc0, 0xfe);
    memmove(file.bytes + scan, file.bytes + next, file.count - next);
    assert_int_equal(decode(NULL, file.bytes, file.count - (next - scan), &m), cases[i].status);
    check_says(&m, cases[i].says);
    test_bytes_free(&file);
  }
}

static void flipped_bytes_never_do_harm(void **state) {
  (void)state;
  test_allocator a = {0};
  udg_settings s = test_settings(&a);
  s.max_pixels = 4000000; /* what a flipped size may ask for, so that this ends soon */
  udg_message m;
  uint64_t seed = 99;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    uint8_t *broken = malloc(file.count);
    assert_non_null(broken);
    int faults = 0;
    for (int n = 0; n < 600; n++) {
      memcpy(broken, file.bytes, file.count);
      for (uint32_t flips = 1 + test_random(&seed) % 3; flips > 0; flips--)
        broken[test_random(&seed) % file.count] = (uint8_t)test_random(&seed);
      faults += decode(&s, broken, file.count, &m) != UDG_OK;
      assert_int_equal(a.live, 0);
    }
    assert_true(faults > 60);
    free(broken);
    test_bytes_free(&file);
  }
}

static void memory_may_run_out_at_any_call(void **state) {
  (void)state;
  udg_message m;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    test_allocator a = {0};
    const udg_settings s = test_settings(&a);
    size_t failures = 0;
    for (;;) {
      a.calls = 0;
      a.fail_at = failures + 1;
      const udg_status status = decode(&s, file.bytes, file.count, &m);
      assert_int_equal(a.live, 0);
      if (a.calls < a.fail_at) { /* never came to the failing call */
        assert_int_equal(status, UDG_OK);
        break;
      }
      if (status != UDG_ERROR_MEMORY)
        fail_msg("sample %d, call %zu: status %d \"%s\"", kind, a.fail_at, (int)status, m.text);
      failures++;
    }
    assert_true(failures >= 3); /* pixels, turned pixels, image */
    test_bytes_free(&file);
  }
}

static int cancel_at, cancel_calls;

static int cancel(void *user) {
  (void)user;
  return ++cancel_calls == cancel_at;
}

static void host_may_cancel(void **state) {
  (void)state;
  test_allocator a = {0};
  udg_settings s = test_settings(&a);
  s.cancel = cancel;
  udg_message m;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    for (cancel_at = 1;; cancel_at++) {
      cancel_calls = 0;
      const udg_status status = decode(&s, file.bytes, file.count, &m);
      assert_int_equal(a.live, 0);
      if (cancel_calls < cancel_at) {
        assert_int_equal(status, UDG_OK);
        break;
      }
      assert_int_equal(status, UDG_ERROR_CANCELLED);
    }
    assert_true(cancel_at > 1);
    test_bytes_free(&file);
  }
}

/* Signature, then IHDR with its CRC (W3C PNG, annex D), then nothing. */
static test_bytes png_header(uint32_t width, uint32_t height) {
  uint8_t head[33] = {0x89, 'P', 'N', 'G', '\r', '\n', 0x1a, '\n', 0, 0, 0, 13, 'I', 'H', 'D', 'R'};
  for (int i = 0; i < 4; i++) {
    head[16 + i] = (uint8_t)(width >> (24 - 8 * i));
    head[20 + i] = (uint8_t)(height >> (24 - 8 * i));
  }
  head[24] = 8;
  uint32_t crc = UINT32_MAX;
  for (int i = 12; i < 29; i++) {
    crc ^= head[i];
    for (int bit = 0; bit < 8; bit++)
      crc = crc >> 1 ^ (crc & 1 ? UINT32_C(0xedb88320) : 0);
  }
  crc ^= UINT32_MAX;
  for (int i = 0; i < 4; i++)
    head[29 + i] = (uint8_t)(crc >> (24 - 8 * i));
  test_bytes b = {malloc(sizeof head), sizeof head};
  assert_non_null(b.bytes);
  memcpy(b.bytes, head, sizeof head);
  return b;
}

static void huge_png_in_a_few_bytes_is_refused(void **state) {
  (void)state;
  static const struct {
    uint32_t width, height;
    udg_status status;
    const char *says;
  } cases[] = {
      {30000, 30000, UDG_ERROR_LIMIT, "30000 x 30000 pixels: a side is longer than max_side_px"},
      {2000000000, 1, UDG_ERROR_LIMIT, "max_side_px"},
      {1, 0x7fffffff, UDG_ERROR_LIMIT, "max_side_px"},
      {20000, 6001, UDG_ERROR_LIMIT, "more than max_pixels allows (120000000)"},
      {20000, 6000, UDG_ERROR_TRUNCATED, "byte 33 of 33"},
      {0, 10, UDG_ERROR_FORMAT, "byte "},
      {0xffffffff, 10, UDG_ERROR_FORMAT, "byte "},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    test_allocator a = {0};
    const udg_settings s = test_settings(&a);
    test_bytes file = png_header(cases[i].width, cases[i].height);
    udg_message m;
    assert_int_equal(decode(&s, file.bytes, file.count, &m), cases[i].status);
    check_says(&m, cases[i].says);
    test_bytes_free(&file);
  }
}

/* The size of a small file's frame header overwritten. */
static void huge_jpeg_in_a_few_bytes_is_refused(void **state) {
  (void)state;
  for (int progressive = 0; progressive <= 1; progressive++) {
    test_bytes file = check_sample(progressive ? 2 : 0);
    size_t at = 0;
    while (file.bytes[at] != 0xff || (file.bytes[at + 1] | 2) != 0xc2)
      at++;
    memcpy(file.bytes + at + 5, "\xff\xdc\xff\xdc", 4); /* 65500 each */
    udg_message m;
    assert_int_equal(decode(NULL, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
    check_says(&m, "65500 x 65500 pixels: a side is longer than max_side_px allows (20000)");
    memcpy(file.bytes + at + 5, "\x3a\x98\x3a\x98", 4); /* 15000 each */
    assert_int_equal(decode(NULL, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
    check_says(&m, "max_pixels");
    test_bytes_free(&file);
  }
}

static void decoder_memory_is_bounded(void **state) {
  (void)state;
  udg_message m;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    udg_settings s;
    udg_settings_default(&s, sizeof s);
    s.max_decode_bytes = W * H - 1;
    assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
    check_says(&m, "max_decode_bytes");
    test_bytes_free(&file);
  }
  /* Progressive: all coefficients are held at once, two bytes each, and a byte
   * of each pixel. */
  enum { SIDE = 800 };
  static uint8_t flat[SIDE * SIDE];
  test_bytes file = test_make_jpeg(
      &(test_jpeg){.pixels = flat, .width = SIDE, .height = SIDE, .quality = 50, .scans = -1});
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.max_decode_bytes = SIDE * SIDE * 5 / 2;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
  check_says(&m, "max_decode_bytes");
  s.max_decode_bytes = SIDE * SIDE * 7 / 2;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_OK);
  test_bytes_free(&file);
  /* PNG: the pixels and what libpng holds beside them (zlib's window of 32 KiB,
   * rows) together. */
  file = test_make_png(&(test_png){.rows = flat, .width = SIDE, .height = SIDE, .depth = 8});
  s.max_decode_bytes = SIDE * SIDE + 20000;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
  s.max_decode_bytes = SIDE * SIDE + 100000;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_OK);
  test_bytes_free(&file);
}

/* Hundreds of scans that hold nothing cost a walk over all blocks each. */
static void scan_bomb_is_refused(void **state) {
  (void)state;
  enum { SIDE = 256 };
  static uint8_t flat[SIDE * SIDE];
  test_bytes file = test_make_jpeg(
      &(test_jpeg){.pixels = flat, .width = SIDE, .height = SIDE, .quality = 50, .scans = 500});
  assert_true(file.count < 40000);
  udg_message m;
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
  check_says(&m, "max_scans");
  s.max_scans = 499;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
  s.max_scans = 500;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_OK);
  /* Fewer scans, but of a picture near the limit of size. */
  s.max_pixels = SIDE * SIDE * 2;
  assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_ERROR_LIMIT);
  check_says(&m, "too many scans");
  test_bytes_free(&file);
}

/* Megabytes of text in kilobytes: never unfolded, and the picture is good. */
static void text_bomb_is_passed_over(void **state) {
  (void)state;
  for (size_t mib = 4; mib <= 64; mib *= 16) {
    test_bytes file = test_make_png(
        &(test_png){.rows = colour, .width = W, .height = H, .depth = 8, .text_bytes = mib << 20});
    assert_true(file.count < 100000);
    udg_message m;
    udg_settings s;
    udg_settings_default(&s, sizeof s);
    s.max_decode_bytes = 200000;
    assert_int_equal(decode(&s, file.bytes, file.count, &m), UDG_OK);
    test_bytes_free(&file);
  }
}

static void other_kinds_are_named(void **state) {
  (void)state;
  static const struct {
    const char *bytes;
    size_t count;
    udg_status status;
    const char *says;
  } cases[] = {
      {"", 0, UDG_ERROR_TRUNCATED, "no data at all"},
      {"GIF89a......", 12, UDG_ERROR_FORMAT, "GIF"},
      {"RIFF....WEBPVP8 ", 16, UDG_ERROR_FORMAT, "WebP"},
      {"....ftypheic....", 16, UDG_ERROR_FORMAT, "HEIF"},
      {"II*\0........", 12, UDG_ERROR_FORMAT, "TIFF"},
      {"MM\0*........", 12, UDG_ERROR_FORMAT, "TIFF"},
      {"BM..........", 12, UDG_ERROR_FORMAT, "BMP"},
      {"%PDF-1.4....", 12, UDG_ERROR_FORMAT, "PDF"},
      {"{\"a\": 1}    ", 12, UDG_ERROR_FORMAT, "neither a JPEG nor a PNG"},
      {"\x89PNG\r\n\x1a", 7, UDG_ERROR_TRUNCATED, "byte 7 of 7"},
      {"\xff\xd8", 2, UDG_ERROR_TRUNCATED, "byte 2 of 2"},
      {"\x89PNG\n\x1a\n.....", 12, UDG_ERROR_FORMAT, "neither"}, /* line ends converted */
      {"\xff\xd8\xff\xd9", 4, UDG_ERROR_FORMAT, "byte 4 of 4"},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    udg_message m;
    assert_int_equal(decode(NULL, (const uint8_t *)cases[i].bytes, cases[i].count, &m),
                     cases[i].status);
    check_says(&m, cases[i].says);
  }
}

int main(void) {
  uint64_t seed = 1;
  for (size_t i = 0; i < sizeof colour; i++)
    colour[i] = (uint8_t)(128 + (test_random(&seed) >> 27) - (i / 9) % 90);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(cut_anywhere_is_truncated),
      cmocka_unit_test(cut_and_closed_jpeg_is_no_picture),
      cmocka_unit_test(jpeg_without_a_scan_is_refused),
      cmocka_unit_test(flipped_bytes_never_do_harm),
      cmocka_unit_test(memory_may_run_out_at_any_call),
      cmocka_unit_test(host_may_cancel),
      cmocka_unit_test(huge_png_in_a_few_bytes_is_refused),
      cmocka_unit_test(huge_jpeg_in_a_few_bytes_is_refused),
      cmocka_unit_test(decoder_memory_is_bounded),
      cmocka_unit_test(scan_bomb_is_refused),
      cmocka_unit_test(text_bomb_is_passed_over),
      cmocka_unit_test(other_kinds_are_named),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
