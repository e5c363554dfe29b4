/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a finding tells of its trace, against the reference's outlines alone: how much of the
 * earlier digit's outline lies open is a matter of geometry, counted here point by point. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

/* Even-odd, which for the references' outlines, whose contours do not cross, is the fill. */
static int is_inside(const udg_outline_view *outline, double x, double y) {
  int inside = 0;
  for (size_t k = 0; k < outline->contour_count; k++) {
    size_t first = outline->starts[k], end = outline->starts[k + 1];
    for (size_t i = first; i < end; i++) {
      const double *p = outline->points + 2 * i;
      const double *q = outline->points + 2 * (i + 1 < end ? i + 1 : first);
      if ((p[1] <= y) != (q[1] <= y) && x < p[0] + (y - p[1]) / (q[1] - p[1]) * (q[0] - p[0]))
        inside = !inside;
    }
  }
  return inside;
}

static const double DEGREE = 3.14159265358979323846 / 180;

/* A point of the date plane lies on one of the present digits as found. */
static int is_covered(const udg_reference *reference, const udg_result *result, double x,
                      double y) {
  for (int i = 0; i < result->place_count; i++) {
    udg_place_view place;
    udg_outline_view outline;
    assert_int_equal(udg_reference_place(reference, result->date, i + 1, &place), UDG_OK);
    assert_int_equal(udg_reference_outline(reference, place.digit, &outline), UDG_OK);
    double turn = (place.turn_deg + result->place_turn_deg[i]) * DEGREE;
    double u = x - place.centre_mm[0] - result->place_offset_mm[i][0];
    double v = y - place.centre_mm[1] - result->place_offset_mm[i][1];
    if (is_inside(&outline, cos(turn) * u + sin(turn) * v, cos(turn) * v - sin(turn) * u))
      return 1;
  }
  return 0;
}

/* Share of the found digit's outline, by length, that lies open. */
static double open_share(const udg_reference *reference, const udg_result *result) {
  const udg_finding *f = &result->finding;
  udg_place_view place;
  udg_outline_view outline;
  assert_int_equal(udg_reference_place(reference, result->date, f->place, &place), UDG_OK);
  assert_int_equal(udg_reference_outline(reference, f->digit, &outline), UDG_OK);
  double turn = (place.turn_deg + f->turn_deg) * DEGREE, whole = 0, open = 0;
  const double *off = result->place_offset_mm[f->place - 1];
  double centre[2] = {place.centre_mm[0] + off[0] + f->offset_mm[0],
                      place.centre_mm[1] + off[1] + f->offset_mm[1]};
  for (size_t k = 0; k < outline.contour_count; k++) {
    size_t first = outline.starts[k], end = outline.starts[k + 1];
    for (size_t i = first; i < end; i++) {
      const double *p = outline.points + 2 * i;
      const double *q = outline.points + 2 * (i + 1 < end ? i + 1 : first);
      double length = hypot(q[0] - p[0], q[1] - p[1]);
      int parts = (int)ceil(length / (0.005 * place.height_mm));
      for (int n = 0; n < parts; n++) {
        double t = (n + 0.5) / parts;
        double u = p[0] + t * (q[0] - p[0]), v = p[1] + t * (q[1] - p[1]);
        whole += length / parts;
        open += is_covered(reference, result, centre[0] + cos(turn) * u - sin(turn) * v,
                           centre[1] + sin(turn) * u + cos(turn) * v)
                    ? 0
                    : length / parts;
      }
    }
  }
  return open / whole;
}

static void inspect(const char *reference_name, const char *photo, udg_reference **reference,
                    udg_result *result) {
  char path[512];
  udg_message message = {""};
  udg_inspector *inspector;
  udg_image *image;
  snprintf(path, sizeof path, UDG_TESTIMAGES "/references/%s", reference_name);
  assert_int_equal(udg_reference_from_file(NULL, path, reference, &message), UDG_OK);
  snprintf(path, sizeof path, UDG_TESTIMAGES "/set/%s", photo);
  assert_int_equal(udg_image_from_file(NULL, path, &image, &message), UDG_OK);
  assert_int_equal(udg_inspector_create(NULL, *reference, &inspector, &message), UDG_OK);
  assert_int_equal(udg_inspect(inspector, image, NULL, result, &message), UDG_OK);
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
}

/* The library samples at 48 px a digit and whole pixels; half a pixel is 1 % of the height, and
 * a stroke that runs along a present one flips with it: 0.06. */
static void the_share_that_lies_open_is_that_of_the_outlines(void **state) {
  static const char *const photos[][2] = {{"vellacombe.json", "weak-0004.jpg"},
                                          {"karrow.json", "strong-sans-0007.jpg"},
                                          {"ostermere.json", "turned-0008.jpg"}};
  (void)state;
  for (size_t i = 0; i < sizeof photos / sizeof photos[0]; i++) {
    udg_reference *reference;
    udg_result result;
    inspect(photos[i][0], photos[i][1], &reference, &result);
    assert_int_equal(result.judged, 1);
    assert_true(result.finding.place > 0);
    assert_true(fabs(result.finding.visible_share - open_share(reference, &result)) < 0.06);
    udg_reference_destroy(reference);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_share_that_lies_open_is_that_of_the_outlines)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
