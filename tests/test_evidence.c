/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Features, odds and chances from made tables of scores. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "evidence.h"
#include "support.h"

static udg_date dates[2];
static udg_expected expected = {.id = "1880-over-4", .date_index = 0, .place = 4, .earlier = '4'};
static struct udg_reference reference;
static udg_score score;

static void fill_date(udg_date *date, const char *text) {
  memset(date, 0, sizeof *date);
  strcpy(date->text, text);
  date->place_count = (int)strlen(text);
  date->height_mm = 1.6;
  for (int i = 0; i < date->place_count; i++)
    date->places[i].digit = text[i];
}

static int set_up(void **state) {
  (void)state;
  fill_date(&dates[0], "1880");
  fill_date(&dates[1], "1887");
  memset(&reference, 0, sizeof reference);
  reference.dates = dates;
  reference.date_count = 2;
  reference.expected = &expected;
  reference.expected_count = 1;
  memset(&score, 0, sizeof score);
  return 0;
}

static udg_hypothesis *put(int place, char digit, udg_trace_kind kind, double energy) {
  udg_hypothesis *h = &score.hypotheses[score.count++];
  *h = (udg_hypothesis){.place = place,
                        .digit = digit,
                        .kind = kind,
                        .energy = energy,
                        .share = 0.5,
                        .amplitude = 0.4,
                        .visible = 0.7,
                        .complete = 0.8,
                        .largest = 0.2,
                        .around = 1.0,
                        .odd = 0.4,
                        .even = 0.2,
                        .cells = 10,
                        .norm = 500.0};
  return h;
}

static void years_count_across_a_carried_digit(void **state) {
  (void)state;
  static const struct {
    const char *date;
    int place;
    char digit;
    int years;
  } cases[] = {
      {"1880", 3, '9', 1}, /* from 1879 */
      {"1880", 3, '4', 6}, /* from 1874 */
      {"1887", 3, '6', 1},   {"1887", 3, '2', 5}, {"1887", 2, '7', 10},
      {"1887", 1, '7', 100}, {"1887", 3, '8', 9}, /* from 1878 */
      {"1900", 2, '9', 10},                       /* from 1890 */
      {"1902", 2, '9', 10},                       /* from 1892 */
      {"1900", 3, '9', 1},                        /* from 1899 */
      {"2000", 3, '1', 9},
  };
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    udg_date date;
    fill_date(&date, cases[i].date);
    assert_int_equal(udg_years_before(&date, cases[i].place, cases[i].digit), cases[i].years);
  }
}

/* (0, 1], falls, never 0; the points of the table; beyond them exponential. */
static void p_values_fall_and_never_reach_zero(void **state) {
  (void)state;
  double last = 1.0;
  for (double e = -40.0; e < 400.0; e += 0.05) {
    double p = udg_evidence_p_value(e);
    assert_true(p > 0.0 && p <= 1.0 && p <= last);
    last = p;
  }
  assert_true(udg_evidence_p_value(1e300) > 0.0);
  assert_true(udg_evidence_p_value(INFINITY) > 0.0);
  test_near(udg_evidence_p_value(-INFINITY), 1.0, 0.0);
  test_near(udg_evidence_p_value(NAN), 1.0, 0.0);
  for (int i = 1; i < UDG_NULL_POINTS; i++) {
    assert_true(udg_null_evidence[i] > udg_null_evidence[i - 1]);
    assert_true(udg_null_chance[i] < udg_null_chance[i - 1]);
    test_near(udg_evidence_p_value(udg_null_evidence[i]), udg_null_chance[i], 1e-9);
    double middle = 0.5 * (udg_null_evidence[i] + udg_null_evidence[i - 1]);
    test_near(udg_evidence_p_value(middle), sqrt(udg_null_chance[i] * udg_null_chance[i - 1]),
              1e-9);
  }
  double from = udg_null_evidence[UDG_NULL_POINTS - 1];
  for (double x = 0.5; x < 8.0; x += 0.5)
    test_near(log(udg_evidence_p_value(from + x * udg_null_tail_scale) /
                  udg_null_chance[UDG_NULL_POINTS - 1]),
              -x, 1e-9);
}

