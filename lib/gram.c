/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "gram.h"

#include <string.h>

#include "eight.h"
#include "four.h"
#include "wider.h"

/* Rows summed in float before they go into the double sums, and lines of the
 * matrix that are kept in registers meanwhile. */
enum { BLOCK = 64, LINES = 4 };

/* As wide as the compiler's target allows; the order of the sums is the same. */
enum { WIDE = 16, NARROW = UDG_GRAM_STEP };
typedef float wide __attribute__((vector_size(WIDE * sizeof(float))));
typedef udg_eight narrow;

_Static_assert((int)NARROW == (int)UDG_EIGHT && (int)WIDE == 2 * (int)UDG_EIGHT,
               "written out for these");

/* Lines a .. a + 3 of the block's sum, as many columns as `vector` has. */
#define TILE_ADD(name, vector, everywhere, columns)                                                \
  static inline __attribute__((always_inline)) void name(const float *rows, const float *scaled,   \
                                                         int count, int stride, double *gram) {    \
    vector s0 = {0}, s1 = {0}, s2 = {0}, s3 = {0}, column;                                         \
    for (int i = 0; i < count; i++) {                                                              \
      const float *line = scaled + (size_t)i * (size_t)stride;                                     \
      memcpy(&column, rows + (size_t)i * (size_t)stride, sizeof column);                           \
      s0 += (vector){everywhere(line[0])} * column;                                                \
      s1 += (vector){everywhere(line[1])} * column;                                                \
      s2 += (vector){everywhere(line[2])} * column;                                                \
      s3 += (vector){everywhere(line[3])} * column;                                                \
    }                                                                                              \
    for (int k = 0; k < (columns); k++) {                                                          \
      gram[k] += (double)s0[k];                                                                    \
      gram[stride + k] += (double)s1[k];                                                           \
      gram[2 * stride + k] += (double)s2[k];                                                       \
      gram[3 * stride + k] += (double)s3[k];                                                       \
    }                                                                                              \
  }
TILE_ADD(tile_add, narrow, UDG_EIGHT_TIMES, NARROW)
#ifdef UDG_SIXTEEN
#define SIXTEEN(x) UDG_EIGHT_TIMES(x), UDG_EIGHT_TIMES(x)
TILE_ADD(wide_tile_add, wide, SIXTEEN, WIDE)
#endif

/* One line of it, for those that are left over from four. */
static inline __attribute__((always_inline)) void line_add(const float *rows, const float *scaled,
                                                           int count, int stride, double *gram) {
  narrow sum = {0}, column;
  for (int i = 0; i < count; i++) {
    memcpy(&column, rows + (size_t)i * (size_t)stride, sizeof column);
    sum += UDG_EIGHT_ALL(scaled[(size_t)i * (size_t)stride]) * column;
  }
  for (int k = 0; k < NARROW; k++)
    gram[k] += (double)sum[k];
}

/* The last line alone: a tile would sum up three lines of zeros with it. */
static inline __attribute__((always_inline)) void
last_add(const float *rows, const float *scaled, int count, int line, int stride, double *gram) {
  for (int b = 0; b <= line; b += NARROW)
    line_add(rows + b, scaled + line, count, stride, gram + line * stride + b);
}

UDG_WIDER
static void eights_add(const float *rows, const float *scaled, int count, int width, int stride,
                       double *gram) {
  int single = width % LINES == 1 ? width - 1 : width;
  for (int a = 0; a < single; a += LINES)
    for (int b = 0; b < a + LINES; b += NARROW)
      tile_add(rows + b, scaled + a, count, stride, gram + a * stride + b);
  if (single < width)
    last_add(rows, scaled, count, single, stride, gram);
}

#ifdef UDG_SIXTEEN
UDG_SIXTEEN
static void sixteens_add(const float *rows, const float *scaled, int count, int width, int stride,
                         double *gram) {
  int single = width % LINES == 1 ? width - 1 : width;
  for (int a = 0; a < single; a += LINES)
    for (int b = 0; b < a + LINES;) {
      if (b + NARROW < a + LINES && b + WIDE <= stride) {
        wide_tile_add(rows + b, scaled + a, count, stride, gram + a * stride + b);
        b += WIDE;
      } else {
        tile_add(rows + b, scaled + a, count, stride, gram + a * stride + b);
        b += NARROW;
      }
    }
  if (single < width)
    last_add(rows, scaled, count, single, stride, gram);
}
#endif

static void block_add(const float *rows, const float *scaled, int count, int width, int stride,
                      double *gram) {
#ifdef UDG_SIXTEEN
  if (udg_wider_sixteen()) {
    sixteens_add(rows, scaled, count, width, stride, gram);
    return;
  }
#endif
  eights_add(rows, scaled, count, width, stride, gram);
}

void udg_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                  double *gram) {
  float scaled[BLOCK * UDG_GRAM_STRIDE_MAX];
  for (int first = 0; first < count; first += BLOCK) {
    int block = count - first < BLOCK ? count - first : BLOCK;
    const float *own = rows + (size_t)first * (size_t)stride;
    if (!weights) {
      block_add(own, own, block, width, stride, gram);
      continue;
    }
    for (int i = 0; i < block; i++)
      for (int k = 0; k < stride; k++)
        scaled[i * stride + k] = weights[first + i] * own[(size_t)i * (size_t)stride + (size_t)k];
    block_add(own, scaled, block, width, stride, gram);
  }
}

