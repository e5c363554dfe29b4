/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How high a trace stands, told from where the present digit's shoulder ends: made reliefs whose
 * heights the test knows, of two laid on each other the higher one showing (common practice, no
 * source). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "crossing.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static stage_work work;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 70.0, 0.1, 0.0);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

/* The 3 laid across the 4, at this height; what is said of it. */
static udg_hypothesis three_across(stage_lamp lamp, double share, double contrast, double noise) {
  stage_strike(&scene);
  stage_digit d = stage_present(&scene, 2);
  d.digit = '3';
  d.centre_mm[0] += 0.16;
  d.centre_mm[1] += 0.10;
  d.share = share;
  if (share > 0.0)
    stage_lay(&scene, &d);
  stage_expose(&scene, lamp, 2.2, contrast, 0.5, noise);
  stage_score(&scene, &work);
  const udg_hypothesis *h = stage_hypothesis(&work, 2, '3', UDG_TRACE_EARLIER);
  assert_non_null(h);
  return *h;
}

static void the_shoulder_ends_at_the_traces_height(void **state) {
  (void)state;
  const double shares[] = {0.3, 0.5, 0.7, 0.9};
  for (int lamp = STAGE_LINEAR; lamp <= STAGE_LAMBERT; lamp++)
    for (size_t i = 0; i < sizeof shares / sizeof *shares; i++) {
      udg_hypothesis h = three_across((stage_lamp)lamp, shares[i], 90.0, 1.0);
      if (fabs(h.height - shares[i]) > 0.12 || h.crossing < 2.0)
        fail_msg("lamp %d: height %.3f (odds %.2f) for %.1f", lamp, h.height, h.crossing,
                 shares[i]);
    }
}

static void a_whole_shoulder_speaks_against_a_trace(void **state) {
  (void)state;
  udg_hypothesis h = three_across(STAGE_LAMBERT, 0.0, 90.0, 1.0);
  assert_true(h.crossing < 0.0);
}

/* A darkened patch over both, as dirt would be, does not end a shoulder. */
static void dirt_does_not_end_it(void **state) {
  (void)state;
  udg_hypothesis trace = three_across(STAGE_LAMBERT, 0.7, 90.0, 1.0);
  stage_strike(&scene);
  stage_expose(&scene, STAGE_LAMBERT, 2.2, 90.0, 0.5, 1.0);
  stage_digit four = stage_present(&scene, 2);
  double at[2];
  udg_homography_apply(&scene.registration.date_to_photo, four.centre_mm[0] + 0.3,
                       four.centre_mm[1], &at[0], &at[1]);
  for (int y = (int)at[1] - 8; y < (int)at[1] + 8; y++)
    for (int x = (int)at[0] - 12; x < (int)at[0] + 12; x++)
      udg_plane_row(&scene.photo, y)[x] -= 40.0f;
  stage_score(&scene, &work);
  const udg_hypothesis *h = stage_hypothesis(&work, 2, '3', UDG_TRACE_EARLIER);
  assert_non_null(h);
  assert_true(h->crossing < trace.crossing - 3.0);
}

/* The whole date again at half its height: all places speak together. */
static void a_doubled_date_ends_every_shoulder(void **state) {
  (void)state;
  stage_strike(&scene);
  for (int place = 0; place < 4; place++) {
    stage_digit d = stage_present(&scene, place);
    d.centre_mm[0] += 0.3;
    d.centre_mm[1] -= 0.25;
    d.share = 0.6;
    stage_lay(&scene, &d);
  }
  stage_expose(&scene, STAGE_LAMBERT, 2.2, 90.0, 0.5, 1.0);
  stage_score(&scene, &work);
  udg_hypothesis *h = NULL;
  for (int i = 0; i < work.score->count; i++)
    if (work.score->hypotheses[i].kind == UDG_TRACE_DOUBLED)
      h = &work.score->hypotheses[i];
  assert_non_null(h);
  h->offset_px[0] = 0.3 * work.upright.px_per_mm;
  h->offset_px[1] = -0.25 * work.upright.px_per_mm;
  udg_crossing_measure(work.score, &work.upright, work.light, work.bank);
  if (fabs(h->height - 0.6) > 0.12 || h->crossing < 2.0)
    fail_msg("height %.3f (odds %.2f) for 0.6", h->height, h->crossing);
}

/* Turned digits and the edge of the photo: numbers all the same. */
static void numbers_stay_numbers(void **state) {
  (void)state;
  stage_strike(&scene);
  stage_expose(&scene, STAGE_RING, 0.0, 0.0, 0.0, 0.0);
  stage_score(&scene, &work);
  for (int i = 0; i < work.score->count; i++) {
    const udg_hypothesis *h = &work.score->hypotheses[i];
    assert_true(isfinite(h->crossing));
    assert_true(h->height > 0.0 && h->height <= 1.0);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_shoulder_ends_at_the_traces_height),
      cmocka_unit_test(a_whole_shoulder_speaks_against_a_trace),
      cmocka_unit_test(dirt_does_not_end_it),
      cmocka_unit_test(a_doubled_date_ends_every_shoulder),
      cmocka_unit_test(numbers_stay_numbers),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
