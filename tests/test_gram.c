/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Normal matrices and the taps of blurring against their definition, and the vectors of this
 * machine against plain C, bit for bit. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "gram.h"
#include "taps.h"

/* The same source once more, as a machine without wider vectors runs it. */
#define udg_gram_add plain_gram_add
#define udg_gram_columns_add plain_gram_columns_add
#define udg_taps_sum plain_taps_sum
#define udg_taps_even plain_taps_even
#define UDG_PLAIN
void plain_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                    double *gram);
void plain_gram_columns_add(const float *columns, size_t apart, int count, int from, int width,
                            int stride, double *gram);
void plain_taps_sum(const float *w, const float *const *left, const float *const *right, int reach,
                    int n, float *out);
void plain_taps_even(const float *w, int reach, const float *from, ptrdiff_t apart, int n,
                     float *out);
#include "../lib/gram.c"
#include "../lib/taps.c"
#undef udg_gram_add
#undef udg_gram_columns_add
#undef udg_taps_sum
#undef udg_taps_even
#undef UDG_PLAIN
void udg_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                  double *gram);
void udg_gram_columns_add(const float *columns, size_t apart, int count, int from, int width,
                          int stride, double *gram);
void udg_taps_sum(const float *w, const float *const *left, const float *const *right, int reach,
                  int n, float *out);
void udg_taps_even(const float *w, int reach, const float *from, ptrdiff_t apart, int n,
                   float *out);

enum { ROWS = 333, STRIDE_MAX = UDG_GRAM_STRIDE_MAX };
static float rows[ROWS * STRIDE_MAX], weights[ROWS];

static void fill(int width, int stride) {
  memset(rows, 0, sizeof rows);
  for (int i = 0; i < ROWS; i++) {
    weights[i] = (float)(0.5 + 0.5 * sin(1.3 * i));
    for (int k = 0; k < width; k++)
      rows[i * stride + k] = (float)sin(12.9898 * i * i + 78.233 * k);
  }
}

static void sums_are_the_definition(void **state) {
  (void)state;
  static const int cases[][3] = {{1, 8, 1},     {4, 8, 64},    {7, 8, 65},
                                 {27, 32, 333}, {35, 40, 130}, {40, 40, 64}};
  for (size_t c = 0; c < sizeof cases / sizeof *cases; c++) {
    int width = cases[c][0], stride = cases[c][1], count = cases[c][2];
    double gram[STRIDE_MAX * STRIDE_MAX] = {0.0}, plain[STRIDE_MAX * STRIDE_MAX] = {0.0};
    fill(width, stride);
    udg_gram_add(rows, weights, count, width, stride, gram);
    plain_gram_add(rows, weights, count, width, stride, plain);
    assert_memory_equal(gram, plain, sizeof gram);
    for (int a = 0; a < width; a++)
      for (int b = 0; b <= a; b++) {
        double sum = 0.0;
        for (int i = 0; i < count; i++)
          sum += (double)weights[i] * (double)rows[i * stride + a] * (double)rows[i * stride + b];
        /* Float sums of 64 terms of at most 1, then double. */
        assert_true(fabs(gram[a * stride + b] - sum) < 64.0 * 6e-8 * count);
      }
  }
}

/* Adds to what is there. */
static void sums_go_on(void **state) {
  (void)state;
  double once[8 * 8] = {0.0}, twice[8 * 8] = {0.0};
  fill(5, 8);
  udg_gram_add(rows, weights, 128, 5, 8, once);
  udg_gram_add(rows, weights, 64, 5, 8, twice);
  udg_gram_add(rows + 64 * 8, weights + 64, 64, 5, 8, twice);
  for (int a = 0; a < 5; a++)
    for (int b = 0; b <= a; b++)
      assert_true(once[a * 8 + b] == twice[a * 8 + b]);
}

