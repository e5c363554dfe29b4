/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The generator's whole coins: rim, trays, legend, cuts across the rim. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "made.h"
#include "make.h"

#define PI 3.141592653589793

static int set_up(void **state) {
  return made_set_up(state, "vellacombe");
}

static float cover_at(const ti_canvas *canvas, double x, double y) {
  return udg_plane_sample(&canvas->cover, x, y);
}

/* The rim is where the diameter and the homography say, half covered; within is
 * coin, without is table. */
static void whole_coin_lies_where_the_truth_says(void **state) {
  made *b = *state;
  ti_options o;
  ti_options_defaults(&o);
  o.whole = 1;
  o.coin_px[0] = o.coin_px[1] = 300;
  for (int index = 0; index < 3; index++) {
    ti_scene s;
    ti_canvas canvas;
    ti_field field = {0};
    ti_scene_draw(b->reference, &o, 4, index, 0, 0, &s);
    s.camera.tilt_rad[0] = 0.15;
    ti_camera_aim(&s, &s.camera);
    assert_int_equal(ti_picture_field(&b->settings, &s, &field), UDG_OK);
    assert_int_equal(ti_relief_build(&b->shapes, &s, &field), UDG_OK);
    assert_int_equal(ti_canvas_create(&b->settings, s.camera.width, s.camera.height, 1, &canvas),
                     UDG_OK);
    assert_int_equal(ti_canvas_add(&canvas, &s, &field, &field.h), UDG_OK);
    /* 22.4 mm; the coin's middle lies 9.2 mm above the date's origin: vellacombe.json. */
    for (int k = 0; k < 32; k++) {
      double at[3], r[3] = {0.97 * 11.2, 11.2, 1.03 * 11.2};
      for (int j = 0; j < 3; j++) {
        double x, y;
        udg_homography_apply(&s.camera.date_to_photo, r[j] * cos(2 * PI * k / 32),
                             r[j] * sin(2 * PI * k / 32) - 9.2, &x, &y);
        at[j] = cover_at(&canvas, x, y);
      }
      assert_true(fabs(at[0] - 1) < 0.01);
      assert_true(fabs(at[1] - 0.5) < 0.12);
      assert_true(fabs(at[2]) < 0.01);
    }
    ti_canvas_destroy(&canvas);
    udg_plane_destroy(&b->settings, &field.h);
  }
}

static void coins_of_a_tray_lie_apart(void **state) {
  made *b = *state;
  ti_options o;
  ti_options_defaults(&o);
  o.whole = 1;
  o.coins = 7;
  o.both_sides = 1;
  o.coin_px[0] = o.coin_px[1] = 120;
  for (int index = 0; index < 20; index++) {
    ti_scene s[TI_COINS_MAX];
    double x[7], y[7];
    assert_int_equal(ti_make_scenes(&b->shapes, b->reference, &o, 2, index, 0, s), UDG_OK);
    for (int k = 0; k < 7; k++) {
      const ti_camera *c = &s[k].camera;
      udg_homography_apply(&c->date_to_photo, 0, -9.2, &x[k], &y[k]);
      assert_int_equal(s[k].coin.other_side, k % 2);
      assert_true(x[k] > 60 && y[k] > 60 && x[k] < c->width - 60 && y[k] < c->height - 60);
      for (int j = 0; j < k; j++)
        assert_true(hypot(x[k] - x[j], y[k] - y[j]) > 121);
    }
  }
}

/* Largest difference of heights between a coin with and without doubling, at the legend. */
static double doubled_legend(made *b, int in_hub) {
  ti_options o;
  ti_scene s;
  ti_options_defaults(&o);
  o.design = 1;
  o.class_fixed = TI_DOUBLED;
  ti_scene_draw(b->reference, &o, 3, 0, 0, 0, &s);
  s.in_hub = in_hub;
  s.coin.doubling = (ti_offset){0.15, 0.1, 0};
  s.coin.doubling_strength = 0.6;
  ti_field with = {.px_per_mm = 30, .x0_mm = -6, .y0_mm = -20}, without = with;
  double most = 0;
  for (int k = 0; k < 2; k++) {
    ti_field *f = k ? &without : &with;
    s.coin.has_doubling = !k;
    assert_int_equal(udg_plane_create(&b->settings, 360, 150, &f->h), UDG_OK);
    assert_int_equal(ti_relief_build(&b->shapes, &s, f), UDG_OK);
  }
  for (int k = 0; k < 360 * 150; k++)
    most = fmax(most, fabs(with.h.v[k] - without.h.v[k]));
  udg_plane_destroy(&b->settings, &with.h);
  udg_plane_destroy(&b->settings, &without.h);
  return most;
}

static void only_a_hub_doubles_the_legend(void **state) {
  made *b = *state;
  assert_true(doubled_legend(b, 1) > 0.3 * b->reference->relief_mm);
  assert_true(doubled_legend(b, 0) == 0);
}

static void rim_cut_is_at_its_clock(void **state) {
  made *b = *state;
  ti_options o;
  ti_scene s;
  ti_options_defaults(&o);
  o.design = 1;
  ti_scene_draw(b->reference, &o, 3, 0, 0, 0, &s);
  s.coin.rim_cut_clock = 4;
  /* 120 degrees from the top, clockwise: right, below the middle. */
  double x = 9.9 * sin(2 * PI / 3), y = -9.9 * cos(2 * PI / 3) - 9.2;
  ti_field f[2];
  for (int k = 0; k < 2; k++) {
    f[k] = (ti_field){.px_per_mm = 30, .x0_mm = x - 1, .y0_mm = y - 1};
    s.coin.has_rim_cut = k;
    assert_int_equal(udg_plane_create(&b->settings, 61, 61, &f[k].h), UDG_OK);
    assert_int_equal(ti_relief_build(&b->shapes, &s, &f[k]), UDG_OK);
  }
  double most = 0;
  for (int k = 0; k < 61 * 61; k++)
    most = fmax(most, f[1].h.v[k] - f[0].h.v[k]);
  assert_true(most > 0.5 * s.coin.relief_mm);
  for (int k = 0; k < 2; k++)
    udg_plane_destroy(&b->settings, &f[k].h);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(whole_coin_lies_where_the_truth_says),
      cmocka_unit_test(coins_of_a_tray_lie_apart),
      cmocka_unit_test(only_a_hub_doubles_the_legend),
      cmocka_unit_test(rim_cut_is_at_its_clock),
  };
  return cmocka_run_group_tests(tests, set_up, made_tear_down);
}
