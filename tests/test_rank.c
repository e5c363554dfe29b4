/* SPDX-License-Identifier: GPL-2.0-or-later */
/* False discovery rates, titles, values. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "rank.h"
#include "support.h"

/* Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995), their worked example. */
static const double paper_p[15] = {0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
                                   0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0};

static void the_paper_rejects_four(void **state) {
  (void)state;
  double p[15], q[15];
  for (int i = 0; i < 15; i++)
    p[(7 * i) % 15] = paper_p[i]; /* any order in */
  assert_int_equal(rank_adjust(p, 15, q), 0);
  int rejected = 0, bonferroni = 0;
  for (int i = 0; i < 15; i++) {
    rejected += q[i] <= 0.05;
    bonferroni += rank_listing_p(p[i], 15) <= 0.05;
    assert_true((q[i] <= 0.05) == (p[i] <= 0.0095));
  }
  assert_int_equal(rejected, 4);
  assert_int_equal(bonferroni, 3);
}

/* q from the definition, by trying every rate: the smallest at which the
 * step-up procedure still takes a p-value. */
static double by_definition(const double *p, int n, double x) {
  double best = 1;
  for (int j = 0; j < n; j++) {
    int rank = 0;
    for (int i = 0; i < n; i++)
      rank += p[i] <= p[j];
    if (p[j] >= x)
      best = fmin(best, p[j] * n / rank);
  }
  return best;
}

static void adjusted_values_follow_the_definition(void **state) {
  (void)state;
  uint64_t seed = 11;
  for (int trial = 0; trial < 50; trial++) {
    double p[40], q[40];
    int n = 1 + (int)(test_random(&seed) % 40);
    for (int i = 0; i < n; i++) /* with ties */
      p[i] = pow((double)(1 + test_random(&seed) % 50) / 50, 3);
    assert_int_equal(rank_adjust(p, (size_t)n, q), 0);
    for (int i = 0; i < n; i++)
      assert_true(fabs(q[i] - by_definition(p, n, p[i])) < 1e-12);
  }
  assert_int_equal(rank_adjust(NULL, 0, NULL), 0);
}

static void titles_claim_or_do_not(void **state) {
  (void)state;
  static const char *const claims[] = {"1924/3 toll piece", "Token 1924/1923 bold", "OVERDATE 1924",
                                       "over-date, scarce", "1874 over 3",          "74/3 token",
                                       "nice Over Date",    "1906 over 1905"};
  static const char *const no[] = {"Toll piece 1924",  "lot 1/2",          "10/10 condition",
                                   "12/11/2026 sale",  "over 100 coins",   "moreover 3",
                                   "handed over 1924", "1924 / fine",      "size 24/7",
                                   "3/4/1999",         "left over 2 lots", ""};
  for (size_t i = 0; i < sizeof claims / sizeof claims[0]; i++)
    if (!rank_title_claims(claims[i]))
      fail_msg("'%s' claims", claims[i]);
  for (size_t i = 0; i < sizeof no / sizeof no[0]; i++)
    if (rank_title_claims(no[i]))
      fail_msg("'%s' does not", no[i]);
  assert_false(rank_title_claims(NULL));
}

static char faults[2000];
static void take_fault(const char *text) {
  size_t used = strlen(faults);
  snprintf(faults + used, sizeof faults - used, "%s\n", text);
}

static rank_values read_values(const char *content, int expected, int expected_faults) {
  rank_values values;
  udg_message why = {""};
  int count = -1;
  faults[0] = '\0';
  test_write_file(test_path("v.csv"), content, strlen(content));
  assert_int_equal(rank_values_read(test_path("v.csv"), &values, take_fault, &count, &why),
                   expected);
  assert_int_equal(count, expected_faults);
  if (expected < 0)
    snprintf(faults, sizeof faults, "%s", why.text);
  return values;
}

static void the_row_that_says_most_wins(void **state) {
  (void)state;
  rank_values v = read_values("date,variety,state,grade,value,currency\n"
                              "1924,1923,strong,fine,400,EUR\n"
                              "1924,1923,weak,fine,60,EUR\n"
                              "1924,1923,weak,poor,20,EUR\n"
                              "1924,*,*,*,15,\n"
                              "*,,,,5,\n",
                              0, 0);
  assert_true(rank_value_of(&v, "1924", "1923", "strong", "fine", "EUR") == 400);
  assert_true(rank_value_of(&v, "1924", "1923", "weak", "fine", "EUR") == 60);
  assert_true(rank_value_of(&v, "1924", "1923", "weak", NULL, "EUR") == 20); /* the least */
  assert_true(rank_value_of(&v, "1924", "1923", NULL, NULL, "EUR") == 20);
  assert_true(rank_value_of(&v, "1924", "1923", NULL, "fine", "EUR") == 60);
  assert_true(rank_value_of(&v, "1924", "1921", "strong", "fine", "EUR") == 15);
  assert_true(rank_value_of(&v, "1924", "1923", "strong", "fine", "GBP") == 15); /* other money */
  assert_true(rank_value_of(&v, "1930", "1920", "strong", NULL, NULL) == 5);
  rank_values_clear(&v);
  v = read_values("date,value\n1924,7\n", 0, 0);
  assert_true(isnan(rank_value_of(&v, "1930", "1920", "strong", NULL, NULL)));
  assert_true(isnan(rank_value_of(&v, NULL, NULL, NULL, NULL, NULL)));
  rank_values_clear(&v);
}

static void broken_value_rows_are_told(void **state) {
  (void)state;
  rank_values v =
      read_values("date,state,value\n1924,bold,4\n1924,weak,much\n1924,weak,3\n1924\n", 0, 3);
  assert_int_equal(v.count, 1);
  assert_non_null(strstr(faults, "v.csv: row 2: state is neither"));
  assert_non_null(strstr(faults, "v.csv: row 3: value is not"));
  assert_non_null(strstr(faults, "v.csv: row 5: fewer fields"));
  rank_values_clear(&v);
  read_values("date,state\n", -1, 0);
  assert_non_null(strstr(faults, "no column 'value'"));
}

static void a_gain_is_never_certain(void **state) {
  (void)state;
  assert_true(rank_chance(0) == 0.95);
  assert_true(rank_chance(0.25) == 0.75);
  assert_true(rank_chance(1) == 0);
  assert_true(isnan(rank_chance((double)NAN)));
  /* By hand: 0.75 * 200 - 40 = 110; 0.75 * 200 / 1.25 = 120. */
  assert_true(fabs(rank_gain(0.75, 200, 40) - 110) < 1e-9);
  assert_true(fabs(rank_ceiling(0.75, 200, 0.25) - 120) < 1e-9);
  assert_true(isnan(rank_gain(0.75, 200, (double)NAN)));
  assert_true(isnan(rank_gain(0.75, (double)NAN, 40)));
}

static int tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(the_paper_rejects_four),
                                     cmocka_unit_test(adjusted_values_follow_the_definition),
                                     cmocka_unit_test(titles_claim_or_do_not),
                                     cmocka_unit_test(the_row_that_says_most_wins),
                                     cmocka_unit_test(broken_value_rows_are_told),
                                     cmocka_unit_test(a_gain_is_never_certain)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
