/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The answer in words, on made results. The wording is the program's own, so
 * each check is of what a reader must be able to take from it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "words.h"
#include "words_known.h"

/* 60 px a mm, digits 96 px: 1.6 mm high. */
static udg_result make_result(udg_verdict verdict) {
  udg_result r = {.verdict = verdict, .judged = 1, .p_value = 0.0006, .place_count = 4};
  static const double pose[9] = {60, 0, 400, 0, 60, 300, 0, 0, 1};
  memcpy(r.date_to_photo, pose, sizeof pose);
  snprintf(r.date, sizeof r.date, "2759");
  r.adequacy = (udg_adequacy){.digit_height_px = 96, .power_strong = 0.93, .power_weak = 0.41};
  r.finding = (udg_finding){.place = 4,
                            .digit = '6',
                            .kind = UDG_VERDICT_UNDERDIGIT,
                            .offset_mm = {-0.2, -0.2},
                            .turn_deg = -3.1,
                            .strength = 0.52,
                            .strength_interval = {0.38, 0.64},
                            .visible_share = 0.5,
                            .state = UDG_STATE_STRONG,
                            .log_ratio = 8};
  r.reason_count = 1;
  snprintf(r.reasons[0], UDG_REASON_BYTES, "made for this test");
  r.limit_count = 1;
  snprintf(r.limits[0], UDG_REASON_BYTES, "nothing beyond the left edge");
  return r;
}

/* The answer on one line, runs of spaces made one; the caller frees it. */
static char *answer(const udg_result *r, const char *photo) {
  char *text = NULL;
  size_t bytes = 0;
  FILE *out = open_memstream(&text, &bytes);
  assert_non_null(out);
  words_print(out, photo, r, 80);
  fclose(out);
  size_t n = 0;
  for (size_t i = 0; i < bytes; i++) {
    char c = text[i] == '\n' ? ' ' : text[i];
    if (c != ' ' || n == 0 || text[n - 1] != ' ')
      text[n++] = c;
  }
  text[n] = '\0';
  return text;
}

/* `has` and `lacks` end with NULL. */
static void expect(const udg_result *r, const char *const *has, const char *const *lacks) {
  char *text = answer(r, "coin.jpg");
  for (; *has; has++)
    if (!strstr(text, *has))
      fail_msg("'%s' is missing in: %s", *has, text);
  for (; *lacks; lacks++)
    if (strstr(text, *lacks))
      fail_msg("'%s' is in: %s", *lacks, text);
  free(text);
}

static void a_trace_is_told_with_place_digit_and_doubt(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDERDIGIT);
  /* 0.2 mm both ways: 0.28 mm, 1.6 / 0.283 = 5.66. */
  const char *has[] = {"coin.jpg",
                       "earlier 6",
                       "the 9 (fourth digit of 2759)",
                       "above and left of the 9",
                       "inside its opening.",
                       "0.28 mm",
                       "about 1/6 of a digit's height",
                       "3 degrees counterclockwise",
                       "about 1 time in 1,700",
                       "p = 0.0006",
                       "a reason to look, not a proof",
                       "Strong: about 0.5",
                       "between 0.4 and 0.6",
                       "about half lies open",
                       "made for this test",
                       "nothing beyond the left edge",
                       NULL};
  const char *lacks[] = {"%", "cannot tell.", "no overdate", "Weak", NULL};
  expect(&r, has, lacks);
  r.finding.state = UDG_STATE_WEAK;
  const char *weak[] = {"Weak: about 0.5", "polishing", NULL};
  const char *not_strong[] = {"Strong", NULL};
  expect(&r, weak, not_strong);
}

