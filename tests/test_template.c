/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The whole date's relief as columns: slopes against the height model's own derivative, columns
 * against their definitions, patches against the fine raster. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "relief.h"
#include "stage_scene.h"
#include "template.h"

static test_allocator allocator;
static stage_scene scene;
static udg_template relief;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 1);
  return udg_template_create(&scene.settings, scene.reference, 0, &relief, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  udg_template_destroy(&scene.settings, &relief);
  stage_close(&scene);
  return 0;
}

static size_t at_mm(double x, double y) {
  int i = (int)(relief.origin_px[0] + relief.px_per_mm * x);
  int j = (int)(relief.origin_px[1] + relief.px_per_mm * y);
  return (size_t)j * (size_t)relief.p.width + (size_t)i;
}

/* Date "1847": the 1 is a bar of 0.26 mm at -1.8, the 7 reaches 0.5 mm right of 1.8. */
static void the_box_surrounds_the_outlines(void **state) {
  (void)state;
  test_near(relief.px_per_mm, 80.0, 1e-9);
  test_near(relief.centre_mm[0] - relief.half_size_mm[0], -1.93, 1e-6);
  test_near(relief.centre_mm[0] + relief.half_size_mm[0], 2.3, 1e-6);
  test_near(relief.centre_mm[1] - relief.half_size_mm[1], -1.6, 1e-6);
  test_near(relief.centre_mm[1] + relief.half_size_mm[1], 0.0, 1e-6);
  assert_int_equal(relief.place_count, 4);
}

/* The bar's left edge lies at -1.93: distance in mm, slope 1 where the shoulder is steepest
 * (half its width in), nothing in the field. */
static void slopes_are_those_of_the_shoulder(void **state) {
  (void)state;
  const double bevel = 1e-3 * STAGE_BEVEL_UM;
  for (double in = -0.1; in < 0.1; in += 0.0125) {
    size_t at = at_mm(-1.93 + in, -0.8);
    double centre = (double)(at % (size_t)relief.p.width) + 0.5;
    double d = (centre - relief.origin_px[0]) / relief.px_per_mm + 1.93;
    test_near(relief.distance.v[at], d, 2e-3);
    double u = d / bevel, slope = u <= 0.0 || u >= 1.0 ? 0.0 : 4.0 * u * (1.0 - u);
    test_near(relief.p.v[at], slope, 0.06);
    test_near(relief.q.v[at], 0.0, 1e-3);
    assert_int_equal((int)relief.owner.v[at], 0);
  }
  size_t top = at_mm(-1.8, -1.6 + 0.5 * bevel);
  test_near(relief.q.v[top], 1.0, 0.06);
  /* Against the other edge the slope has the other sign. */
  test_near(relief.p.v[at_mm(-1.67 - 0.5 * bevel, -0.8)], -1.0, 0.06);
  float most = 0.0f;
  for (size_t i = 0; i < (size_t)relief.p.width * (size_t)relief.p.height; i++) {
    most = fmaxf(most, hypotf(relief.p.v[i], relief.q.v[i]));
    if (relief.distance.v[i] < -0.03f)
      assert_true(relief.p.v[i] == 0.0f && relief.q.v[i] == 0.0f);
  }
  test_near(most, 1.0, 0.05);
}

