/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Verdicts from made tables of scores: each explanation wins when its marks are seen. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "name.h"
#include "support.h"

static udg_date date;
static struct udg_reference reference;
static udg_upright upright;
static udg_score score;
static udg_settings settings;
static udg_result result;

/* The smallest and the largest trace of its kind that a photo shows. */
static udg_hypothesis *put(int place, char digit, udg_trace_kind kind, double energy) {
  udg_hypothesis *h = &score.hypotheses[score.count++];
  int seen = energy > 100.0;
  *h = (udg_hypothesis){.place = place,
                        .digit = digit,
                        .kind = kind,
                        .energy = energy,
                        .share = seen ? 0.8 : 0.05,
                        .amplitude = seen ? 0.6 : 0.05,
                        .visible = 0.7,
                        .complete = seen ? 0.95 : 0.4,
                        .missing = seen ? 0.0 : 0.5,
                        .uneven = seen ? 0.1 : 2.0,
                        .largest = seen ? 0.12 : 0.5,
                        .around = 1.0,
                        .odd = seen ? 0.6 : 0.05,
                        .even = seen ? 0.4 : 0.05,
                        .cells = 12,
                        .norm = 2000.0,
                        .offset_px = {3.0, -6.0},
                        .turn_rad = 0.05};
  return h;
}

/* A quiet photo of 1867: every kind at every place, none of them seen. */
static int set_up(void **state) {
  (void)state;
  memset(&date, 0, sizeof date);
  strcpy(date.text, "1867");
  date.place_count = 4;
  date.height_mm = 1.6;
  memset(&reference, 0, sizeof reference);
  reference.dates = &date;
  reference.date_count = 1;
  reference.strong_threshold = 0.45;
  memset(&upright, 0, sizeof upright);
  upright.date = &date;
  upright.reference = &reference;
  upright.place_count = 4;
  upright.px_per_mm = 30.0;
  upright.zoom = 1.0;
  memset(&score, 0, sizeof score);
  score.misfit = 0.1;
  for (int i = 0; i < 4; i++)
    date.places[i].digit = date.text[i];
  for (int i = 0; i < 4; i++) {
    for (char d = '0'; d < date.text[i]; d++)
      put(i, d, UDG_TRACE_EARLIER, 4.0);
    put(i, date.text[i], UDG_TRACE_SAME, 4.0);
    put(i, '4', UDG_TRACE_MIRRORED, 5.0);
  }
  put(-1, 0, UDG_TRACE_DOUBLED, 4.0);
  udg_settings_resolve(&settings, NULL);
  memset(&result, 0, sizeof result);
  result.adequacy.power_strong = 0.9;
  return 0;
}

static udg_hypothesis *find(int place, char digit, udg_trace_kind kind) {
  for (int i = 0; i < score.count; i++) {
    udg_hypothesis *h = &score.hypotheses[i];
    if (h->place == place && h->digit == digit && h->kind == kind)
      return h;
  }
  return NULL;
}

/* Makes a hypothesis one that is seen. */
static udg_hypothesis *show(int place, char digit, udg_trace_kind kind, double energy) {
  udg_hypothesis *h = find(place, digit, kind);
  assert_non_null(h);
  int count = score.count;
  udg_hypothesis *seen = put(place, digit, kind, energy);
  *h = *seen;
  score.count = count;
  return h;
}

static void name(void) {
  double strong = result.adequacy.power_strong;
  memset(&result, 0, sizeof result);
  result.adequacy.power_strong = strong;
  udg_name(&settings, &reference, &upright, &score, &result);
  assert_true(result.p_value > 0.0 && result.p_value <= 1.0);
  assert_true(result.reason_count >= 1);
  for (int i = 0; i < result.reason_count; i++)
    assert_true(strlen(result.reasons[i]) > 10 && strlen(result.reasons[i]) < UDG_REASON_BYTES);
}

static int says(const char *words) {
  for (int i = 0; i < result.reason_count; i++)
    if (strstr(result.reasons[i], words))
      return 1;
  return 0;
}