static void every_other_verdict_says_no_overdate_was_found(void **state) {
  (void)state;
  static const struct {
    udg_verdict verdict;
    const char *has;
  } cases[] = {{UDG_VERDICT_PLAIN, "No trace of an earlier digit in 2759"},
               {UDG_VERDICT_REPUNCHED, "The 7 (second digit of 2759) was punched twice"},
               {UDG_VERDICT_DOUBLED, "the date is doubled"},
               {UDG_VERDICT_FRAGMENT, "part of a digit lies away from its place"},
               {UDG_VERDICT_STRAY, "crack"}};
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    udg_result r = make_result(cases[i].verdict);
    r.p_value = 0.21;
    if (r.verdict != UDG_VERDICT_PLAIN) {
      r.other_count = 1;
      r.others[0] = (udg_finding){.kind = r.verdict, .offset_mm = {0.3, -1.9}};
      r.others[0].place = r.verdict == UDG_VERDICT_REPUNCHED ? 2 : 0;
      r.others[0].digit = r.verdict == UDG_VERDICT_REPUNCHED ? '7' : 0;
    }
    const char *has[] = {cases[i].has,
                         "strong trace would show about 9 times in 10",
                         "weak one about 4 times in 10",
                         "nearest to an overdate: an earlier 6",
                         "about 1 time in 5",
                         NULL};
    const char *lacks[] = {"%", "A trace of", "Strong:", "a reason to look", NULL};
    expect(&r, has, lacks);
  }
}

static void positions_are_told_for_what_has_no_place(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_FRAGMENT);
  r.other_count = 2;
  r.others[0] = (udg_finding){.kind = UDG_VERDICT_STRAY, .offset_mm = {-1.2, 0.4}};
  r.others[1] = (udg_finding){.kind = UDG_VERDICT_FRAGMENT, .offset_mm = {0.3, -1.9}};
  const char *has[] = {"Around a spot 0.3 mm right of the date's middle, 1.9 mm above",
                       "Also Perhaps a mark, 1.2 mm left of the date's middle, 0.4 mm below", NULL};
  const char *lacks[] = {"Perhaps part of a digit", NULL};
  expect(&r, has, lacks);
}

static void other_digits_are_named_only_beside_a_trace(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDERDIGIT);
  r.other_count = 1;
  r.others[0] = (udg_finding){.kind = UDG_VERDICT_UNDERDIGIT, .place = 3, .digit = '8'};
  const char *has[] = {"Also Or an earlier 8 at the 5 (third digit of 2759)", NULL};
  const char *none[] = {NULL};
  expect(&r, has, none);
  r.verdict = UDG_VERDICT_PLAIN;
  const char *lacks[] = {"Also", "earlier 8", NULL};
  expect(&r, none, lacks);
}

static void an_undecided_photo_claims_nothing(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDECIDED);
  r.judged = 0;
  r.adequacy.power_strong = 0.02;
  r.adequacy.power_weak = 0;
  const char *has[] = {"This photo cannot tell", "strong trace would show hardly ever",
                       "made for this test", NULL};
  const char *lacks[] = {"p =", "earlier", "No trace", "Strong:", NULL};
  expect(&r, has, lacks);
  memset(r.date_to_photo, 0, sizeof r.date_to_photo); /* no date found at all */
  const char *no_date[] = {"This photo cannot tell", NULL};
  const char *no_power[] = {"would show", "p =", NULL};
  expect(&r, no_date, no_power);
}

static void nearly_a_flag_is_a_perhaps(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDECIDED);
  r.p_value = 0.012;
  const char *has[] = {
      "Perhaps an earlier 6 at the 9 (fourth digit of 2759). This photo cannot tell.", NULL};
  const char *none[] = {NULL};
  expect(&r, has, none);
  r.p_value = 0.3;
  const char *perhaps[] = {"Perhaps", NULL};
  expect(&r, none, perhaps);
}

