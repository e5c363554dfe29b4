/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Outlines from close-ups that show no rim: the project's own generator draws dates under one
 * lamp each, and knows their outlines. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

#include "made.h"
#include "relief.h"
#include "support.h"

enum { PHOTOS = 10 };
static made m;
static const char *const DATE = "1924";

static int group_set_up(void **state) {
  (void)state;
  return made_open(&m, "karrow");
}

static int group_tear_down(void **state) {
  (void)state;
  made_close(&m);
  test_directory_remove();
  return 0;
}

static size_t date_index(void) {
  size_t i = 0;
  while (strcmp(m.reference->dates[i].text, DATE) != 0)
    i++;
  return i;
}

static ti_options options_of(void) {
  ti_options options;
  ti_options_defaults(&options);
  options.class_fixed = TI_CLEAN;
  options.date_fixed = (int)date_index();
  options.ideal = 1;
  options.ideal_noise = 4.0;
  options.digit_px[0] = 60.0;
  options.digit_px[1] = 100.0;
  options.turn_rad[0] = -0.06;
  options.turn_rad[1] = 0.06;
  options.any_turn = 1;
  return options;
}

static udg_image *draw(uint64_t seed, int index, ti_scene *scene) {
  ti_options options = options_of();
  udg_plane grey = {0};
  udg_image *image = NULL;
  made_draw(&m, &options, seed, index, scene, &grey);
  size_t count = (size_t)grey.width * (size_t)grey.height;
  uint8_t *bytes = malloc(count);
  assert_non_null(bytes);
  for (size_t i = 0; i < count; i++)
    bytes[i] = (uint8_t)fminf(fmaxf(grey.v[i] + 0.5f, 0.0f), 255.0f);
  assert_int_equal(udg_image_from_grey(NULL, bytes, (uint32_t)grey.width, (uint32_t)grey.height,
                                       (size_t)grey.width, &image, NULL),
                   UDG_OK);
  free(bytes);
  udg_plane_destroy(&m.settings, &grey);
  return image;
}

/* Around the digits of a scene with a tenth of their height to spare. */
static void box_of(const ti_scene *scene, double box[4]) {
  const udg_date *date = scene->date;
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  double margin = 0.1 * date->height_mm;
  for (int p = 0; p < date->place_count; p++) {
    const udg_outline *digit = &m.reference->digits[date->places[p].digit - '0'];
    for (int corner = 0; corner < 4; corner++) {
      double at[2], mm[2];
      for (int axis = 0; axis < 2; axis++)
        mm[axis] = date->places[p].centre_mm[axis] +
                   (corner >> axis & 1 ? digit->high[axis] + margin : digit->low[axis] - margin);
      udg_homography_apply(&scene->camera.date_to_photo, mm[0], mm[1], &at[0], &at[1]);
      for (int axis = 0; axis < 2; axis++) {
        low[axis] = fmin(low[axis], at[axis]);
        high[axis] = fmax(high[axis], at[axis]);
      }
    }
  }
  for (int axis = 0; axis < 2; axis++) {
    box[axis] = fmax(low[axis], 0.0);
    box[2 + axis] = high[axis] - box[axis];
  }
}

/* Intersection over union of what two outlines cover, the second `scale` times as large. */
static double overlap(const udg_outline *a, const udg_outline *b, double scale) {
  enum { SIDE = 200 };
  udg_plane plane[2] = {{0}, {0}};
  udg_message message;
  double px_per_mm = 100.0 / fmax(a->high[1] - a->low[1], 1e-9), both = 0.0, any = 0.0;
  for (int k = 0; k < 2; k++) {
    const udg_outline *o = k ? b : a;
    double per_mm = k ? px_per_mm * scale : px_per_mm;
    assert_int_equal(udg_plane_create(&m.settings, SIDE, SIDE, &plane[k]), UDG_OK);
    assert_int_equal(
        udg_relief_distance_within(
            &m.settings, o, per_mm, 0.0, 0.5 * SIDE - 0.5 * per_mm * (o->low[0] + o->high[0]),
            0.5 * SIDE - 0.5 * per_mm * (o->low[1] + o->high[1]), 20.0f, &plane[k], &message),
        UDG_OK);
  }
  for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
    int first = plane[0].v[i] > 0.0f, second = plane[1].v[i] > 0.0f;
    both += first && second;
    any += first || second;
  }
  udg_plane_destroy(&m.settings, &plane[0]);
  udg_plane_destroy(&m.settings, &plane[1]);
  return any > 0.0 ? both / any : 0.0;
}

