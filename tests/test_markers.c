/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Markers of known dies: what is weighed, what is said, and coins drawn with and without. */
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
#include "marker.h"
#include "marker_check.h"
#include "stats.h"

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

/* ---- from scores to answers */

/* Decoys spread evenly over 1 +- 0.3; the marker adds 3. */
static udg_look_tally tally_with(double score, int decoys) {
  udg_look_tally t = {.in_view = 1, .score = score, .decoys = decoys, .units = 1};
  for (int i = 0; i < decoys; i++) {
    t.decoy[i] = 1 + 0.3 * (2.0 * (i + 0.5) / decoys - 1);
    t.raised[i] = t.decoy[i] + 3;
  }
  return t;
}

static void scores_are_weighed_by_their_decoys(void **state) {
  (void)state;
  double ratio, power, before = -100;
  udg_look_tally t = tally_with(1.0, 60);
  udg_look_weigh(&t, &ratio, &power);
  assert_true(ratio < -2); /* as any decoy: not there, for it would have shown */
  assert_true(power > 0.8);
  for (double score = 1.0; score <= 3.5; score += 0.25) { /* more never means less */
    t = tally_with(score, 60);
    udg_look_weigh(&t, &ratio, &power);
    assert_true(ratio >= before - 1e-9);
    before = ratio;
  }
  assert_true(ratio > 2.5);
  t = tally_with(3.0, 6); /* too few decoys tell nothing */
  udg_look_weigh(&t, &ratio, &power);
  assert_true(ratio == 0 && power == 0);
  t = tally_with(3.0, 60);
  t.in_view = 0;
  udg_look_weigh(&t, &ratio, &power);
  assert_true(ratio == 0 && power == 0);
  /* A marker that would hardly show says nothing by not being seen. */
  t = tally_with(1.0, 60);
  for (int i = 0; i < 60; i++)
    t.raised[i] = t.decoy[i] + 0.05;
  udg_look_weigh(&t, &ratio, &power);
  assert_true(fabs(ratio) < 1);
  assert_true(power < 0.1);
}

/* ---- state of the die */

static void state_follows_digit_and_markers(void **state) {
  (void)state;
  const double strong[3] = {0.65, 0.58, 0.72}, faint[3] = {0.15, 0.08, 0.22};
  double early_there[1] = {4}, early_gone[1] = {-4}, late_there[1] = {4};
  double at[4], interval[2], wide[2];
  udg_die_state(NULL, NULL, 0, NULL, 0, &at[0], wide);
  assert_true(fabs(at[0] - 0.5) < 0.01); /* nothing known: even chances */
  assert_true(fabs(wide[0] - 0.05) < 0.02 && fabs(wide[1] - 0.95) < 0.02);
  udg_die_state(strong, early_there, 1, NULL, 0, &at[1], interval);
  assert_true(at[1] < 0.25);
  assert_true(interval[0] <= at[1] && at[1] <= interval[1]);
  assert_true(interval[1] - interval[0] < wide[1] - wide[0]);
  udg_die_state(faint, early_gone, 1, late_there, 1, &at[2], interval);
  assert_true(at[2] > 0.65);
  udg_die_state(NULL, early_gone, 1, NULL, 0, &at[3], interval);
  assert_true(at[3] > at[0] && at[3] < at[2] + 0.2);
}

/* ---- words */

static udg_die_finding die_of(double digit, int present, int absent) {
  udg_die_finding die = {
      .place = 4, .earlier = '2', .digit_log_ratio = digit, .present = present, .absent = absent};
  snprintf(die.id, sizeof die.id, "1843-over-2");
  return die;
}

static void says(const udg_die_finding *die, const udg_marker_finding *absent, const char *what) {
  char words[UDG_REASON_BYTES];
  static udg_result result;
  udg_die_words(&result, die, absent, words, sizeof words);
  if (!strstr(words, what))
    fail_msg("\"%s\" does not say \"%s\"", words, what);
  assert_true(strlen(words) < sizeof words - 1);
}

