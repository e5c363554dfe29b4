/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Dates in the hub: whole hubs set twice, loose digits, and what is said of them. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "hub.h"
#include "made_markers.h"
#include "make.h"
#include "stats.h"

/* Digits of the reference "ostermere". */
static const double OSTERMERE_MM = 1.3;
enum { EACH = 16 };

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* Evidence that the hub was set twice. */
static double twice(const udg_hub_finding *hub) {
  return hub->log_ratio;
}

/* EACH coins of a class of one date; a hub's displacement is 0.1 to 0.15 digit heights. */
static void draw(const char *reference, int date_index, ti_class cls, uint64_t seed,
                 udg_hub_finding hubs[EACH], ti_scene scenes[EACH]) {
  static made m;
  ti_options options;
  assert_int_equal(made_open(&m, reference), 0);
  ti_options_defaults(&options);
  options.digit_px[0] = 45;
  options.digit_px[1] = 120;
  options.strength[0] = 0.3;
  options.class_fixed = (int)cls;
  options.date_fixed = date_index;
  made_markers *k = made_markers_open(&m, (size_t)date_index);
  for (int i = 0; i < EACH; i++) {
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create(seed, (uint64_t)i, 78);
    assert_int_equal(ti_make_scene(&m.shapes, m.reference, &options, seed, i, 0, &scenes[i]),
                     UDG_OK);
    made_displace(&scenes[i], ti_rng_range(&rng, 0.1, 0.15));
    made_picture(&m, &options, &scenes[i], &grey);
    made_hub_look(k, &scenes[i], &grey, &rng, &hubs[i]);
    assert_true(hubs[i].applies);
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
  made_close(&m);
}

/* Ostermere 1955: in the hub since 1930. */
static void hubs_set_twice_are_told(void **state) {
  (void)state;
  static udg_hub_finding clean[EACH], doubled[EACH], over[EACH];
  static ti_scene scenes[EACH];
  double with[2 * EACH], without[EACH];
  int near = 0, right = 0;
  draw("ostermere", 0, TI_CLEAN, 41, clean, scenes);
  draw("ostermere", 0, TI_DOUBLED, 42, doubled, scenes);
  for (int i = 0; i < EACH; i++) {
    const double h = OSTERMERE_MM; /* the scene's own date went with its reference */
    without[i] = twice(&clean[i]);
    with[i] = twice(&doubled[i]);
    near += hypot(doubled[i].shift_mm[0] - scenes[i].coin.doubling.dx,
                  doubled[i].shift_mm[1] - scenes[i].coin.doubling.dy) < 0.08 * h;
  }
  draw("ostermere", 0, TI_UNDERDIGIT, 43, over, scenes);
  for (int i = 0; i < EACH; i++) {
    with[EACH + i] = twice(&over[i]);
    right += over[i].place == scenes[i].coin.under.place + 1 &&
             over[i].digit == scenes[i].coin.under.digit && over[i].digit_lead > 0.3;
  }
  qsort(with, 2 * EACH, sizeof *with, by_value);
  qsort(without, EACH, sizeof *without, by_value);
  /* The figure; tests/bench/hub.c has it over many more coins and all strengths. */
  double auc = udg_auc(with, 2 * EACH, without, EACH);
  if (auc < 0.97)
    fail_msg("AUC %.3f: with %.2f %.2f %.2f ..., without ... %.2f %.2f", auc, with[0], with[1],
             with[2], without[EACH - 2], without[EACH - 1]);
  assert_true(without[EACH - 1] < 1.0); /* no plain coin is called doubled */
  assert_true(near >= EACH * 3 / 4);    /* the displacement is the one drawn */
  assert_true(right >= EACH / 2);       /* later digits than the present one are never named */
}

/* Common practice, no source: an overdate of the hub era shows doubling elsewhere too, one
 * of the punched era does not. */
static void only_hub_overdates_are_doubled_elsewhere(void **state) {
  (void)state;
  static udg_hub_finding punched[EACH], hub[EACH];
  static ti_scene scenes[EACH];
  double p[EACH], h[EACH];
  draw("karrow", 0, TI_UNDERDIGIT, 44, punched, scenes);
  draw("ostermere", 0, TI_UNDERDIGIT, 45, hub, scenes);
  for (int i = 0; i < EACH; i++) {
    p[i] = punched[i].rest_log_ratio;
    h[i] = hub[i].rest_log_ratio;
  }
  qsort(p, EACH, sizeof *p, by_value);
  qsort(h, EACH, sizeof *h, by_value);
  assert_true(p[EACH / 2] < 0);
  assert_true(h[EACH / 2] > 0);
  assert_true(udg_auc(h, EACH, p, EACH) >= 0.8);
}

/* ---- what is said */

static made m;

static int open_reference(void **state) {
  (void)state;
  return made_open(&m, "tehlin");
}

static int close_reference(void **state) {
  (void)state;
  made_close(&m);
  return 0;
}

static udg_result judged(udg_verdict verdict) {
  udg_result r = {
      .verdict = verdict, .judged = 1, .p_value = 0.001, .evidence = 5, .place_count = 4};
  snprintf(r.date, sizeof r.date, "1862");
  r.finding = (udg_finding){.place = 4,
                            .digit = '1',
                            .kind = UDG_VERDICT_UNDERDIGIT,
                            .offset_mm = {0.1, -0.1},
                            .strength = 0.5};
  r.hub.applies = 1;
  return r;
}

static int reason_has(const udg_result *r, const char *what) {
  for (int i = 0; i < r->reason_count; i++)
    if (strstr(r->reasons[i], what))
      return 1;
  return 0;
}

static void a_loose_digit_is_no_overdate(void **state) {
  (void)state;
  udg_result r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub.log_ratio = r.hub.rest_log_ratio = -4;
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_FRAGMENT);
  assert_true(reason_has(&r, "a loose digit alone is no overdate"));
  assert_true(reason_has(&r, "since 1860"));
  assert_int_equal(r.other_count, 1);
  assert_int_equal(r.others[0].place, 0);
  /* It lies where the digit was found: place 4 is right of the middle. */
  udg_place_view place;
  assert_int_equal(udg_reference_place(m.reference, "1862", 4, &place), UDG_OK);
  assert_true(fabs(r.others[0].offset_mm[0] - place.centre_mm[0] - 0.1) < 1e-9);
  assert_true(fabs(r.others[0].offset_mm[1] - place.centre_mm[1] + 0.1) < 1e-9);
}

