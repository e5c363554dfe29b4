/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Every public function that allocates, with its n-th allocation failing, for n from 1 until
 * a run passes: the status is MEMORY, a message tells, nothing is left behind. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

#include "picture_check.h"
#include "support.h"

#if defined(__SANITIZE_ADDRESS__)
#define SANITIZED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define SANITIZED 1
#endif
#endif

/* A whole inspection takes ten times as long under the sanitizer: there every eleventh of its
 * allocations fails, without it each; on an inspector that goes on, every 48th or every eighth. */
#ifdef SANITIZED
enum { INSPECTION_STEP = 11, GOING_ON_STEP = 48 };
#else
enum { INSPECTION_STEP = 1, GOING_ON_STEP = 8 };
#endif

static test_allocator allocator;
static udg_settings settings;
static udg_reference *reference, *coin_reference, *known_reference;
static udg_image *close_up, *coin, *known_coin;

static const char font_path[] = "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf";

/* A plane of the fuzz corpus: four bytes of head, then width x height pixels. */
static udg_image *plane(const char *name) {
  char path[512];
  snprintf(path, sizeof path, "%s/corpus/inspect/%s", UDG_FUZZ_FOLDER, name);
  test_bytes file = test_read_file(path);
  const uint32_t width = file.bytes[0] + 1u, height = file.bytes[1] + 1u;
  assert_true(file.count == 4 + (size_t)width * height);
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, file.bytes + 4, width, height, width, &image, NULL),
                   UDG_OK);
  test_bytes_free(&file);
  return image;
}

static udg_reference *load(const char *name) {
  char path[512];
  snprintf(path, sizeof path, "%s/data/%s.json", UDG_FUZZ_FOLDER, name);
  udg_reference *loaded = NULL;
  assert_int_equal(udg_reference_from_file(NULL, path, &loaded, NULL), UDG_OK);
  return loaded;
}

static int set_up(void **state) {
  (void)state;
  settings = test_settings(&allocator);
  settings.digit_height_min_px = 30;
  settings.digit_height_max_px = 40;
  settings.turn_max_deg = 8; /* as the fuzz target that the photos come from has it */
  reference = load("close_up");
  coin_reference = load("coin");
  known_reference = load("known");
  close_up = plane("trace");
  coin = plane("coin_struck");
  known_coin = plane("coin_die");
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  udg_image_destroy(close_up);
  udg_image_destroy(coin);
  udg_image_destroy(known_coin);
  udg_reference_destroy(reference);
  udg_reference_destroy(coin_reference);
  udg_reference_destroy(known_reference);
  test_directory_remove();
  return 0;
}

/* Calls one entry and lets go of what it gave. */
typedef udg_status entry(udg_message *message);

static void fail_at_each(const char *name, entry *call, size_t step, size_t least) {
  size_t n = 1;
  for (;; n += step) {
    udg_message message = {""};
    const size_t live = allocator.live;
    allocator.calls = 0;
    allocator.fail_at = n;
    const udg_status status = call(&message);
    const int failed = allocator.calls >= n;
    allocator.fail_at = 0;
    if (allocator.live != live)
      fail_msg("%s, allocation %zu: %zu blocks left", name, n, allocator.live - live);
    if (!failed) {
      if (status != UDG_OK)
        fail_msg("%s: %s", name, message.text);
      break;
    }
    if (status != UDG_ERROR_MEMORY || !message.text[0])
      fail_msg("%s, allocation %zu: status %d \"%s\"", name, n, (int)status, message.text);
  }
  if (n - 1 < least)
    fail_msg("%s: only %zu allocations", name, n - 1);
}

static test_bytes sample;

static udg_status image_from_memory(udg_message *message) {
  udg_image *image = NULL;
  const udg_status status =
      udg_image_from_memory(&settings, sample.bytes, sample.count, "sample", &image, message);
  udg_image_destroy(image);
  return status;
}

static udg_status image_from_file(udg_message *message) {
  udg_image *image = NULL;
  const udg_status status = udg_image_from_file(&settings, test_path("sample"), &image, message);
  udg_image_destroy(image);
  return status;
}

