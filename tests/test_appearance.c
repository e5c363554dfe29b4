/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The sidecar of a learned reference: there and back, and hostile files. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "appearance.h"
#include "support.h"

enum { WIDTH = 7, HEIGHT = 5, FACE_WIDTH = 240, FACE_HEIGHT = 56, HEAD = 16, DATE = 48 };
enum {
  PLANES_BYTES = WIDTH * HEIGHT * UDG_APPEARANCE_PLANES * 4,
  FACE_AT = HEAD + DATE + PLANES_BYTES, /* of the first date */
};

static test_allocator allocator;

static void fill(const udg_settings *settings, const char *date, float first,
                 udg_appearance *made) {
  memset(made, 0, sizeof *made);
  memcpy(made->date, date, strlen(date));
  made->px_per_mm = 31.5;
  made->origin_px[0] = 3.25;
  made->origin_px[1] = -1.5;
  for (int p = 0; p < UDG_APPEARANCE_PLANES; p++) {
    assert_int_equal(udg_plane_create(settings, WIDTH, HEIGHT, &made->plane[p]), UDG_OK);
    for (int i = 0; i < WIDTH * HEIGHT; i++)
      made->plane[p].v[i] = first + 0.1f * (float)i - (float)p;
  }
  if (first < 0.0f) /* only some dates know the coin's face */
    return;
  assert_int_equal(udg_plane_create(settings, FACE_WIDTH, FACE_HEIGHT, &made->face), UDG_OK);
  for (int i = 0; i < FACE_WIDTH * FACE_HEIGHT; i++)
    made->face.v[i] = first - 0.3f * (float)i;
}

static test_bytes packed_pair(const udg_settings *settings) {
  udg_appearance all[2];
  test_bytes b = {NULL, 0};
  fill(settings, "1868", 0.5f, &all[0]);
  fill(settings, "1867", -2.5f, &all[1]);
  assert_int_equal(udg_appearance_pack(settings, all, 2, &b.bytes, &b.count, NULL), UDG_OK);
  for (int i = 0; i < 2; i++)
    udg_appearance_destroy(settings, &all[i]);
  return b;
}

static void reseal(test_bytes *b) {
  uint32_t crc = udg_crc32(b->bytes + 12, b->count - 12);
  for (int i = 0; i < 4; i++)
    b->bytes[8 + i] = (uint8_t)(crc >> (8 * i));
}

static udg_status unpack(const udg_settings *settings, const test_bytes *b, udg_message *message) {
  udg_appearance *all = NULL;
  size_t count = 0;
  udg_status status =
      udg_appearance_unpack(settings, b->bytes, b->count, "side.appearance", &all, &count, message);
  assert_true(status == UDG_OK || (!all && count == 0));
  for (size_t i = 0; i < count; i++)
    udg_appearance_destroy(settings, &all[i]);
  udg_memory_drop(settings, all);
  return status;
}

/* The check value of CRC-32 is 0xCBF43926 for "123456789" (from memory); the CRC of a
 * PNG's IEND chunk is AE 42 60 82 in every PNG file there is. */
static void checksum_is_the_usual_one(void **state) {
  (void)state;
  assert_int_equal(udg_crc32((const uint8_t *)"123456789", 9), 0xCBF43926u);
  assert_int_equal(udg_crc32((const uint8_t *)"IEND", 4), 0xAE426082u);
  assert_int_equal(udg_crc32((const uint8_t *)"", 0), 0u);
}

static void comes_back_as_it_was(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  test_bytes b = packed_pair(&settings);
  assert_int_equal(b.count, HEAD + 2 * (DATE + PLANES_BYTES + 8) + FACE_WIDTH * FACE_HEIGHT * 4);
  udg_appearance *all = NULL;
  size_t count = 0;
  assert_int_equal(udg_appearance_unpack(&settings, b.bytes, b.count, "x", &all, &count, NULL),
                   UDG_OK);
  assert_int_equal(count, 2);
  assert_string_equal(all[1].date, "1867");
  assert_true(all[1].px_per_mm == 31.5 && all[1].origin_px[0] == 3.25 &&
              all[1].origin_px[1] == -1.5);
  for (int p = 0; p < UDG_APPEARANCE_PLANES; p++) {
    assert_int_equal(all[1].plane[p].width, WIDTH);
    assert_int_equal(all[1].plane[p].height, HEIGHT);
    for (int i = 0; i < WIDTH * HEIGHT; i++)
      assert_true(all[1].plane[p].v[i] == -2.5f + 0.1f * (float)i - (float)p);
  }
  assert_int_equal(all[0].face.width, FACE_WIDTH);
  assert_int_equal(all[0].face.height, FACE_HEIGHT);
  for (int i = 0; i < FACE_WIDTH * FACE_HEIGHT; i++)
    assert_true(all[0].face.v[i] == 0.5f - 0.3f * (float)i);
  assert_null(all[1].face.v);
  /* 1.0 as IEEE 754 binary32, least byte first: 00 00 80 3F. */
  udg_appearance one;
  test_bytes c = {NULL, 0};
  fill(&settings, "1", 1.0f, &one);
  assert_int_equal(udg_appearance_pack(&settings, &one, 1, &c.bytes, &c.count, NULL), UDG_OK);
  assert_memory_equal(c.bytes + HEAD + DATE, "\x00\x00\x80\x3F", 4);
  udg_memory_drop(&settings, c.bytes);
  udg_appearance_destroy(&settings, &one);
  for (size_t i = 0; i < count; i++)
    udg_appearance_destroy(&settings, &all[i]);
  udg_memory_drop(&settings, all);
  udg_memory_drop(&settings, b.bytes);
  assert_int_equal(allocator.live, 0);
}

