/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "hooks.h"
#include "outline_build.h"

static const double pi = 3.14159265358979323846;

static udg_settings settings;
static test_hooks hooks;

static int set_up(void **state) {
  (void)state;
  settings = hooked_settings(&hooks);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  return hooks.held != 0;
}

static udg_outline outline_of(const char *path) {
  udg_outline outline;
  udg_message message = {""};
  udg_status status =
      udg_outline_from_path(&settings, path, "digits.0.outline", &outline, &message);
  if (status != UDG_OK)
    fail_msg("\"%s\": %s", path, message.text);
  return outline;
}

/* Gauss's formula; the resolved contours run so that the inside counts +1. */
static double area_of(const udg_outline *outline) {
  double twice = 0;
  for (size_t k = 0; k < outline->contour_count; k++)
    for (size_t i = outline->starts[k]; i < outline->starts[k + 1]; i++) {
      size_t j = i + 1 < outline->starts[k + 1] ? i + 1 : outline->starts[k];
      const double *p = outline->points + 2 * i, *q = outline->points + 2 * j;
      twice += p[0] * q[1] - q[0] * p[1];
    }
  return twice / 2;
}

static double length_of(const udg_outline *outline) {
  double length = 0;
  for (size_t k = 0; k < outline->contour_count; k++)
    for (size_t i = outline->starts[k]; i < outline->starts[k + 1]; i++) {
      size_t j = i + 1 < outline->starts[k + 1] ? i + 1 : outline->starts[k];
      const double *p = outline->points + 2 * i, *q = outline->points + 2 * j;
      length += hypot(q[0] - p[0], q[1] - p[1]);
    }
  return length;
}

/* A chord lies inside its curve by at most UDG_FLATTEN_MM, so the area is short
 * by less than that times the perimeter. */
static void check_area(const char *path, double area, double perimeter) {
  udg_outline outline = outline_of(path);
  double found = area_of(&outline);
  if (!(fabs(found - area) <= UDG_FLATTEN_MM * perimeter))
    fail_msg("\"%s\": area %.9g, not %.9g", path, found, area);
  udg_outline_destroy(&settings, &outline);
}

static void same_outline(const char *one, const char *other) {
  udg_outline a = outline_of(one), b = outline_of(other);
  if (a.point_count != b.point_count || a.contour_count != b.contour_count)
    fail_msg("\"%s\" and \"%s\" differ in count", one, other);
  for (size_t i = 0; i < 2 * a.point_count; i++)
    if (!(fabs(a.points[i] - b.points[i]) < 1e-6))
      fail_msg("\"%s\" and \"%s\" differ at %zu: %g, %g", one, other, i, a.points[i], b.points[i]);
  udg_outline_destroy(&settings, &a);
  udg_outline_destroy(&settings, &b);
}

static void arcs_make_circles_and_ellipses(void **state) {
  (void)state;
  udg_outline circle = outline_of("M3 0A3 3 0 0 1-3 0A3 3 0 0 1 3 0Z");
  /* Every point on the circle to rounding on the grid; every chord within the
   * tolerance of it. */
  for (size_t i = 0; i < circle.point_count; i++)
    assert_true(fabs(hypot(circle.points[2 * i], circle.points[2 * i + 1]) - 3) < 1e-6);
  double sagitta = 3 - 3 * cos(pi / (double)circle.point_count);
  assert_true(sagitta > 0.2 * UDG_FLATTEN_MM && sagitta <= 1.0001 * UDG_FLATTEN_MM);
  assert_true(fabs(area_of(&circle) - 9 * pi) < UDG_FLATTEN_MM * 6 * pi);
  assert_true(fabs(length_of(&circle) - 6 * pi) < 6 * pi * 0.001);
  udg_outline_destroy(&settings, &circle);

  /* Half axes 2 and 1: area 2 pi; perimeter 9.68844822 (complete elliptic
   * integral 4 a E(3/4), SciPy special.ellipe).  Turned by 30 degrees. */
  udg_outline ellipse = outline_of("M1.7320508075688772 1A2 1 30 0 1-1.7320508075688772-1"
                                   "A2 1 30 0 1 1.7320508075688772 1Z");
  assert_true(fabs(area_of(&ellipse) - 2 * pi) < UDG_FLATTEN_MM * 9.69);
  assert_true(fabs(length_of(&ellipse) - 9.68844822) < 0.01);
  for (size_t i = 0; i < ellipse.point_count; i++) {
    double x = ellipse.points[2 * i], y = ellipse.points[2 * i + 1];
    double u = (x * cos(pi / 6) + y * sin(pi / 6)) / 2, v = -x * sin(pi / 6) + y * cos(pi / 6);
    assert_true(fabs(hypot(u, v) - 1) < 1e-6);
  }
  udg_outline_destroy(&settings, &ellipse);
}

