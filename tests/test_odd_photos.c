/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What no date can be read from: nothing, half a coin, a plate, another coin, alone or beside a
 * good one; and photos of mixed sizes to learn from. */
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

#include <underdigit/underdigit.h>

#include "made.h"
#include "support.h"

static made m, other;
static const char *const DATE = "1868";

static int group_set_up(void **state) {
  (void)state;
  return made_open(&m, "vellacombe") != 0 || made_open(&other, "karrow") != 0;
}

static int group_tear_down(void **state) {
  (void)state;
  made_close(&m);
  made_close(&other);
  test_directory_remove();
  return 0;
}

static udg_image *image_of(const udg_plane *grey, int left, int top, int width, int height) {
  udg_image *image = NULL;
  uint8_t *bytes = malloc((size_t)width * (size_t)height);
  assert_non_null(bytes);
  for (int y = 0; y < height; y++)
    for (int x = 0; x < width; x++)
      bytes[y * width + x] =
          (uint8_t)fminf(fmaxf(udg_plane_row(grey, top + y)[left + x] + 0.5f, 0.0f), 255.0f);
  assert_int_equal(udg_image_from_grey(NULL, bytes, (uint32_t)width, (uint32_t)height,
                                       (size_t)width, &image, NULL),
                   UDG_OK);
  free(bytes);
  return image;
}

static ti_options options_of(const made *from, int whole, double low_px, double high_px) {
  ti_options options;
  ti_options_defaults(&options);
  options.class_fixed = TI_CLEAN;
  options.whole = whole;
  options.date_fixed = -1;
  for (size_t i = 0; i < from->reference->date_count; i++)
    if (strcmp(from->reference->dates[i].text, DATE) == 0)
      options.date_fixed = (int)i;
  options.digit_px[0] = options.coin_px[0] = low_px;
  options.digit_px[1] = options.coin_px[1] = high_px;
  return options;
}

/* `half`: without the half of the coin that the date is on. */
static udg_image *draw(const made *from, const ti_options *options, uint64_t seed, int index,
                       int half) {
  ti_scene scene;
  udg_plane grey = {0};
  made_draw(from, options, seed, index, &scene, &grey);
  int box[4] = {0, 0, grey.width, grey.height};
  if (half) {
    double x, y, middle[2] = {0.5 * grey.width, 0.5 * grey.height};
    udg_homography_apply(&scene.camera.date_to_photo, 0.0, -0.5, &x, &y);
    int across = fabs(x - middle[0]) > fabs(y - middle[1]);
    box[across ? 2 : 3] /= 2;
    if (across ? x < middle[0] : y < middle[1])
      box[across ? 0 : 1] = box[across ? 2 : 3];
  }
  udg_image *image = image_of(&grey, box[0], box[1], box[2], box[3]);
  udg_plane_destroy(&from->settings, &grey);
  return image;
}

/* A white plate with a rim on a dark table; a table alone. */
static udg_image *plate(int with_plate) {
  enum { SIDE = 500 };
  udg_plane grey = {0};
  uint64_t random = 3;
  assert_int_equal(udg_plane_create(&m.settings, SIDE, SIDE, &grey), UDG_OK);
  for (int y = 0; y < SIDE; y++)
    for (int x = 0; x < SIDE; x++) {
      double r = hypot((x - 250.0) / 210.0, (y - 240.0) / 190.0);
      double level = !with_plate || r > 1.0 ? 70.0 : r > 0.93 ? 235.0 : r > 0.7 ? 205.0 : 215.0;
      udg_plane_row(&grey, y)[x] = (float)(level + (double)(test_random(&random) % 9) - 4.0);
    }
  udg_image *image = image_of(&grey, 0, 0, SIDE, SIDE);
  udg_plane_destroy(&m.settings, &grey);
  return image;
}

enum { ODD = 4 };
static const char *const NAMES[ODD] = {"table", "plate", "half a coin", "another coin"};
static const char *const TOLD[ODD] = {"no date was found", "something as round", "only in part",
                                      "another coin"};

static udg_image *odd_photo(int k) {
  ti_options coin = options_of(&m, 1, 520.0, 560.0);
  ti_options foreign = options_of(&other, 1, 520.0, 560.0);
  return k < 2 ? plate(k) : k == 2 ? draw(&m, &coin, 61, 0, 1) : draw(&other, &foreign, 62, 0, 0);
}

/* Each is undecided, and says why. */
static void inspected_they_are_undecided(void **state) {
  (void)state;
  udg_inspector *inspector = NULL;
  static udg_result result;
  assert_int_equal(udg_inspector_create(NULL, m.reference, &inspector, NULL), UDG_OK);
  for (int k = 0; k < ODD; k++) {
    udg_image *image = odd_photo(k);
    assert_int_equal(udg_inspect(inspector, image, DATE, &result, NULL), UDG_OK);
    print_message("%s: %s\n", NAMES[k], result.reason_count ? result.reasons[0] : "-");
    assert_int_equal(result.judged, 0);
    assert_int_equal(result.verdict, UDG_VERDICT_UNDECIDED);
    assert_true(result.reason_count > 0 && strstr(result.reasons[0], TOLD[k]));
    udg_image_destroy(image);
  }
  udg_inspector_destroy(inspector);
}

