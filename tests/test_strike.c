/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Strength of strike: coins drawn with dies that the metal did not fill, worn coins, words. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_markers.h"
#include "make.h"
#include "marker.h"
#include "stats.h"
#include "strike.h"

enum { EACH = 10 };

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

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

/* What is asked of the coins, besides the defaults. */
typedef struct wish {
  double fill, wear[2];
  const char *region; /* where it is not filled; NULL: about the date */
} wish;

/* Middle of a region's letters. */
static void middle_of(const char *region, double at_mm[2]) {
  int n = 0;
  at_mm[0] = at_mm[1] = 0;
  for (size_t i = 0; i < m.reference->design_count; i++)
    if (strcmp(m.reference->design[i].region, region) == 0) {
      at_mm[0] += m.reference->design[i].at_mm[0];
      at_mm[1] += m.reference->design[i].at_mm[1];
      n++;
    }
  assert_true(n > 0);
  at_mm[0] /= n;
  at_mm[1] /= n;
}

/* Whole coins of 1843 with shoulders as the reference has them. */
static void draw(const wish *w, uint64_t seed, udg_result results[EACH]) {
  ti_options options;
  ti_options_defaults(&options);
  options.whole = 1;
  options.date_fixed = 0;
  options.class_fixed = TI_CLEAN;
  options.profile = TI_PROFILE_SMOOTH;
  options.wear[0] = w->wear[0];
  options.wear[1] = w->wear[1];
  options.coin_px[0] = 600;
  made_markers *k = made_markers_open(&m, 0);
  for (int i = 0; i < EACH; i++) {
    ti_scene scene;
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create(seed, (uint64_t)i, 79);
    assert_int_equal(ti_make_scene(&m.shapes, m.reference, &options, seed, i, 0, &scene), UDG_OK);
    scene.coin.fill = w->fill;
    if (w->region) {
      middle_of(w->region, scene.coin.fill_at_mm);
      scene.coin.fill_reach_mm = 3.5;
    }
    made_picture(&m, &options, &scene, &grey);
    made_strike_look(k, &scene, &grey, &rng, &results[i]);
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
}

static const udg_strike_finding *of_region(const udg_result *r, const char *region) {
  for (int i = 0; i < r->strike_count; i++)
    if (strcmp(r->strikes[i].region, region) == 0)
      return &r->strikes[i];
  fail_msg("no region %s", region);
  return NULL;
}

static int called(const udg_result results[EACH], const char *region, udg_strike_answer answer) {
  int n = 0;
  for (int i = 0; i < EACH; i++)
    n += of_region(&results[i], region)->answer == answer;
  return n;
}

static double area(const udg_result high[EACH], const char *high_region, const udg_result low[EACH],
                   const char *low_region) {
  double a[EACH], b[EACH];
  for (int i = 0; i < EACH; i++) {
    a[i] = of_region(&high[i], high_region)->full;
    b[i] = of_region(&low[i], low_region)->full;
  }
  qsort(a, EACH, sizeof *a, by_value);
  qsort(b, EACH, sizeof *b, by_value);
  return udg_auc(a, EACH, b, EACH);
}

static void check_sound(const udg_result results[EACH]) {
  for (int i = 0; i < EACH; i++) {
    assert_int_equal(results[i].strike_count, 3); /* date, TEHLIN, VALE */
    assert_string_equal(results[i].strikes[0].region, "date");
    assert_true(results[i].wear >= results[i].wear_interval[0] &&
                results[i].wear <= results[i].wear_interval[1]);
    for (int r = 0; r < 3; r++) {
      const udg_strike_finding *f = &results[i].strikes[r];
      assert_true(f->things >= 3);
      assert_true(0 <= f->full_interval[0] && f->full_interval[1] <= 1);
      assert_true(f->full_interval[0] <= f->full_interval[1]);
    }
  }
}

static udg_result full[EACH], weak[EACH], worn[EACH], vale[EACH];

/* Half of the depth not filled about the date, and fully struck ones, worn ones among them. */
static void weak_dates_are_told_from_full_and_worn_ones(void **state) {
  (void)state;
  draw(&(wish){1.0, {0, 0.3}, NULL}, 11, full);
  draw(&(wish){0.5, {0, 0.3}, NULL}, 12, weak);
  draw(&(wish){1.0, {0.5, 0.75}, NULL}, 13, worn);
  check_sound(full);
  check_sound(weak);
  check_sound(worn);
  assert_true(area(full, "date", weak, "date") >= 0.9);
  assert_true(area(worn, "date", weak, "date") >= 0.9); /* wear is no weak strike */
  assert_true(called(full, "date", UDG_STRIKE_FULL) >= EACH * 4 / 10);
  assert_true(called(weak, "date", UDG_STRIKE_WEAK) >= EACH / 10);
  assert_true(called(weak, "date", UDG_STRIKE_FULL) <= 1);
  assert_true(called(full, "date", UDG_STRIKE_WEAK) + called(worn, "date", UDG_STRIKE_WEAK) <= 1);
}

static void regions_are_told_apart(void **state) {
  (void)state;
  draw(&(wish){0.5, {0, 0.3}, "VALE"}, 14, vale);
  assert_true(area(vale, "date", vale, "VALE") >= 0.9);
  assert_true(area(full, "VALE", vale, "VALE") >= 0.9);
  assert_true(called(vale, "VALE", UDG_STRIKE_WEAK) >= EACH * 2 / 10);
  assert_true(called(vale, "VALE", UDG_STRIKE_FULL) == 0);
}

/* ---- what is said */

static udg_result coin_of_die(udg_strike_answer answer, int markers) {
  udg_result r = {.judged = 1, .strike_count = 1, .die_count = 1};
  snprintf(r.strikes[0].region, sizeof r.strikes[0].region, "date");
  r.strikes[0].answer = answer;
  snprintf(r.dies[0].id, sizeof r.dies[0].id, "1843-over-2"); /* usually weak */
  r.dies[0].present = markers;
  return r;
}

static void a_sharp_coin_of_a_weak_die_is_said(void **state) {
  (void)state;
  udg_result r = coin_of_die(UDG_STRIKE_FULL, 2);
  udg_strike_words(m.reference, 0, &r);
  assert_int_equal(r.reason_count, 1);
  assert_string_equal(r.reasons[0], "sharply struck for die 1843-over-2, which usually is weak");
  r = coin_of_die(UDG_STRIKE_WEAK, 2); /* as expected */
  udg_strike_words(m.reference, 0, &r);
  assert_int_equal(r.reason_count, 0);
  r = coin_of_die(UDG_STRIKE_CANNOT_TELL, 2);
  udg_strike_words(m.reference, 0, &r);
  assert_int_equal(r.reason_count, 0);
  r = coin_of_die(UDG_STRIKE_FULL, 0); /* nothing of that die shows */
  udg_strike_words(m.reference, 0, &r);
  assert_int_equal(r.reason_count, 0);
  r.verdict = UDG_VERDICT_UNDERDIGIT; /* but its digit does */
  r.finding = (udg_finding){.place = 4, .digit = '2'};
  udg_strike_words(m.reference, 0, &r);
  assert_int_equal(r.reason_count, 1);
  m.reference->expected[0].usually_weak = -1; /* the other way round */
  r = coin_of_die(UDG_STRIKE_WEAK, 1);
  udg_strike_words(m.reference, 0, &r);
  m.reference->expected[0].usually_weak = 1;
  assert_string_equal(r.reasons[0], "weakly struck for die 1843-over-2, which usually is full");
}

static void only_known_dies_and_regions_are_looked_at(void **state) {
  (void)state;
  made plain;
  assert_int_equal(udg_strike_wanted(m.reference, 0), 1);
  assert_int_equal(made_open(&plain, "karrow"), 0);
  assert_int_equal(udg_strike_wanted(plain.reference, 0), 0);
  made_close(&plain);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(weak_dates_are_told_from_full_and_worn_ones),
      cmocka_unit_test(regions_are_told_apart),
      cmocka_unit_test(a_sharp_coin_of_a_weak_die_is_said),
      cmocka_unit_test(only_known_dies_and_regions_are_looked_at),
  };
  return cmocka_run_group_tests(tests, open_reference, close_reference);
}