/* From (1, 0) to (0, 1) on the unit circle there are four arcs: by F.6.2 of the
 * SVG recommendation two about (0, 0), two about (1, 1). */
static void arc_flags_choose_one_of_four(void **state) {
  (void)state;
  double small = pi / 4 - 0.5, large = pi - small; /* cut off by the chord */
  check_area("M1 0A1 1 0 0 1 0 1Z", small, 4);
  check_area("M1 0A1 1 0 0 0 0 1Z", small, 4);
  check_area("M1 0A1 1 0 1 1 0 1Z", large, 8);
  check_area("M1 0A1 1 0 1 0 0 1Z", large, 8);
  udg_outline lower = outline_of("M1 0A1 1 0 1 1 0 1Z"), upper = outline_of("M1 0A1 1 0 1 0 0 1Z");
  udg_outline near = outline_of("M1 0A1 1 0 0 1 0 1Z"), far = outline_of("M1 0A1 1 0 0 0 0 1Z");
  assert_true(fabs(near.high[0] + near.high[1] - 2) < 1e-6); /* bulges away from (0, 0) */
  assert_true(fabs(far.low[0]) < 1e-6 && fabs(far.high[1] - 1) < 1e-6);
  assert_true(fabs(lower.high[0] - 2) < 0.002 && fabs(lower.high[1] - 2) < 0.002);
  assert_true(fabs(upper.low[0] + 1) < 0.002 && fabs(upper.low[1] + 1) < 0.002);
  udg_outline_destroy(&settings, &near);
  udg_outline_destroy(&settings, &far);
  udg_outline_destroy(&settings, &lower);
  udg_outline_destroy(&settings, &upper);
}

/* F.6.2 and F.6.6: no radius is a line, too small ones are scaled up, signs
 * are dropped, equal ends are nothing. */
static void arcs_out_of_range_are_mended(void **state) {
  (void)state;
  check_area("M0 0A0 5 0 0 1 2 0L2 2L0 2Z", 4, 8);
  check_area("M0 0A5 0 0 0 1 2 0L2 2L0 2Z", 4, 8);
  check_area("M-1 0A.1 .1 0 0 1 1 0Z", pi / 2, 6);
  check_area("M-1 0A.2 .1 0 0 1 1 0Z", pi / 4, 5);
  check_area("M-1 0A-1-1 0 0 1 1 0Z", pi / 2, 6);
  same_outline("M0 0A-3 2 0 0 1 3 2Z", "M0 0A3 2 0 0 1 3 2Z");
  check_area("M0 0A1 1 0 0 1 0 0L2 0L2 2L0 2Z", 4, 8);
}

/* Area between a Bezier curve and its chord, by Green's theorem.  Quadratic
 * (0,0) (1,2) (2,0): two thirds of the control triangle of area 2
 * (Archimedes). */
static void curves_have_the_area_of_greens_theorem(void **state) {
  (void)state;
  check_area("M0 0Q1 2 2 0Z", 4.0 / 3, 5.1);
  /* x(t) = 9 t^2 - 6 t^3, y(t) = 9 t (1 - t): integral of y dx
   * = integral 9 t (1 - t) 18 t (1 - t) dt = 162 / 30. */
  check_area("M0 0C0 3 3 3 3 0Z", 162.0 / 30, 9);
}

static void relative_commands_match_absolute_ones(void **state) {
  (void)state;
  same_outline("M1 2L4 2L4 5Z", "m1 2l3 0l0 3z");
  same_outline("M1 2H4V5Z", "m1 2h3v3z");
  same_outline("M1 2C2 0 3 0 4 2L4 5Z", "m1 2c1-2 2-2 3 0l0 3z");
  same_outline("M1 2C2 0 3 0 4 2S6 4 7 2L4 5Z", "m1 2c1-2 2-2 3 0s2 2 3 0l-3 3z");
  same_outline("M1 2Q2 0 3 2L4 5Z", "m1 2q1-2 2 0l1 3z");
  same_outline("M1 2Q2 0 3 2T5 2L4 5Z", "m1 2q1-2 2 0t2 0l-1 3z");
  same_outline("M1 2A2 1 20 1 0 4 5Z", "m1 2a2 1 20 1 0 3 3z");
  same_outline("M0 0H2V2H0ZM5 5H7V7H5Z", "m0 0h2v2h-2zm5 5h2v2h-2z");
}