/* Pixels of columns summed in float before they go into the double sums: so many lanes of half
 * a step each, and the lines and columns that are kept in registers meanwhile. */
enum { SPAN = 64 * UDG_GRAM_PIXELS, TALL = 3, BROAD = 4, HALF = UDG_GRAM_PIXELS / 2 };
_Static_assert(2 * (int)NARROW == (int)UDG_GRAM_PIXELS, "half the lanes are a vector");

/* TALL lines against BROAD columns, as many pixels side by side as `vector` has. By name: arrays of
 * vectors would not stay in registers. */
#define COLUMN_ADD(vector, k, first, second, third)                                                \
  do {                                                                                             \
    vector c;                                                                                      \
    memcpy(&c, column + (k)*apart + i, sizeof c);                                                  \
    (first) += l0 * c;                                                                             \
    (second) += l1 * c;                                                                            \
    (third) += l2 * c;                                                                             \
  } while (0)
#define PART_TAKE(name, vector)                                                                    \
  static inline __attribute__((always_inline)) void name(                                          \
      const float *line, const float *column, size_t apart, size_t count, float *sums) {           \
    vector a0 = {0}, a1 = {0}, a2 = {0}, a3 = {0}, b0 = {0}, b1 = {0}, b2 = {0}, b3 = {0};         \
    vector c0 = {0}, c1 = {0}, c2 = {0}, c3 = {0}, l0, l1, l2;                                     \
    for (size_t i = 0; i < count; i += UDG_GRAM_PIXELS) {                                          \
      memcpy(&l0, line + i, sizeof l0);                                                            \
      memcpy(&l1, line + apart + i, sizeof l1);                                                    \
      memcpy(&l2, line + 2 * apart + i, sizeof l2);                                                \
      COLUMN_ADD(vector, 0, a0, b0, c0);                                                           \
      COLUMN_ADD(vector, 1, a1, b1, c1);                                                           \
      COLUMN_ADD(vector, 2, a2, b2, c2);                                                           \
      COLUMN_ADD(vector, 3, a3, b3, c3);                                                           \
    }                                                                                              \
    const vector all[TALL * BROAD] = {a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3};             \
    for (int k = 0; k < TALL * BROAD; k++)                                                         \
      memcpy(sums + k * UDG_GRAM_PIXELS, &all[k], sizeof all[k]);                                  \
  }
PART_TAKE(half_take, narrow)
PART_TAKE(whole_take, wide)

/* A pair's lanes: halves, then fours in single precision, these in double. */
static inline __attribute__((always_inline)) double lanes_sum(const float *lanes) {
  narrow first, second;
  memcpy(&first, lanes, sizeof first);
  memcpy(&second, lanes + HALF, sizeof second);
  first += second;
  const udg_four four = __builtin_shufflevector(first, first, 0, 1, 2, 3) +
                        __builtin_shufflevector(first, first, 4, 5, 6, 7);
  return ((double)four[0] + (double)four[1]) + ((double)four[2] + (double)four[3]);
}

static inline __attribute__((always_inline)) void part_add(const float *sums, int a, int b,
                                                           int width, int stride, double *gram) {
  for (int i = a; i < a + TALL && i < width; i++)
    for (int k = b; k < b + BROAD && k <= i; k++)
      gram[i * stride + k] += lanes_sum(sums + ((i - a) * BROAD + k - b) * UDG_GRAM_PIXELS);
}

/* `whole`: all lanes of a pixel in one vector. */
static inline __attribute__((always_inline)) void parts_add(int whole, const float *columns,
                                                            size_t apart, size_t count, int from,
                                                            int width, int stride, double *gram) {
  float sums[TALL * BROAD * UDG_GRAM_PIXELS];
  for (int a = from; a < width; a += TALL)
    for (int b = 0; b < a + TALL && b < width; b += BROAD) {
      const float *line = columns + (size_t)a * apart, *column = columns + (size_t)b * apart;
      if (whole) {
        whole_take(line, column, apart, count, sums);
      } else {
        half_take(line, column, apart, count, sums);
        half_take(line + HALF, column + HALF, apart, count, sums + HALF);
      }
      part_add(sums, a, b, width, stride, gram);
    }
}

UDG_WIDER
static void halves_add(const float *columns, size_t apart, size_t count, int from, int width,
                       int stride, double *gram) {
  parts_add(0, columns, apart, count, from, width, stride, gram);
}

#ifdef UDG_SIXTEEN
UDG_SIXTEEN
static void wholes_add(const float *columns, size_t apart, size_t count, int from, int width,
                       int stride, double *gram) {
  parts_add(1, columns, apart, count, from, width, stride, gram);
}
#endif

void udg_gram_columns_add(const float *columns, size_t apart, int count, int from, int width,
                          int stride, double *gram) {
  for (int first = 0; first < count; first += SPAN) {
    const size_t span = (size_t)(count - first < SPAN ? count - first : SPAN);
#ifdef UDG_SIXTEEN
    if (udg_wider_sixteen()) {
      wholes_add(columns + first, apart, span, from, width, stride, gram);
      continue;
    }
#endif
    halves_add(columns + first, apart, span, from, width, stride, gram);
  }
}
