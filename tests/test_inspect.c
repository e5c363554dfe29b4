/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From a photo to a verdict: the committed pictures with their truth, photos that tell nothing,
 * hosts that stop or run out of memory, two threads on one reference. */
#include <math.h>
#include <pthread.h>
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

#if defined(__SANITIZE_ADDRESS__)
#define SLOW 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(memory_sanitizer)
#define SLOW 1
#endif
#endif

static test_allocator allocator;
static stage_scene scene;
static udg_settings narrow; /* little to search, default memory */

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 1);
  udg_settings_default(&narrow, sizeof narrow);
  narrow.digit_height_min_px = 32.0;
  narrow.digit_height_max_px = 50.0;
  narrow.turn_max_deg = 5.0;
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  stage_close(&scene);
  return 0;
}

static udg_settings hooked(void) {
  udg_settings s = narrow, hooks = test_settings(&allocator);
  s.user = hooks.user;
  s.allocate = hooks.allocate;
  s.release = hooks.release;
  return s;
}

/* `level` NULL: the scene's own photo, with a trace of a 4 at the last place. */
static udg_image *photo(int width, int height, int (*level)(int x, int y)) {
  if (!level) {
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
    width = scene.photo.width;
    height = scene.photo.height;
  }
  uint8_t *grey = malloc((size_t)width * (size_t)height);
  assert_non_null(grey);
  for (int y = 0; y < height; y++)
    for (int x = 0; x < width; x++) {
      int v = level ? level(x, y) : (int)(udg_plane_row(&scene.photo, y)[x] + 0.5f);
      grey[(size_t)y * (size_t)width + (size_t)x] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
    }
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, grey, (uint32_t)width, (uint32_t)height, (size_t)width,
                                       &image, NULL),
                   UDG_OK);
  free(grey);
  return image;
}

static udg_inspector *inspector_of(const udg_settings *settings) {
  udg_inspector *made = NULL;
  assert_int_equal(udg_inspector_create(settings, scene.reference, &made, NULL), UDG_OK);
  return made;
}

/* The number after `key` in a truth file. */
static double number_after(const char *text, const char *key) {
  const char *at = strstr(text, key);
  assert_non_null(at);
  return strtod(at + strlen(key), NULL);
}

typedef struct truth {
  char date[16];
  double map[9], height_mm, digit_px;
  double digits_mm[4][2]; /* present ones off their nominal places */
  int place;              /* from 1; 0: none */
  char digit;
  double offset_mm[2];
} truth;

static truth read_truth(const char *picture) {
  char path[512];
  snprintf(path, sizeof path, "%s/set/%s.json", UDG_TESTIMAGES, picture);
  test_bytes file = test_read_file(path);
  char *text = calloc(file.count + 1, 1);
  assert_non_null(text);
  memcpy(text, file.bytes, file.count);
  test_bytes_free(&file);
  truth t = {.place = 0};
  assert_int_equal(sscanf(strstr(text, "\"date\": \""), "\"date\": \"%15[0-9]", t.date), 1);
  t.height_mm = number_after(text, "\"height\": ");
  t.digit_px = number_after(text, "\"digit_px\": ");
  char *at = strstr(text, "\"homography_mm_to_px\": [") + strlen("\"homography_mm_to_px\": [");
  for (int i = 0; i < 9; i++, at++)
    t.map[i] = strtod(at, &at);
  const char *own = strstr(text, "\"digits\": [");
  for (int i = 0; i < 4; i++) {
    own = strstr(own + 1, "{\"dx\": ");
    t.digits_mm[i][0] = number_after(own, "\"dx\": ");
    t.digits_mm[i][1] = number_after(own, "\"dy\": ");
  }
  const char *under = strstr(text, "\"under\": {\"pos\": ");
  if (under) {
    t.place = 1 + (int)number_after(under, "\"pos\": ");
    t.digit = strstr(under, "\"digit\": \"")[strlen("\"digit\": \"")];
    const double *present = t.digits_mm[t.place - 1];
    t.offset_mm[0] = number_after(under, "\"dx\": ") - present[0];
    t.offset_mm[1] = number_after(under, "\"dy\": ") - present[1];
  }
  free(text);
  return t;
}

static void apply(const double m[9], double x, double y, double out[2]) {
  double w = m[6] * x + m[7] * y + m[8];
  out[0] = (m[0] * x + m[1] * y + m[2]) / w;
  out[1] = (m[3] * x + m[4] * y + m[5]) / w;
}

