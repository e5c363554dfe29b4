/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The picture, read back as grey: outlines must be where the result puts them. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "image_internal.h"
#include "picture.h"
#include "picture_style.h"
#include "support.h"

/* Digits of straight strokes: what matters here is where they come out. */
static const char token[] =
    "{\"format\": \"underdigit-reference/1\", \"name\": \"Picture test token\","
    " \"relief\": {\"height_mm\": 0.08, \"bevel_mm\": 0.15},"
    " \"digits\": {"
    "  \"1\": {\"outline\": \"M-0.15 -0.8H0.15V0.8H-0.15Z\"},"
    "  \"7\": {\"outline\": \"M-0.5 -0.8H0.5V-0.5L-0.1 0.8H-0.4L0.15 -0.5H-0.5Z\"},"
    "  \"0\": {\"outline\": \"M-0.5 -0.8H0.5V0.8H-0.5ZM-0.2 -0.5V0.5H0.2V-0.5Z\"}},"
    " \"dates\": [{\"date\": \"170\", \"height_mm\": 1.6, \"places\": ["
    "   {\"digit\": \"1\", \"centre_mm\": [-1.4, -0.8], \"turn_deg\": 0},"
    "   {\"digit\": \"7\", \"centre_mm\": [0, -0.8], \"turn_deg\": 4},"
    "   {\"digit\": \"0\", \"centre_mm\": [1.4, -0.8], \"turn_deg\": 0}],"
    "  \"slack_mm\": 0.05, \"slack_deg\": 2}]}";

enum { VIEW_WIDTH = 500, VIEW_HEIGHT = 340 };

typedef struct scene {
  udg_reference *reference;
  udg_result result;
  picture_input input;
  float upright[VIEW_WIDTH * VIEW_HEIGHT];
  float residual[VIEW_WIDTH * VIEW_HEIGHT];
  float evidence[VIEW_WIDTH * VIEW_HEIGHT];
} scene;

static udg_view make_view(const float *pixels) {
  return (udg_view){.width = VIEW_WIDTH,
                    .height = VIEW_HEIGHT,
                    .pixels = pixels,
                    .px_per_mm = 80,
                    .origin_px = {250, 235}};
}

static int set_up(void **state) {
  scene *s = calloc(1, sizeof *s);
  udg_message why = {""};
  if (!s || udg_reference_from_memory(NULL, token, sizeof token - 1, NULL, NULL, 0, &s->reference,
                                      &why) != UDG_OK) {
    print_error("%s\n", why.text);
    return -1;
  }
  for (int i = 0; i < VIEW_WIDTH * VIEW_HEIGHT; i++)
    s->upright[i] = 100;
  s->result = (udg_result){.verdict = UDG_VERDICT_UNDERDIGIT,
                           .judged = 1,
                           .p_value = 0.001,
                           .place_count = 3,
                           .date = "170"};
  s->result.place_offset_mm[1][0] = 0.06;
  s->result.place_turn_deg[1] = 3;
  s->result.finding = (udg_finding){.place = 2,
                                    .digit = '1',
                                    .kind = UDG_VERDICT_UNDERDIGIT,
                                    .offset_mm = {0.25, -0.3},
                                    .turn_deg = -6};
  s->input = (picture_input){.photo = "made.png",
                             .result = &s->result,
                             .reference = s->reference,
                             .upright = make_view(s->upright),
                             .residual = make_view(s->residual),
                             .evidence = make_view(s->evidence),
                             .width_px = 1200};
  *state = s;
  return 0;
}

static int tear_down(void **state) {
  scene *s = *state;
  udg_reference_destroy(s->reference);
  free(s);
  return 0;
}

static udg_image *draw(const scene *s) {
  udg_message why = {""};
  const char *path = test_path("drawn.png");
  if (picture_write(&s->input, path, &why) != 0)
    fail_msg("%s", why.text);
  udg_image *image = NULL;
  if (udg_image_from_file(NULL, path, &image, &why) != UDG_OK)
    fail_msg("%s", why.text);
  return image;
}

static int grey_at(const udg_image *image, double x, double y) {
  return image->grey[(size_t)floor(y) * image->width + (size_t)floor(x)];
}

