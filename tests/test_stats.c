/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Values marked [S] were computed with SciPy 1.10.1 (scipy.stats chi2, f, ncx2, ncf, beta,
 * gamma, norm, gumbel_r, genpareto), those marked [N] are from the NIST/SEMATECH e-Handbook
 * of Statistical Methods, 1.3.6.7.4, from memory and recomputed with SciPy. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "stats.h"
#include "support.h"

static void assert_near(double value, double truth, double share) {
  if (!(fabs(value - truth) <= share * fabs(truth)))
    fail_msg("%.12g is not within %g of %.12g", value, share, truth);
}

static void test_normal(void **state) {
  (void)state;
  static const double table[][2] = {{1e-12, 7.034483825301131},
                                    {1e-3, 3.090232306167813},
                                    {0.3, 0.5244005127080409},
                                    {0.9, -1.2815515655446004},
                                    {0.999999999, -5.997807019601637}}; /* [S] */
  for (size_t i = 0; i < 5; i++) {
    assert_near(udg_normal_upper_quantile(table[i][0]), table[i][1], 1e-7);
    assert_near(udg_normal_upper(table[i][1]), table[i][0], 1e-9);
  }
  assert_true(fabs(udg_normal_upper_quantile(0.5)) < 1e-12);
}

static void test_gamma_and_beta(void **state) {
  (void)state;
  assert_near(udg_gamma_lower(0.5, 0.2), 0.47291074313446196, 1e-12); /* [S] */
  assert_near(udg_gamma_upper(0.5, 0.2), 0.5270892568655381, 1e-12);
  assert_near(udg_gamma_upper(10.0, 30.0), 7.121750862815593e-06, 1e-11);
  assert_near(udg_gamma_lower(150.0, 140.0), 0.2095436239186071, 1e-11);
  assert_near(udg_beta_lower(0.5, 500.0, 1e-3), 0.6826895526902824, 1e-10);
  assert_near(udg_beta_lower(30.0, 40.0, 0.45), 0.6447480085585666, 1e-10);
  assert_near(udg_beta_lower(2.0, 3.0, 0.9), 0.9963, 1e-12); /* 6x^2 - 8x^3 + 3x^4 */
  assert_true(udg_gamma_lower(2.0, 0.0) == 0.0 && udg_beta_lower(2.0, 3.0, 1.0) == 1.0);
}

static void test_central_quantiles(void **state) {
  (void)state;
  static const double chi[][4] = {{1, 3.84146, 6.63490, 10.8276},
                                  {2, 5.99146, 9.21034, 13.8155},
                                  {10, 18.3070, 23.2093, 29.5883}}; /* [N] */
  static const double level[] = {0.05, 0.01, 0.001};
  for (size_t i = 0; i < 3; i++)
    for (size_t k = 0; k < 3; k++) {
      assert_near(udg_chi_square_upper_quantile(level[k], chi[i][0]), chi[i][k + 1], 5e-6);
      assert_near(udg_chi_square_upper(chi[i][k + 1], chi[i][0], 0.0), level[k], 5e-5);
    }
  static const double f[][4] = {
      {0.05, 1, 10, 4.9646}, {0.05, 4, 60, 2.5252}, {0.01, 3, 20, 4.9382}}; /* [S] */
  for (size_t i = 0; i < 3; i++)
    assert_near(udg_f_upper_quantile(f[i][0], f[i][1], f[i][2]), f[i][3], 1.1e-5);
  assert_near(udg_chi_square_upper(200.0, 3.0, 0.0), 4.218541107192018e-43, 1e-9); /* [S] */
  assert_near(udg_chi_square_upper(50.0, 100.0, 0.0), 0.9999930466947524, 1e-12);
  assert_near(udg_f_upper(100.0, 1.0, 2000.0, 0.0), 5.2353533728547635e-23, 1e-9);
  assert_near(udg_f_upper(0.01, 3.0, 7.0, 0.0), 0.9984952470401116, 1e-11);
  assert_near(udg_f_upper(40.0, 5.0, 12.0, 0.0), 4.476181546621771e-07, 1e-10);
}