/* Also each digit's nominal centre. */
static udg_result inspect_picture(const char *picture, const char *reference_name, const char *date,
                                  double centre_mm[4][2]) {
  char path[512];
  udg_message message = {""};
  udg_reference *reference = NULL;
  udg_image *image = NULL;
  udg_inspector *inspector = NULL;
  udg_result result;
  snprintf(path, sizeof path, "%s/references/%s.json", UDG_TESTIMAGES, reference_name);
  if (udg_reference_from_file(NULL, path, &reference, &message) != UDG_OK)
    fail_msg("%s", message.text);
  snprintf(path, sizeof path, "%s/set/%s.jpg", UDG_TESTIMAGES, picture);
  if (udg_image_from_file(NULL, path, &image, &message) != UDG_OK ||
      udg_inspector_create(NULL, reference, &inspector, &message) != UDG_OK ||
      udg_inspect(inspector, image, date, &result, &message) != UDG_OK)
    fail_msg("%s: %s", picture, message.text);
  for (int i = 0; centre_mm && i < 4; i++) {
    udg_place_view place;
    assert_int_equal(udg_reference_place(reference, result.date, i + 1, &place), UDG_OK);
    memcpy(centre_mm[i], place.centre_mm, sizeof place.centre_mm);
  }
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
  udg_reference_destroy(reference);
  return result;
}

/* Any result, whatever it says. */
static void check_result(const udg_result *r) {
  assert_true(r->p_value > 0.0 && r->p_value <= 1.0);
  assert_true(r->reason_count >= 1 && r->reason_count <= UDG_REASONS_MAX);
  for (int i = 0; i < r->reason_count; i++)
    assert_true(strlen(r->reasons[i]) > 5 && strlen(r->reasons[i]) < UDG_REASON_BYTES);
  assert_true(r->limit_count >= 0 && r->limit_count <= UDG_REASONS_MAX);
  assert_true(r->other_count >= 0 && r->other_count <= UDG_OTHERS_MAX);
  assert_true(r->stage_count >= 2 && r->total_ms > 0.0);
  if (!r->judged)
    assert_int_equal(r->verdict, UDG_VERDICT_UNDECIDED);
  else
    assert_true(isfinite(r->evidence));
}

/* Each digit where it is in the picture, to 3 % of its height. */
static void check_registration(const udg_result *r, const truth *t, double centre_mm[4][2]) {
  assert_int_equal(r->place_count, 4);
  test_near(r->date_to_photo[8], 1.0, 1e-12);
  for (int i = 0; i < 4; i++) {
    double a[2], b[2];
    const double *c = centre_mm[i];
    apply(t->map, c[0] + t->digits_mm[i][0], c[1] + t->digits_mm[i][1], a);
    apply(r->date_to_photo, c[0] + r->place_offset_mm[i][0], c[1] + r->place_offset_mm[i][1], b);
    test_near(hypot(a[0] - b[0], a[1] - b[1]) / t->digit_px, 0.0, 0.03);
  }
}

/* Clear ones of the committed pictures: digit, place and offset (5 % of the height) right, the
 * date registered to 3 %. */
static void underdigits_are_found(void **state) {
  (void)state;
  static const char *const pictures[][2] = {{"strong-0006", "vellacombe"},
                                            {"strong-sans-0007", "karrow"},
#ifndef SLOW
                                            {"turned-0008", "ostermere"}
#endif
  };
  for (size_t k = 0; k < sizeof pictures / sizeof *pictures; k++) {
    truth t = read_truth(pictures[k][0]);
    double centre_mm[4][2];
    udg_result r = inspect_picture(pictures[k][0], pictures[k][1], t.date, centre_mm);
    print_message("%s: %s, evidence %.2f, place %d over %c\n", pictures[k][0],
                  udg_verdict_text(r.verdict), r.evidence, r.finding.place, r.finding.digit);
    check_result(&r);
    assert_string_equal(r.date, t.date);
    assert_int_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
    assert_true(r.judged && r.p_value < 0.01);
    assert_int_equal(r.finding.place, t.place);
    assert_int_equal(r.finding.digit, t.digit);
    for (int axis = 0; axis < 2; axis++)
      test_near(r.finding.offset_mm[axis], t.offset_mm[axis], 0.05 * t.height_mm);
    check_registration(&r, &t, centre_mm);
    test_near(r.adequacy.digit_height_px / t.digit_px, 1.0, 0.05);
    assert_true(r.adequacy.jpeg_quality > 0);
  }
}

