/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Dates on whole coins: coins drawn by the generator, their dates found again. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "coin_locate.h"
#include "make.h"
#include "register.h"
#include "support.h"

#define COINS 2 /* in each photo: the date's side and the other */

typedef struct bench {
  udg_settings settings;
  udg_reference *reference;
  udg_coin_state *coins;
  udg_coin_locator *locator;
  udg_register_state *registers;
  ti_shapes shapes;
} bench;

static void bench_open(bench *b, const char *path) {
  udg_message message = {""};
  *b = (bench){0};
  udg_settings_resolve(&b->settings, NULL);
  if (udg_reference_from_file(&b->settings, path, &b->reference, &message) != UDG_OK)
    fprintf(stderr, "%s\n", message.text);
  assert_non_null(b->reference);
  assert_int_equal(udg_coin_create(&b->settings, &b->coins, &message), UDG_OK);
  assert_int_equal(udg_coin_locator_create(&b->settings, b->reference, &b->locator, &message),
                   UDG_OK);
  assert_int_equal(udg_register_create(&b->settings, b->reference, &b->registers, &message),
                   UDG_OK);
  assert_int_equal(ti_shapes_create(&b->settings, b->reference, &b->shapes), UDG_OK);
}

static void bench_close(bench *b) {
  ti_shapes_destroy(&b->shapes);
  udg_register_destroy(b->registers);
  udg_coin_locator_destroy(b->locator);
  udg_coin_destroy(b->coins);
  udg_reference_destroy(b->reference);
}

/* Draws photo `index`; `grey` is the caller's to destroy. */
static void draw(bench *b, double coin_px, int index, ti_scene scenes[COINS], udg_plane *grey) {
  ti_options o;
  ti_pixels pixels = {0};
  ti_options_defaults(&o);
  o.whole = 1;
  o.coins = COINS;
  o.both_sides = 1;
  o.class_fixed = TI_CLEAN;
  o.coin_px[0] = o.coin_px[1] = coin_px;
  assert_int_equal(ti_make_scenes(&b->shapes, b->reference, &o, 5, index, 0, scenes), UDG_OK);
  for (int k = 0; k < COINS; k++) /* what wear and dirt hide is no matter of this test */
    scenes[k].coin.wear = scenes[k].coin.dirt = 0;
  assert_int_equal(ti_picture_draw(&b->shapes, &o, scenes, COINS, &pixels), UDG_OK);
  assert_int_equal(udg_plane_create(&b->settings, pixels.width, pixels.height, grey), UDG_OK);
  for (int i = 0; i < pixels.width * pixels.height; i++) {
    const uint8_t *p = pixels.bytes + i * pixels.channels;
    grey->v[i] = pixels.channels == 1
                     ? (float)p[0]
                     : 0.299f * (float)p[0] + 0.587f * (float)p[1] + 0.114f * (float)p[2];
  }
  udg_memory_drop(&b->settings, pixels.bytes);
}

/* Middle of a coin in the photo. */
static void middle_of(const bench *b, const udg_homography *date_to_photo, double at[2]) {
  const double *origin = b->reference->date_origin_mm;
  udg_homography_apply(date_to_photo, -origin[0], -origin[1], &at[0], &at[1]);
}

static const udg_ellipse *nearest(const udg_coin_result *found, const double at[2]) {
  const udg_ellipse *best = NULL;
  for (int i = 0; i < found->count; i++) {
    const udg_ellipse *e = &found->coins[i];
    if (hypot(e->centre[0] - at[0], e->centre[1] - at[1]) < 0.1 * e->semi[0])
      best = e;
  }
  return best;
}

/* Root mean square over the corners of the date's box, shares of the digits' height. */
static double pose_error(const ti_scene *scene, const udg_homography *truth,
                         const udg_homography *found) {
  const udg_date *date = scene->date;
  double sum = 0, scale = udg_homography_scale(truth, 0, 0);
  for (int k = 0; k < 4; k++) {
    double x = date->places[k & 1 ? date->place_count - 1 : 0].centre_mm[0];
    double y = k & 2 ? 0 : -date->height_mm, ax, ay, bx, by;
    udg_homography_apply(truth, x, y, &ax, &ay);
    udg_homography_apply(found, x, y, &bx, &by);
    sum += (ax - bx) * (ax - bx) + (ay - by) * (ay - by);
  }
  return sqrt(sum / 4) / (scale * date->height_mm);
}