static void doubling_without_another_digit_is_doubled(void **state) {
  (void)state;
  udg_result r = judged(UDG_VERDICT_PLAIN);
  r.hub.log_ratio = r.hub.rest_log_ratio = 4;
  r.hub.shift_mm[0] = 0.2;
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_DOUBLED);
  assert_true(reason_has(&r, "none differs"));
  assert_int_equal(r.others[0].kind, UDG_VERDICT_DOUBLED);
  assert_true(r.others[0].offset_mm[0] == 0.2);
}

static void another_digit_with_the_rest_doubled_is_an_overdate(void **state) {
  (void)state;
  udg_result r = judged(UDG_VERDICT_PLAIN);
  r.hub = (udg_hub_finding){.applies = 1,
                            .log_ratio = 2,
                            .rest_log_ratio = 5,
                            .place = 4,
                            .digit = '0',
                            .digit_lead = 2,
                            .rest_shift_mm = {0.15, 0.05}};
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_int_equal(r.finding.place, 4);
  assert_int_equal(r.finding.digit, '0');
  assert_true(r.finding.offset_mm[0] == 0.15);
  assert_true(reason_has(&r, "the other digits show twice"));
  assert_true(r.p_value > 0 && r.p_value <= 1);
}

/* A small displacement shows at the one digit that differs and hardly at the others. */
static void the_digit_alone_is_an_overdate_where_both_ways_find_it(void **state) {
  (void)state;
  const udg_hub_finding hub = {.applies = 1,
                               .log_ratio = 4,
                               .rest_log_ratio = -1.2,
                               .place = 4,
                               .digit = '1',
                               .digit_lead = 4.7};
  udg_result r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub = hub;
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_true(r.finding.offset_mm[0] == 0.1); /* as it was measured */
  assert_true(r.evidence == 5 && r.p_value == 0.001);
  assert_true(reason_has(&r, "with a 1 at the last digit"));
  /* Where nothing was flagged, or another digit, nobody is told that none differs. */
  r = judged(UDG_VERDICT_STRAY);
  r.hub = hub;
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDECIDED);
  assert_true(reason_has(&r, "may have been set twice"));
  r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub = hub;
  r.hub.log_ratio = -1; /* the others do not show twice */
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDECIDED);
  r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub = hub;
  r.hub.digit = '0';
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDECIDED);
}

/* Only digits smaller than the present one are tried in the hub; a flag may tell of another. */
static void a_flag_with_the_others_doubled_is_an_overdate(void **state) {
  (void)state;
  udg_result r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub = (udg_hub_finding){.applies = 1,
                            .log_ratio = 4,
                            .rest_log_ratio = 6,
                            .place = 3,
                            .digit = '2',
                            .digit_lead = -0.5};
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_int_equal(r.finding.place, 4);
  assert_int_equal(r.finding.digit, '1');
  assert_true(reason_has(&r, "beside the last digit stands a 1: an earlier hub"));
}

/* A punched date, or one that could not be looked at, is left as it was. */
static void other_dates_are_left_alone(void **state) {
  (void)state;
  udg_result r = judged(UDG_VERDICT_UNDERDIGIT);
  r.hub.applies = 0;
  udg_hub_name(m.reference, &r);
  assert_int_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_int_equal(r.reason_count, 0);
  assert_int_equal(udg_hub_has(m.reference, 0), 0); /* 1843 */
  assert_int_equal(udg_hub_has(m.reference, 1), 1); /* 1862, in the hub since 1860 */
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(hubs_set_twice_are_told),
      cmocka_unit_test(only_hub_overdates_are_doubled_elsewhere),
      cmocka_unit_test(a_loose_digit_is_no_overdate),
      cmocka_unit_test(the_digit_alone_is_an_overdate_where_both_ways_find_it),
      cmocka_unit_test(a_flag_with_the_others_doubled_is_an_overdate),
      cmocka_unit_test(doubling_without_another_digit_is_doubled),
      cmocka_unit_test(another_digit_with_the_rest_doubled_is_an_overdate),
      cmocka_unit_test(other_dates_are_left_alone),
  };
  return cmocka_run_group_tests(tests, open_reference, close_reference);
}