/* Plain and damaged coins are not flagged. */
static void other_coins_are_not_flagged(void **state) {
  (void)state;
  static const char *const pictures[][2] = {{"clean-0003", "vellacombe"},
#ifndef SLOW
                                            {"clean-sans-0008", "karrow"},
                                            {"scratch-0002", "karrow"}
#endif
  };
  for (size_t k = 0; k < sizeof pictures / sizeof *pictures; k++) {
    truth t = read_truth(pictures[k][0]);
    udg_result r = inspect_picture(pictures[k][0], pictures[k][1], t.date, NULL);
    print_message("%s: %s, evidence %.2f\n", pictures[k][0], udg_verdict_text(r.verdict),
                  r.evidence);
    check_result(&r);
    assert_int_not_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
    assert_true(r.p_value >= 0.01);
  }
}

/* Without a date every one of the reference is tried, and the photo's own wins. */
static void the_date_is_read(void **state) {
  (void)state;
  truth t = read_truth("small-0002");
  double centre_mm[4][2];
  udg_result r = inspect_picture("small-0002", "karrow", NULL, centre_mm);
  check_result(&r);
  check_registration(&r, &t, centre_mm); /* not that of the date tried last */
  assert_string_equal(r.date, t.date);
  assert_string_equal(r.reference, "High Karrow toll piece");
}

/* A lamp straight above, and a photo of another coinage: no flag, and words for it. */
static void hopeless_photos_are_not_flagged(void **state) {
  (void)state;
  udg_result r = inspect_picture("overhead-0006", "karrow", "1930", NULL);
  check_result(&r);
  assert_true(r.verdict == UDG_VERDICT_UNDECIDED || r.limit_count > 0);
  r = inspect_picture("clean-0003", "karrow", "1930", NULL);
  check_result(&r);
  assert_int_not_equal(r.verdict, UDG_VERDICT_UNDERDIGIT);
}

static int grey(int x, int y) {
  (void)x;
  (void)y;
  return 128;
}

static int black(int x, int y) {
  (void)x;
  (void)y;
  return 0;
}

static int white(int x, int y) {
  (void)x;
  (void)y;
  return 255;
}

static int noise(int x, int y) {
  uint64_t seed = 1 + (uint64_t)x * 7919 + (uint64_t)y * 104729;
  test_random(&seed);
  return (int)(test_random(&seed) >> 24);
}

static int slope(int x, int y) {
  return x + y / 2;
}

/* Photos that show no date: a result, not a failure, and never a flag. */
static void empty_photos_are_undecided(void **state) {
  (void)state;
  static const struct {
    int width, height;
    int (*level)(int x, int y);
  } photos[] = {{1, 1, grey},      {1, 300, grey},    {300, 2, noise},   {200, 150, grey},
                {200, 150, black}, {200, 150, white}, {200, 150, slope}, {240, 160, noise}};
  udg_inspector *inspector = inspector_of(&narrow);
  udg_result before;
  udg_image *seen = photo(0, 0, NULL);
  assert_int_equal(udg_inspect(inspector, seen, NULL, &before, NULL), UDG_OK);
  udg_image_destroy(seen);
  for (size_t k = 0; k < sizeof photos / sizeof *photos; k++) {
    udg_image *image = photo(photos[k].width, photos[k].height, photos[k].level);
    udg_result r;
    memset(&r, 0x5a, sizeof r);
    assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
    check_result(&r);
    assert_int_equal(r.verdict, UDG_VERDICT_UNDECIDED);
    assert_int_equal(r.judged, 0);
    assert_int_equal(r.finding.place, 0);
    test_near(r.p_value, 1.0, 0.0);
    udg_view view;
    assert_int_equal(udg_inspector_view(inspector, UDG_VIEW_UPRIGHT, &view), UDG_ERROR_ARGUMENT);
    udg_image_destroy(image);
  }
  udg_inspector_destroy(inspector);
}

