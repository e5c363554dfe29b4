/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Lines the test has laid across the field: raised as a crack of the die (it is cut into the
 * die) and cut in as a scratch (common practice, no source). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "reference_internal.h"
#include "stage_scene.h"

#define PI 3.14159265358979323846

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

/* A ridge of so much of the relief, or a groove where negative, 0.1 mm wide, from one point of
 * the date plane (fine raster 60 px/mm, origin as in stage_scene.c) along a direction. */
static void lay_line(double x_mm, double y_mm, double direction, double length_mm, double share) {
  for (int y = 0; y < scene.height.height; y++)
    for (int x = 0; x < scene.height.width; x++) {
      double u = (x + 0.5 - 0.5 * scene.height.width) / 60.0 - x_mm;
      double v = (y + 0.5 - 0.5 * scene.height.height - 48.0) / 60.0 - y_mm;
      double along = u * cos(direction) + v * sin(direction);
      double off = -u * sin(direction) + v * cos(direction);
      if (along < 0.0 || along > length_mm || fabs(off) > 0.15)
        continue;
      udg_plane_row(&scene.height, y)[x] +=
          (float)(1e-3 * STAGE_RELIEF_UM * share * exp(-off * off / (2.0 * 0.04 * 0.04)));
    }
}

static udg_line look(double noise) {
  udg_line line;
  stage_expose(&scene, STAGE_LAMBERT, 2.2, 90.0, 0.5, noise);
  stage_subtract(&scene, &work);
  assert_int_equal(
      udg_stray_line(&scene.settings, &work.upright, work.light, work.residual, &line, NULL),
      UDG_OK);
  return line;
}

/* Between the second and the third digit, from below to above. */
static void a_line_is_measured(void **state) {
  (void)state;
  const double directions[] = {-1.3, -1.5};
  for (int raised = 0; raised < 2; raised++)
    for (size_t i = 0; i < sizeof directions / sizeof *directions; i++) {
      stage_strike(&scene);
      lay_line(0.0, 0.5, directions[i], 2.6, raised ? 0.4 : -0.4);
      udg_line line = look(1.0);
      double turn = fmod(line.direction_rad - directions[i] + 10.5 * PI, PI) - 0.5 * PI;
      double length_mm = line.length_px / work.upright.px_per_mm;
      if (fabs(turn) > 0.06 || fabs(length_mm - 2.6) > 0.6 || line.energy < 3.0 ||
          (raised ? line.relief < 5.0 : line.relief > -5.0))
        fail_msg("turn off %.3f, length %.2f mm, energy %.1f, relief %.1f (raised: %d)", turn,
                 length_mm, line.energy, line.relief, raised);
    }
}

/* The digits it runs under are no gap. */
static void a_line_goes_on_across_a_digit(void **state) {
  (void)state;
  stage_strike(&scene);
  lay_line(0.3, 0.8, -1.3, 3.2, -0.4);
  udg_line line = look(1.0);
  assert_true(line.length_px / work.upright.px_per_mm > 2.7);
}

/* Weight and pixels of the field along the part of a line that it takes up. */
static double weight_along(const udg_line *line) {
  double c = cos(line->direction_rad), s = sin(line->direction_rad), sum = 0.0, n = 0.0;
  for (double u = -0.4 * line->length_px; u <= 0.4 * line->length_px; u += 1.0) {
    int x = (int)(line->centre_px[0] + u * c), y = (int)(line->centre_px[1] + u * s);
    size_t at = (size_t)y * (size_t)work.upright.width + (size_t)x;
    if (work.residual->mask.v[at] <= 0.0f)
      continue;
    sum += (double)work.residual->weight.v[at];
    n += 1.0;
  }
  assert_true(n > 10.0);
  return sum / n;
}

/* A scratch longer than any stroke is not offered to the digits; what could be one is. */
static void long_lines_lose_their_weight(void **state) {
  (void)state;
  double height_mm = UDG_UPRIGHT_DIGIT_PX / work.upright.px_per_mm;
  stage_strike(&scene);
  lay_line(0.0, 0.5, -1.3, 1.7 * height_mm, -0.4);
  udg_line line = look(1.0);
  double covered = weight_along(&line);
  stage_strike(&scene);
  lay_line(0.0, 0.5, -1.3, 0.8 * height_mm, -0.4);
  line = look(1.0);
  double open = weight_along(&line);
  if (covered > 0.2 * open)
    fail_msg("weight %.3f on the long line, %.3f on the short one", covered, open);
}

static void plain_field_has_none(void **state) {
  (void)state;
  stage_strike(&scene);
  udg_line line = look(3.0);
  assert_true(line.length_px < 0.5 * UDG_UPRIGHT_DIGIT_PX);
}

/* A line that no pixel of stands out shows along its length; in white noise the most of some ten
 * thousand chi-squares with two degrees of freedom is about 2 ln 10,000 = 18 (textbook), and
 * neighbours are alike. */
static void a_faint_line_shows_along_its_length(void **state) {
  (void)state;
  stage_strike(&scene);
  udg_line plain = look(3.0);
  lay_line(0.0, 0.5, -1.3, 2.6, -0.1);
  udg_line faint = look(3.0);
  if (plain.along > 40.0 || faint.along < 3.0 * plain.along ||
      faint.length_px > 0.5 * UDG_UPRIGHT_DIGIT_PX)
    fail_msg("plain %.1f, with a faint line %.1f, length %.1f px", plain.along, faint.along,
             faint.length_px);
}

/* Below the date, 9.5 mm from the coin's centre: on a coin of 24 mm a mark, of 20 mm its rim. */
static void the_rim_is_no_line(void **state) {
  (void)state;
  double diameter_mm = scene.reference->diameter_mm;
  stage_strike(&scene);
  lay_line(-1.2, 0.5, 0.0, 2.4, 0.4);
  udg_line on_field = look(1.0);
  scene.reference->diameter_mm = 20.0;
  udg_line on_rim = look(1.0);
  scene.reference->diameter_mm = diameter_mm;
  assert_true(on_field.length_px > 2.0 * work.upright.px_per_mm);
  assert_true(on_rim.length_px < 0.5 * work.upright.px_per_mm);
}

static void lacking_memory_is_told(void **state) {
  (void)state;
  stage_strike(&scene);
  look(1.0);
  size_t before = allocator.live;
  for (size_t n = 1;; n++) {
    udg_line line;
    udg_message message = {""};
    allocator.fail_at = allocator.calls + n;
    udg_status status =
        udg_stray_line(&scene.settings, &work.upright, work.light, work.residual, &line, &message);
    allocator.fail_at = 0;
    assert_int_equal(allocator.live, before);
    if (status == UDG_OK)
      break;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_true(message.text[0]);
    assert_true(n < 100);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_line_is_measured),
      cmocka_unit_test(a_line_goes_on_across_a_digit),
      cmocka_unit_test(long_lines_lose_their_weight),
      cmocka_unit_test(plain_field_has_none),
      cmocka_unit_test(a_faint_line_shows_along_its_length),
      cmocka_unit_test(the_rim_is_no_line),
      cmocka_unit_test(lacking_memory_is_told),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
