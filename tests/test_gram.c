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
#define udg_taps_add plain_taps_add
#define UDG_PLAIN
void plain_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                    double *gram);
void plain_taps_add(float w, const float *left, const float *right, int n, float *sum);
#include "../lib/gram.c"
#include "../lib/taps.c"
#undef udg_gram_add
#undef udg_taps_add
#undef UDG_PLAIN
void udg_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                  double *gram);

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

/* Every length, so that what is left over from whole vectors is there. */
static void taps_are_the_definition(void **state) {
  (void)state;
  float left[67], right[67], sum[67], plain[67];
  for (int n = 0; n <= 67; n++) {
    for (int x = 0; x < 67; x++) {
      left[x] = (float)sin(12.9898 * x);
      right[x] = (float)cos(78.233 * x);
      sum[x] = plain[x] = (float)x;
    }
    udg_taps_add(0.3f, left, right, n, sum);
    plain_taps_add(0.3f, left, right, n, plain);
    assert_memory_equal(sum, plain, sizeof sum);
    for (int x = 0; x < 67; x++) {
      double expected = x < n ? x + 0.3 * ((double)left[x] + (double)right[x]) : x;
      assert_true(fabs((double)sum[x] - expected) < 1e-5);
    }
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(sums_are_the_definition),
      cmocka_unit_test(sums_go_on),
      cmocka_unit_test(taps_are_the_definition),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
