/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "gram.h"

#include <string.h>

#include "wider.h"

/* Rows summed in float before they go into the double sums, and lines of the
 * matrix that are kept in registers meanwhile. */
enum { BLOCK = 64, LINES = 4 };

/* As wide as the compiler's target allows; the order of the sums is the same. */
enum { WIDE = 16, NARROW = UDG_GRAM_STEP };
typedef float wide __attribute__((vector_size(WIDE * sizeof(float))));
typedef float narrow __attribute__((vector_size(NARROW * sizeof(float))));

/* Written out: where floats are computed wider than they are stored (32-bit x86), a
 * float times a vector is refused. */
#define EIGHT(x) (x), (x), (x), (x), (x), (x), (x), (x)
_Static_assert(NARROW == 8 && WIDE == 16, "EIGHT() has eight of them");

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
TILE_ADD(tile_add, narrow, EIGHT, NARROW)
#ifdef UDG_SIXTEEN
#define SIXTEEN(x) EIGHT(x), EIGHT(x)
TILE_ADD(wide_tile_add, wide, SIXTEEN, WIDE)
#endif

/* One line of it, for those that are left over from four. */
static inline __attribute__((always_inline)) void line_add(const float *rows, const float *scaled,
                                                           int count, int stride, double *gram) {
  narrow sum = {0}, column;
  for (int i = 0; i < count; i++) {
    memcpy(&column, rows + (size_t)i * (size_t)stride, sizeof column);
    sum += (narrow){EIGHT(scaled[(size_t)i * (size_t)stride])} * column;
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