/* The highest certainty of any date on this coin; `best` receives its candidates. */
static double locate(bench *b, const udg_plane *grey, const udg_ellipse *coin, size_t *date_index,
                     udg_find_result *best) {
  double highest = -1;
  for (size_t i = 0; i < b->reference->date_count; i++) {
    udg_find_result found;
    assert_int_equal(udg_coin_locate(b->locator, udg_photo_of(grey), i, coin, &found, NULL),
                     UDG_OK);
    double certainty = udg_coin_certainty(&found);
    assert_true(certainty >= 0 && certainty <= 1);
    for (int k = 1; k < found.count; k++)
      assert_true(found.candidates[k].score <= found.candidates[k - 1].score);
    if (certainty > highest) {
      highest = certainty;
      *date_index = i;
      *best = found;
    }
  }
  return highest;
}

/* The first candidate is a start good enough for the registration, which then stays
 * below the 8 % of the digits' height that count as a gross failure. */
static void assert_pose(bench *b, const udg_plane *grey, const ti_scene *scene,
                        const udg_homography *truth, size_t date, const udg_find_result *found) {
  udg_registration r;
  assert_ptr_equal(&b->reference->dates[date], scene->date);
  assert_true(pose_error(scene, truth, &found->candidates[0].date_to_photo) < 0.12);
  assert_int_equal(udg_register(b->registers, udg_photo_of(grey), date, found, &r, NULL), UDG_OK);
  assert_true(pose_error(scene, truth, &r.date_to_photo) < 0.08);
}

/* Straight dates and one along the rim; the other side has none. */
static void dates_at_any_turn(void **state) {
  (void)state;
  static const char *const paths[] = {TI_REFERENCES "/karrow.json",
                                      TI_REFERENCES "/ostermere.json"};
  for (int r = 0; r < 2; r++) {
    bench b;
    bench_open(&b, paths[r]);
    for (int index = 0; index < 3; index++) {
      ti_scene scenes[COINS];
      udg_plane grey = {0};
      udg_coin_result coins;
      draw(&b, 380, index, scenes, &grey);
      assert_int_equal(udg_coin_find(b.coins, udg_photo_of(&grey), &coins, NULL), UDG_OK);
      for (int k = 0; k < COINS; k++) {
        const udg_homography *truth = &scenes[k].camera.date_to_photo;
        double at[2];
        size_t date;
        udg_find_result found;
        middle_of(&b, truth, at);
        const udg_ellipse *coin = nearest(&coins, at);
        assert_non_null(coin);
        double certainty = locate(&b, &grey, coin, &date, &found);
        if (scenes[k].coin.other_side) {
          assert_true(certainty < 0.5);
          continue;
        }
        assert_true(certainty > 0.5);
        assert_pose(&b, &grey, &scenes[k], truth, date, &found);
        const udg_candidate *c = &found.candidates[0];
        assert_true(fabs(remainder(c->turn_rad - atan2(truth->m[3], truth->m[0]),
                                   6.283185307179586)) < 0.03);
      }
      udg_plane_destroy(&b.settings, &grey);
    }
    bench_close(&b);
  }
}

/* The photo squeezed to 0.8 along a diagonal: every coin an ellipse, every digit
 * slanted. */
static void slanted_coin(void **state) {
  (void)state;
  bench b;
  ti_scene scenes[COINS];
  udg_plane grey = {0}, squeezed = {0};
  udg_coin_result coins;
  bench_open(&b, TI_REFERENCES "/karrow.json");
  draw(&b, 420, 4, scenes, &grey);
  assert_int_equal(udg_plane_create(&b.settings, grey.width, grey.height, &squeezed), UDG_OK);
  /* 0.9 and -0.1: mean and half difference of 0.8 and 1; about the photo's middle. */
  double x = grey.width / 2.0, y = grey.height / 2.0;
  const udg_homography squeeze = {
      {0.9, -0.1, x - 0.9 * x + 0.1 * y, -0.1, 0.9, y + 0.1 * x - 0.9 * y, 0, 0, 1}};
  udg_homography back;
  assert_true(udg_homography_invert(&squeeze, &back));
  for (int j = 0; j < grey.height; j++)
    for (int i = 0; i < grey.width; i++) {
      udg_homography_apply(&back, i + 0.5, j + 0.5, &x, &y);
      udg_plane_row(&squeezed, j)[i] = udg_plane_sample(&grey, x, y);
    }
  udg_homography truth = udg_homography_after(&squeeze, &scenes[0].camera.date_to_photo);
  double at[2];
  size_t date;
  udg_find_result found;
  middle_of(&b, &truth, at);
  assert_int_equal(udg_coin_find(b.coins, udg_photo_of(&squeezed), &coins, NULL), UDG_OK);
  const udg_ellipse *coin = nearest(&coins, at);
  assert_non_null(coin);
  assert_true(coin->semi[1] < 0.85 * coin->semi[0]);
  assert_true(locate(&b, &squeezed, coin, &date, &found) > 0.5);
  assert_pose(&b, &squeezed, &scenes[0], &truth, date, &found);
  udg_plane_destroy(&b.settings, &grey);
  udg_plane_destroy(&b.settings, &squeezed);
  bench_close(&b);
}