/* Distance in px from (x, y) to an outline put at centre, turned. */
static double outline_distance(const scene *s, const picture_layout *l, int panel, char digit,
                               double cx, double cy, double turn_deg, double x, double y) {
  udg_outline_view o;
  assert_int_equal(udg_reference_outline(s->reference, digit, &o), UDG_OK);
  double c = cos(turn_deg * 3.14159265358979 / 180), n = sin(turn_deg * 3.14159265358979 / 180);
  double best = INFINITY;
  for (size_t k = 0; k < o.contour_count; k++)
    for (size_t i = o.starts[k], j = o.starts[k + 1] - 1; i < o.starts[k + 1]; j = i++) {
      double p[2][2];
      const size_t ends[2] = {j, i};
      for (int e = 0; e < 2; e++) {
        double u = o.points[2 * ends[e]], v = o.points[2 * ends[e] + 1];
        p[e][0] = l->left[panel] + l->px_per_mm * (cx + c * u - n * v - l->low_mm[0]);
        p[e][1] = l->top[panel] + l->px_per_mm * (cy + n * u + c * v - l->low_mm[1]);
      }
      double dx = p[1][0] - p[0][0], dy = p[1][1] - p[0][1], length2 = dx * dx + dy * dy;
      double t = length2 > 0 ? ((x - p[0][0]) * dx + (y - p[0][1]) * dy) / length2 : 0;
      t = fmin(fmax(t, 0), 1);
      best = fmin(best, hypot(x - p[0][0] - t * dx, y - p[0][1] - t * dy));
    }
  return best;
}

/* Outlines expected, placed by hand from the reference and the result. */
typedef struct expected {
  char digit;
  double x_mm, y_mm, turn_deg;
} expected;

/* The outlines' panel differs from the bare photo's on all of the outlines and
 * nowhere else. */
static void expect_outlines(const scene *s, const expected *outlines, int count) {
  udg_image *image = draw(s);
  picture_layout l;
  picture_lay_out(&s->input, &l);
  int on[4] = {0}, on_changed[4] = {0}, off_changed = 0;
  double step_x = l.left[PICTURE_OUTLINES] - l.left[PICTURE_PHOTO];
  double step_y = l.top[PICTURE_OUTLINES] - l.top[PICTURE_PHOTO];
  for (int j = 2; j < (int)l.panel_height - 2; j++) /* within the frame */
    for (int i = 2; i < (int)l.panel_width - 2; i++) {
      double x = l.left[PICTURE_OUTLINES] + i + 0.5, y = l.top[PICTURE_OUTLINES] + j + 0.5;
      int changed = grey_at(image, x, y) != grey_at(image, x - step_x, y - step_y);
      double nearest = INFINITY;
      for (int k = 0; k < count; k++) {
        double d = outline_distance(s, &l, PICTURE_OUTLINES, outlines[k].digit, outlines[k].x_mm,
                                    outlines[k].y_mm, outlines[k].turn_deg, x, y);
        on[k] += d < 1.5 * l.unit;
        on_changed[k] += d < 1.5 * l.unit && changed;
        nearest = fmin(nearest, d);
      }
      off_changed += nearest > 5 * l.unit && changed;
    }
  assert_int_equal(off_changed, 0);
  for (int k = 0; k < count; k++) {
    assert_true(on[k] > 300);
    assert_true(on_changed[k] >
                0.97 * on[k]); /* where line meets casing a pixel may be as the photo */
  }
  udg_image_destroy(image);
}

static void outlines_lie_where_the_result_says(void **state) {
  scene *s = *state;
  /* The 7: nominal 0, turned 4 degrees, found 0.06 mm right and 3 degrees more. */
  const expected all[] = {
      {'1', -1.4, -0.8, 0}, {'7', 0.06, -0.8, 7}, {'0', 1.4, -0.8, 0}, {'1', 0.31, -1.1, 1}};
  expect_outlines(s, all, 4);
  s->result.verdict = UDG_VERDICT_PLAIN;
  expect_outlines(s, all, 3);
}

static void a_plain_date_has_no_trace(void **state) {
  scene *s = *state;
  s->result.verdict = UDG_VERDICT_PLAIN;
  picture_digit traces[UDG_PLACES_MAX];
  char label[64];
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 0);
  udg_image *plain = draw(s);
  s->result.finding.offset_mm[0] = -0.4;
  udg_image *other = draw(s);
  assert_memory_equal(plain->grey, other->grey, (size_t)plain->width * plain->height);
  udg_image_destroy(plain);
  udg_image_destroy(other);
}