static void wrong_arguments_are_told(void **state) {
  (void)state;
  udg_message message = {""};
  udg_inspector *inspector = NULL;
  udg_result r;
  udg_image *image = photo(40, 40, grey);
  assert_int_equal(udg_inspector_create(NULL, NULL, &inspector, &message), UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "NULL"));
  assert_null(inspector);
  assert_int_equal(udg_inspector_create(NULL, scene.reference, NULL, NULL), UDG_ERROR_ARGUMENT);
  inspector = inspector_of(&narrow);
  assert_int_equal(udg_inspect(NULL, image, NULL, &r, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect(inspector, NULL, NULL, &r, NULL), UDG_ERROR_ARGUMENT);
  message.text[0] = '\0';
  assert_int_equal(udg_inspect(inspector, image, NULL, NULL, &message), UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "NULL"));
  assert_int_equal(udg_inspect(inspector, image, "1846", &r, &message), UDG_ERROR_DATE);
  assert_non_null(strstr(message.text, "1846"));
  assert_non_null(strstr(message.text, "Tarnholt"));
  udg_view view;
  assert_int_equal(udg_inspector_view(NULL, UDG_VIEW_MODEL, &view), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspector_view(inspector, UDG_VIEW_MODEL, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspector_view(inspector, UDG_VIEW_MODEL, &view), UDG_ERROR_ARGUMENT);
  udg_inspector_destroy(NULL);
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
}

/* Upright photo, lit model, residual and evidence of one size, in each other's terms. */
static void views_show_the_last_photo(void **state) {
  (void)state;
  udg_image *image = photo(0, 0, NULL);
  udg_inspector *inspector = inspector_of(&narrow);
  udg_result r;
  udg_view view[4];
  assert_int_equal(udg_inspect(inspector, image, "1847", &r, NULL), UDG_OK);
  check_result(&r);
  assert_true(r.judged);
  for (int k = 0; k < 4; k++) {
    assert_int_equal(udg_inspector_view(inspector, (udg_view_kind)k, &view[k]), UDG_OK);
    assert_int_equal(view[k].width, view[0].width);
    assert_int_equal(view[k].height, view[0].height);
    test_near(view[k].px_per_mm, 30.0, 1e-9);
  }
  assert_int_equal(udg_inspector_view(inspector, (udg_view_kind)9, &view[0]), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspector_view(inspector, UDG_VIEW_UPRIGHT, &view[0]), UDG_OK);
  double same = 0.0, masked = 0.0, most = 0.0, n = 0.0;
  size_t peak = 0;
  for (size_t i = 0; i < (size_t)view[0].width * (size_t)view[0].height; i++) {
    assert_true(view[0].pixels[i] >= -40.0f && view[0].pixels[i] <= 295.0f);
    double off = (double)(view[0].pixels[i] - view[1].pixels[i]);
    same += off * off;
    n += 1.0;
    masked += view[2].pixels[i] == 0.0f;
    if ((double)view[3].pixels[i] > most) {
      most = (double)view[3].pixels[i];
      peak = i;
    }
  }
  assert_true(sqrt(same / n) < 20.0); /* the model is the photo but for the trace */
  assert_true(masked > 0.05 * n && masked < 0.8 * n);
  /* The evidence peaks at the trace: 0.24 right of and 0.12 above the last digit. */
  double mm[2] = {
      ((double)(peak % (size_t)view[3].width) - view[3].origin_px[0]) / view[3].px_per_mm,
      ((double)(peak / (size_t)view[3].width) - view[3].origin_px[1]) / view[3].px_per_mm};
  test_near(mm[0], 1.8 + 0.24, 0.08);
  test_near(mm[1], -0.8 - 0.12, 0.08);
  assert_int_equal(r.finding.place, 4);
  assert_int_equal(r.finding.digit, '4');
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
}

static int stop_after;
static int stop(void *user) {
  (void)user;
  return stop_after-- <= 0;
}

static void the_host_can_stop_it(void **state) {
  (void)state;
  udg_image *image = photo(0, 0, NULL);
  udg_settings s = narrow;
  s.cancel = stop;
  udg_inspector *inspector = inspector_of(&s);
  udg_result r;
  for (int k = 0; k < 2; k++) { /* what is made once is there the second time */
    stop_after = 1000000;
    assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
  }
  int asked = 1000000 - stop_after;
  assert_true(asked > 100);
  for (int k = 0; k < 6; k++) {
    udg_message message = {""};
    stop_after = k == 0 ? 0 : k == 5 ? asked - 1 : k * asked / 5;
    assert_int_equal(udg_inspect(inspector, image, NULL, &r, &message), UDG_ERROR_CANCELLED);
    assert_non_null(strstr(message.text, k == 0 ? "looking for" : "cancelled"));
  }
  stop_after = 1000000; /* and works on */
  assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
  assert_int_equal(r.finding.digit, '4');
  udg_inspector_destroy(inspector);
  udg_image_destroy(image);
}