static void words_tell_confirmation_and_doubt(void **state) {
  (void)state;
  udg_marker_finding cut = {.answer = UDG_MARKER_ABSENT};
  snprintf(cut.id, sizeof cut.id, "rim-cut");
  udg_die_finding die = die_of(5, 2, 0);
  says(&die, NULL, "confirm each other");
  die = die_of(-4, 1, 0);
  says(&die, NULL, "late state, or a weak photo; worth a look");
  die = die_of(5, 0, 1);
  says(&die, &cut, "doubt");
  says(&die, &cut, "rim-cut");
  die = die_of(-4, 0, 1);
  says(&die, &cut, "not die 1843-over-2");
  die = die_of(-4, 0, 0);
  says(&die, NULL, "cannot be told");
  die = die_of(5, 1, 0);
  says(&die, NULL, "the 2 and a marker of die 1843-over-2 show together");
  die = die_of(-4, 2, 1);
  says(&die, &cut, "contradict each other: rim-cut");
  die = die_of(-4, 2, 0);
  says(&die, NULL, "markers of die 1843-over-2 are there, but its 2 is not seen");
  die = die_of(-4, 0, 1);
  says(&die, NULL, "that come or go with use are not there");
}

/* ---- the coin's map */

/* A rim as an ellipse, the date's map with a turn of a degree too much: the date's place on
 * the coin puts the far side right again. */
static void rim_steadies_the_far_side(void **state) {
  (void)state;
  const double radius = 0.5 * m.reference->diameter_mm, scale = 30, turn = 0.7;
  const double oy = m.reference->date_origin_mm[1];
  udg_coin_result rims = {.count = 1, .sure_count = 1};
  rims.coins[0] = (udg_ellipse){.centre = {500, 480}, .semi = {scale * radius, scale * radius}};
  /* Upright coin turned about its centre: date plane (0, 0) is (0, oy) from the centre. */
  udg_homography shift = udg_homography_similarity(1, 0, 0, oy);
  udg_homography whole = udg_homography_similarity(scale, turn, 500, 480), truth, found, skew;
  truth = udg_homography_after(&whole, &shift);
  udg_homography slip = udg_homography_similarity(1.003, 0.0175, 0, 0);
  skew = udg_homography_after(&truth, &slip);
  const udg_ellipse *rim = udg_coin_of_date(m.reference, &rims, &skew, &found);
  assert_ptr_equal(rim, &rims.coins[0]);
  for (int clock = 1; clock <= 12; clock++) {
    double at[2], a[2], b[2], c[2];
    udg_clock_to_date(m.reference, clock, 0.9 * radius, at);
    udg_homography_apply(&truth, at[0], at[1], &a[0], &a[1]);
    udg_homography_apply(&found, at[0], at[1], &b[0], &b[1]);
    udg_homography_apply(&skew, at[0], at[1], &c[0], &c[1]);
    assert_true(hypot(a[0] - b[0], a[1] - b[1]) < 0.02 * scale);
    if (clock == 12)
      assert_true(hypot(a[0] - c[0], a[1] - c[1]) > 0.2 * scale);
  }
  /* The rim of something else is none of this coin. */
  rims.coins[0].semi[0] = rims.coins[0].semi[1] = 0.7 * scale * radius;
  assert_null(udg_coin_of_date(m.reference, &rims, &truth, &found));
  assert_memory_equal(&found, &truth, sizeof found);
}

/* ---- coins drawn with and without */

enum { KEPT = 400 };

typedef struct outcome {
  double with[KEPT], without[KEPT];
  size_t with_count, without_count;
  int seen, false_seen, denied, false_denied;
} outcome;

/* By kind of marker, of the last draw_coins(). */
enum { KINDS = UDG_MARKER_MISSING + 1 };
static outcome of_kind[KINDS];

static int has(const ti_scene *scene, const udg_marker_finding *f) {
  for (size_t i = 0; i < m.reference->marker_count && i < 64; i++) {
    const udg_marker *marker = &m.reference->markers[i];
    if (strcmp(marker->id, f->id) == 0 &&
        strcmp(m.reference->expected[marker->expected_index].id, f->die) == 0)
      return (int)(scene->coin.markers >> i & 1);
  }
  fail_msg("no marker %s", f->id);
  return 0;
}

static void count(outcome *o, int there, const udg_marker_finding *f) {
  if (there && o->with_count < KEPT) {
    o->with[o->with_count++] = f->log_ratio;
    o->seen += f->answer == UDG_MARKER_PRESENT;
    o->false_denied += f->answer == UDG_MARKER_ABSENT;
  } else if (!there && o->without_count < KEPT) {
    o->without[o->without_count++] = f->log_ratio;
    o->false_seen += f->answer == UDG_MARKER_PRESENT;
    o->denied += f->answer == UDG_MARKER_ABSENT;
  }
}

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static double auc_of(outcome *o) {
  qsort(o->with, o->with_count, sizeof *o->with, by_value);
  qsort(o->without, o->without_count, sizeof *o->without, by_value);
  return udg_auc(o->with, o->with_count, o->without, o->without_count);
}