static void test_noncentral(void **state) {
  (void)state;
  static const double chi[][4] = {{10.8276, 1, 5, 0.14583530761715233},
                                  {6.6349, 1, 20, 0.9710402027741327},
                                  {30, 3, 15, 0.08277598009683643},
                                  {5, 2, 80, 0.9999999999952043},
                                  {900, 700, 100, 0.01119224570959912}}; /* [S] */
  for (size_t i = 0; i < 5; i++)
    assert_near(udg_chi_square_upper(chi[i][0], chi[i][1], chi[i][2]), chi[i][3], 1e-9);
  static const double f[][5] = {{7, 1, 50, 10, 0.6958117088036986},
                                {4, 2, 1000, 23, 0.9821254526926365},
                                {3, 6, 30, 5, 0.16111230768204785},
                                {12, 1, 5000, 30, 0.9778947809030122}}; /* [S] */
  for (size_t i = 0; i < 4; i++)
    assert_near(udg_f_upper(f[i][0], f[i][1], f[i][2], f[i][3]), f[i][4], 1e-8);
  /* Poisson mixture of one: no mixture. */
  assert_near(udg_f_upper(4.9382, 3.0, 20.0, 1e-12), udg_f_upper(4.9382, 3.0, 20.0, 0.0), 1e-9);
}

static void test_power(void **state) {
  (void)state;
  static const double table[][3] = {{10, 1e-2, 0.61207}, {10, 1e-3, 0.33816}, {10, 1e-6, 0.02312},
                                    {23, 1e-2, 0.97006}, {23, 1e-3, 0.88137}, {23, 1e-6, 0.34709}};
  for (size_t i = 0; i < 6; i++) /* F(2, 1000) [S] */
    assert_true(fabs(udg_f_power(table[i][1], 2.0, 1000.0, table[i][0]) - table[i][2]) < 6e-6);
  /* A known signal in known noise, both signs allowed, from the normal distribution alone. */
  double edge = udg_normal_upper_quantile(0.5e-3);
  double both = udg_normal_upper(edge - 4.0) + udg_normal_upper(edge + 4.0);
  assert_near(udg_chi_square_power(1e-3, 1.0, 16.0), both, 1e-9);
  /* Pd = Q(Q^-1(Pfa) - d'): (1e-3, 3) 0.46405; (1e-4, 5) 0.89990 [S]. */
  assert_near(udg_normal_upper(udg_normal_upper_quantile(1e-3) - 3.0), 0.46405, 2e-5);
  assert_near(udg_normal_upper(udg_normal_upper_quantile(1e-4) - 5.0), 0.89990, 2e-5);
}

enum { SAMPLE = 200 };

/* Evenly spread over (0, 1), in no order. */
static double spread(int i) {
  double u = i * 0.6180339887498949 + 0.3;
  return u - floor(u);
}

static int by_value(const void *a, const void *b) {
  double u = *(const double *)a, v = *(const double *)b;
  return (u > v) - (u < v);
}

static void test_gumbel(void **state) {
  (void)state;
  double x[40];
  for (int i = 0; i < 40; i++)
    x[i] = 3.0 - 1.7 * log(-log(spread(i)));
  udg_gumbel fit = udg_gumbel_fit(x, 40);
  assert_near(fit.location, 3.017158801768293, 1e-6); /* gumbel_r.fit of the same sample [S] */
  assert_near(fit.scale, 1.6620208984177145, 1e-6);
  assert_near(udg_gumbel_upper(&fit, 3.0), -expm1(-exp(-(3.0 - fit.location) / fit.scale)), 1e-12);
  assert_true(udg_gumbel_upper(&fit, 200.0) > 0.0);
  static const double same[3] = {5.0, 5.0, 5.0};
  fit = udg_gumbel_fit(same, 3);
  assert_true(fit.scale == 0.0 && fit.location == 5.0 && udg_gumbel_upper(&fit, 6.0) == 0.0);
}