static void short_commands_match_long_ones(void **state) {
  (void)state;
  /* S and T mirror the control point before, or use the current point. */
  same_outline("M0 0C0 1 1 1 2 1S4 1 4 0Z", "M0 0C0 1 1 1 2 1C3 1 4 1 4 0Z");
  same_outline("M0 0S1 2 2 0Z", "M0 0C0 0 1 2 2 0Z");
  same_outline("M0 0L1 0S2 2 3 0L1 3Z", "M0 0L1 0C1 0 2 2 3 0L1 3Z");
  same_outline("M0 0Q1 1 2 0T4 0L2 3Z", "M0 0Q1 1 2 0Q3-1 4 0L2 3Z");
  same_outline("M0 0Q1 1 2 0T4 0T6 0L2 3Z", "M0 0Q1 1 2 0Q3-1 4 0Q5 1 6 0L2 3Z");
  /* T after another kind of curve: its control point is the current point. */
  same_outline("M0 0C0 1 1 1 2 1T4 0Z", "M0 0C0 1 1 1 2 1Q2 1 4 0Z");
  /* Further argument sets repeat the command; after M they are lines. */
  same_outline("M0 0 2 0 2 2 0 2Z", "M0 0L2 0L2 2L0 2Z");
  same_outline("m1 1 2 0 0 2-2 0z", "M1 1L3 1L3 3L1 3Z");
  same_outline("M0 0L2 0 2 2 0 2Z", "M0 0L2 0L2 2L0 2Z");
  same_outline("M0 0h1 1v1 1H1 0z", "M0 0L1 0L2 0L2 1L2 2L1 2L0 2Z");
  same_outline("M0 0C0 1 1 1 2 1 3 1 4 1 4 0Z", "M0 0C0 1 1 1 2 1C3 1 4 1 4 0Z");
  /* After Z drawing goes on from the subpath's beginning. */
  same_outline("M1 1h1v1zl-1 0v-1z", "M1 1L2 1L2 2ZM1 1L0 1L0 0Z");
  /* An open subpath is closed for filling. */
  same_outline("M0 0H2V2H0", "M0 0H2V2H0Z");
  same_outline("M0 0H2V2H0M5 5H7V7", "M0 0H2V2H0ZM5 5H7V7Z");
}

static void numbers_may_be_packed(void **state) {
  (void)state;
  same_outline("M.5.5-2e-1.5L.5-1.5z", "M 0.5 0.5 L -0.2 0.5 L 0.5 -1.5 Z");
  same_outline("M1.5.5-2e1,4L3 5z", "M 1.5 0.5 L -20 4 L 3 5 Z");
  same_outline("M0 0a1 1 0 0110 10L0 9z", "M0 0a1 1 0 0 1 10 10L0 9z");
  same_outline("M0 0a1 1 0 01-.5.5L0 9z", "M0 0a1 1 0 0 1 -0.5 0.5L0 9z");
  same_outline("M0 0a1 1 0 1 1 .5.5.6.6 0 01 1 1z", "M0 0a1 1 0 1 1 0.5 0.5a.6 .6 0 0 1 1 1z");
  same_outline("\t\nM\r0,0  L+2 , 0E0 2. 2\f0 2Z ", "M0 0L2 0L2 2L0 2Z");
}

static void check_fault(const char *path, size_t character, const char *what) {
  udg_outline outline;
  udg_message message = {""};
  char begin[64];
  udg_status status =
      udg_outline_from_path(&settings, path, "digits.0.outline", &outline, &message);
  snprintf(begin, sizeof begin, "digits.0.outline: character %zu: ", character);
  if (status != UDG_ERROR_REFERENCE || strncmp(message.text, begin, strlen(begin)) != 0 ||
      !strstr(message.text, what))
    fail_msg("\"%s\": status %d, message \"%s\"", path, status, message.text);
  assert_null(outline.points);
}

