/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Bounds of one inspection: time by a clock that the test winds, memory by an allocator
 * that counts; what comes back when one is reached, and that the inspector works on. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/inspect.h>

#include "stage_scene.h"

/* What the host sees: a clock that goes on by a millisecond whenever it is asked, bytes held. */
typedef struct host {
  double now_ms;
  uint64_t held, most;
  int stop;
} host;

static stage_scene scene;
static test_allocator allocator;
static udg_image *small, *large;

static double tick(void *user) {
  return ((host *)user)->now_ms += 1.0;
}

static void *take(void *user, size_t bytes) {
  host *h = user;
  uint64_t *block = malloc(bytes + 16);
  if (!block)
    return NULL;
  block[0] = bytes;
  h->held += bytes;
  h->most = h->held > h->most ? h->held : h->most;
  return block + 2;
}

static void give(void *user, void *block) {
  uint64_t *first = (uint64_t *)block - 2;
  ((host *)user)->held -= first[0];
  free(first);
}

static int stop(void *user) {
  return ((host *)user)->stop;
}

static udg_settings settings_of(host *h) {
  udg_settings s;
  memset(h, 0, sizeof *h);
  udg_settings_default(&s, sizeof s);
  s.user = h;
  s.allocate = take;
  s.release = give;
  s.clock_ms = tick;
  s.digit_height_min_px = 38.0;
  s.digit_height_max_px = 42.0;
  s.turn_max_deg = 2.0;
  return s;
}

/* The scene's photo with a trace of a 4 at the last place, and `border` px of grey around it. */
static udg_image *photo(int border) {
  int width = scene.photo.width + 2 * border, height = scene.photo.height + 2 * border;
  uint8_t *grey = malloc((size_t)width * (size_t)height);
  assert_non_null(grey);
  memset(grey, 128, (size_t)width * (size_t)height);
  for (int y = 0; y < scene.photo.height; y++)
    for (int x = 0; x < scene.photo.width; x++) {
      float v = udg_plane_row(&scene.photo, y)[x] + 0.5f;
      grey[(size_t)(y + border) * (size_t)width + (size_t)(x + border)] = (uint8_t)(v < 0     ? 0
                                                                                    : v > 255 ? 255
                                                                                              : v);
    }
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, grey, (uint32_t)width, (uint32_t)height, (size_t)width,
                                       &image, NULL),
                   UDG_OK);
  free(grey);
  return image;
}

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 1);
  stage_aim(&scene, 40.0, 0.0, 0.0);
  stage_strike(&scene);
  stage_digit trace = stage_present(&scene, 3);
  trace.digit = '4';
  trace.centre_mm[0] += 0.24;
  trace.centre_mm[1] -= 0.12;
  trace.share = 0.5;
  stage_lay(&scene, &trace);
  scene.random = 9;
  stage_expose(&scene, STAGE_LINEAR, 0.6, 70.0, 0.6, 2.0);
  small = photo(0);
  large = photo(200);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  udg_image_destroy(small);
  udg_image_destroy(large);
  stage_close(&scene);
  return 0;
}

static udg_inspector *inspector_of(const udg_settings *settings) {
  udg_inspector *made = NULL;
  assert_int_equal(udg_inspector_create(settings, scene.reference, &made, NULL), UDG_OK);
  return made;
}

static void check_found(const udg_result *r) {
  assert_int_equal(r->verdict, UDG_VERDICT_UNDERDIGIT);
  assert_int_equal(r->finding.digit, '4');
  assert_int_equal(r->finding.place, 4);
}

/* A result that says why, in the struct and in the JSON. */
static void check_cut_short(const udg_result *r, const char *limit) {
  assert_int_equal(r->verdict, UDG_VERDICT_UNDECIDED);
  assert_int_equal(r->judged, 0);
  test_near(r->p_value, 1.0, 0.0);
  assert_int_equal(r->finding.place, 0);
  assert_int_equal(r->other_count, 0);
  assert_int_equal(r->reason_count, 1);
  assert_non_null(strstr(r->reasons[0], limit));
  int told = 0;
  for (int i = 0; i < r->limit_count; i++)
    told |= strstr(r->limits[i], "cut short") != NULL;
  assert_true(told);
  char *text = NULL;
  assert_int_equal(udg_result_to_json(NULL, r, "a.jpg", &text, NULL), UDG_OK);
  assert_non_null(strstr(text, limit));
  assert_non_null(strstr(text, "cut short"));
  assert_non_null(strstr(text, "\"undecided\""));
  udg_text_destroy(NULL, text);
}