static void features_say_what_their_names_say(void **state) {
  (void)state;
  udg_hypothesis *h = put(3, '6', UDG_TRACE_EARLIER, 40.0);
  put(3, '7', UDG_TRACE_SAME, 30.0);
  put(2, '8', UDG_TRACE_SAME, 500.0); /* at another place: no rival */
  put(0, '4', UDG_TRACE_MIRRORED, 25.0);
  put(1, '4', UDG_TRACE_MIRRORED, 10.0);
  double f[UDG_FEATURE_COUNT];
  udg_evidence_features(&score, &reference, &dates[1], h, f);
  test_near(f[UDG_FEATURE_ONE], 1.0, 0.0);
  test_near(f[UDG_FEATURE_ENERGY], log(41.0), 1e-12);
  test_near(f[UDG_FEATURE_COMPLETE], 0.8, 0.0);
  test_near(f[UDG_FEATURE_LARGEST], 0.2, 0.0);
  /* Ranked by energy x share x complete: 16 against 12 and 10. */
  test_near(f[UDG_FEATURE_RIVAL], log(16.001 / 13.0), 1e-9);
  test_near(f[UDG_FEATURE_DECOY], log(16.001 / 11.0), 1e-9);
  test_near(f[UDG_FEATURE_YEARS], 0.0, 0.0);
  /* Where the present digit stands, and a third of its height off. */
  test_near(f[UDG_FEATURE_FAR], 0.0, 0.0);
  h->offset_px[0] = UDG_UPRIGHT_DIGIT_PX / 3.0;
  udg_evidence_features(&score, &reference, &dates[1], h, f);
  test_near(f[UDG_FEATURE_FAR], (1.0 / 3.0 - 0.25) / 0.1, 1e-9);
  h->digit = '2';
  udg_evidence_features(&score, &reference, &dates[1], h, f);
  test_near(f[UDG_FEATURE_YEARS], -log(5.0), 1e-12);
  /* The rival of a repunched digit is the earlier one at its place. */
  udg_evidence_features(&score, &reference, &dates[1], &score.hypotheses[1], f);
  test_near(f[UDG_FEATURE_RIVAL], log(12.001 / 17.0), 1e-9);
}

static void features_are_finite_at_the_ends(void **state) {
  (void)state;
  udg_hypothesis *h = put(3, '6', UDG_TRACE_EARLIER, 0.0);
  h->share = h->amplitude = h->complete = h->around = h->odd = h->even = 0.0;
  h->largest = 1.0;
  double f[UDG_FEATURE_COUNT], interval[2];
  udg_evidence_features(&score, &reference, &dates[1], h, f);
  for (int i = 0; i < UDG_FEATURE_COUNT; i++)
    assert_true(isfinite(f[i]));
  assert_true(isfinite(udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, f)));
  double strength = udg_evidence_strength(h, interval);
  assert_true(strength > 0.0 && strength < 0.5);
  h->energy = 1e9;
  h->share = 0.999;
  h->odd = h->even = h->amplitude = 100.0;
  udg_evidence_features(&score, &reference, &dates[1], h, f);
  assert_true(isfinite(udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, f)));
  assert_true(udg_evidence_strength(h, interval) <= 1.0 && interval[1] <= 1.0);
}

/* An expected overdate is taken for as likely as the year before; no other date, place or
 * digit profits. */