static void a_place_without_known_digit_is_counted(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDERDIGIT);
  snprintf(r.date, sizeof r.date, "year 9");
  const char *has[] = {"the fourth digit of year 9", "the present digit", NULL};
  const char *lacks[] = {"the r", "opening", NULL};
  expect(&r, has, lacks);
  snprintf(r.date, sizeof r.date, "27b9"); /* as many characters as places, one no digit */
  r.finding.place = 3;
  const char *third[] = {"the third digit of 27b9", NULL};
  const char *letter[] = {"the b", NULL};
  expect(&r, third, letter);
}

static void a_title_is_one_sentence(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDERDIGIT);
  char title[200];
  words_verdict(&r, title, sizeof title);
  assert_string_equal(title, "A trace of an earlier 6 shows at the 9 (fourth digit of 2759).");
  r.verdict = UDG_VERDICT_REPUNCHED;
  r.other_count = 1;
  r.others[0] = (udg_finding){.kind = UDG_VERDICT_REPUNCHED, .place = 2, .digit = '7'};
  words_verdict(&r, title, sizeof title);
  assert_string_equal(title, "The 7 (second digit of 2759) was punched twice.");
}

static void directions_go_all_round(void **state) {
  (void)state;
  static const struct {
    double x, y;
    const char *text;
  } cases[] = {{1, 0, "right of"},
               {1, 1, "below and right of"},
               {0, 1, "below"},
               {-1, 1, "below and left of"},
               {-1, 0, "left of"},
               {-1, -0.0, "left of"},
               {-1, -1, "above and left of"},
               {0, -1, "above"},
               {1, -1, "above and right of"},
               {0.1, 0.04, "right of"},
               {0.1, 0.05, "below and right of"},
               {0.02, -0.03, "right under"}};
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    double offset[2] = {cases[i].x, cases[i].y};
    assert_string_equal(words_direction(offset, 1.0), cases[i].text);
  }
}

static void chances_are_rounded_not_dressed_up(void **state) {
  (void)state;
  static const struct {
    double p;
    const char *text;
  } cases[] = {{1, "nearly every time"},
               {0.5, "about every second time"},
               {0.3, "about 1 time in 3"},
               {0.06, "about 1 time in 17"},
               {0.03, "about 1 time in 30"},
               {0.0101, "about 1 time in 100"},
               {0.0034, "about 1 time in 290"},
               {0.00001, "about 1 time in 100,000"},
               {1e-9, "less than 1 time in 100,000"},
               {1e-300, "less than 1 time in 100,000"}};
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    char text[64];
    words_chance(cases[i].p, text, sizeof text);
    assert_string_equal(text, cases[i].text);
  }
}

static void height_follows_turn_and_perspective(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_PLAIN);
  assert_true(fabs(words_digit_height_mm(&r) - (1.6)) < 1e-12);
  /* Scale at the origin by finite differences of the map itself. */
  const double h[9] = {50, -21, 300, 19, 55, 280, 0.02, -0.03, 1.1};
  memcpy(r.date_to_photo, h, sizeof h);
  const double e = 1e-5;
  double p[3][2];
  const double at[3][2] = {{0, 0}, {e, 0}, {0, e}};
  for (int i = 0; i < 3; i++) {
    double w = h[6] * at[i][0] + h[7] * at[i][1] + h[8];
    p[i][0] = (h[0] * at[i][0] + h[1] * at[i][1] + h[2]) / w;
    p[i][1] = (h[3] * at[i][0] + h[4] * at[i][1] + h[5]) / w;
  }
  double jacobian =
      ((p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[2][0] - p[0][0]) * (p[1][1] - p[0][1])) /
      (e * e);
  assert_true(fabs(words_digit_height_mm(&r) - (96 / sqrt(jacobian))) < 1e-4);
  memset(r.date_to_photo, 0, sizeof r.date_to_photo);
  assert_true(words_digit_height_mm(&r) == 0);
}

