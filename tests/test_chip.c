/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Knobs and pits the test has put at a digit's edge: a chip of the die stands up, a dent lies
 * deep (common practice, no source). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "chip.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static stage_work work;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 60.0, 0.0, 0.0);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

/* To the right of the third digit's middle; a knob is as high as `share` of the relief, or what
 * is there if that is higher; a pit, negative, lies deeper than what is there. */
static void lay_knob(const double at_mm[2], double radius_mm, double share) {
  for (int y = 0; y < scene.height.height; y++)
    for (int x = 0; x < scene.height.width; x++) {
      double u = (x + 0.5 - 0.5 * scene.height.width) / 60.0 - at_mm[0];
      double v = (y + 0.5 - 0.5 * scene.height.height - 48.0) / 60.0 - at_mm[1];
      double t = fmin((radius_mm - hypot(u, v)) / (0.7 * radius_mm), 1.0);
      float *to = &udg_plane_row(&scene.height, y)[x];
      if (t <= 0.0)
        continue;
      float rise = (float)(1e-3 * STAGE_RELIEF_UM * share * (3.0 * t * t - 2.0 * t * t * t));
      *to = share > 0.0 ? fmaxf(*to, rise) : *to + rise;
    }
}

static const udg_chip_seen *look(void) {
  stage_expose(&scene, STAGE_LAMBERT, 2.2, 90.0, 0.5, 1.0);
  stage_score(&scene, &work);
  udg_plane scratch[2] = {work.residual->first, work.residual->second};
  udg_chip_find(work.score, &work.upright, work.light, work.residual, work.bank, scratch);
  return &work.score->chip;
}

/* A point at the third digit's edge, found along a line to its right. */
static void edge(double at_mm[2]) {
  const udg_upright *u = &work.upright;
  int y = (int)u->place_px[2][1], x = (int)u->place_px[2][0] + UDG_UPRIGHT_DIGIT_PX / 2;
  while (udg_plane_row(&u->distance, y)[x] < 0.0f)
    x--;
  at_mm[0] = (x + 1.5 - u->origin_px[0]) / u->px_per_mm;
  at_mm[1] = (y + 0.5 - u->origin_px[1]) / u->px_per_mm;
}

static void a_knob_at_an_edge_is_found(void **state) {
  (void)state;
  const double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  double at_mm[2];
  stage_strike(&scene);
  double quiet = look()->energy;
  edge(at_mm);
  lay_knob(at_mm, 0.12 * height_mm, 0.5);
  udg_chip_seen knob = *look();
  double off[2];
  for (int i = 0; i < 2; i++)
    off[i] = (knob.px[i] - work.upright.origin_px[i]) / work.upright.px_per_mm - at_mm[i];
  if (knob.energy < 5.0 * quiet || hypot(off[0], off[1]) > 0.08 * height_mm ||
      fabs(knob.radius_px - 0.12 * UDG_UPRIGHT_DIGIT_PX) > 2.0 || knob.amplitude < 0.15 ||
      knob.amplitude > 1.2)
    fail_msg("energy %.0f (quiet %.0f), %.3f %.3f mm off, radius %.1f, amplitude %.2f", knob.energy,
             quiet, off[0], off[1], knob.radius_px, knob.amplitude);
  /* The same cut in: what is raised explains far less, and a pit more. */
  stage_strike(&scene);
  lay_knob(at_mm, 0.12 * height_mm, -0.5);
  udg_chip_seen pit = *look();
  if (pit.energy > 0.5 * knob.energy || pit.dent < 2.0 * knob.dent)
    fail_msg("knob: energy %.0f, dent %.0f; pit: %.0f, %.0f", knob.energy, knob.dent, pit.energy,
             pit.dent);
}

/* Away from the digits a knob is no chip of theirs. */
static void a_knob_in_the_field_is_none(void **state) {
  (void)state;
  const double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  stage_strike(&scene);
  double quiet = look()->energy;
  lay_knob((double[2]){0.0, 0.5 * height_mm}, 0.1 * height_mm, 0.5);
  assert_true(look()->energy < 2.0 * quiet + 20.0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_knob_at_an_edge_is_found),
      cmocka_unit_test(a_knob_in_the_field_is_none),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