/* The n-th allocation fails, for n spread over a whole inspection with its inspector: MEMORY and
 * a message, no block left, and the inspector works on where there is one. */
static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  udg_image *image = photo(0, 0, NULL);
  udg_settings s = hooked();
  udg_result r;
  size_t before = allocator.live, start = allocator.calls;
  udg_inspector *inspector = inspector_of(&s);
  assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
  udg_inspector_destroy(inspector);
  size_t all = allocator.calls - start;
#ifdef SLOW
  size_t samples = 12;
#else
  size_t samples = 16;
#endif
  assert_true(all > samples);
  for (size_t k = 0; k <= samples; k++) {
    size_t n = k < 6 ? k + 1 : 1 + k * (all - 1) / samples;
    udg_message message = {""};
    inspector = NULL;
    allocator.fail_at = allocator.calls + n;
    udg_status status = udg_inspector_create(&s, scene.reference, &inspector, &message);
    if (status == UDG_OK)
      status = udg_inspect(inspector, image, NULL, &r, &message);
    allocator.fail_at = 0;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_true(message.text[0] != '\0');
    if (inspector && k % 8 == 0) { /* it recovers */
      assert_int_equal(udg_inspect(inspector, image, NULL, &r, NULL), UDG_OK);
      assert_int_equal(r.finding.digit, '4');
    }
    udg_inspector_destroy(inspector);
    assert_int_equal(allocator.live, before);
  }
  udg_image_destroy(image);
}

typedef struct job {
  udg_inspector *inspector;
  const udg_image *image;
  udg_result result;
  udg_status status;
} job;

static void *work(void *argument) {
  job *j = argument;
  for (int i = 0; i < 2 && j->status == UDG_OK; i++)
    j->status = udg_inspect(j->inspector, j->image, NULL, &j->result, NULL);
  return NULL;
}

/* Two inspectors on one reference at the same time: to the last bit what one alone gives. */
static void threads_do_not_touch_each_other(void **state) {
  (void)state;
  udg_image *image = photo(0, 0, NULL);
  job jobs[3];
  pthread_t threads[3];
  memset(jobs, 0, sizeof jobs);
  for (int i = 0; i < 3; i++)
    jobs[i] = (job){.inspector = NULL, .image = image, .status = UDG_OK};
  jobs[2].inspector = inspector_of(&narrow);
  work(&jobs[2]);
  for (int i = 0; i < 2; i++)
    jobs[i].inspector = inspector_of(&narrow);
  for (int i = 0; i < 2; i++)
    assert_int_equal(pthread_create(&threads[i], NULL, work, &jobs[i]), 0);
  for (int i = 0; i < 2; i++)
    assert_int_equal(pthread_join(threads[i], NULL), 0);
  for (int i = 0; i < 2; i++) {
    const udg_result *a = &jobs[i].result, *b = &jobs[2].result;
    assert_int_equal(jobs[i].status, UDG_OK);
    assert_int_equal(a->verdict, b->verdict);
    assert_true(a->evidence == b->evidence && a->p_value == b->p_value);
    assert_memory_equal(a->date_to_photo, b->date_to_photo, sizeof a->date_to_photo);
    assert_memory_equal(a->reasons, b->reasons, sizeof a->reasons);
    assert_true(a->finding.strength == b->finding.strength);
    assert_int_equal(a->finding.digit, b->finding.digit);
    assert_int_equal(a->other_count, b->other_count);
  }
  for (int i = 0; i < 3; i++)
    udg_inspector_destroy(jobs[i].inspector);
  udg_image_destroy(image);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(underdigits_are_found),
      cmocka_unit_test(other_coins_are_not_flagged),
      cmocka_unit_test(the_date_is_read),
      cmocka_unit_test(hopeless_photos_are_not_flagged),
      cmocka_unit_test(empty_photos_are_undecided),
      cmocka_unit_test(wrong_arguments_are_told),
      cmocka_unit_test(views_show_the_last_photo),
      cmocka_unit_test(the_host_can_stop_it),
      cmocka_unit_test(memory_may_run_out_anywhere),
      cmocka_unit_test(threads_do_not_touch_each_other),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
