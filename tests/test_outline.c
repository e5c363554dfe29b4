/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "hooks.h"
#include "outline_build.h"
#include "relief.h"

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
  if (udg_outline_from_path(&settings, path, "f", &outline, &message) != UDG_OK)
    fail_msg("\"%s\": %s", path, message.text);
  return outline;
}

static udg_plane plane_of(int width, int height) {
  udg_plane plane = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &plane), UDG_OK);
  return plane;
}

/* Winding number of the path as written, counted on a path of straight lines. */
static int winding_of(const double *points, size_t count, double x, double y) {
  int number = 0;
  for (size_t i = 0; i < count; i++) {
    const double *p = points + 2 * i, *q = points + 2 * ((i + 1) % count);
    double side = (q[0] - p[0]) * (y - p[1]) - (x - p[0]) * (q[1] - p[1]);
    number += p[1] <= y && q[1] > y && side > 0;
    number -= p[1] > y && q[1] <= y && side < 0;
  }
  return number;
}

static double sum_of(const udg_plane *plane) {
  double sum = 0;
  for (int i = 0; i < plane->width * plane->height; i++)
    sum += plane->v[i];
  return sum;
}

static void check_cover_sum(const char *path, double area_mm2, double tolerance) {
  udg_outline outline = outline_of(path);
  udg_plane cover = plane_of(300, 250);
  for (int k = 0; k < 4; k++) {
    assert_int_equal(
        udg_outline_cover(&settings, &outline, 40, 0.4 * k, 150.3, 120.7, &cover, NULL), UDG_OK);
    double found = sum_of(&cover) / 1600;
    if (!(fabs(found - area_mm2) < tolerance * area_mm2))
      fail_msg("\"%s\": covers %.6f, not %.6f mm^2", path, found, area_mm2);
  }
  udg_plane_destroy(&settings, &cover);
  udg_outline_destroy(&settings, &outline);
}

static void cover_adds_up_to_the_area(void **state) {
  (void)state;
  check_cover_sum("M-1-1H1V1H-1Z", 4, 0.002);
  check_cover_sum("M-1-1H1V1H-1ZM-.5-.5V.5H.5V-.5Z", 3, 0.002); /* turns the other way: a hole */
  check_cover_sum("M-1-1H1V1H-1ZM-.5-.5H.5V.5H-.5Z", 4, 0.002); /* turns alike: filled */
  check_cover_sum("M-1-1H1V1H-1ZM0 0H2V2H0Z", 7, 0.002);        /* overlap counts once */
  check_cover_sum("M-1-1H1V1H-1ZM0 0V2H2V0Z", 6, 0.002);        /* overlap cancels */
  check_cover_sum("M-1-1L1 1L1-1L-1 1Z", 2, 0.002);             /* bow tie: both halves */
  check_cover_sum("M-1-1H1V1H-1ZM1-1H2V1H1Z", 6, 0.002);        /* a shared side */
  check_cover_sum("M-1-1H1V1H-1ZM1-1V1H2V-1Z", 6, 0.002);       /* shared, turning the other way */
  check_cover_sum("M-1-1H1V1H-1ZM-1-1H1V1H-1Z", 4, 0.002);      /* twice the same */
  check_cover_sum("M2 0A2 2 0 0 1-2 0A2 2 0 0 1 2 0Z", 4 * pi, 0.003); /* chords: 2/3 of 0.002 mm */
  /* Five-pointed star in one stroke: its pentagon has winding number 2.
   * Ten
   * triangles with the sides R and inner radius r = R sin(18) / sin(126), 36
   * degrees between them. */
  check_cover_sum("M0-2L1.1755705 1.6180340L-1.9021130-.6180340H1.9021130L-1.1755705 1.6180340Z",
                  10 * 4 * sin(pi / 5) * sin(pi / 10) / sin(pi * 126 / 180) / 2, 0.002);
}

