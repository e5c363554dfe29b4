/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "bombs.h"

#include <stdlib.h>
#include <string.h>

#include <zlib.h>

enum { UNFOLDED = 96 << 20, PIECE = 1 << 16, SIDE = 64 };

static void append(test_bytes *to, const void *bytes, size_t count) {
  to->bytes = realloc(to->bytes, to->count + count);
  if (!to->bytes)
    abort();
  memcpy(to->bytes + to->count, bytes, count);
  to->count += count;
}

static void put_word(uint8_t out[4], uint32_t value) {
  for (int i = 0; i < 4; i++)
    out[i] = (uint8_t)(value >> (24 - 8 * i));
}

/* A chunk as the PNG specification's section 5.3 has it. */
static void append_chunk(test_bytes *png, const char *type, const void *data, size_t count) {
  uint8_t word[4];
  put_word(word, (uint32_t)count);
  append(png, word, 4);
  uLong crc = crc32(0, (const Bytef *)type, 4);
  if (count)
    crc = crc32(crc, data, (uInt)count);
  append(png, type, 4);
  if (count)
    append(png, data, count);
  put_word(word, (uint32_t)crc);
  append(png, word, 4);
}

/* `head`, then `count` equal bytes, deflated. */
static test_bytes deflated(const void *head, size_t head_count, uint64_t count) {
  static uint8_t zeros[PIECE], out[PIECE];
  test_bytes made = {NULL, 0};
  z_stream z = {.next_in = (Bytef *)(uintptr_t)head, .avail_in = (uInt)head_count};
  if (deflateInit(&z, 9) != Z_OK)
    abort();
  int status = Z_OK;
  while (status != Z_STREAM_END) {
    if (z.avail_in == 0 && count > 0) {
      z.next_in = zeros;
      z.avail_in = (uInt)(count < PIECE ? count : PIECE);
      count -= z.avail_in;
    }
    z.next_out = out;
    z.avail_out = PIECE;
    status = deflate(&z, count ? Z_NO_FLUSH : Z_FINISH);
    append(&made, out, PIECE - z.avail_out);
  }
  deflateEnd(&z);
  return made;
}

static test_bytes png_begin(uint32_t width, uint32_t height, int depth) {
  test_bytes png = {NULL, 0};
  uint8_t head[13] = {0};
  put_word(head, width);
  put_word(head + 4, height);
  head[8] = (uint8_t)depth;
  append(&png, "\x89PNG\r\n\x1a\n", 8);
  append_chunk(&png, "IHDR", head, sizeof head);
  return png;
}

static void png_end(test_bytes *png, uint32_t width, uint32_t height, int depth) {
  test_bytes rows = deflated("", 0, (uint64_t)height * (1 + ((uint64_t)width * depth + 7) / 8));
  append_chunk(png, "IDAT", rows.bytes, rows.count);
  append_chunk(png, "IEND", NULL, 0);
  free(rows.bytes);
}

/* The first rows only, so that it stays in a kilobyte. */
static test_bytes png_pixels(void) {
  test_bytes png = png_begin(30000, 30000, 8), rows = deflated("", 0, 700000);
  append_chunk(&png, "IDAT", rows.bytes, rows.count);
  append_chunk(&png, "IEND", NULL, 0);
  free(rows.bytes);
  return png;
}

/* Complete; its sides and pixels are allowed, the memory is not. */
static test_bytes png_memory(void) {
  test_bytes png = png_begin(15000, 7000, 8);
  png_end(&png, 15000, 7000, 8);
  return png;
}

static test_bytes png_with(const char *type, const char *head, size_t head_count) {
  test_bytes png = png_begin(SIDE, SIDE, 8), folded = deflated("", 0, UNFOLDED), chunk = {NULL, 0};
  append(&chunk, head, head_count);
  append(&chunk, folded.bytes, folded.count);
  append_chunk(&png, type, chunk.bytes, chunk.count);
  png_end(&png, SIDE, SIDE, 8);
  free(folded.bytes);
  free(chunk.bytes);
  return png;
}

static test_bytes png_text(void) {
  return png_with("zTXt", "Comment\0\0", 9);
}

static test_bytes png_long_text(void) {
  return png_with("iTXt", "Comment\0\1\0\0\0", 12);
}