static void time_runs_out_anywhere(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  s.max_milliseconds = 1e9;
  udg_inspector *inspector = inspector_of(&s);
  double before = h.now_ms;
  assert_int_equal(udg_inspect(inspector, small, NULL, &r, NULL), UDG_OK);
  double all_ms = h.now_ms - before;
  check_found(&r);
  udg_inspector_destroy(inspector);
  assert_true(all_ms > 100.0);
  for (int k = 0; k <= 10; k++) {
    udg_message message = {"untouched"};
    udg_view view;
    s.max_milliseconds = k == 0 ? 1.0 : k == 10 ? all_ms - 1.0 : k * all_ms / 10.0;
    inspector = inspector_of(&s);
    before = h.now_ms;
    assert_int_equal(udg_inspect(inspector, small, NULL, &r, &message), UDG_OK);
    check_cut_short(&r, "max_milliseconds");
    assert_string_equal(message.text, "untouched");
    assert_true(h.now_ms - before <= s.max_milliseconds + 2.0); /* no stage goes on */
    assert_int_equal(udg_inspector_view(inspector, UDG_VIEW_UPRIGHT, &view), UDG_ERROR_ARGUMENT);
    udg_inspector_destroy(inspector);
    assert_true(h.held == 0);
  }
  /* At first the plans and kernels are made; an inspector that has them needs less time. */
  s.max_milliseconds = all_ms + 1.0;
  inspector = inspector_of(&s);
  for (int k = 0; k < 3; k++) {
    assert_int_equal(udg_inspect(inspector, small, NULL, &r, NULL), UDG_OK);
    check_found(&r);
  }
  udg_inspector_destroy(inspector);
}

static void the_time_is_each_inspections_own(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  s.max_milliseconds = 40.0;
  udg_inspector *inspector = inspector_of(&s);
  int rounds = 0;
  for (; rounds < 12; rounds++) {
    assert_int_equal(udg_inspect(inspector, small, NULL, &r, NULL), UDG_OK);
    check_cut_short(&r, "max_milliseconds");
  }
  udg_inspector_destroy(inspector);
}

static void the_hosts_stop_comes_first(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  udg_message message = {""};
  s.cancel = stop;
  s.max_milliseconds = 1.0;
  udg_inspector *inspector = inspector_of(&s);
  h.stop = 1;
  assert_int_equal(udg_inspect(inspector, small, NULL, &r, &message), UDG_ERROR_CANCELLED);
  assert_true(message.text[0] != '\0');
  h.stop = 0;
  assert_int_equal(udg_inspect(inspector, small, NULL, &r, NULL), UDG_OK);
  check_cut_short(&r, "max_milliseconds");
  udg_inspector_destroy(inspector);
}

static uint64_t work_bytes(const udg_image *image) {
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  udg_inspector *inspector = inspector_of(&s);
  assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
  check_found(&r);
  udg_inspector_destroy(inspector);
  return h.most;
}

static void memory_is_bounded(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  const uint64_t all = work_bytes(small);
  for (int k = 1; k <= 6; k++) {
    udg_message message = {""};
    udg_inspector *inspector = NULL;
    s.max_work_bytes = (uint64_t)k * all / 7;
    h.most = 0;
    udg_status status = udg_inspector_create(&s, scene.reference, &inspector, &message);
    assert_int_equal(status, UDG_OK);
    assert_int_equal(udg_inspect(inspector, small, NULL, &r, &message), UDG_OK);
    check_cut_short(&r, "max_work_bytes");
    assert_true(h.most <= s.max_work_bytes);
    assert_true(message.text[0] == '\0');
    udg_inspector_destroy(inspector);
    assert_true(h.held == 0);
  }
}

/* A photo that needs too much leaves nothing behind that could stand in the next one's way,
 * and what a good one left behind does not count against the next. */
static void the_answer_does_not_hang_on_earlier_photos(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_result r;
  const uint64_t least = work_bytes(small), most = work_bytes(large);
  assert_true(most > least + 100000);
  s.max_work_bytes = least + 4096;
  udg_inspector *inspector = inspector_of(&s);
  static const int large_first[6] = {1, 0, 1, 1, 0, 0};
  for (int k = 0; k < 6; k++) {
    assert_int_equal(udg_inspect(inspector, large_first[k] ? large : small, NULL, &r, NULL),
                     UDG_OK);
    if (large_first[k])
      check_cut_short(&r, "max_work_bytes");
    else
      check_found(&r);
  }
  udg_inspector_destroy(inspector);
  assert_true(h.held == 0);
}

static void too_little_for_an_inspector_is_told(void **state) {
  (void)state;
  host h;
  udg_settings s = settings_of(&h);
  udg_inspector *inspector = NULL;
  udg_message message = {""};
  s.max_work_bytes = 100;
  assert_int_equal(udg_inspector_create(&s, scene.reference, &inspector, &message),
                   UDG_ERROR_LIMIT);
  assert_null(inspector);
  assert_non_null(strstr(message.text, "max_work_bytes"));
  assert_true(h.held == 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(time_runs_out_anywhere),
      cmocka_unit_test(the_time_is_each_inspections_own),
      cmocka_unit_test(the_hosts_stop_comes_first),
      cmocka_unit_test(memory_is_bounded),
      cmocka_unit_test(the_answer_does_not_hang_on_earlier_photos),
      cmocka_unit_test(too_little_for_an_inspector_is_told),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0;
}
