/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Symmetric systems.  Outside values: the inverse of the Hilbert matrix in closed form
 * (Choi, "Tricks or treats with the Hilbert matrix", Amer. Math. Monthly 90, 1983; formula
 * from memory, entries recomputed in exact arithmetic). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "linalg.h"
#include "support.h"

enum { N = 4, STRIDE = 7 };

static void hilbert(double a[N * STRIDE]) {
  for (int i = 0; i < N * STRIDE; i++)
    a[i] = 1e30; /* what lies between the rows must not count */
  for (int i = 0; i < N; i++)
    for (int j = 0; j <= i; j++)
      a[i * STRIDE + j] = 1.0 / (i + j + 1);
}

static void inverse_of_hilbert_is_known(void **state) {
  (void)state;
  static const double expected[N][N] = {{16, -120, 240, -140},
                                        {-120, 1200, -2700, 1680},
                                        {240, -2700, 6480, -4200},
                                        {-140, 1680, -4200, 2800}};
  double a[N * STRIDE], inverse[N * STRIDE];
  hilbert(a);
  assert_int_equal(udg_cholesky_factor(a, N, STRIDE, 1e-12), 0);
  memset(inverse, 0, sizeof inverse);
  udg_cholesky_invert(a, N, STRIDE, inverse);
  for (int i = 0; i < N; i++)
    for (int j = 0; j < N; j++)
      test_near(inverse[i * STRIDE + j], expected[i][j], 1e-7);
  for (int i = 0; i < N; i++)
    for (int j = N; j < STRIDE; j++)
      assert_true(inverse[i * STRIDE + j] == 0.0);
  /* The strict upper triangle of A is left alone. */
  assert_true(a[1] == 1e30 && a[STRIDE + 2] == 1e30);
}

static void solves_and_measures(void **state) {
  (void)state;
  static const double x[N] = {1, -2, 3, 0.5};
  double a[N * STRIDE], b[N], c[N], quadratic = 0.0, square = 0.0;
  for (int i = 0; i < N; i++) {
    b[i] = 0.0;
    for (int j = 0; j < N; j++)
      b[i] += x[j] / (i + j + 1);
    c[i] = b[i];
    quadratic += b[i] * x[i];
  }
  hilbert(a);
  assert_int_equal(udg_cholesky_factor(a, N, STRIDE, 1e-12), 0);
  udg_cholesky_solve(a, N, STRIDE, b);
  udg_cholesky_forward(a, N, STRIDE, c);
  for (int i = 0; i < N; i++) {
    test_near(b[i], x[i], 1e-10);
    square += c[i] * c[i];
  }
  test_near(square, quadratic, 1e-12);
}

static void random_systems_are_solved(void **state) {
  (void)state;
  enum { M = 30 };
  uint64_t seed = 5;
  double g[M][M], a[M * M], full[M * M], x[M], b[M];
  for (int i = 0; i < M; i++) {
    x[i] = i - 10.0;
    for (int j = 0; j < M; j++)
      g[i][j] = test_random(&seed) / 4294967296.0 - 0.5;
  }
  for (int i = 0; i < M; i++)
    for (int j = 0; j < M; j++) {
      full[i * M + j] = i == j ? 0.1 : 0.0;
      for (int k = 0; k < M; k++)
        full[i * M + j] += g[i][k] * g[j][k];
    }
  memcpy(a, full, sizeof a);
  for (int i = 0; i < M; i++) {
    b[i] = 0.0;
    for (int j = 0; j < M; j++)
      b[i] += full[i * M + j] * x[j];
  }
  assert_int_equal(udg_cholesky_factor(a, M, M, 1e-12), 0);
  udg_cholesky_solve(a, M, M, b);
  for (int i = 0; i < M; i++)
    test_near(b[i], x[i], 1e-9);
}

static void singular_pivots_are_named(void **state) {
  (void)state;
  double twice[9] = {1, 0, 0, 2, 5, 0, 3, 8, 13}; /* third row = first + second */
  assert_int_equal(udg_cholesky_factor(twice, 3, 3, 1e-10), 3);
  double negative[4] = {1, 0, 0, -1};
  assert_int_equal(udg_cholesky_factor(negative, 2, 2, 1e-10), 2);
  double nothing[1] = {0};
  assert_int_equal(udg_cholesky_factor(nothing, 1, 1, 1e-10), 1);
  double broken[1] = {NAN};
  assert_int_equal(udg_cholesky_factor(broken, 1, 1, 1e-10), 1);
  /* Nearly singular: told by the tolerance alone. */
  double near[4] = {1, 0, 1, 1 + 1e-6};
  assert_int_equal(udg_cholesky_factor(near, 2, 2, 1e-5), 2);
  near[0] = near[2] = 1;
  near[3] = 1 + 1e-6;
  assert_int_equal(udg_cholesky_factor(near, 2, 2, 1e-8), 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(inverse_of_hilbert_is_known),
      cmocka_unit_test(solves_and_measures),
      cmocka_unit_test(random_systems_are_solved),
      cmocka_unit_test(singular_pivots_are_named),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