static test_bytes png_profile(void) {
  return png_with("iCCP", "profile\0\0", 9);
}

/* Byte order, directory at 8; its only entry leads to itself, and so does what would
 * be the next directory. */
static const uint8_t looped[] = {
    'E',  'x',  'i', 'f', 0, 0, 'M', 'M', 0, 42, 0, 0, 0, 8, 0, 3, /* entries */
    0x87, 0x69, 0,   4,   0, 0, 0,   1,   0, 0,  0, 8,             /* Exif directory */
    0x88, 0x25, 0,   4,   0, 0, 0,   1,   0, 0,  0, 8,             /* GPS directory */
    0xa0, 0x05, 0,   4,   0, 0, 0,   1,   0, 0,  0, 8,             /* interoperability */
    0,    0,    0,   8};

static test_bytes png_exif_loop(void) {
  test_bytes png = png_begin(SIDE, SIDE, 8);
  append_chunk(&png, "eXIf", looped + 6, sizeof looped - 6);
  png_end(&png, SIDE, SIDE, 8);
  return png;
}

static test_bytes jpeg_exif_loop(void) {
  static uint8_t flat[SIDE * SIDE];
  test_bytes plain =
      test_make_jpeg(&(test_jpeg){.pixels = flat, .width = SIDE, .height = SIDE, .quality = 80});
  test_bytes jpeg = {NULL, 0};
  const uint8_t marker[4] = {0xff, 0xe1, 0, sizeof looped + 2};
  append(&jpeg, plain.bytes, 2);
  append(&jpeg, marker, sizeof marker);
  append(&jpeg, looped, sizeof looped);
  append(&jpeg, plain.bytes + 2, plain.count - 2);
  free(plain.bytes);
  return jpeg;
}

/* A small file with the size in its frame header overwritten. */
static test_bytes jpeg_sized(int scans, uint32_t width, uint32_t height) {
  static uint8_t flat[SIDE * SIDE];
  test_bytes jpeg = test_make_jpeg(
      &(test_jpeg){.pixels = flat, .width = SIDE, .height = SIDE, .quality = 50, .scans = scans});
  size_t at = 0;
  while (jpeg.bytes[at] != 0xff || (jpeg.bytes[at + 1] | 2) != 0xc2)
    at++;
  const uint8_t size[4] = {(uint8_t)(height >> 8), (uint8_t)height, (uint8_t)(width >> 8),
                           (uint8_t)width};
  memcpy(jpeg.bytes + at + 5, size, sizeof size);
  return jpeg;
}

static test_bytes jpeg_pixels(void) {
  return jpeg_sized(0, 65500, 65500);
}

/* All coefficients of a progressive picture are held at once. */
static test_bytes jpeg_coefficients(void) {
  return jpeg_sized(-1, 15000, 7000);
}

static test_bytes jpeg_scans(void) {
  return jpeg_sized(1000, 2000, 2000);
}

const bomb bombs[] = {
    {"png-pixels", png_pixels, UDG_ERROR_LIMIT, "max_side_px", UINT64_C(900000000)},
    {"png-memory", png_memory, UDG_ERROR_LIMIT, "max_decode_bytes", 105000000},
    {"png-ztxt", png_text, UDG_OK, NULL, UNFOLDED},
    {"png-itxt", png_long_text, UDG_OK, NULL, UNFOLDED},
    {"png-iccp", png_profile, UDG_OK, NULL, UNFOLDED},
    {"png-exif-loop", png_exif_loop, UDG_OK, NULL, 0},
    {"jpeg-pixels", jpeg_pixels, UDG_ERROR_LIMIT, "max_side_px", UINT64_C(4290250000)},
    {"jpeg-coefficients", jpeg_coefficients, UDG_ERROR_LIMIT, "max_decode_bytes", 210000000},
    {"jpeg-scans", jpeg_scans, UDG_ERROR_LIMIT, "scans", UINT64_C(4000000000)},
    {"jpeg-exif-loop", jpeg_exif_loop, UDG_OK, NULL, 0},
};
const int bomb_count = sizeof bombs / sizeof *bombs;

udg_settings bomb_settings(void) {
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.max_decode_bytes = BOMB_DECODE_BYTES;
  return s;
}