static void each_verdict_draws_its_own(void **state) {
  scene *s = *state;
  picture_digit traces[UDG_PLACES_MAX];
  char label[64];
  s->result.other_count = 1;
  udg_finding *f = &s->result.others[0];
  *f = (udg_finding){.kind = UDG_VERDICT_DOUBLED, .offset_mm = {0.1, 0.2}};
  s->result.verdict = UDG_VERDICT_DOUBLED;
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 3);
  assert_int_equal(traces[2].digit, '0');
  assert_true(fabs(traces[2].centre_mm[0] - (1.5)) < 1e-12);
  assert_true(fabs(traces[1].centre_mm[1] - (-0.6)) < 1e-12);

  *f = (udg_finding){
      .kind = UDG_VERDICT_REPUNCHED, .place = 3, .digit = '0', .offset_mm = {-0.1, 0}};
  s->result.verdict = UDG_VERDICT_REPUNCHED;
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 1);
  assert_string_equal(label, "second 0");
  assert_true(fabs(traces[0].centre_mm[0] - (1.3)) < 1e-12);

  *f = (udg_finding){.kind = UDG_VERDICT_FRAGMENT, .offset_mm = {0.7, -1.8}};
  s->result.verdict = UDG_VERDICT_FRAGMENT;
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 1);
  assert_int_equal(traces[0].digit, 0);
  assert_true(fabs(traces[0].centre_mm[0] - (0.7)) < 1e-12);

  s->result.verdict = UDG_VERDICT_STRAY; /* none listed */
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 0);

  s->result.verdict = UDG_VERDICT_UNDECIDED;
  assert_int_equal(picture_traces(&s->input, traces, label, sizeof label), 1);
  assert_string_equal(label, "nearest to a trace: 1");
}

static void every_width_holds_all_panels(void **state) {
  scene *s = *state;
  static const int widths[] = {PICTURE_WIDTH_MIN, 600, 899, 900, 1600, PICTURE_WIDTH_MAX};
  for (size_t i = 0; i < sizeof widths / sizeof widths[0]; i++) {
    s->input.width_px = widths[i];
    picture_layout l;
    picture_lay_out(&s->input, &l);
    for (int a = 0; a < PICTURE_PANELS; a++) {
      assert_true(l.left[a] >= 0 && l.left[a] + l.panel_width <= l.width);
      assert_true(l.top[a] >= l.header && l.top[a] + l.panel_height < l.height);
      for (int b = 0; b < a; b++)
        assert_true(l.left[a] >= l.left[b] + l.panel_width ||
                    l.top[a] - l.caption >= l.top[b] + l.panel_height);
    }
    assert_true(l.notes_top + l.notes_height <= l.height);
    if (widths[i] > 1600)
      continue; /* the drawing itself is the same */
    udg_image *image = draw(s);
    assert_int_equal(image->width, widths[i]);
    assert_int_equal(image->height, (int)ceil(l.height));
    udg_image_destroy(image);
  }
}

static void odd_input_is_drawn(void **state) {
  scene *s = *state;
  s->input.photo = "folder/\xFF\xC3(\xED\xA0\x80 name\n.jpg";
  for (int i = 0; i < VIEW_WIDTH * VIEW_HEIGHT; i += 3) {
    s->evidence[i] = NAN;
    s->residual[i] = INFINITY;
    s->upright[i] = -NAN;
  }
  snprintf(s->result.reasons[0], UDG_REASON_BYTES, "%s",
           "a reason that goes on and on, so that it needs more than one line of the picture, "
           "which has only so much room beside the profile, and then goes on a little more still");
  s->result.reason_count = 1;
  udg_image_destroy(draw(s));
  snprintf(s->result.date, sizeof s->result.date, "171"); /* not in the reference */
  udg_image_destroy(draw(s));
}