/* Whole coins of a range of sizes, each marker on every second one. */
static void draw_coins(int coins, double low_px, double high_px, uint64_t seed, outcome *o,
                       unsigned *kinds_seen) {
  static udg_result result;
  ti_options options;
  memset(of_kind, 0, sizeof of_kind);
  ti_options_defaults(&options);
  options.whole = 1;
  options.markers = TI_MARKERS_HALF;
  options.date_fixed = 0;
  options.coin_px[0] = low_px;
  options.coin_px[1] = high_px;
  made_markers *k = made_markers_open(&m, 0);
  for (int i = 0; i < coins; i++) {
    ti_scene scene;
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create(seed, (uint64_t)i, 77);
    made_draw(&m, &options, seed, i, &scene, &grey);
    made_markers_look(k, &scene, &grey, &rng, &result);
    assert_int_equal(result.marker_count, 9);
    for (int f = 0; f < result.marker_count; f++) {
      const udg_marker_finding *finding = &result.markers[f];
      int there = has(&scene, finding);
      assert_true(finding->in_view);
      count(o, there, finding);
      count(&of_kind[finding->kind], there, finding);
      if (there && finding->answer == UDG_MARKER_PRESENT)
        *kinds_seen |= 1u << finding->kind;
    }
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
}

static void every_kind_is_told_on_drawn_coins(void **state) {
  (void)state;
  static outcome o;
  unsigned kinds = 0;
  draw_coins(10, 500, 900, 21, &o, &kinds);
  assert_true(o.with_count + o.without_count == 90);
  assert_true(auc_of(&o) >= 0.95);
  assert_true(o.false_seen <= 1);
  assert_true(o.false_denied <= 2);
  assert_true(o.seen >= 0.7 * (double)o.with_count);
  assert_int_equal(kinds, 0xff); /* all eight */
}

/* At 10 px a millimetre the spot is 4 px across, the dash and the cut 3 to 4 px wide. */
static void every_kind_is_told_at_four_pixels(void **state) {
  (void)state;
  static outcome o;
  unsigned kinds = 0;
  draw_coins(14, 226, 236, 31, &o, &kinds);
  assert_true(auc_of(&o) >= 0.9);
  assert_true(o.false_seen <= 1);
  assert_true(o.false_denied <= 3);
  assert_true(o.seen >= 0.5 * (double)o.with_count);
  for (int kind = 0; kind < KINDS; kind++)
    if (auc_of(&of_kind[kind]) < 0.7)
      fail_msg("kind %d: AUC %.2f", kind, auc_of(&of_kind[kind]));
}

/* Close-ups show what lies near the date; what does not is said to be out of view. */
static void close_ups_tell_what_is_in_view(void **state) {
  (void)state;
  static udg_result result;
  static outcome o;
  int out_of_view = 0;
  ti_options options;
  ti_options_defaults(&options);
  options.date_fixed = 0;
  options.class_fixed = TI_CLEAN;
  options.markers = TI_MARKERS_HALF;
  options.frame = 1;
  options.digit_px[0] = 50;
  options.digit_px[1] = 80;
  made_markers *k = made_markers_open(&m, 0);
  for (int i = 0; i < 16; i++) {
    ti_scene scene;
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create(51, (uint64_t)i, 77);
    made_draw(&m, &options, 51, i, &scene, &grey);
    made_markers_look(k, &scene, &grey, &rng, &result);
    for (int f = 0; f < result.marker_count; f++) {
      const udg_marker_finding *finding = &result.markers[f];
      out_of_view += !finding->in_view;
      if (finding->in_view)
        count(&o, has(&scene, finding), finding);
      else
        assert_true(finding->answer == UDG_MARKER_CANNOT_TELL && finding->log_ratio == 0);
    }
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
  assert_true(o.with_count >= 10 && o.without_count >= 10 && out_of_view > 0);
  assert_true(auc_of(&o) >= 0.95);
  assert_true(o.seen >= 0.8 * (double)o.with_count);
  assert_true(o.false_seen <= 1);
  assert_true(o.false_denied <= 1);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(scores_are_weighed_by_their_decoys),
      cmocka_unit_test(state_follows_digit_and_markers),
      cmocka_unit_test(words_tell_confirmation_and_doubt),
      cmocka_unit_test(rim_steadies_the_far_side),
      cmocka_unit_test(every_kind_is_told_on_drawn_coins),
      cmocka_unit_test(every_kind_is_told_at_four_pixels),
      cmocka_unit_test(close_ups_tell_what_is_in_view),
  };
  return cmocka_run_group_tests(tests, open_reference, close_reference);
}