static udg_status image_from_grey(udg_message *message) {
  static const uint8_t pixels[6] = {1, 2, 3, 4, 5, 6};
  udg_image *image = NULL;
  const udg_status status = udg_image_from_grey(&settings, pixels, 3, 2, 3, &image, message);
  udg_image_destroy(image);
  return status;
}

static void images(void **state) {
  (void)state;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    sample = check_sample(kind);
    test_write_file(test_path("sample"), sample.bytes, sample.count);
    fail_at_each("udg_image_from_memory", image_from_memory, 1, 3);
    fail_at_each("udg_image_from_file", image_from_file, 1, 4);
    test_bytes_free(&sample);
  }
  fail_at_each("udg_image_from_grey", image_from_grey, 1, 2);
}

static test_bytes json, font;

static udg_status reference_from_memory(udg_message *message) {
  udg_reference *made = NULL;
  const udg_status status = udg_reference_from_memory(&settings, json.bytes, json.count, "a.json",
                                                      font.bytes, font.count, &made, message);
  udg_reference_destroy(made);
  return status;
}

static udg_status reference_from_file(udg_message *message) {
  udg_reference *made = NULL;
  const udg_status status = udg_reference_from_file(&settings, test_path("a.json"), &made, message);
  udg_reference_destroy(made);
  return status;
}

static void references(void **state) {
  (void)state;
  char path[512];
  snprintf(path, sizeof path, "%s/data/known.json", UDG_FUZZ_FOLDER);
  json = test_read_file(path);
  test_write_file(test_path("a.json"), json.bytes, json.count);
  fail_at_each("udg_reference_from_memory", reference_from_memory, 1, 8);
  fail_at_each("udg_reference_from_file", reference_from_file, 1, 9);
  if (access(font_path, R_OK) == 0) { /* the digits that the file leaves out */
    font = test_read_file(font_path);
    fail_at_each("udg_reference_from_memory with a font", reference_from_memory, 1, 20);
    test_bytes_free(&font);
  }
  test_bytes_free(&json);
}

static udg_inspector *kept;

static udg_status inspector_create(udg_message *message) {
  udg_inspector *made = NULL;
  const udg_status status = udg_inspector_create(&settings, coin_reference, &made, message);
  udg_inspector_destroy(made);
  return status;
}

static udg_status first_inspection(udg_message *message) {
  static udg_result result;
  udg_inspector *made = NULL;
  if (udg_inspector_create(&settings, reference, &made, message) != UDG_OK)
    return UDG_ERROR_MEMORY;
  const udg_status status = udg_inspect(made, close_up, NULL, &result, message);
  udg_inspector_destroy(made);
  return status;
}

static udg_status one_coin(udg_message *message) {
  static udg_result result;
  return udg_inspect_coin(kept, coin, 1, NULL, &result, message);
}

static udg_status same_coin(udg_message *message) {
  static udg_result each[2], joint;
  const udg_image *images[2] = {coin, coin};
  return udg_inspect_same_coin(kept, images, 2, NULL, each, &joint, message);
}

static void inspections(void **state) {
  (void)state;
  fail_at_each("udg_inspector_create", inspector_create, 1, 5);
  fail_at_each("udg_inspect", first_inspection, INSPECTION_STEP, 100);
  const size_t live = allocator.live;
  assert_int_equal(udg_inspector_create(&settings, coin_reference, &kept, NULL), UDG_OK);
  assert_int_equal(one_coin(NULL), UDG_OK); /* what is kept from photo to photo is there now */
  assert_int_equal(same_coin(NULL), UDG_OK);
  fail_at_each("udg_inspect_coin", one_coin, 1, 0);
  fail_at_each("udg_inspect_same_coin", same_coin, 1, 1);
  udg_inspector_destroy(kept);
  assert_int_equal(allocator.live, live);
}

/* One inspector through all its failures: each time it gets a little further, keeps what
 * it has made, and ends with the answer of one that never failed. */
