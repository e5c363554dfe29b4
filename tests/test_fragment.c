/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A digit punched away from the places, where the test knows; a line, a plain field and an
 * underdigit in its place are none. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "fragment.h"
#include "name.h"
#include "reference_internal.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static stage_work work;
static udg_trace_bank *turned;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 60.0, 0.0, 0.0);
  assert_int_equal(
      udg_trace_bank_create_turned(&scene.settings, scene.reference, 0, work.fft, &turned, NULL),
      UDG_OK);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  udg_trace_bank_destroy(turned);
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

/* Number of spots; the verdict on what the stages found. */
static int look(udg_result *result) {
  udg_fragment_spot spots[UDG_SPOTS_MAX];
  stage_expose(&scene, STAGE_LAMBERT, 2.2, 90.0, 0.5, 1.0);
  stage_score(&scene, &work);
  udg_plane scratch[2] = {work.residual->first, work.residual->second};
  int count = udg_fragment_spots(&work.upright, work.residual, scratch, spots);
  if (count > 0)
    assert_int_equal(udg_fragment_find(work.score, &work.upright, work.light, work.residual, turned,
                                       spots, count, &scratch[0], NULL),
                     UDG_OK);
  memset(result, 0, sizeof *result);
  result->adequacy.power_strong = 0.9;
  udg_name(&scene.settings, scene.reference, &work.upright, work.score, result);
  return count;
}

/* Below the second place and above the third, leaning one way and the other. */
static void a_digit_away_from_the_places_is_found(void **state) {
  (void)state;
  const double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  for (int above = 0; above < 2; above++) {
    stage_digit digit = stage_present(&scene, above ? 2 : 1);
    digit.digit = '7';
    digit.centre_mm[0] += 0.3 * height_mm;
    digit.centre_mm[1] += (above ? -0.95 : 0.95) * height_mm;
    digit.turn_rad = above ? 0.3 : -0.2;
    digit.share = 0.6;
    stage_strike(&scene);
    stage_lay(&scene, &digit);
    udg_result result;
    assert_true(look(&result) > 0);
    const udg_hypothesis *h = &work.score->fragment;
    double off[2];
    for (int i = 0; i < 2; i++)
      off[i] = (h->offset_px[i] - work.upright.origin_px[i]) / work.upright.px_per_mm -
               digit.centre_mm[i];
    if (h->digit != '7' || hypot(off[0], off[1]) > 0.06 * height_mm ||
        fabs(h->turn_rad - digit.turn_rad) > 0.08 || result.verdict != UDG_VERDICT_FRAGMENT)
      fail_msg("%c, %.3f %.3f mm off, turned %.2f, verdict %d", h->digit ? h->digit : '-', off[0],
               off[1], h->turn_rad, (int)result.verdict);
    const udg_finding *f = NULL;
    for (int i = 0; i < result.other_count; i++)
      if (result.others[i].kind == UDG_VERDICT_FRAGMENT)
        f = &result.others[i];
    assert_non_null(f);
    assert_true(f->place == 0 && f->digit == '7' && result.reason_count > 0);
    assert_true(hypot(f->offset_mm[0] - digit.centre_mm[0], f->offset_mm[1] - digit.centre_mm[1]) <
                0.06 * height_mm);
  }
}

/* What the test lays on the field: heights in shares of the relief, by the distance to a point or
 * to a circle (fine raster and origin as in stage_scene.c). */
typedef struct form {
  double x_mm, y_mm;
  double circle_mm; /* 0: the point itself */
  double half_mm, share;
} form;

static void lay_form(const form *f) {
  for (int y = 0; y < scene.height.height; y++)
    for (int x = 0; x < scene.height.width; x++) {
      double u = (x + 0.5 - 0.5 * scene.height.width) / 60.0 - f->x_mm;
      double v = (y + 0.5 - 0.5 * scene.height.height - 48.0) / 60.0 - f->y_mm;
      double off = hypot(u, v) - f->circle_mm;
      if (f->circle_mm > 0.0 && v > 0.3 * f->circle_mm)
        continue; /* an arc, no ring */
      udg_plane_row(&scene.height, y)[x] +=
          (float)(1e-3 * STAGE_RELIEF_UM * f->share *
                  exp(-0.5 * off * off / (f->half_mm * f->half_mm)));
    }
}

/* Of a digit, only what lies within a disc about one of its points; `up` 1, or -1 to cut it in. */
static void lay_part(const stage_digit *digit, const double middle_mm[2], double radius_mm,
                     float up) {
  size_t count = (size_t)scene.height.width * (size_t)scene.height.height;
  float *before = malloc(count * sizeof *before);
  assert_non_null(before);
  memcpy(before, scene.height.v, count * sizeof *before);
  stage_lay(&scene, digit);
  for (int y = 0; y < scene.height.height; y++)
    for (int x = 0; x < scene.height.width; x++) {
      double u = (x + 0.5 - 0.5 * scene.height.width) / 60.0 - middle_mm[0];
      double v = (y + 0.5 - 0.5 * scene.height.height - 48.0) / 60.0 - middle_mm[1];
      size_t at = (size_t)y * (size_t)scene.height.width + (size_t)x;
      float risen = scene.height.v[at] - before[at];
      scene.height.v[at] = before[at] + (hypot(u, v) < radius_mm ? up * risen : 0.0f);
    }
  free(before);
}