/* Columns one behind the other: what lies beyond the last does not matter. */
static void sums_of_columns_are_the_definition(void **state) {
  (void)state;
  enum { MOST = 2100, WIDEST = 29, STRIDE = 32, APART = MOST + UDG_GRAM_PIXELS };
  static float columns[STRIDE * APART];
  static const int cases[][3] = {{1, 1, 0},     {2, 16, 0},    {5, 17, 3},   {12, 1024, 7},
                                 {28, 1025, 0}, {29, 2100, 0}, {29, 900, 7}, {4, 30, 4}};
  for (size_t c = 0; c < sizeof cases / sizeof *cases; c++) {
    int width = cases[c][0], count = cases[c][1], from = cases[c][2];
    double gram[STRIDE * STRIDE] = {1.0}, plain[STRIDE * STRIDE] = {1.0};
    for (int k = 0; k < STRIDE; k++)
      for (int i = 0; i < APART; i++)
        columns[k * APART + i] = k >= width   ? NAN
                                 : i >= count ? 0.0f
                                              : (float)sin(12.9898 * i * i + 78.233 * k);
    udg_gram_columns_add(columns, APART, count, from, width, STRIDE, gram);
    plain_gram_columns_add(columns, APART, count, from, width, STRIDE, plain);
    assert_memory_equal(gram, plain, sizeof gram);
    for (int a = 0; a < STRIDE; a++)
      for (int b = 0; b < STRIDE; b++) {
        double sum = a == 0 && b == 0 ? 1.0 : 0.0; /* adds to what is there */
        for (int i = 0; i < count && a >= from && a < width && b <= a; i++)
          sum += (double)columns[a * APART + i] * (double)columns[b * APART + i];
        assert_true(fabs(gram[a * STRIDE + b] - sum) < 64.0 * 6e-8 * count);
      }
  }
}

/* Every length, so that what is left over from whole vectors is there. */
static void taps_are_the_definition(void **state) {
  (void)state;
  enum { MOST = 67, REACH = 5 };
  static const float w[REACH + 1] = {0.3f, 0.2f, 0.1f, 0.02f, 0.02f, 0.01f};
  float values[2 * REACH + 2][MOST], sum[MOST], plain[MOST];
  const float *left[REACH + 1], *right[REACH + 1];
  for (int k = 0; k <= 2 * REACH + 1; k++)
    for (int x = 0; x < MOST; x++)
      values[k][x] = (float)sin(12.9898 * x + 78.233 * k);
  for (int k = 0; k <= REACH; k++) {
    left[k] = values[2 * k];
    right[k] = values[2 * k + 1];
  }
  for (int n = 0; n <= MOST; n++) {
    for (int x = 0; x < MOST; x++)
      sum[x] = plain[x] = (float)x;
    udg_taps_sum(w, left, right, REACH, n, sum);
    plain_taps_sum(w, left, right, REACH, n, plain);
    assert_memory_equal(sum, plain, sizeof sum);
    for (int x = 0; x < MOST; x++) {
      double expected = (double)w[0] * (double)left[0][x];
      for (int k = 1; k <= REACH; k++)
        expected += (double)w[k] * ((double)left[k][x] + (double)right[k][x]);
      assert_true(fabs((double)sum[x] - (x < n ? expected : x)) < 1e-6);
    }
  }
}

/* Along a line, and from line to line; up to seven values more are written. */
static void even_taps_are_the_same(void **state) {
  (void)state;
  enum { LONG = 80, REACH = 5, MOST = 50 };
  static const float w[REACH + 1] = {0.3f, 0.2f, 0.1f, 0.02f, 0.02f, 0.01f};
  float values[LONG][LONG], sum[MOST + 14], plain[MOST + 14], expected[MOST];
  const float *left[REACH + 1], *right[REACH + 1];
  for (int k = 0; k < LONG * LONG; k++)
    values[k / LONG][k % LONG] = (float)sin(12.9898 * k * k);
  for (int n = 0; n <= MOST; n++)
    for (ptrdiff_t apart = 1; apart <= LONG; apart += LONG - 1) {
      const float *from = &values[7][9];
      for (int k = 0; k <= REACH; k++) {
        left[k] = from - k * apart;
        right[k] = from + k * apart;
      }
      for (int x = 0; x < MOST + 14; x++)
        sum[x] = plain[x] = -3.0f;
      udg_taps_sum(w, left, right, REACH, n, expected);
      udg_taps_even(w, REACH, from, apart, n, sum);
      plain_taps_even(w, REACH, from, apart, n, plain);
      assert_memory_equal(sum, plain, sizeof sum);
      assert_memory_equal(sum, expected, sizeof *sum * (size_t)n);
      assert_true(sum[(n + 7) / 8 * 8] == -3.0f);
    }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sums_are_the_definition),
      cmocka_unit_test(sums_go_on),
      cmocka_unit_test(sums_of_columns_are_the_definition),
      cmocka_unit_test(taps_are_the_definition),
      cmocka_unit_test(even_taps_are_the_same),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