static void a_quiet_photo_is_plain(void **state) {
  (void)state;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
  assert_int_equal(result.judged, 1);
  assert_true(result.p_value > 0.1);
  assert_true(says("nothing but the present date"));
  /* The strongest hypothesis is told all the same. */
  assert_true(result.finding.place >= 1 && result.finding.digit != 0);
}

static void an_earlier_digit_is_named(void **state) {
  (void)state;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_true(result.p_value < 0.01);
  assert_int_equal(result.finding.place, 4);
  assert_int_equal(result.finding.digit, '6');
  assert_int_equal(result.finding.kind, UDG_VERDICT_UNDERDIGIT);
  test_near(result.finding.offset_mm[0], 0.1, 1e-12);
  test_near(result.finding.offset_mm[1], -0.2, 1e-12);
  test_near(result.finding.turn_deg, 0.05 * 180.0 / acos(-1.0), 1e-12);
  test_near(result.finding.visible_share, 0.7, 0.0);
  assert_true(result.finding.log_ratio > 0.0);
  assert_true(says("strokes of a 6") && says("last digit"));
  /* Seen in the middle of the date: named by its number. */
  set_up(NULL);
  show(2, '5', UDG_TRACE_EARLIER, 1500.0);
  name();
  assert_int_equal(result.finding.place, 3);
  assert_true(says("strokes of a 5") && says("third digit"));
  set_up(NULL);
  put(3, '8', UDG_TRACE_EARLIER, 4.0);
  show(3, '8', UDG_TRACE_EARLIER, 5000.0);
  name();
  assert_true(says("strokes of an 8"));
}

/* Strong from the reference's own threshold on. */
static void the_state_follows_the_threshold(void **state) {
  (void)state;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  reference.strong_threshold = 0.0;
  name();
  assert_int_equal(result.finding.state, UDG_STATE_STRONG);
  reference.strong_threshold = 1.01;
  name();
  assert_int_equal(result.finding.state, UDG_STATE_WEAK);
  assert_true(result.finding.strength_interval[0] < result.finding.strength);
}

/* The verdict changes exactly where the p-value passes the setting. */
static void the_p_value_decides(void **state) {
  (void)state;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  name();
  double p = result.p_value;
  settings.flag_p_value = 1.01 * p;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDERDIGIT);
  settings.flag_p_value = 0.99 * p;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED); /* nearly: another look */
  assert_true(result.judged && says("worth another photo"));
  test_near(result.p_value, p, 0.0);
  settings.flag_p_value = 0.2 * p;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

static void the_same_digit_twice_is_repunched(void **state) {
  (void)state;
  show(2, '6', UDG_TRACE_SAME, 2500.0);
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
  assert_true(says("third digit shows twice"));
  int told = 0;
  for (int i = 0; i < result.other_count; i++)
    if (result.others[i].kind == UDG_VERDICT_REPUNCHED) {
      told++;
      assert_int_equal(result.others[i].place, 3);
      assert_int_equal(result.others[i].digit, '6');
    }
  assert_int_equal(told, 1);
}

static void the_whole_date_twice_is_doubled(void **state) {
  (void)state;
  udg_hypothesis *h = show(-1, 0, UDG_TRACE_DOUBLED, 9000.0);
  h->largest = 0.27; /* four digits with a quarter each */
  for (int i = 0; i < 4; i++)
    show(i, date.text[i], UDG_TRACE_SAME, 150.0)->missing = 0.3;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
  int told = 0;
  for (int i = 0; i < result.other_count; i++)
    if (result.others[i].kind == UDG_VERDICT_DOUBLED) {
      told++;
      assert_int_equal(result.others[i].place, 0);
      test_near(result.others[i].offset_mm[1], -0.2, 1e-12);
    }
  assert_int_equal(told, 1);
}

static void marks_that_no_digit_explains_are_stray(void **state) {
  (void)state;
  for (int i = 0; i < score.count; i++)
    score.hypotheses[i].around = 6.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
  assert_true(says("marks"));
}

static void without_power_nothing_is_decided(void **state) {
  (void)state;
  result.adequacy.power_strong = 0.3;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED);
  assert_true(says("even a strong trace"));
  settings.min_power = 0.2;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
  /* A trace that is seen is seen, whatever was expected. */
  settings.min_power = 0.5;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDERDIGIT);
}