static void expected_overdates_get_the_prior(void **state) {
  (void)state;
  double f[UDG_FEATURE_COUNT];
  udg_hypothesis *listed = put(3, '4', UDG_TRACE_EARLIER, 40.0);
  udg_evidence_features(&score, &reference, &dates[0], listed, f);
  test_near(f[UDG_FEATURE_YEARS], 0.0, 0.0);
  double prior = udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, f);
  reference.expected_count = 0;
  udg_evidence_features(&score, &reference, &dates[0], listed, f);
  assert_true(f[UDG_FEATURE_YEARS] < -1.0);
  assert_true(udg_evidence_log_odds(UDG_MODEL_UNDERDIGIT, f) < prior - 0.1);
  reference.expected_count = 1;
  udg_evidence_features(&score, &reference, &dates[1], listed, f); /* 1887 lists none */
  assert_true(f[UDG_FEATURE_YEARS] < -1.0);
  listed->place = 2;
  udg_evidence_features(&score, &reference, &dates[0], listed, f);
  assert_true(f[UDG_FEATURE_YEARS] < -1.0);
}

/* What should raise the odds for an underdigit does, whatever the weights are. */
static void odds_keep_their_signs(void **state) {
  (void)state;
  static const int raises[] = {UDG_FEATURE_ENERGY, UDG_FEATURE_COMPLETE, UDG_FEATURE_RIVAL,
                               UDG_FEATURE_DECOY,  UDG_FEATURE_YEARS,    UDG_FEATURE_SHARE};
  static const int lowers[] = {UDG_FEATURE_LARGEST, UDG_FEATURE_AROUND, UDG_FEATURE_MISSING,
                               UDG_FEATURE_FAR};
  for (size_t i = 0; i < sizeof raises / sizeof *raises; i++)
    assert_true(udg_model_weight[UDG_MODEL_UNDERDIGIT][raises[i]] >= 0.0);
  for (size_t i = 0; i < sizeof lowers / sizeof *lowers; i++)
    assert_true(udg_model_weight[UDG_MODEL_UNDERDIGIT][lowers[i]] <= 0.0);
  double base[UDG_FEATURE_COUNT] = {1.0}, moved[UDG_FEATURE_COUNT];
  for (int model = 0; model < UDG_MODEL_COUNT; model++)
    for (int i = 0; i < UDG_FEATURE_COUNT; i++) {
      memcpy(moved, base, sizeof moved);
      moved[i] += 1.0;
      test_near(udg_evidence_log_odds((udg_model)model, moved) -
                    udg_evidence_log_odds((udg_model)model, base),
                udg_model_weight[model][i], 1e-12);
    }
}

/* More amplitude, more strength; the interval holds the value; a stronger trace in a quieter
 * photo is seen more often. */
static void strength_and_power_rise(void **state) {
  (void)state;
  udg_hypothesis *h = put(3, '6', UDG_TRACE_EARLIER, 40.0);
  double last = 0.0, interval[2];
  for (double a = 0.1; a < 1.0; a += 0.1) {
    h->amplitude = a;
    h->height = a;
    h->crossing = 10.0 * a - 3.0;
    double strength = udg_evidence_strength(h, interval);
    assert_true(strength >= last && strength > 0.0 && strength <= 1.0);
    assert_true(interval[0] < strength && interval[1] >= strength);
    last = strength;
  }
  assert_true(last > 0.3);
  for (double misfit = 0.005; misfit < 0.5; misfit *= 2.0) {
    double weak = udg_evidence_power(misfit, 0.25), strong = udg_evidence_power(misfit, 0.65);
    assert_true(weak > 0.0 && weak < strong && strong < 1.0);
    assert_true(udg_evidence_power(2.0 * misfit, 0.65) < strong);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup(years_count_across_a_carried_digit, set_up),
      cmocka_unit_test_setup(p_values_fall_and_never_reach_zero, set_up),
      cmocka_unit_test_setup(features_say_what_their_names_say, set_up),
      cmocka_unit_test_setup(features_are_finite_at_the_ends, set_up),
      cmocka_unit_test_setup(expected_overdates_get_the_prior, set_up),
      cmocka_unit_test_setup(odds_keep_their_signs, set_up),
      cmocka_unit_test_setup(strength_and_power_rise, set_up),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