static void columns_follow_their_definitions(void **state) {
  (void)state;
  udg_plane column[UDG_COLUMN_COUNT];
  memset(column, 0, sizeof column);
  for (int k = UDG_COLUMN_P; k < UDG_COLUMN_COUNT; k++) {
    assert_int_equal(udg_plane_create(&scene.settings, relief.p.width, relief.p.height, &column[k]),
                     UDG_OK);
    udg_template_column(&relief, (udg_column)k, &column[k]);
  }
  for (size_t i = 0; i < (size_t)relief.p.width * (size_t)relief.p.height; i += 3) {
    double p = (double)relief.p.v[i], q = (double)relief.q.v[i], d = (double)relief.distance.v[i];
    double length = hypot(p, q), angle = atan2(q, p), foot = d / (0.5 * relief.bevel_mm);
    test_near(column[UDG_COLUMN_P].v[i], p, 0.0);
    test_near(column[UDG_COLUMN_Q].v[i], q, 0.0);
    test_near(column[UDG_COLUMN_SQUARE].v[i], length * length, 1e-5);
    test_near(column[UDG_COLUMN_ACROSS].v[i], length * length * cos(2.0 * angle), 1e-5);
    test_near(column[UDG_COLUMN_DIAGONAL].v[i], length * length * sin(2.0 * angle), 1e-5);
    test_near(column[UDG_COLUMN_TOP].v[i], udg_relief_profile(d, relief.bevel_mm), 1e-5);
    test_near(column[UDG_COLUMN_FOOT].v[i], exp(-0.5 * foot * foot), 1e-5);
    test_near(column[UDG_COLUMN_CUBE_P].v[i], pow(length, 3) * cos(angle), 1e-5);
    test_near(column[UDG_COLUMN_CUBE_Q].v[i], pow(length, 3) * sin(angle), 1e-5);
    test_near(column[UDG_COLUMN_TREFOIL_P].v[i], pow(length, 3) * cos(3.0 * angle), 1e-5);
    test_near(column[UDG_COLUMN_TREFOIL_Q].v[i], pow(length, 3) * sin(3.0 * angle), 1e-5);
  }
  for (int k = UDG_COLUMN_P; k < UDG_COLUMN_COUNT; k++)
    udg_plane_destroy(&scene.settings, &column[k]);
}

/* Patch pixels lie on a grid, once each, on the digits and their margin; unblurred columns are
 * the fine raster's, with its derivatives in mm. */
static void patches_sample_the_relief(void **state) {
  (void)state;
  udg_patch_set set;
  assert_int_equal(udg_template_patches(&scene.settings, &relief, 20.0, 0.0, 0.0, &set, NULL),
                   UDG_OK);
  assert_int_equal(set.patch_count, 4);
  assert_int_equal(set.column_count, UDG_COLUMN_COUNT);
  int total = 0, astray = 0;
  for (int k = 0; k < set.patch_count; k++) {
    const udg_patch *patch = &set.patches[k];
    total += patch->count;
    assert_true(patch->count > 200);
    for (int i = 0; i < patch->count; i++) {
      double x = patch->centre_mm[0] + (double)patch->u[i];
      double y = patch->centre_mm[1] + (double)patch->v[i];
      size_t at = at_mm(x, y);
      /* u and v are floats: on a pixel's rim they may fall to its neighbour. */
      astray += (int)relief.owner.v[at] != k;
      assert_true((double)relief.distance.v[at] >= -relief.margin_mm - 0.02);
      double grid = (x - relief.centre_mm[0]) * 20.0;
      test_near(grid, round(grid), 1e-4);
      const float *t = patch->t + (size_t)i * (size_t)set.column_stride;
      test_near(t[UDG_COLUMN_LEVEL], 1.0, 0.0);
      double fx = relief.origin_px[0] + relief.px_per_mm * x;
      double fy = relief.origin_px[1] + relief.px_per_mm * y;
      test_near(t[UDG_COLUMN_P], udg_plane_sample(&relief.p, fx, fy), 1e-4);
      double ahead = (double)udg_plane_sample(&relief.p, fx + 1.0, fy);
      double behind = (double)udg_plane_sample(&relief.p, fx - 1.0, fy);
      test_near(patch->t_x[(size_t)i * (size_t)set.column_stride + UDG_COLUMN_P],
                (ahead - behind) * 0.5 * relief.px_per_mm, 2e-3);
      double radius = hypot(relief.half_size_mm[0], relief.half_size_mm[1]);
      test_near(t[UDG_COLUMN_RAMP_X], (x - relief.centre_mm[0]) / radius, 1e-6);
      test_near(t[UDG_COLUMN_RAMP_Y], (y - relief.centre_mm[1]) / radius, 1e-6);
    }
  }
  assert_int_equal(total, udg_patch_set_pixels(&set));
  assert_true(astray < total / 200);
  /* As many as the area they stand for, to 3 %. */
  double area = 0.0;
  for (size_t i = 0; i < (size_t)relief.p.width * (size_t)relief.p.height; i++)
    area += (double)relief.distance.v[i] >= -relief.margin_mm;
  test_near(total / (area / 16.0), 1.0, 0.03);
  udg_patch_set_destroy(&scene.settings, &set);
}