static void cover_is_placed_as_told(void **state) {
  (void)state;
  udg_outline outline = outline_of("M0 0H2V1H0Z");
  udg_plane cover = plane_of(40, 30);
  udg_message message = {""};
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, 0, 10, 8.5, &cover, &message), UDG_OK);
  for (int y = 0; y < 30; y++)
    for (int x = 0; x < 40; x++) {
      double wide = x >= 10 && x < 20, high = y >= 9 && y < 13 ? 1 : y == 8 || y == 13 ? 0.5 : 0;
      assert_true(fabs(udg_plane_row(&cover, y)[x] - wide * high) < 0.01);
    }
  /* A quarter turn takes +x to +y, which points down. */
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, pi / 2, 20, 10, &cover, NULL), UDG_OK);
  for (int y = 0; y < 30; y++)
    for (int x = 0; x < 40; x++)
      assert_true(fabs(udg_plane_row(&cover, y)[x] - (x >= 15 && x < 20 && y >= 10 && y < 20)) <
                  0.01);
  /* Partly and wholly outside. */
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, 0, -5, -3, &cover, NULL), UDG_OK);
  assert_true(fabs(sum_of(&cover) - 5 * 2) < 0.05);
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, 0, 35, 28, &cover, NULL), UDG_OK);
  assert_true(fabs(sum_of(&cover) - 5 * 2) < 0.05);
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, 0, 5000, -900, &cover, NULL), UDG_OK);
  assert_true(sum_of(&cover) == 0);
  assert_int_equal(udg_outline_cover(&settings, &outline, 1e9, 0, 0, 0, &cover, &message),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outline_cover(&settings, &outline, 5, NAN, 0, 0, &cover, &message),
                   UDG_ERROR_ARGUMENT);
  udg_plane_destroy(&settings, &cover);
  udg_outline_destroy(&settings, &outline);
}

/* Random closed strokes that cross themselves many times, against the winding
 * number of the strokes as given. */
static void crossing_strokes_fill_by_winding_number(void **state) {
  (void)state;
  /* No pixel centre on a stroke of the coarse grid, where inside has no meaning. */
  const double at[2] = {50.01371, 49.98713};
  uint32_t random = 12345;
  for (int trial = 0; trial < 200; trial++) {
    double points[2 * 24];
    size_t count = 5 + (size_t)trial % 20, length = 0;
    char path[1024];
    for (size_t i = 0; i < 2 * count; i++) {
      random = random * 1664525u + 1013904223u;
      /* On a coarse grid in every other trial: shared points and sides. */
      points[i] = trial % 2 ? (double)(random >> 29) - 3.5 : (double)(random >> 8) / 2097152 - 4;
    }
    for (size_t i = 0; i < count; i++)
      length += (size_t)snprintf(path + length, sizeof path - length, "%c%.7f %.7f", i ? 'L' : 'M',
                                 points[2 * i], points[2 * i + 1]);
    udg_outline outline;
    udg_message message = {""};
    assert_int_equal(udg_outline_from_path(&settings, path, "f", &outline, &message), UDG_OK);
    udg_plane cover = plane_of(100, 100), distance = plane_of(100, 100);
    assert_int_equal(udg_outline_cover(&settings, &outline, 11.3, 0, at[0], at[1], &cover, NULL),
                     UDG_OK);
    assert_int_equal(
        udg_relief_distance(&settings, &outline, 11.3, 0, at[0], at[1], &distance, NULL), UDG_OK);
    for (int y = 0; y < 100; y++)
      for (int x = 0; x < 100; x++) {
        float d = udg_plane_row(&distance, y)[x], c = udg_plane_row(&cover, y)[x];
        int inside =
            winding_of(points, count, (x + 0.5 - at[0]) / 11.3, (y + 0.5 - at[1]) / 11.3) != 0;
        if (fabsf(d) > 0.001f && (d > 0) != inside)
          fail_msg("trial %d, pixel %d, %d: distance %g, but inside is %d", trial, x, y, d, inside);
        if (fabsf(d) > 0.75f && fabsf(c - (float)inside) > 0.01f)
          fail_msg("trial %d, pixel %d, %d: cover %g, but inside is %d", trial, x, y, c, inside);
      }
    udg_plane_destroy(&settings, &cover);
    udg_plane_destroy(&settings, &distance);
    udg_outline_destroy(&settings, &outline);
  }
}

