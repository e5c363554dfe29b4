/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The generator's relief: shoulders, distances, what covers what, where the camera puts it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "made.h"
#include "relief.h"

static int set_up(void **state) {
  return made_set_up(state, "vellacombe");
}

static void shoulders_rise_from_field_to_top(void **state) {
  (void)state;
  for (int p = 0; p < TI_PROFILE_COUNT; p++) {
    double last = 0;
    for (int k = -40; k <= 140; k++) {
      double rise = ti_profile_rise((ti_profile)p, 0.15 * k / 100, 0.15);
      assert_true(rise >= last - 1e-12 && rise <= 1 + 1e-12);
      last = rise;
    }
    assert_float_equal(ti_profile_rise((ti_profile)p, -0.06, 0.15), 0, 1e-12);
    assert_float_equal(ti_profile_rise((ti_profile)p, 0.21, 0.15), 1, 1e-12);
  }
  /* The smooth one is the library's height model. */
  for (int k = -20; k <= 120; k++)
    assert_float_equal(ti_profile_rise(TI_PROFILE_SMOOTH, 0.01 * k, 1),
                       udg_relief_profile(0.01 * k, 1), 1e-12);
}

/* Two ways to the same distance: the library's by tiles, the generator's by splats. */
static void distances_agree_with_the_library(void **state) {
  made *b = *state;
  udg_message message;
  for (int d = 0; d < 10; d++) {
    const ti_shape *shape = &b->shapes.digits[d];
    udg_plane far = {0};
    int w = shape->distance_mm.width, h = shape->distance_mm.height;
    assert_int_equal(udg_plane_create(&b->settings, w, h, &far), UDG_OK);
    /* Sample (0, 0) of the shape is the centre of pixel (0, 0). */
    assert_int_equal(udg_relief_distance(&b->settings, &b->reference->digits[d], shape->px_per_mm,
                                         0, 0.5 - shape->x0_mm * shape->px_per_mm,
                                         0.5 - shape->y0_mm * shape->px_per_mm, &far, &message),
                     UDG_OK);
    for (int k = 0; k < w * h; k++) {
      double mm = far.v[k] / shape->px_per_mm;
      mm = fmax(-shape->band_mm, fmin(shape->band_mm, mm));
      assert_float_equal(mm, shape->distance_mm.v[k], 1e-4);
    }
    udg_plane_destroy(&b->settings, &far);
  }
}

static void build(made *b, ti_scene *scene, ti_field *field) {
  assert_int_equal(ti_picture_field(&b->settings, scene, field), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, scene, field), UDG_OK);
}

static void present_digit_covers_the_trace(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  ti_field both = {0}, present = {0};
  o.class_fixed = TI_UNDERDIGIT;
  ti_scene_draw(b->reference, &o, 11, 0, 0, 0, &scene);
  scene.coin.under.offset = (ti_offset){scene.coin.digits[3].dx + 0.1, -0.2, 0.02};
  scene.coin.under.place = 3;
  scene.coin.under.digit = '2';
  scene.coin.under.strength = 0.6;
  scene.coin.under.polish = 0.2;
  build(b, &scene, &both);
  scene.coin.has_under = 0;
  build(b, &scene, &present);
  /* The trace alone, from the outline and nothing else of the generator. */
  udg_plane far = {0};
  udg_message message;
  double centre[2], turn, ppm = both.px_per_mm, highest = 0;
  ti_scene_place(&scene, 3, &scene.coin.under.offset, centre, &turn);
  assert_int_equal(udg_plane_create(&b->settings, both.h.width, both.h.height, &far), UDG_OK);
  assert_int_equal(udg_relief_distance(&b->settings, &b->reference->digits[2], ppm, turn,
                                       (centre[0] - both.x0_mm) * ppm + 0.5,
                                       (centre[1] - both.y0_mm) * ppm + 0.5, &far, &message),
                   UDG_OK);
  for (int k = 0; k < both.h.width * both.h.height; k++) {
    double rise = udg_relief_profile(far.v[k] / ppm, scene.coin.bevel_mm);
    double trace = scene.coin.relief_mm * fmax(0, 0.6 * rise - 0.6 * 0.2);
    double expected = fmax(trace, present.h.v[k]);
    /* Between samples of the shape, most at the middle line of a stroke. */
    assert_true(fabs(both.h.v[k] - expected) < 0.02 * scene.coin.relief_mm);
    highest = fmax(highest, trace);
  }
  assert_true(highest > 0.35 * scene.coin.relief_mm);
  udg_plane_destroy(&b->settings, &far);
  udg_plane_destroy(&b->settings, &both.h);
  udg_plane_destroy(&b->settings, &present.h);
}

static void visible_share_counts_what_sticks_out(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  o.class_fixed = TI_REPUNCHED;
  ti_scene_draw(b->reference, &o, 11, 0, 0, 0, &scene);
  scene.coin.under.place = 3;
  scene.coin.under.digit = scene.date->text[3];
  scene.coin.under.strength = 0.5;
  scene.coin.under.offset = scene.coin.digits[3];
  assert_int_equal(ti_relief_visible(&b->shapes, &scene), UDG_OK);
  assert_float_equal(scene.visible_share, 0, 0.001); /* right under the present digit */
  scene.coin.under.offset.dy += 5; /* out of the way, out of the little grid too */
  scene.coin.under.place = 0;
  scene.coin.under.offset = (ti_offset){0, -1.4 * scene.date->height_mm, 0};
  scene.coin.under.digit = '1';
  assert_int_equal(ti_relief_visible(&b->shapes, &scene), UDG_OK);
  assert_float_equal(scene.visible_share, 1, 0.001);
}