static udg_reference *learn(int *used) {
  udg_message message = {""};
  udg_outliner *outliner = NULL;
  udg_reference *learned = NULL;
  udg_learn_photo photo;
  for (int i = 0; i < PHOTOS; i++) {
    ti_scene scene;
    udg_image *image = draw(5, i, &scene);
    double box[4];
    box_of(&scene, box);
    if (i == 0)
      assert_int_equal(udg_outliner_create(NULL, m.reference, DATE, box, 0.0, &outliner, &message),
                       UDG_OK);
    if (udg_outliner_add(outliner, image, "close-up", &message) != UDG_OK)
      fail_msg("%s", message.text);
    udg_image_destroy(image);
  }
  udg_status status = udg_outliner_finish(outliner, &learned, &message);
  *used = 0;
  for (size_t i = 0; udg_outliner_photo(outliner, i, &photo) == UDG_OK; i++)
    *used += photo.fate == UDG_LEARN_USED;
  udg_outliner_destroy(outliner);
  if (status != UDG_OK)
    fail_msg("%s", message.text);
  return learned;
}

/* The learned digits cover what the real ones do, and with them the date is found on a close-up
 * that was not learned from. */
static void close_ups_teach_outlines(void **state) {
  (void)state;
  int used;
  udg_reference *learned = learn(&used);
  const udg_date *date = &learned->dates[0], *real = &m.reference->dates[date_index()];
  double scale = (date->places[3].centre_mm[0] - date->places[0].centre_mm[0]) /
                 (real->places[3].centre_mm[0] - real->places[0].centre_mm[0]);
  print_message("%d of %d used; height %.3f of %.3f mm; overlap", used, PHOTOS, date->height_mm,
                real->height_mm);
  assert_true(used >= PHOTOS - 1);
  test_near(date->height_mm / scale, real->height_mm, 0.1 * real->height_mm);
  assert_true(udg_reference_diameter_mm(learned) == 0.0); /* nothing tells the coin's */
  for (int p = 0; p < 4; p++) {
    int d = DATE[p] - '0';
    double share = overlap(&learned->digits[d], &m.reference->digits[d], scale);
    print_message(" %c %.2f", DATE[p], share);
    assert_true(share > 0.5);
    double apart = (date->places[p].centre_mm[0] - date->places[0].centre_mm[0]) / scale;
    test_near(apart, real->places[p].centre_mm[0] - real->places[0].centre_mm[0],
              0.05 * real->height_mm);
  }
  print_message("\n");
  assert_true(learned->has_digit[3]); /* lent */
  ti_scene scene;
  udg_inspector *inspector = NULL;
  static udg_result result;
  udg_image *unseen = draw(6, 0, &scene);
  assert_int_equal(udg_inspector_create(NULL, learned, &inspector, NULL), UDG_OK);
  assert_int_equal(udg_inspect(inspector, unseen, NULL, &result, NULL), UDG_OK);
  assert_true(result.judged);
  assert_true(result.verdict != UDG_VERDICT_UNDERDIGIT);
  udg_homography found;
  memcpy(found.m, result.date_to_photo, sizeof found.m);
  double got[2], want[2],
      middle = 0.5 * (real->places[1].centre_mm[0] + real->places[2].centre_mm[0]);
  udg_homography_apply(&found, 0.5 * (date->places[1].centre_mm[0] + date->places[2].centre_mm[0]),
                       -0.5 * date->height_mm, &got[0], &got[1]);
  udg_homography_apply(&scene.camera.date_to_photo, middle, -0.5 * real->height_mm, &want[0],
                       &want[1]);
  double off = hypot(got[0] - want[0], got[1] - want[1]) / scene.camera.digit_px;
  print_message("date found %.3f digit heights off\n", off);
  assert_true(off < 0.08);
  udg_image_destroy(unseen);
  udg_inspector_destroy(inspector);
  udg_reference_destroy(learned);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(close_ups_teach_outlines),
  };
  return cmocka_run_group_tests(tests, group_set_up, group_tear_down);
}