/* Cut anywhere, with the checksum as it was or put right: an error that names the file. */
static void no_piece_of_it_is_taken(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  test_bytes b = packed_pair(&settings);
  for (int sealed = 0; sealed < 2; sealed++) {
    for (size_t cut = 0; cut < b.count; cut += cut < 80 ? 1 : 997) {
      udg_message message = {""};
      test_bytes piece = {udg_memory_get(&settings, cut + 12, 1), cut};
      memcpy(piece.bytes, b.bytes, cut);
      if (sealed && cut >= HEAD)
        reseal(&piece);
      assert_int_equal(unpack(&settings, &piece, &message), UDG_ERROR_REFERENCE);
      assert_non_null(strstr(message.text, "side.appearance: byte "));
      udg_memory_drop(&settings, piece.bytes);
    }
  }
  udg_memory_drop(&settings, b.bytes);
  assert_int_equal(allocator.live, 0);
}

static void flipped_bits_are_noticed(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  test_bytes b = packed_pair(&settings);
  for (size_t at = 0; at < b.count; at += 503) {
    b.bytes[at] ^= 4;
    assert_int_equal(unpack(&settings, &b, NULL), UDG_ERROR_REFERENCE);
    b.bytes[at] ^= 4;
  }
  assert_int_equal(unpack(&settings, &b, NULL), UDG_OK);
  udg_memory_drop(&settings, b.bytes);
}

typedef struct lie {
  size_t at;
  const char *bytes;
  size_t count;
  const char *told;
} lie;

/* Fields that promise more than the file holds, with a checksum that fits. */
static void lies_are_refused(void **state) {
  (void)state;
  static const lie lies[] = {
      {0, "X", 1, "byte 0: is no sidecar"},
      {12, "\0\0\0\0", 4, "byte 12: must hold 1 to 1000"},
      {12, "\xFF\xFF\xFF\xFF", 4, "byte 12: must hold 1 to 1000"},
      {12, "\x03\0\0\0", 4, "ends in the middle of a date"},
      {12, "\x01\0\0\0", 4, "bytes left over"},
      {16, "18x8", 4, "byte 16: no date"},
      {16, "\0", 1, "byte 16: no date"},
      {16, "1234567812345678", 16, "byte 16: no date"},
      {32, "\0\0\0\0", 4, "byte 32: planes must have"},
      {32, "\xFF\xFF\xFF\xFF", 4, "byte 32: planes must have"},
      {36, "\0\x10\0\0", 4, "ends in the middle of a plane"},
      {40, "\0\0\0\0\0\0\0\0", 8, "byte 40: scale"},
      {48, "\0\0\0\0\0\0\xF8\x7F", 8, "byte 40: scale or origin"}, /* not a number */
      {FACE_AT, "\0\0\0\0", 4, "the face must have"},
      {FACE_AT, "\xFF\xFF\0\0", 4, "the face must have"},
      {FACE_AT, "\x38\0\0\0\xF0\0\0\0", 8, "the face must have"},
      {64, "\0\0\xC0\x7F", 4, "byte 64: no number"},
      {68, "\0\0\x80\xFF", 4, "byte 68: no number"}, /* minus infinity */
  };
  udg_settings settings = test_settings(&allocator);
  for (size_t i = 0; i < sizeof lies / sizeof *lies; i++) {
    udg_message message = {""};
    test_bytes b = packed_pair(&settings);
    memcpy(b.bytes + lies[i].at, lies[i].bytes, lies[i].count);
    reseal(&b);
    assert_int_equal(unpack(&settings, &b, &message), UDG_ERROR_REFERENCE);
    if (!strstr(message.text, lies[i].told))
      fail_msg("\"%s\" does not tell \"%s\"", message.text, lies[i].told);
    udg_memory_drop(&settings, b.bytes);
  }
  assert_int_equal(allocator.live, 0);
}

static void memory_runs_out(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  test_bytes b = packed_pair(&settings);
  size_t calls = allocator.calls;
  assert_int_equal(unpack(&settings, &b, NULL), UDG_OK);
  calls = allocator.calls - calls;
  for (size_t i = 1; i <= calls; i++) {
    allocator.fail_at = allocator.calls + i;
    assert_int_equal(unpack(&settings, &b, NULL), UDG_ERROR_MEMORY);
    allocator.fail_at = 0;
  }
  udg_memory_drop(&settings, b.bytes);
  assert_int_equal(allocator.live, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(checksum_is_the_usual_one), cmocka_unit_test(comes_back_as_it_was),
      cmocka_unit_test(no_piece_of_it_is_taken),   cmocka_unit_test(flipped_bits_are_noticed),
      cmocka_unit_test(lies_are_refused),          cmocka_unit_test(memory_runs_out),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