/* Blur keeps a column's sum and takes from its peak; less its wide mean it sums to nothing. */
static void blur_and_mean_do_what_they_say(void **state) {
  (void)state;
  double peak[3], sum[3], slope[3];
  for (int k = 0; k < 3; k++) {
    udg_patch_set set;
    assert_int_equal(udg_template_patches(&scene.settings, &relief, 30.0, k > 0 ? 0.06 : 0.0,
                                          k > 1 ? 0.5 : 0.0, &set, NULL),
                     UDG_OK);
    peak[k] = sum[k] = slope[k] = 0.0;
    for (int p = 0; p < set.patch_count; p++)
      for (int i = 0; i < set.patches[p].count; i++) {
        const float *t = set.patches[p].t + (size_t)i * (size_t)set.column_stride;
        peak[k] = fmax(peak[k], (double)t[UDG_COLUMN_TOP]);
        slope[k] = fmax(slope[k], (double)t[UDG_COLUMN_P]);
        sum[k] += (double)t[UDG_COLUMN_TOP];
      }
    udg_patch_set_destroy(&scene.settings, &set);
  }
  test_near(sum[1] / sum[0], 1.0, 0.03);
  assert_true(slope[1] < 0.8 * slope[0]);
  assert_true(sum[2] < 0.75 * sum[1] && peak[2] < peak[1]);
}

/* Against its definition, pixel by pixel. */
static void set_twice_the_higher_shows(void **state) {
  (void)state;
  static const double shifts[][2] = {{0.0, 0.0}, {0.13, -0.21}, {-0.2, 0.05}, {-0.31, -0.0001}};
  const double share = 0.6, bevel = relief.bevel_mm;
  udg_template twin;
  udg_plane height;
  assert_int_equal(udg_template_twin(&scene.settings, &relief, &twin, &height, NULL), UDG_OK);
  for (size_t k = 0; k < sizeof shifts / sizeof *shifts; k++) {
    const double *by = shifts[k];
    assert_int_equal(udg_template_set_twice(&scene.settings, &relief, by, share, &twin, &height),
                     UDG_OK);
    for (int i = 0; i < relief.p.width * relief.p.height; i++) {
      double x = i % relief.p.width + 0.5, y = i / relief.p.width + 0.5;
      double first = (double)relief.distance.v[i];
      double second = (double)udg_plane_sample(&relief.distance, x - by[0] * relief.px_per_mm,
                                               y - by[1] * relief.px_per_mm);
      test_near(twin.distance.v[i], fmax(first, second), 1e-6);
      test_near(height.v[i],
                fmax(udg_relief_profile(first, bevel), share * udg_relief_profile(second, bevel)),
                1e-5);
    }
  }
  const double far_mm[2] = {1e9, 0.0};
  assert_int_equal(udg_template_set_twice(&scene.settings, &relief, far_mm, share, &twin, &height),
                   UDG_ERROR_ARGUMENT);
  udg_template_destroy(&scene.settings, &twin);
  udg_plane_destroy(&scene.settings, &height);
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0;
  for (size_t n = 1; n < 200; n++) {
    udg_template made;
    udg_patch_set set = {0};
    udg_message message = {""};
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_template_create(&scene.settings, scene.reference, 0, &made, &message);
    if (status == UDG_OK) {
      status = udg_template_patches(&scene.settings, &made, 10.0, 0.03, 0.3, &set, &message);
      udg_patch_set_destroy(&scene.settings, &set);
      udg_template_destroy(&scene.settings, &made);
    }
    allocator.fail_at = 0;
    assert_int_equal(allocator.live, before);
    if (status == UDG_OK)
      break;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_non_null(strstr(message.text, "memory"));
    failed++;
  }
  assert_true(failed > 12 && failed < 199);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_box_surrounds_the_outlines),
      cmocka_unit_test(slopes_are_those_of_the_shoulder),
      cmocka_unit_test(columns_follow_their_definitions),
      cmocka_unit_test(patches_sample_the_relief),
      cmocka_unit_test(blur_and_mean_do_what_they_say),
      cmocka_unit_test(set_twice_the_higher_shows),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