/* Where the truth says that the edge of a digit is, the photo has it: heights
 * themselves, seen through a tilted camera, against the distance to the outline. */
static void homography_leads_to_the_relief(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  o.digit_px[0] = o.digit_px[1] = 90;
  ti_scene_draw(b->reference, &o, 21, 0, 0, 0, &scene);
  scene.coin.cls = TI_CLEAN;
  scene.coin.has_under = scene.coin.has_doubling = scene.coin.has_fragment = 0;
  scene.coin.mark_count = 0;
  scene.camera.tilt_rad[0] = 0.2;
  scene.camera.tilt_rad[1] = -0.15;
  scene.camera.roll_rad = 0.3;
  scene.camera.distance_mm = 50;
  ti_camera_frame(&scene.camera, 60, 8, 4);
  ti_camera_aim(&scene, &scene.camera);
  scene.post.noise = 0;
  ti_field field = {0};
  ti_pixels pixels = {0};
  build(b, &scene, &field);
  for (int k = 0; k < field.h.width * field.h.height; k++)
    field.h.v[k] *= (float)(250 / scene.coin.relief_mm);
  assert_int_equal(ti_post_ideal(&b->settings, &scene, &field, &field.h, &pixels), UDG_OK);
  int seen = 0;
  for (int place = 0; place < 4; place++) {
    int digit = scene.date->text[place] - '0';
    double centre[2], turn;
    ti_scene_place(&scene, place, &scene.coin.digits[place], centre, &turn);
    for (double y = -0.9; y <= 0.9; y += 0.02)
      for (double x = -0.6; x <= 0.6; x += 0.02) {
        double u, v, cx = centre[0] + cos(turn) * x - sin(turn) * y;
        double cy = centre[1] + sin(turn) * x + cos(turn) * y;
        udg_homography_apply(&scene.camera.date_to_photo, cx, cy, &u, &v);
        double d = ti_shape_distance(&b->shapes.digits[digit], x, y);
        double rise = udg_relief_profile(d, scene.coin.bevel_mm);
        double got = pixels.bytes[(int)v * pixels.width + (int)u];
        /* Half a pixel's diagonal at the steepest slope of the shoulder. */
        double per_px = 1.5 / scene.coin.bevel_mm * 250 / (90 / 1.5) * 1.25;
        assert_true(u > 0 && v > 0 && u < pixels.width && v < pixels.height);
        assert_true(fabs(got - 250 * rise) < 0.71 * per_px + 2);
        seen++;
      }
  }
  assert_true(seen > 20000);
  udg_memory_drop(&b->settings, pixels.bytes);
  udg_plane_destroy(&b->settings, &field.h);
}

/* The homography against a point carried through space: turned about the middle
 * of the date by the camera's axes, then seen from `distance_mm`. */
static void homography_is_a_pinhole(void **state) {
  made *b = *state;
  ti_options o = made_ideal();
  ti_scene scene;
  ti_scene_draw(b->reference, &o, 21, 0, 0, 0, &scene);
  ti_camera *cam = &scene.camera;
  cam->tilt_rad[0] = 0.25;
  cam->tilt_rad[1] = -0.1;
  cam->roll_rad = 0.4;
  cam->distance_mm = 40;
  cam->shift_mm[0] = cam->shift_mm[1] = 0;
  ti_camera_frame(cam, 60, 8, 4);
  ti_camera_aim(&scene, cam);
  double middle = scene.date->places[0].centre_mm[1], scale = cam->digit_px / scene.date->height_mm;
  for (int k = 0; k < 30; k++) {
    double x = -3 + 0.2 * k, y = -2 + 0.1 * k, p[3] = {x, y - middle, 0}, q[3], u, v;
    /* Turn in the plane, then about the upright axis, then about the level one. */
    q[0] = cos(0.4) * p[0] - sin(0.4) * p[1];
    q[1] = sin(0.4) * p[0] + cos(0.4) * p[1];
    p[0] = cos(-0.1) * q[0];
    p[2] = -sin(-0.1) * q[0];
    q[2] = sin(0.25) * q[1] + cos(0.25) * p[2];
    p[1] = cos(0.25) * q[1] - sin(0.25) * p[2];
    double nearer = 40 / (40 + q[2]);
    udg_homography_apply(&cam->date_to_photo, x, y, &u, &v);
    assert_true(fabs(u - (cam->width / 2.0 + scale * p[0] * nearer)) < 1e-9);
    assert_true(fabs(v - (cam->height / 2.0 + scale * p[1] * nearer)) < 1e-9);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(shoulders_rise_from_field_to_top),
      cmocka_unit_test(distances_agree_with_the_library),
      cmocka_unit_test(present_digit_covers_the_trace),
      cmocka_unit_test(visible_share_counts_what_sticks_out),
      cmocka_unit_test(homography_leads_to_the_relief),
      cmocka_unit_test(homography_is_a_pinhole),
  };
  return cmocka_run_group_tests(tests, set_up, made_tear_down);
}