static int stop(void *user) {
  (void)user;
  return 1;
}

static void what_cannot_be_searched(void **state) {
  (void)state;
  bench b;
  udg_plane grey = {0};
  udg_find_result found;
  bench_open(&b, TI_REFERENCES "/karrow.json");
  assert_int_equal(udg_plane_create(&b.settings, 400, 400, &grey), UDG_OK);
  udg_ellipse coin = {.centre = {200, 200}, .semi = {150, 150}};
  assert_int_equal(udg_coin_locate(b.locator, udg_photo_of(&grey), 9, &coin, &found, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_coin_locate(b.locator, udg_photo_of(&grey), 0, &coin, &found, NULL), UDG_OK);
  assert_true(udg_coin_certainty(&found) < 0.5); /* nothing on it */
  coin.semi[0] = coin.semi[1] = 30;              /* digits of 4 px */
  assert_int_equal(udg_coin_locate(b.locator, udg_photo_of(&grey), 0, &coin, &found, NULL), UDG_OK);
  assert_int_equal(found.count, 0);
  assert_true(udg_coin_certainty(&found) == 0);
  coin.semi[0] = coin.semi[1] = 150;
  b.reference->diameter_mm = 0;
  assert_int_equal(udg_coin_locate(b.locator, udg_photo_of(&grey), 0, &coin, &found, NULL), UDG_OK);
  assert_int_equal(found.count, 0);
  b.reference->diameter_mm = 24;
  udg_coin_locator *stopped = NULL;
  b.settings.cancel = stop;
  assert_int_equal(udg_coin_locator_create(&b.settings, b.reference, &stopped, NULL), UDG_OK);
  assert_int_equal(udg_coin_locate(stopped, udg_photo_of(&grey), 0, &coin, &found, NULL),
                   UDG_ERROR_CANCELLED);
  udg_coin_locator_destroy(stopped);
  udg_coin_locator_destroy(NULL);
  b.settings.cancel = NULL;
  udg_plane_destroy(&b.settings, &grey);
  bench_close(&b);
}

static void no_memory(void **state) {
  (void)state;
  bench b;
  udg_plane grey = {0};
  const udg_ellipse coin = {.centre = {200, 200}, .semi = {150, 150}};
  bench_open(&b, TI_REFERENCES "/karrow.json");
  assert_int_equal(udg_plane_create(&b.settings, 400, 400, &grey), UDG_OK);
  static const size_t fail_at[] = {1, 2, 3, 4, 5, 6, 8, 12, 30, 60, 100, 150};
  for (size_t i = 0; i < sizeof fail_at / sizeof fail_at[0]; i++) {
    test_allocator a = {.fail_at = fail_at[i]};
    udg_settings s = test_settings(&a);
    udg_coin_locator *locator = NULL;
    udg_find_result found;
    udg_message message = {""};
    udg_status status = udg_coin_locator_create(&s, b.reference, &locator, &message);
    if (status == UDG_OK)
      status = udg_coin_locate(locator, udg_photo_of(&grey), 0, &coin, &found, &message);
    assert_int_equal(status, UDG_ERROR_MEMORY);
    assert_true(message.text[0] != 0);
    udg_coin_locator_destroy(locator);
    assert_int_equal(a.live, 0);
  }
  udg_plane_destroy(&b.settings, &grey);
  bench_close(&b);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(dates_at_any_turn),
      cmocka_unit_test(slanted_coin),
      cmocka_unit_test(what_cannot_be_searched),
      cmocka_unit_test(no_memory),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