static void an_inspector_outlives_its_failures(void **state) {
  (void)state;
  static udg_result want, got;
  const struct {
    const udg_reference *known;
    const udg_image *image;
  } cases[] = {{reference, close_up}, {coin_reference, coin}, {known_reference, known_coin}};
  for (int i = 0; i < 3; i++) {
    const udg_reference *known = cases[i].known;
    const udg_image *image = cases[i].image;
    const size_t live = allocator.live;
    assert_int_equal(udg_inspector_create(&settings, known, &kept, NULL), UDG_OK);
    assert_int_equal(udg_inspect(kept, image, NULL, &want, NULL), UDG_OK);
    udg_inspector_destroy(kept);
    assert_true(want.judged); /* to the last stage */
    assert_int_equal(want.marker_count, i == 2 ? 6 : 0);
    assert_int_equal(want.hub.applies, i == 2);
    assert_int_equal(udg_inspector_create(&settings, known, &kept, NULL), UDG_OK);
    udg_status status = UDG_ERROR_MEMORY;
    int failures = 0;
    for (; status == UDG_ERROR_MEMORY && failures < 5000; failures++) {
      udg_message message = {""};
      allocator.calls = 0;
      allocator.fail_at = 1 + GOING_ON_STEP * (size_t)failures;
      status = udg_inspect(kept, image, NULL, &got, &message);
      allocator.fail_at = 0;
      assert_true(status == UDG_OK || message.text[0]);
    }
    assert_int_equal(status, UDG_OK);
    assert_true(failures > 5);
    assert_int_equal(got.verdict, want.verdict);
    assert_true(got.evidence == want.evidence && got.p_value == want.p_value);
    assert_memory_equal(got.date_to_photo, want.date_to_photo, sizeof got.date_to_photo);
    assert_memory_equal(got.markers, want.markers, sizeof got.markers);
    assert_true(got.hub.log_ratio == want.hub.log_ratio);
    udg_inspector_destroy(kept);
    assert_int_equal(allocator.live, live);
  }
}

static udg_status result_to_json(udg_message *message) {
  static const udg_result empty = {.reference = "penny", .date = "17", .p_value = 1};
  char *text = NULL;
  const udg_status status = udg_result_to_json(&settings, &empty, "a.jpg", &text, message);
  udg_text_destroy(&settings, text);
  return status;
}

static udg_status error_to_json(udg_message *message) {
  char *text = NULL;
  const udg_status status = udg_error_to_json(&settings, "a.jpg", "broken", &text, message);
  udg_text_destroy(&settings, text);
  return status;
}

static udg_status results_to_json(udg_message *message) {
  static const udg_result two[2] = {{.reference = "penny", .date = "17", .p_value = 1},
                                    {.reference = "penny", .date = "18", .p_value = 1}};
  char *text = NULL;
  const udg_status status = udg_results_to_json(&settings, two, 2, "a.jpg", &text, message);
  udg_text_destroy(&settings, text);
  return status;
}

static udg_status joint_to_json(udg_message *message) {
  static const udg_result two[2] = {{.reference = "penny", .date = "17", .p_value = 1},
                                    {.reference = "penny", .date = "17", .p_value = 1}};
  static const char *const paths[2] = {"a.jpg", "b.jpg"};
  char *text = NULL;
  const udg_status status = udg_joint_to_json(&settings, &two[0], two, paths, 2, &text, message);
  udg_text_destroy(&settings, text);
  return status;
}

static void texts(void **state) {
  (void)state;
  fail_at_each("udg_results_to_json", results_to_json, 1, 1);
  fail_at_each("udg_joint_to_json", joint_to_json, 1, 1);
  fail_at_each("udg_result_to_json", result_to_json, 1, 1);
  fail_at_each("udg_error_to_json", error_to_json, 1, 1);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(images),      cmocka_unit_test(references),
      cmocka_unit_test(inspections), cmocka_unit_test(an_inspector_outlives_its_failures),
      cmocka_unit_test(texts),
  };
  const int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0;
}