static void the_profile_is_the_best_of_each_column(void **state) {
  scene *s = *state;
  picture_layout l;
  picture_lay_out(&s->input, &l);
  s->evidence[200 * VIEW_WIDTH + 300] = 7; /* x_mm = (300.5 - 250) / 80 */
  s->evidence[150 * VIEW_WIDTH + 300] = NAN;
  s->evidence[100 * VIEW_WIDTH + 120] = -2;
  double range[2], profile[1000];
  picture_range(&s->input.evidence, &l, range);
  assert_true(range[0] == -2 && range[1] == 7);
  picture_profile(&s->input.evidence, &l, profile, 1000);
  for (int i = 0; i < 1000; i++) {
    double x_mm = l.low_mm[0] + (i + 0.5) * (l.high_mm[0] - l.low_mm[0]) / 1000;
    int column = (int)floor(250 + 80 * x_mm);
    assert_true(profile[i] == (column == 300 ? 7 : 0));
  }
}

static void colours_say_what_values_are(void **state) {
  (void)state;
  const float values[] = {-5, 0, 5, NAN, INFINITY, 2};
  const udg_view view = {.width = 6, .height = 1, .pixels = values, .px_per_mm = 1};
  const double range[2] = {-1, 3};
  uint32_t pixels[6];
  const udg_result result = {.date_to_photo = {1, 0, -1, 0, 1, 0, 0, 0, 1}};
  picture_input input = {.result = &result};
  picture_paint(&input, &view, PICTURE_RESIDUAL, range, (unsigned char *)pixels, sizeof pixels);
  assert_int_equal(pixels[0], 0x000000);
  assert_int_equal(pixels[1], 0x808080);
  assert_int_equal(pixels[2], 0xFFFFFF);
  assert_int_equal(pixels[3], 0x808080);
  assert_int_equal(pixels[4], 0x808080);
  picture_paint(&input, &view, PICTURE_EVIDENCE, range, (unsigned char *)pixels, sizeof pixels);
  assert_int_equal(pixels[3], pixels[0]);                   /* unknown as at the lowest */
  assert_true((pixels[2] & 0xFF00) < (pixels[5] & 0xFF00)); /* green: darker is more */
  assert_true((pixels[5] & 0xFF00) < (pixels[1] & 0xFF00));
  /* A photo three wide whose left edge lies one pixel in. */
  input.photo_width = 3;
  input.photo_height = 1;
  picture_paint(&input, &view, PICTURE_RESIDUAL, range, (unsigned char *)pixels, sizeof pixels);
  static const uint32_t seen[] = {0xF0F0F0, 0x808080, 0xFFFFFF, 0x808080, 0xF0F0F0, 0xF0F0F0};
  assert_memory_equal(pixels, seen, sizeof seen);
  assert_true(fabs(picture_evidence_share(0, range) - 0.5) < 1e-12);
}

static void text_is_made_clean(void **state) {
  (void)state;
  char clean[64];
  picture_clean_text("a\x01\xC3\xA9\x80\xE2\x82\xAC\xC0\xAF\xF4\x90\x80\x80z", clean, sizeof clean);
  assert_string_equal(clean, "a?\xC3\xA9?\xE2\x82\xAC??????z");
  picture_clean_text("ab\xC3\xA9", clean, 4); /* no room for the last letter's second byte */
  assert_string_equal(clean, "ab");
}

static void what_cannot_be_written_is_told(void **state) {
  scene *s = *state;
  udg_message why = {""};
  assert_int_equal(picture_write(&s->input, "no-such-folder/p.png", &why), -1);
  assert_string_equal(why.text, "no-such-folder/p.png: No such file or directory");
  if (access("/dev/full", W_OK) == 0) {
    /* By way of a link, so that a fault here cannot replace the device itself. */
    const char *full = test_path("full");
    assert_int_equal(symlink("/dev/full", full), 0);
    assert_int_equal(picture_write(&s->input, full, &why), -1);
    assert_non_null(strstr(why.text, "/full: No space left on device"));
  }
}

#define WITH_SCENE(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)

int main(void) {
  const struct CMUnitTest tests[] = {WITH_SCENE(outlines_lie_where_the_result_says),
                                     WITH_SCENE(a_plain_date_has_no_trace),
                                     WITH_SCENE(each_verdict_draws_its_own),
                                     WITH_SCENE(every_width_holds_all_panels),
                                     WITH_SCENE(odd_input_is_drawn),
                                     WITH_SCENE(the_profile_is_the_best_of_each_column),
                                     cmocka_unit_test(colours_say_what_values_are),
                                     cmocka_unit_test(text_is_made_clean),
                                     WITH_SCENE(what_cannot_be_written_is_told)};
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  test_directory_remove();
  return failed;
}
