/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Shared by the tests: an allocator that can fail, pictures made on the spot,
 * scratch files, general-purpose programs as oracles. */
#ifndef UDG_TEST_SUPPORT_H
#define UDG_TEST_SUPPORT_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/settings.h>

/* Counts, hands out dirty memory, fails on request. */
typedef struct test_allocator {
  size_t calls;   /* to allocate, so far */
  size_t fail_at; /* call that gives NULL, from 1; 0: none */
  size_t live;    /* blocks not given back */
} test_allocator;

/* Default settings with the allocator's hooks. */
udg_settings test_settings(test_allocator *allocator);

/* Bytes made by one of the makers below; free with test_bytes_free(). */
typedef struct test_bytes {
  uint8_t *bytes;
  size_t count;
} test_bytes;

void test_bytes_free(test_bytes *b);

typedef enum test_colours {
  TEST_GREY,
  TEST_YCBCR,
  TEST_RGB,
  TEST_CMYK,      /* Adobe marker: inverted */
  TEST_CMYK_PLAIN /* no marker: not inverted */
} test_colours;

/* `pixels` has 1, 3 or 4 samples a pixel as the colours ask.  Quality 1-100,
 * clipped to baseline when `baseline_tables`.  `scans` > 0 makes a progressive
 * grey file of that many scans, -1 the usual progressive script, 0 sequential,
 * -2 sequential with one scan for each of three components.
 * `orientation` 0 writes no EXIF. */
typedef struct test_jpeg {
  const uint8_t *pixels;
  uint32_t width, height;
  test_colours colours;
  int quality;
  int baseline_tables;
  int scans;
  int orientation;
  int restart_rows;
} test_jpeg;

test_bytes test_make_jpeg(const test_jpeg *j);

/* `rows` holds packed rows as PNG stores them for this colour type and depth. */
typedef struct test_png {
  const uint8_t *rows;
  uint32_t width, height;
  int colour_type, depth; /* as in the PNG header */
  const uint8_t *palette; /* 3 * palette_count */
  const uint8_t *alphas;  /* palette alphas, palette_count; NULL: none */
  int palette_count;
  int key_grey; /* tRNS of a grey picture; -1: none */
  int interlaced;
  int orientation;   /* 0: no eXIf */
  size_t text_bytes; /* of a zTXt chunk of equal letters; 0: none */
} test_png;

test_bytes test_make_png(const test_png *p);

/* EXIF payload ("Exif\0\0" and one directory with Orientation); gives its size. */
size_t test_make_exif(int orientation, uint8_t out[64]);

/* A new directory for scratch files; ends the test program when there is none. */
const char *test_directory(void);
/* DIRECTORY/name; static storage, valid for eight calls. */
const char *test_path(const char *name);
void test_write_file(const char *path, const void *bytes, size_t count);
test_bytes test_read_file(const char *path);
/* Removes the directory and what is in it. */
void test_directory_remove(void);

/* 1 when `program` can be run by its name. */
int test_has_program(const char *program);
/* Exit status of a shell command. */
int test_run(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* Fails the test, telling both, unless a and b are within `within` of each other. */
#define test_near(a, b, within) test_near_at((double)(a), (double)(b), within, __FILE__, __LINE__)
void test_near_at(double a, double b, double within, const char *file, int line);

/* Deterministic pseudo-random numbers (xorshift64*), state != 0. */
uint32_t test_random(uint64_t *state);

#endif