static void lines_keep_within_the_width(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_UNDERDIGIT);
  for (int i = 0; i < UDG_REASON_BYTES - 1; i++)
    r.reasons[0][i] = i % 7 == 6 ? ' ' : 'x';
  r.reasons[0][UDG_REASON_BYTES - 1] = '\0';
  for (int columns = 60; columns <= 100; columns += 20) {
    char *text = NULL;
    size_t bytes = 0;
    FILE *out = open_memstream(&text, &bytes);
    words_print(out, "p\xC3\xA9\x1B[31m.jpg", &r, columns);
    fclose(out);
    assert_true(strncmp(text, "p\xC3\xA9?[31m.jpg\n", 12) == 0);
    size_t longest = 0;
    for (const char *line = text; *line;) {
      size_t length = strcspn(line, "\n");
      longest = length > longest ? length : longest;
      line += length + (line[length] == '\n');
    }
    assert_true(longest <= (size_t)columns && longest > (size_t)columns - 12);
    free(text);
  }
}

/* Known dies and the strike: what of them is said, and how. */
static void strikes_are_told_by_region(void **state) {
  (void)state;
  udg_result r = make_result(UDG_VERDICT_PLAIN);
  char *text = NULL;
  size_t bytes = 0;
  r.strike_count = 3;
  r.strikes[0] = (udg_strike_finding){.region = "date",
                                      .things = 4,
                                      .full = 0.93,
                                      .full_interval = {0.85, 1},
                                      .answer = UDG_STRIKE_FULL};
  r.strikes[1] = (udg_strike_finding){.region = "wreath", .things = 2};
  r.strikes[2] = (udg_strike_finding){.region = "legend"};
  FILE *out = open_memstream(&text, &bytes);
  words_print(out, "a.jpg", &r, 200);
  fclose(out);
  assert_non_null(strstr(text, "date: full (0.9 of the die filled, likely 0.8 to 1.0); "
                               "wreath: cannot tell; legend: not in the photo"));
  free(text);
}

/* Coins of one die, early to late; where intervals overlap the order is a guess. */
static void coins_of_a_die_are_put_in_order(void **state) {
  (void)state;
  words_state states[] = {
      {.die = "1843-over-2", .photo = "late.jpg", .state = 0.9, .low = 0.8, .high = 1},
      {.die = "1862-over-1", .photo = "alone.jpg", .state = 0.1, .low = 0, .high = 0.3},
      {.die = "1843-over-2", .photo = "early.jpg", .state = 0.1, .low = 0, .high = 0.3},
      {.die = "1843-over-2", .photo = "next.jpg", .state = 0.2, .low = 0.05, .high = 0.45}};
  char *text = NULL;
  size_t bytes = 0;
  FILE *out = open_memstream(&text, &bytes);
  words_order(out, states, 4, 400);
  fclose(out);
  assert_non_null(strstr(text, "die 1843-over-2, early to late: early.jpg (0.10, 0.00 to 0.30) "
                               "perhaps before next.jpg (0.20, 0.05 to 0.45) before late.jpg "
                               "(0.90, 0.80 to 1.00)"));
  assert_null(strstr(text, "alone.jpg")); /* one coin has no order */
  free(text);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_trace_is_told_with_place_digit_and_doubt),
      cmocka_unit_test(every_other_verdict_says_no_overdate_was_found),
      cmocka_unit_test(positions_are_told_for_what_has_no_place),
      cmocka_unit_test(other_digits_are_named_only_beside_a_trace),
      cmocka_unit_test(an_undecided_photo_claims_nothing),
      cmocka_unit_test(nearly_a_flag_is_a_perhaps),
      cmocka_unit_test(a_place_without_known_digit_is_counted),
      cmocka_unit_test(a_title_is_one_sentence),
      cmocka_unit_test(directions_go_all_round),
      cmocka_unit_test(chances_are_rounded_not_dressed_up),
      cmocka_unit_test(height_follows_turn_and_perspective),
      cmocka_unit_test(strikes_are_told_by_region),
      cmocka_unit_test(coins_of_a_die_are_put_in_order),
      cmocka_unit_test(lines_keep_within_the_width)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