static void resolved_contours_are_the_boundary(void **state) {
  (void)state;
  /* Two squares overlapping by a quarter: one contour of eight corners. */
  udg_outline cross = outline_of("M-1-1H1V1H-1ZM0 0H2V2H0Z");
  assert_int_equal(cross.contour_count, 1);
  assert_int_equal(cross.point_count, 8);
  assert_int_equal(hooks.warnings, 1);
  assert_non_null(strstr(hooks.log, "f: the outline crosses or overlaps itself"));
  udg_outline_destroy(&settings, &cross);

  /* A filled contour inside another is no boundary; a hole is. */
  udg_outline filled = outline_of("M-1-1H1V1H-1ZM-.5-.5H.5V.5H-.5Z");
  assert_int_equal(filled.contour_count, 1);
  udg_outline_destroy(&settings, &filled);
  udg_outline hole = outline_of("M-1-1H1V1H-1ZM-.5-.5V.5H.5V-.5Z");
  assert_int_equal(hole.contour_count, 2);
  udg_outline_destroy(&settings, &hole);
  assert_int_equal(hooks.warnings, 1); /* nothing crossed in these two */

  /* Sides that run along each other: wholly, in part. */
  udg_outline shared = outline_of("M-1-1H1V1H-1ZM1-1H2V1H1Z");
  assert_int_equal(hooks.warnings, 2);
  udg_outline_destroy(&settings, &shared);
  shared = outline_of("M-1-1H1V1H-1ZM1-.5H2V.5H1Z");
  assert_int_equal(hooks.warnings, 3);
  assert_int_equal(shared.contour_count, 1);
  udg_outline_destroy(&settings, &shared);

  /* A bar of a micrometre's hundredth is one all the same. */
  udg_outline hair = outline_of("M0 0H1V.00001H0Z");
  assert_int_equal(hair.point_count, 4);
  udg_outline_destroy(&settings, &hair);

  /* A spike encloses nothing and goes. */
  udg_outline spike = outline_of("M0 0H2V1L4 1L2 1V2H0Z");
  assert_true(spike.high[0] < 2.001);
  udg_outline_destroy(&settings, &spike);
}

static void cover_memory_may_run_out_anywhere(void **state) {
  (void)state;
  udg_outline outline = outline_of("M-1-1H1V1H-1Z");
  udg_plane cover = plane_of(20, 20);
  const long held = hooks.held;
  long n = 0;
  udg_status status;
  do {
    udg_message message = {""};
    hooks.requests = 0;
    hooks.fail_at = ++n;
    status = udg_outline_cover(&settings, &outline, 5, 0, 10, 10, &cover, &message);
    assert_true(status == UDG_OK || status == UDG_ERROR_MEMORY);
    assert_int_equal(hooks.held, held);
  } while (hooks.requests >= hooks.fail_at);
  assert_true(n > 4);
  assert_int_equal(status, UDG_OK);
  udg_plane_destroy(&settings, &cover);
  udg_outline_destroy(&settings, &outline);
}

/* A font that Debian installs with fonts-dejavu-core. */
static unsigned char *read_font(size_t *byte_count) {
  FILE *file = fopen("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf", "rb");
  if (!file)
    return NULL;
  unsigned char *bytes = malloc(4u << 20);
  assert_non_null(bytes);
  *byte_count = fread(bytes, 1, 4u << 20, file);
  fclose(file);
  return bytes;
}

static void font_digits_have_the_height_of_the_date(void **state) {
  (void)state;
  size_t byte_count = 0;
  unsigned char *font = read_font(&byte_count);
  if (!font)
    skip();
  udg_outline digits[10];
  int has[10];
  udg_message message = {""};
  assert_int_equal(udg_font_digits(&settings, font, byte_count, 1.6, digits, has, "font", &message),
                   UDG_OK);
  for (int d = 0; d < 10; d++) {
    assert_int_equal(has[d], 1);
    assert_true(fabs(digits[d].low[0] + digits[d].high[0]) < 0.005); /* middle of the width */
  }
  for (const char *flat = "147"; *flat; flat++) {
    const udg_outline *outline = &digits[*flat - '0'];
    assert_true(fabs(outline->low[1] + 0.8) < 0.005 && fabs(outline->high[1] - 0.8) < 0.005);
  }
  /* Round digits reach a little beyond on both sides: in this font's tables '1'
   * is 1493 units high, '0' from -29 to 1520 of them (fontTools 4.38). */
  assert_true(fabs(digits[0].low[1] + 0.8 * (2 * 1520.0 / 1493 - 1)) < 0.005);
  assert_true(fabs(digits[0].high[1] - 0.8 * (1 + 2 * 29.0 / 1493)) < 0.005);
  assert_int_equal(digits[0].contour_count, 2);
  assert_int_equal(digits[8].contour_count, 3);
  assert_int_equal(digits[1].contour_count, 1);
  for (int d = 0; d < 10; d++)
    udg_outline_destroy(&settings, &digits[d]);
  free(font);
}