/* To learn from, they are left out by name, and two good photos beside them are too few: nothing
 * is written. */
static void they_teach_nothing(void **state) {
  (void)state;
  udg_learner *learner = NULL;
  udg_message message = {""};
  udg_learn_photo photo;
  udg_learn_report report = {0};
  ti_options near = options_of(&m, 0, 60.0, 90.0);
  assert_int_equal(udg_learner_create(NULL, m.reference, DATE, &learner, NULL), UDG_OK);
  for (int k = 0; k < ODD + 2; k++) {
    udg_image *image = k < ODD ? odd_photo(k) : draw(&m, &near, 63, k, 0);
    assert_int_equal(udg_learner_add(learner, image, k < ODD ? NAMES[k] : "plain", NULL), UDG_OK);
    udg_image_destroy(image);
  }
  assert_int_equal(udg_learner_finish(learner, &report, &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "only 2 of 6 photos"));
  for (size_t k = 0; k < ODD; k++) {
    assert_int_equal(udg_learner_photo(learner, k, &photo), UDG_OK);
    assert_string_equal(photo.name, NAMES[k]);
    assert_int_equal(photo.fate, UDG_LEARN_NO_DATE);
    assert_non_null(strstr(photo.why, TOLD[k]));
  }
  const char *path = test_path("odd.json");
  assert_int_equal(udg_learner_write(learner, path, &message), UDG_ERROR_ARGUMENT);
  assert_int_equal(access(path, F_OK), -1);
  udg_learner_destroy(learner);
}

/* Whole coins and close-ups, small and large, teach together. */
static void mixed_sizes_teach(void **state) {
  (void)state;
  static const double sizes[][3] = {{1, 520, 560}, {1, 900, 940}, {0, 40, 44},
                                    {0, 70, 80},   {0, 110, 120}, {0, 60, 64}};
  enum { PHOTOS = sizeof sizes / sizeof *sizes };
  udg_learner *learner = NULL;
  udg_learn_report report = {0};
  assert_int_equal(udg_learner_create(NULL, m.reference, DATE, &learner, NULL), UDG_OK);
  for (int k = 0; k < PHOTOS; k++) {
    ti_options options = options_of(&m, sizes[k][0] > 0.0, sizes[k][1], sizes[k][2]);
    udg_image *image = draw(&m, &options, 64, k, 0);
    assert_int_equal(udg_learner_add(learner, image, "plain", NULL), UDG_OK);
    udg_image_destroy(image);
  }
  udg_message message = {""};
  if (udg_learner_finish(learner, &report, &message) != UDG_OK)
    fail_msg("%s", message.text);
  print_message("%d of %d used\n", report.used_count, PHOTOS);
  assert_true(report.used_count >= PHOTOS - 1);
  udg_learner_destroy(learner);
}

/* Pixels of an image at (left, 0) of a plane. */
static void lay(const udg_image *image, udg_plane *plane, int left) {
  uint32_t width = udg_image_width(image), height = udg_image_height(image);
  uint8_t *bytes = malloc((size_t)width * height);
  assert_non_null(bytes);
  assert_int_equal(udg_image_grey(image, NULL, width, height, bytes), UDG_OK);
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++)
      udg_plane_row(plane, (int)y)[left + (int)x] = (float)bytes[y * width + x];
  free(bytes);
}

/* Two coins side by side, one of another type: the one is judged, the other is told as that. */
static void two_different_coins(void **state) {
  (void)state;
  ti_options own = options_of(&m, 1, 520.0, 560.0), foreign = options_of(&other, 1, 520.0, 560.0);
  udg_image *coin[2] = {draw(&m, &own, 65, 0, 0), draw(&other, &foreign, 62, 0, 0)};
  int width[2], height = 0;
  for (int k = 0; k < 2; k++) {
    width[k] = (int)udg_image_width(coin[k]);
    height = (int)fmax(height, udg_image_height(coin[k]));
  }
  udg_plane both = {0};
  udg_inspector *inspector = NULL;
  static udg_result result;
  assert_int_equal(udg_plane_create(&m.settings, width[0] + width[1], height, &both), UDG_OK);
  lay(coin[0], &both, 0);
  lay(coin[1], &both, width[0]);
  udg_image *image = image_of(&both, 0, 0, both.width, both.height);
  assert_int_equal(udg_inspector_create(NULL, m.reference, &inspector, NULL), UDG_OK);
  assert_int_equal(udg_inspect(inspector, image, DATE, &result, NULL), UDG_OK);
  assert_int_equal(result.coin_count, 2);
  assert_int_equal(result.coin_index, 1);
  assert_true(result.judged);
  assert_int_equal(udg_inspect_coin(inspector, image, 2, DATE, &result, NULL), UDG_OK);
  assert_false(result.judged);
  assert_non_null(strstr(result.reasons[0], "another coin"));
  udg_inspector_destroy(inspector);
  udg_plane_destroy(&m.settings, &both);
  udg_image_destroy(image);
  for (int k = 0; k < 2; k++)
    udg_image_destroy(coin[k]);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(inspected_they_are_undecided),
      cmocka_unit_test(they_teach_nothing),
      cmocka_unit_test(two_different_coins),
      cmocka_unit_test(mixed_sizes_teach),
  };
  return cmocka_run_group_tests(tests, group_set_up, group_tear_down);
}