/* genpareto.fit with the end fixed at 0, of the same sample [S]. */
static void test_tail(void **state) {
  (void)state;
  static const double cases[][3] = {{0.3, 0.377761, 1.948778}, {-0.2, -0.154453, 1.967404}};
  for (size_t k = 0; k < 2; k++) {
    double x[SAMPLE + 1], shape = cases[k][0];
    for (int i = 0; i < SAMPLE; i++)
      x[i] = 2.0 / shape * (pow(spread(i), -shape) - 1.0);
    qsort(x, SAMPLE, sizeof *x, by_value);
    udg_tail fit = udg_tail_fit(x, SAMPLE, 1.0, 1);
    /* The fit begins at the least value, SciPy's at 0: worth x[0] / mean. */
    assert_true(x[0] < 0.02);
    assert_true(fabs(fit.shape - cases[k][1]) < 0.02);
    assert_near(fit.scale, cases[k][2], 0.02);
    udg_tail flat = udg_tail_fit(x, SAMPLE, 1.0, 0);
    double mean = 0.0;
    for (int i = 0; i < SAMPLE; i++)
      mean += (x[i] - x[0]) / SAMPLE;
    assert_near(flat.scale, mean, 1e-12);
    assert_true(flat.shape == 0.0);
  }
}

static void test_tail_of_part(void **state) {
  (void)state;
  double x[1000];
  for (int i = 0; i < 1000; i++)
    x[i] = -3.0 * log((i + 0.5) / 1000.0);
  qsort(x, 1000, sizeof *x, by_value);
  udg_tail fit = udg_tail_fit(x, 1000, 0.1, 0);
  assert_near(fit.share, 0.1, 1e-12);
  assert_near(fit.scale, 3.0, 0.03);
  assert_near(udg_tail_upper(&fit, 3.0 * log(1e5)), 1e-5, 0.15);
  assert_true(udg_tail_upper(&fit, 0.0) == fit.share);
  assert_true(udg_tail_upper(&fit, 300.0) > 0.0);
  fit = udg_tail_fit(x, 20, 0.1, 0);
  assert_true(fit.scale == 0.0);
  udg_tail ends = {1.0, 0.5, 2.0, -0.5}; /* ends at 1 + 2 / 0.5 */
  assert_true(udg_tail_upper(&ends, 5.1) == 0.0);
  assert_near(udg_tail_upper(&ends, 3.0), 0.5 * 0.25, 1e-12);
}

/* Worked example of Benjamini & Hochberg 1995: 4 rejections, Bonferroni 3. */
static void test_fdr(void **state) {
  (void)state;
  static const double p[] = {0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
                             0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0};
  assert_int_equal(udg_fdr_count(p, 15, 0.05), 4);
  size_t bonferroni = 0;
  while (p[bonferroni] <= 0.05 / 15.0)
    bonferroni++;
  assert_int_equal(bonferroni, 3);
  assert_int_equal(udg_fdr_count(p, 0, 0.05), 0);
  static const double late[] = {0.03, 0.04}; /* the first alone would not do */
  assert_int_equal(udg_fdr_count(late, 2, 0.05), 2);
}

/* AUC = Phi(d' / sqrt 2), Green & Swets 1966, from memory; values [S]. */
static void test_auc(void **state) {
  (void)state;
  static const double expected[] = {0.760250, 0.921350, 0.983053};
  enum { N = 2000 };
  double *with = malloc(N * sizeof *with), *without = malloc(N * sizeof *without);
  assert_true(with && without);
  for (int d = 1; d <= 3; d++) {
    for (int i = 0; i < N; i++) {
      without[i] = -udg_normal_upper_quantile((i + 0.5) / N);
      with[i] = without[i] + d;
    }
    assert_true(fabs(udg_auc(with, N, without, N) - expected[d - 1]) < 2e-4);
  }
  free(with);
  free(without);
  static const double high[] = {1.0, 2.0, 2.0}, low[] = {0.0, 2.0};
  assert_near(udg_auc(high, 3, low, 2), (1.0 + 1.5 + 1.5) / 6.0, 1e-12);
  assert_true(isnan(udg_auc(high, 0, low, 2)));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_normal),
      cmocka_unit_test(test_gamma_and_beta),
      cmocka_unit_test(test_central_quantiles),
      cmocka_unit_test(test_noncentral),
      cmocka_unit_test(test_power),
      cmocka_unit_test(test_gumbel),
      cmocka_unit_test(test_tail),
      cmocka_unit_test(test_tail_of_part),
      cmocka_unit_test(test_fdr),
      cmocka_unit_test(test_auc),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