/* All digits are noughts or the reference has no earlier ones: nothing to look for. */
static void without_an_earlier_digit_nothing_is_judged(void **state) {
  (void)state;
  int kept = 0;
  for (int i = 0; i < score.count; i++)
    if (score.hypotheses[i].kind != UDG_TRACE_EARLIER)
      score.hypotheses[kept++] = score.hypotheses[i];
  score.count = kept;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED);
  assert_int_equal(result.judged, 0);
  assert_int_equal(result.finding.place, 0);
  udg_name_power(&score, &result.adequacy);
  test_near(result.adequacy.power_strong, 0.0, 0.0);
  score.count = 0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED);
}

/* Many digits seen alike: the list of others is full, and no fuller. */
static void others_never_overflow(void **state) {
  (void)state;
  for (int i = 0; i < score.count; i++) {
    udg_hypothesis h = score.hypotheses[i];
    int count = score.count;
    score.hypotheses[i] = *put(h.place, h.digit, h.kind, 900.0);
    score.count = count;
  }
  name();
  assert_true(result.other_count <= UDG_OTHERS_MAX && result.other_count >= 3);
}

static void reasons_never_overflow(void **state) {
  (void)state;
  memset(&result, 0, sizeof result);
  char long_text[3 * UDG_REASON_BYTES];
  memset(long_text, 'a', sizeof long_text - 1);
  long_text[sizeof long_text - 1] = '\0';
  result.limits[0][0] = '#';
  for (int i = 0; i < 3 * UDG_REASONS_MAX; i++)
    udg_result_reason(&result, "%d %s", i, long_text);
  assert_int_equal(result.reason_count, UDG_REASONS_MAX);
  for (int i = 0; i < UDG_REASONS_MAX; i++) {
    assert_int_equal(strlen(result.reasons[i]), UDG_REASON_BYTES - 1);
    int number = -1;
    assert_int_equal(sscanf(result.reasons[i], "%d", &number), 1);
    assert_int_equal(number, i);
  }
  assert_int_equal(result.limit_count, 0);
  assert_int_equal(result.limits[0][0], '#');
  for (int i = 0; i < 3 * UDG_REASONS_MAX; i++)
    udg_result_limit(&result, "limit %d", i);
  assert_int_equal(result.limit_count, UDG_REASONS_MAX);
  assert_string_equal(result.limits[UDG_REASONS_MAX - 1], "limit 11");
}

/* The worse the light fits, the less would be seen, and a weak trace before a strong one. */
static void powers_fall_with_the_misfit(void **state) {
  (void)state;
  udg_adequacy clear = {0}, poor = {0};
  score.misfit = 0.02;
  udg_name_power(&score, &clear);
  score.misfit = 0.2;
  udg_name_power(&score, &poor);
  test_near(clear.power_strong, udg_evidence_power(0.02, 0.65), 1e-9);
  assert_true(clear.power_weak < clear.power_strong);
  assert_true(poor.power_strong < clear.power_strong && poor.power_weak < clear.power_weak);
}