/* Bitmaps alone have no outlines: the Glyph Bitmap Distribution Format 2.1, which FreeType
 * reads too. */
static void bitmap_fonts_are_told(void **state) {
  (void)state;
  static const char font[] =
      "STARTFONT 2.1\nFONT -misc-motes-medium-r-normal--8-80-75-75-c-80-iso10646-1\nSIZE 8 75 75\n"
      "FONTBOUNDINGBOX 8 8 0 0\nSTARTPROPERTIES 2\nFONT_ASCENT 8\nFONT_DESCENT 0\nENDPROPERTIES\n"
      "CHARS 1\nSTARTCHAR one\nENCODING 49\nSWIDTH 640 0\nDWIDTH 8 0\nBBX 8 8 0 0\nBITMAP\n"
      "18\n18\n18\n18\n18\n18\n18\n18\nENDCHAR\nENDFONT\n";
  udg_outline digits[10];
  int has[10];
  udg_message message = {""};
  assert_int_equal(
      udg_font_digits(&settings, font, sizeof font - 1, 1.6, digits, has, "font", &message),
      UDG_ERROR_REFERENCE);
  assert_string_equal(message.text, "font: the font has no outlines");
  assert_int_equal(
      udg_font_digits(&settings, font, (size_t)1 << 31, 1.6, digits, has, "font", &message),
      UDG_ERROR_LIMIT);
}

static void broken_fonts_are_told(void **state) {
  (void)state;
  size_t byte_count = 0;
  udg_outline digits[10];
  int has[10];
  udg_message message = {""};
  assert_int_equal(udg_font_digits(&settings, "no font", 7, 1.6, digits, has, "font", &message),
                   UDG_ERROR_REFERENCE);
  assert_string_equal(message.text, "font: not a font that can be read");
  unsigned char *font = read_font(&byte_count);
  if (!font)
    skip();
  /* Cut anywhere: a fault or fewer digits, never a crash. */
  for (size_t cut = 0; cut < byte_count; cut += byte_count / 37) {
    unsigned char *part = malloc(cut + 1);
    assert_non_null(part);
    memcpy(part, font, cut);
    if (udg_font_digits(&settings, part, cut, 1.6, digits, has, "font", NULL) == UDG_OK)
      for (int d = 0; d < 10; d++)
        udg_outline_destroy(&settings, &digits[d]);
    free(part);
    assert_int_equal(hooks.held, 0);
  }
  long n = 0;
  udg_status status;
  do {
    hooks.requests = 0;
    hooks.fail_at = ++n;
    status = udg_font_digits(&settings, font, byte_count, 1.6, digits, has, "font", NULL);
    assert_true(status == UDG_OK || status == UDG_ERROR_MEMORY);
    if (status == UDG_OK)
      for (int d = 0; d < 10; d++)
        udg_outline_destroy(&settings, &digits[d]);
    assert_int_equal(hooks.held, 0);
    n += n > 100 ? 7 : 0; /* some hundreds of requests: not each late one */
  } while (hooks.requests >= hooks.fail_at);
  assert_int_equal(status, UDG_OK);
  free(font);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(cover_adds_up_to_the_area, set_up, tear_down),
      cmocka_unit_test_setup_teardown(cover_is_placed_as_told, set_up, tear_down),
      cmocka_unit_test_setup_teardown(crossing_strokes_fill_by_winding_number, set_up, tear_down),
      cmocka_unit_test_setup_teardown(resolved_contours_are_the_boundary, set_up, tear_down),
      cmocka_unit_test_setup_teardown(cover_memory_may_run_out_anywhere, set_up, tear_down),
      cmocka_unit_test_setup_teardown(font_digits_have_the_height_of_the_date, set_up, tear_down),
      cmocka_unit_test_setup_teardown(bitmap_fonts_are_told, set_up, tear_down),
      cmocka_unit_test_setup_teardown(broken_fonts_are_told, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