static void faults_tell_the_character(void **state) {
  (void)state;
  check_fault("", 1, "empty");
  check_fault("  ", 3, "empty");
  check_fault("L0 0", 1, "begins with M");
  check_fault("0 0", 1, "expected a command");
  check_fault("M0 0X1 1", 5, "unknown command");
  check_fault("M0 0L1", 7, "expected a number");
  check_fault("M0 0L1 ,Z", 9, "expected a number");
  check_fault("M0 0L1 1,Z", 10, "expected a number");
  check_fault("M0 0L,1 1Z", 6, "expected a number");
  check_fault("M0 0 L1 1 #", 11, "expected a command");
  check_fault("M0 0Z 1 1", 7, "expected a command");
  check_fault("M0 0A1 1 0 2 0 1 1", 12, "flag");
  check_fault("M0 0A1 1 0 0 x 1 1", 14, "flag");
  check_fault("M0 0L1e9 0", 6, "beyond 1000");
  check_fault("M0 0L-1e999 0", 6, "beyond 1000");
  check_fault("M0 0L--1 0", 6, "expected a number");
  check_fault("M0 0L. 0", 6, "expected a number");
  check_fault("M0 0Linf 0", 6, "expected a number");
  check_fault("M0 0Lnan 0", 6, "expected a number");
  check_fault("M0 0L1 1m900 0 l900 0l0 900z", 15 + 1, "beyond 1000 mm");
  check_fault("M0 0L1 \xC3\xA4", 8, "expected a number");
}

static void nothing_enclosed_is_a_fault(void **state) {
  (void)state;
  static const char *const paths[] = {"M0 0", "M0 0L1 1", "M0 0L1 1Z", "M0 0L1 0L2 0L0.5 0Z",
                                      "M0 0L1 1ZM3 3L4 4"};
  for (size_t i = 0; i < sizeof paths / sizeof *paths; i++) {
    udg_outline outline;
    udg_message message = {""};
    assert_int_equal(udg_outline_from_path(&settings, paths[i], "f", &outline, &message),
                     UDG_ERROR_REFERENCE);
    assert_string_equal(message.text, "f: the outline encloses nothing");
  }
}

static void too_many_points_are_refused(void **state) {
  (void)state;
  static char path[16 * UDG_OUTLINE_POINTS_MAX];
  size_t length = (size_t)snprintf(path, sizeof path, "M0-9");
  for (int i = 0; i < UDG_OUTLINE_POINTS_MAX; i++)
    length += (size_t)snprintf(path + length, sizeof path - length, "L%d %d", i / 20, i % 2);
  udg_outline outline;
  udg_message message = {""};
  assert_int_equal(udg_outline_from_path(&settings, path, "f", &outline, &message),
                   UDG_ERROR_LIMIT);
  assert_non_null(strstr(message.text, "more than 10000 points"));
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  long n = 0;
  udg_status status;
  do {
    udg_outline outline;
    hooks.requests = 0;
    hooks.fail_at = ++n;
    status = udg_outline_from_path(&settings, "M3 0A3 3 0 0 1-3 0A3 3 0 0 1 3 0ZM0 0H9V9Z", "f",
                                   &outline, NULL);
    if (status == UDG_OK)
      udg_outline_destroy(&settings, &outline);
    else
      assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_int_equal(hooks.held, 0);
  } while (status != UDG_OK);
  assert_true(n > 5);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(arcs_make_circles_and_ellipses, set_up, tear_down),
      cmocka_unit_test_setup_teardown(arc_flags_choose_one_of_four, set_up, tear_down),
      cmocka_unit_test_setup_teardown(arcs_out_of_range_are_mended, set_up, tear_down),
      cmocka_unit_test_setup_teardown(curves_have_the_area_of_greens_theorem, set_up, tear_down),
      cmocka_unit_test_setup_teardown(relative_commands_match_absolute_ones, set_up, tear_down),
      cmocka_unit_test_setup_teardown(short_commands_match_long_ones, set_up, tear_down),
      cmocka_unit_test_setup_teardown(numbers_may_be_packed, set_up, tear_down),
      cmocka_unit_test_setup_teardown(faults_tell_the_character, set_up, tear_down),
      cmocka_unit_test_setup_teardown(nothing_enclosed_is_a_fault, set_up, tear_down),
      cmocka_unit_test_setup_teardown(too_many_points_are_refused, set_up, tear_down),
      cmocka_unit_test_setup_teardown(memory_may_run_out_anywhere, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
