/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Lines of equal height against shapes whose areas are known. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "contour.h"
#include "support.h"

enum { SIDE = 120 };

static test_allocator allocator;

/* Distance into a ring of radii 20 and 40 about (60.3, 58.1). */
static void draw_ring(udg_plane *plane) {
  for (int y = 0; y < SIDE; y++)
    for (int x = 0; x < SIDE; x++) {
      double r = hypot(x + 0.5 - 60.3, y + 0.5 - 58.1);
      udg_plane_row(plane, y)[x] = (float)fmin(40.0 - r, r - 20.0);
    }
}

/* Area of a circle: pi r^2. The hole runs the other way round. */
static void ring_has_its_areas(void **state) {
  (void)state;
  const double pi = acos(-1.0);
  udg_settings settings = test_settings(&allocator);
  udg_plane plane = {0};
  udg_contours lines;
  assert_int_equal(udg_plane_create(&settings, SIDE, SIDE, &plane), UDG_OK);
  draw_ring(&plane);
  assert_int_equal(udg_contours_create(&settings, &plane, 0.0f, &lines, NULL), UDG_OK);
  assert_int_equal(lines.count, 2);
  for (int pass = 0; pass < 2; pass++) {
    int outer = udg_contour_area(&lines, 0) > 0.0 ? 0 : 1;
    test_near(0.5 * udg_contour_area(&lines, (size_t)outer), pi * 1600.0, pass ? 40.0 : 8.0);
    test_near(0.5 * udg_contour_area(&lines, (size_t)(1 - outer)), -pi * 400.0, pass ? 20.0 : 4.0);
    for (size_t k = 0; k < 2; k++)
      for (size_t i = lines.starts[k]; i < lines.starts[k + 1]; i++)
        test_near(hypot(lines.points[2 * i] - 60.3, lines.points[2 * i + 1] - 58.1),
                  k == (size_t)outer ? 40.0 : 20.0, 0.05);
    size_t before = lines.point_count;
    assert_int_equal(udg_contours_simplify(&settings, &lines, 0.3, NULL), UDG_OK);
    assert_true(pass || lines.point_count < before / 3);
  }
  udg_contours_destroy(&settings, &lines);
  udg_plane_destroy(&settings, &plane);
  assert_int_equal(allocator.live, 0);
}

/* High ground up to the rim, checkered ground, none at all: every line closes. */
static void every_line_closes(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  udg_plane plane = {0};
  udg_contours lines;
  uint64_t random = 9;
  assert_int_equal(udg_plane_create(&settings, SIDE, SIDE, &plane), UDG_OK);
  for (int kind = 0; kind < 3; kind++) {
    for (size_t i = 0; i < SIDE * SIDE; i++)
      plane.v[i] = kind == 0 ? 1.0f : kind == 1 ? (float)(test_random(&random) % 2) : 0.0f;
    assert_int_equal(udg_contours_create(&settings, &plane, 0.5f, &lines, NULL), UDG_OK);
    assert_true(kind == 0 ? lines.count == 1 : kind == 1 ? lines.count > 100 : lines.count == 0);
    for (size_t k = 0; k < lines.count; k++) {
      size_t from = lines.starts[k], to = lines.starts[k + 1];
      assert_true(to - from >= 4);
      for (size_t i = from; i < to; i++) {
        const double *p = lines.points + 2 * i, *q = lines.points + 2 * (i + 1 < to ? i + 1 : from);
        assert_true(hypot(p[0] - q[0], p[1] - q[1]) < 1.5);
      }
    }
    udg_contours_destroy(&settings, &lines);
  }
  allocator.fail_at = allocator.calls + 3;
  assert_int_equal(udg_contours_create(&settings, &plane, 0.5f, &lines, NULL), UDG_ERROR_MEMORY);
  allocator.fail_at = 0;
  udg_plane_destroy(&settings, &plane);
  assert_int_equal(allocator.live, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(ring_has_its_areas),
      cmocka_unit_test(every_line_closes),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