/* The corner of a 7 below the date, the rest of it never touched the die. */
static void a_corner_of_a_digit_is_found(void **state) {
  (void)state;
  const double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  stage_digit digit = stage_present(&scene, 1);
  digit.digit = '7';
  digit.centre_mm[0] += 0.3 * height_mm;
  digit.centre_mm[1] += 1.25 * height_mm;
  digit.share = 0.5;
  double corner[2] = {digit.centre_mm[0] + 0.2 * height_mm, digit.centre_mm[1] - 0.4 * height_mm};
  udg_result result;
  stage_strike(&scene);
  lay_part(&digit, corner, 0.4 * height_mm, 1.0f);
  assert_true(look(&result) > 0);
  if (result.verdict != UDG_VERDICT_FRAGMENT)
    fail_msg("verdict %d, log odds %.2f", (int)result.verdict, work.score->fragment_log_odds);
  /* Cut in instead it is none: no punch does that. */
  stage_strike(&scene);
  lay_part(&digit, corner, 0.4 * height_mm, -1.0f);
  double raised = work.score->fragment_log_odds;
  look(&result);
  if (work.score->fragment_log_odds > raised - 3.0)
    fail_msg("log odds %.2f, raised %.2f", work.score->fragment_log_odds, raised);
}

/* A crack that bends like a bowl is thinner than a stroke. */
static void a_bent_crack_is_no_fragment(void **state) {
  (void)state;
  udg_result result;
  stage_strike(&scene);
  lay_form(&(form){0.3, 1.6, 0.9, 0.03, 0.4});
  assert_true(look(&result) > 0);
  const udg_spot_seen *s = &work.score->spots[0];
  if (result.verdict != UDG_VERDICT_STRAY || s->arc < 1.5 * s->straight || s->arc < 1.5 * s->knobs)
    fail_msg("verdict %d, log odds %.2f, arc %.0f, straight %.0f, knobs %.0f", (int)result.verdict,
             work.score->fragment_log_odds, s->arc, s->straight, s->knobs);
}

static void two_dents_are_no_fragment(void **state) {
  (void)state;
  udg_result result;
  stage_strike(&scene);
  lay_form(&(form){0.1, 0.6, 0.0, 0.07, -0.8});
  lay_form(&(form){0.5, 0.8, 0.0, 0.1, -0.8});
  assert_true(look(&result) > 0);
  const udg_spot_seen *s = &work.score->spots[0];
  if (result.verdict == UDG_VERDICT_FRAGMENT || s->knobs < 1.5 * s->arc)
    fail_msg("verdict %d, log odds %.2f, arc %.0f, knobs %.0f", (int)result.verdict,
             work.score->fragment_log_odds, s->arc, s->knobs);
}

static void a_quiet_field_has_no_spots(void **state) {
  (void)state;
  stage_strike(&scene);
  udg_result result;
  assert_int_equal(look(&result), 0);
  assert_int_equal(work.score->fragment.digit, 0);
  assert_int_equal(result.verdict, UDG_VERDICT_PLAIN);
}

/* What lies at a place is an underdigit, however bright. */
static void an_underdigit_is_no_fragment(void **state) {
  (void)state;
  const double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  stage_digit under = stage_present(&scene, 3);
  under.digit = '6';
  under.centre_mm[0] += 0.2 * height_mm;
  under.share = 0.7;
  stage_strike(&scene);
  stage_lay(&scene, &under);
  udg_result result;
  look(&result);
  assert_int_equal(result.verdict, UDG_VERDICT_UNDERDIGIT);
  for (int i = 0; i < result.other_count; i++)
    assert_int_not_equal(result.others[i].kind, UDG_VERDICT_FRAGMENT);
}

static void lacking_memory_is_told(void **state) {
  (void)state;
  udg_message message = {""};
  size_t before = allocator.live;
  udg_trace_bank *bank = NULL;
  for (size_t n = 1;; n += 7) {
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_trace_bank_create_turned(&scene.settings, scene.reference, 0, work.fft,
                                                     &bank, &message);
    allocator.fail_at = 0;
    if (status == UDG_OK)
      break;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_true(message.text[0]);
    assert_int_equal(allocator.live, before);
    assert_true(n < 5000);
  }
  udg_trace_bank_destroy(bank);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_digit_away_from_the_places_is_found),
      cmocka_unit_test(a_corner_of_a_digit_is_found),
      cmocka_unit_test(a_bent_crack_is_no_fragment),
      cmocka_unit_test(two_dents_are_no_fragment),
      cmocka_unit_test(a_quiet_field_has_no_spots),
      cmocka_unit_test(an_underdigit_is_no_fragment),
      cmocka_unit_test(lacking_memory_is_told),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