/* A long line is a mark of its own, and the words say which way it goes. */
static void a_line_is_a_stray(void **state) {
  (void)state;
  const struct {
    double relief;
    const char *words;
  } cases[] = {
      {40.0, "raised, as a crack"}, {-40.0, "cut in, as a scratch"}, {0.0, "does not tell"}};
  for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
    score.line = (udg_line){
        .length_px = 2.0 * UDG_UPRIGHT_DIGIT_PX, .relief = cases[i].relief, .along = 800.0};
    name();
    assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
    assert_true(says(cases[i].words));
  }
  score.line = (udg_line){.length_px = 0.3 * UDG_UPRIGHT_DIGIT_PX, .along = 100.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* One that stands out nowhere, but shows along a digit's height. */
static void a_faint_line_is_a_stray(void **state) {
  (void)state;
  score.line = (udg_line){.length_px = 0.0, .along = 4000.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
  assert_true(says("a faint line"));
}

/* On rough metal no hairline shows: a line that does is a mark. */
static void a_line_on_rough_metal_is_a_stray(void **state) {
  (void)state;
  score.line = (udg_line){.length_px = UDG_UPRIGHT_DIGIT_PX, .along = 300.0};
  score.misfit = 0.05;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
  score.misfit = 0.25;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
}

/* Where a thin line explains a spot of the field, and neither a straight one nor dents do: a crack
 * bends. Hairlines are straight, and dents are round. */
static void a_bent_line_is_a_stray(void **state) {
  (void)state;
  score.line = (udg_line){.along = 60.0};
  score.spot_count = 2;
  score.spots[1] = (udg_spot_seen){.arc = 800.0, .straight = 150.0, .knobs = 90.0, .off = 0.15};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
  assert_true(says("a bent line"));
  score.spots[1].straight = score.spots[1].knobs = 700.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* Large and raised; small ones, and where a pit explains as much, are a coin's dents. */
static void a_knob_at_an_edge_is_a_stray(void **state) {
  (void)state;
  score.chip = (udg_chip_seen){.energy = 400.0, .dent = 5.0, .amplitude = 0.5, .radius_px = 7.5};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
  assert_true(says("a knob"));
  score.chip.radius_px = 3.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
  score.chip.radius_px = 7.5;
  score.chip.dent = 400.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* Unless a line, or a digit set twice, explains it better. */
static void a_part_of_a_digit_away_is_a_fragment(void **state) {
  (void)state;
  score.fragment = *put(-1, '6', UDG_TRACE_AWAY, 900.0);
  score.count--;
  score.fragment_log_odds = 1.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_FRAGMENT);
  score.fragment_log_odds = -1.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
  score.fragment_log_odds = 1.0;
  score.line = (udg_line){.length_px = 2.0 * UDG_UPRIGHT_DIGIT_PX, .along = 2000.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
  memset(&score.line, 0, sizeof score.line);
  score.twice = (udg_twice_seen){.digits = 4, .one = 0.1, .one_place = 2};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
}

/* A scratch along a digit's stroke looks like that stroke set off. */
static void a_line_likelier_than_a_second_image_is_a_stray(void **state) {
  (void)state;
  score.twice = (udg_twice_seen){.digits = 4, .one = 0.03, .one_place = 2};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
  score.line = (udg_line){.length_px = 2.0 * UDG_UPRIGHT_DIGIT_PX, .along = 2000.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
}

/* A second image of one digit, found with the light, counts more than the same digit's strokes in
 * what the light of the date left over. */
static void a_second_image_is_repunched(void **state) {
  (void)state;
  score.twice = (udg_twice_seen){
      .digits = 4, .all = -0.2, .one = 0.1, .one_place = 2, .one_shift_mm = {0.05, -0.1}};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
  assert_true(says("the third digit shows twice"));
  const udg_finding *f = NULL;
  for (int i = 0; i < result.other_count; i++)
    if (result.others[i].kind == UDG_VERDICT_REPUNCHED)
      f = &result.others[i];
  assert_non_null(f);
  assert_int_equal(f->place, 3);
  test_near(f->offset_mm[0], 0.05, 1e-12);
  test_near(f->offset_mm[1], -0.1, 1e-12);
  show(2, '6', UDG_TRACE_SAME, 1500.0);
  score.twice.one = 0.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* All of them displaced alike; a scratch across the date could pass for that. */
static void a_second_image_of_all_is_doubled(void **state) {
  (void)state;
  score.twice = (udg_twice_seen){.digits = 4,
                                 .all_gain = 0.2,
                                 .all = 0.6,
                                 .anew = 0.7,
                                 .all_shift_mm = {-0.1, 0.02},
                                 .one = 0.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
  assert_int_equal(result.others[0].kind, UDG_VERDICT_DOUBLED);
  test_near(result.others[0].offset_mm[0], -0.1, 1e-12);
  score.line = (udg_line){.length_px = 2.0 * UDG_UPRIGHT_DIGIT_PX, .along = 20000.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_STRAY);
}

/* Each digit of a date set twice shows twice; one that shows it far better than the date does was
 * set twice alone. */
static void one_digit_may_outweigh_the_date(void **state) {
  (void)state;
  score.twice = (udg_twice_seen){.digits = 4,
                                 .all_gain = 0.2,
                                 .all = 0.6,
                                 .anew = 0.7,
                                 .all_shift_mm = {-0.1, 0.02},
                                 .one = 0.05,
                                 .one_place = 2};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
  score.twice.all = score.twice.anew = 0.2;
  score.twice.all_gain = 0.1;
  score.twice.one = 0.07;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
  /* However much it gains, it counts: not as little as where its log odds end. */
  score.twice.all = score.twice.anew = 0.6;
  score.twice.one = 0.3;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_REPUNCHED);
  score.twice.one = 0.07;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
}

/* A displacement that hardly shows, or none found: only a high score says twice. */
static void without_a_displacement_the_score_decides(void **state) {
  (void)state;
  score.twice = (udg_twice_seen){.digits = 4, .all = 1.2, .one = 0.0};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
  score.twice.all = 0.5;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* What an underdigit is flagged by is left as it was. */
static void a_second_image_takes_no_flag_away(void **state) {
  (void)state;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  assert_false(udg_name_asks_twice(&settings, &reference, &upright, &score));
  score.twice = (udg_twice_seen){.digits = 4, .all = 1.0, .one = 0.1};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDERDIGIT);
}

/* Too little for a flag: a second image that is far likelier is told, one that is not leaves it
 * undecided. */
static void a_far_likelier_second_image_is_told(void **state) {
  (void)state;
  show(3, '6', UDG_TRACE_EARLIER, 1500.0);
  show(2, '6', UDG_TRACE_SAME, 200.0); /* enough to be asked for */
  name();
  settings.flag_p_value = 0.5 * result.p_value;
  assert_true(udg_name_asks_twice(&settings, &reference, &upright, &score));
  score.twice = (udg_twice_seen){
      .digits = 4, .all_gain = 1.0, .all_shift_mm = {0.096, 0.0}, .all = 0.5, .anew = 0.5};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED);
  score.twice.all = score.twice.anew = 9.0;
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_DOUBLED);
  score.line = (udg_line){.length_px = 9.0 * UDG_UPRIGHT_DIGIT_PX, .along = 1e15};
  name();
  assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED); /* a scratch could pass for it */
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup(a_quiet_photo_is_plain, set_up),
      cmocka_unit_test_setup(an_earlier_digit_is_named, set_up),
      cmocka_unit_test_setup(the_state_follows_the_threshold, set_up),
      cmocka_unit_test_setup(the_p_value_decides, set_up),
      cmocka_unit_test_setup(the_same_digit_twice_is_repunched, set_up),
      cmocka_unit_test_setup(the_whole_date_twice_is_doubled, set_up),
      cmocka_unit_test_setup(marks_that_no_digit_explains_are_stray, set_up),
      cmocka_unit_test_setup(without_power_nothing_is_decided, set_up),
      cmocka_unit_test_setup(without_an_earlier_digit_nothing_is_judged, set_up),
      cmocka_unit_test_setup(others_never_overflow, set_up),
      cmocka_unit_test_setup(reasons_never_overflow, set_up),
      cmocka_unit_test_setup(powers_fall_with_the_misfit, set_up),
      cmocka_unit_test_setup(a_line_is_a_stray, set_up),
      cmocka_unit_test_setup(a_faint_line_is_a_stray, set_up),
      cmocka_unit_test_setup(a_line_on_rough_metal_is_a_stray, set_up),
      cmocka_unit_test_setup(a_bent_line_is_a_stray, set_up),
      cmocka_unit_test_setup(a_knob_at_an_edge_is_a_stray, set_up),
      cmocka_unit_test_setup(a_part_of_a_digit_away_is_a_fragment, set_up),
      cmocka_unit_test_setup(a_line_likelier_than_a_second_image_is_a_stray, set_up),
      cmocka_unit_test_setup(a_second_image_is_repunched, set_up),
      cmocka_unit_test_setup(a_second_image_of_all_is_doubled, set_up),
      cmocka_unit_test_setup(one_digit_may_outweigh_the_date, set_up),
      cmocka_unit_test_setup(without_a_displacement_the_score_decides, set_up),
      cmocka_unit_test_setup(a_second_image_takes_no_flag_away, set_up),
      cmocka_unit_test_setup(a_far_likelier_second_image_is_told, set_up),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
