/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The generator of test pictures: random numbers, relief, light, camera. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "lamp.h"
#include "make.h"
#include "relief.h"

#define PI 3.141592653589793

typedef struct bench {
  udg_settings settings;
  udg_reference *reference;
  ti_shapes shapes;
} bench;

static int set_up(void **state) {
  static bench b;
  udg_message message = {""};
  udg_settings_resolve(&b.settings, NULL);
  if (udg_reference_from_file(&b.settings, TI_REFERENCES "/vellacombe.json", &b.reference,
                              &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 1;
  }
  *state = &b;
  return ti_shapes_create(&b.settings, b.reference, &b.shapes) == UDG_OK ? 0 : 1;
}

static int tear_down(void **state) {
  bench *b = *state;
  ti_shapes_destroy(&b->shapes);
  udg_reference_destroy(b->reference);
  return 0;
}

/* Source: Rosetta Code, "Pseudo-random numbers/Splitmix64", seed 1234567 (from memory). */
static void splitmix_gives_the_published_numbers(void **state) {
  (void)state;
  ti_rng rng = {1234567};
  assert_true(ti_rng_bits(&rng) == UINT64_C(6457827717110365317));
  assert_true(ti_rng_bits(&rng) == UINT64_C(3203168211198807973));
  assert_true(ti_rng_bits(&rng) == UINT64_C(9817491932198370423));
}

/* Moments of n draws x: standard errors 1, sqrt 2, sqrt 24 over sqrt n; 5 of them allowed. */
static void check_moments(double (*draw)(ti_rng *), double excess) {
  enum { N = 400000 };
  ti_rng rng = ti_rng_create(3, 1, 4);
  double sum = 0, square = 0, fourth = 0;
  for (int k = 0; k < N; k++) {
    double x = draw(&rng);
    sum += x;
    square += x * x;
    fourth += x * x * x * x;
  }
  double root = sqrt(N), variance = square / N;
  assert_true(fabs(sum / N) < 5 / root);
  assert_true(fabs(variance - 1) < 5 * sqrt(2.0) / root);
  assert_true(fabs(fourth / N / (variance * variance) - 3 - excess) < 5 * sqrt(24.0) / root);
}

static double fast(ti_rng *rng) {
  return ti_rng_fast_normal(rng);
}

static void normal_numbers_have_the_right_moments(void **state) {
  (void)state;
  check_moments(ti_rng_normal, 0);
  check_moments(fast, -1.2 / 8); /* sum of n uniforms: excess kurtosis -6 / (5 n) */
}

static void streams_do_not_touch_each_other(void **state) {
  (void)state;
  ti_rng a = ti_rng_create(1, 2, 3), b = ti_rng_create(1, 2, 3), c = ti_rng_create(1, 2, 4);
  ti_rng d = ti_rng_create(1, 3, 3), e = ti_rng_create(2, 2, 3);
  uint64_t first = ti_rng_bits(&a);
  assert_true(first == ti_rng_bits(&b));
  assert_true(first != ti_rng_bits(&c) && first != ti_rng_bits(&d) && first != ti_rng_bits(&e));
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
  bench *b = *state;
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

static ti_options plain_options(void) {
  ti_options o;
  ti_options_defaults(&o);
  o.ideal = 1;
  o.date_fixed = 0;
  return o;
}

static void build(bench *b, ti_scene *scene, ti_field *field) {
  assert_int_equal(ti_picture_field(&b->settings, scene, field), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, scene, field), UDG_OK);
}

static void present_digit_covers_the_trace(void **state) {
  bench *b = *state;
  ti_options o = plain_options();
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
  bench *b = *state;
  ti_options o = plain_options();
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
  bench *b = *state;
  ti_options o = plain_options();
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
  bench *b = *state;
  ti_options o = plain_options();
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

/* A matt bump under a lamp against its first order: the misfit goes with the
 * square of the slope (Pentland, Int. J. Computer Vision 4, 1990). */
static void linear_shading_errs_with_the_square_of_the_slope(void **state) {
  (void)state;
  ti_camera camera = {0};
  double last = 0;
  for (int step = 0; step < 4; step++) {
    double slope = 0.2 / (1 << step), sum = 0;
    ti_lamp lamp = {.azimuth_rad = 0.7, .elevation_rad = 0.8};
    double l[3];
    ti_lamp_direction(&lamp, &camera, l);
    for (int j = -20; j <= 20; j++)
      for (int i = -20; i <= 20; i++) {
        double x = 0.1 * i, y = 0.1 * j, g = slope * exp(-0.5 * (x * x + y * y));
        double misfit = ti_lamp_lambert(l, -x * g, -y * g) - ti_lamp_linear(l, -x * g, -y * g);
        sum += misfit * misfit;
      }
    double rms = sqrt(sum);
    if (step)
      assert_true(fabs(last / rms - 4) < 0.1);
    last = rms;
  }
}

/* Pentland's linear image: a wave of the height becomes the same wave a quarter
 * ahead, I_F = i (w_x cos t + w_y sin t) cos(elevation) H_F up to the sign that
 * the direction of slopes has; for every azimuth of the lamp. */
static void linear_shading_turns_waves_by_a_quarter(void **state) {
  bench *b = *state;
  enum { N = 64 };
  ti_scene scene;
  memset(&scene, 0, sizeof scene);
  for (int a = 0; a < 24; a++) {
    scene.light.lamp_count = 1;
    scene.light.lamps[0] = (ti_lamp){.azimuth_rad = 2 * PI * a / 24, .elevation_rad = 0.6};
    double wx = 2 * PI * 3 / N, wy = 2 * PI * 2 / N, ahead = 0, along = 0, flat = 0;
    ti_field field = {.px_per_mm = 10};
    udg_plane light = {0};
    assert_int_equal(udg_plane_create(&b->settings, N + 2, N + 2, &field.h), UDG_OK);
    for (int y = 0; y < N + 2; y++)
      for (int x = 0; x < N + 2; x++)
        udg_plane_row(&field.h, y)[x] = (float)(0.01 * cos(wx * x + wy * y));
    assert_int_equal(ti_shade_linear(&b->settings, &scene, &field, 100, &light), UDG_OK);
    for (int y = 1; y <= N; y++)
      for (int x = 1; x <= N; x++) {
        double v = udg_plane_row(&light, y)[x] - 128, phase = wx * x + wy * y;
        ahead += 2 * v * sin(phase) / (N * N);
        along += 2 * v * cos(phase) / (N * N);
        flat += v / (N * N);
      }
    /* Slopes by central differences: sin(w) for w. */
    double t = 2 * PI * a / 24, towards = sin(wx) * cos(t) + sin(wy) * sin(t);
    assert_float_equal(along, 0, 0.2);
    assert_float_equal(flat, 0, 0.2);
    assert_float_equal(ahead, towards > 0 ? 50 : -50, 2.0);
    udg_plane_destroy(&b->settings, &light);
    udg_plane_destroy(&b->settings, &field.h);
  }
}

static void lamp_above_leaves_no_linear_shading(void **state) {
  bench *b = *state;
  ti_options o = plain_options();
  ti_scene scene;
  ti_pixels pixels = {0};
  o.overhead = 1;
  o.ideal_noise = 0;
  ti_scene_draw(b->reference, &o, 5, 0, 0, 0, &scene);
  assert_int_equal(ti_picture_draw(&b->shapes, &o, &scene, 1, &pixels), UDG_OK);
  for (int k = 0; k < pixels.width * pixels.height; k++)
    assert_int_equal(pixels.bytes[k], 128);
  udg_memory_drop(&b->settings, pixels.bytes);
}

static void ideal_noise_is_as_asked(void **state) {
  bench *b = *state;
  ti_options o = plain_options();
  ti_scene scene;
  ti_pixels pixels = {0};
  o.overhead = 1; /* a flat picture, noise alone */
  o.digit_px[0] = 120;
  o.ideal_noise = 10;
  ti_scene_draw(b->reference, &o, 5, 0, 0, 0, &scene);
  assert_int_equal(ti_picture_draw(&b->shapes, &o, &scene, 1, &pixels), UDG_OK);
  double sum = 0;
  int n = pixels.width * pixels.height;
  for (int k = 0; k < n; k++)
    sum += (pixels.bytes[k] - 128.0) * (pixels.bytes[k] - 128.0);
  /* Rounding adds 1/12; the deviation is known to 1 / sqrt(2 n). */
  assert_true(fabs(sqrt(sum / n) - sqrt(100 + 1.0 / 12)) < 5 * 10 / sqrt(2.0 * n));
  udg_memory_drop(&b->settings, pixels.bytes);
}

static void same_seed_same_bytes(void **state) {
  bench *b = *state;
  ti_options o;
  ti_options_defaults(&o);
  o.digit_px[1] = 50;
  uint8_t *last = NULL;
  size_t last_bytes = 0;
  for (int run = 0; run < 3; run++) {
    ti_scene scene;
    ti_pixels pixels = {0};
    assert_int_equal(ti_make_scene(&b->shapes, b->reference, &o, run < 2 ? 7 : 8, 3, 0, &scene),
                     UDG_OK);
    assert_int_equal(ti_picture_draw(&b->shapes, &o, &scene, 1, &pixels), UDG_OK);
    size_t bytes = (size_t)pixels.width * (size_t)pixels.height * (size_t)pixels.channels;
    int same = last && bytes == last_bytes && !memcmp(last, pixels.bytes, bytes);
    assert_int_equal(same, run == 1);
    udg_memory_drop(&b->settings, last);
    last = pixels.bytes;
    last_bytes = bytes;
  }
  udg_memory_drop(&b->settings, last);
}

static void another_photo_shows_the_same_coin(void **state) {
  bench *b = *state;
  ti_options o;
  ti_scene one, two;
  ti_options_defaults(&o);
  o.class_fixed = TI_UNDERDIGIT;
  assert_int_equal(ti_make_scene(&b->shapes, b->reference, &o, 7, 3, 0, &one), UDG_OK);
  assert_int_equal(ti_make_scene(&b->shapes, b->reference, &o, 7, 3, 1, &two), UDG_OK);
  assert_memory_equal(&one.coin, &two.coin, sizeof one.coin);
  assert_true(memcmp(&one.light, &two.light, sizeof one.light) != 0);
  /* The surface too: on the same grid, the same heights. */
  ti_field a = {.px_per_mm = 60, .x0_mm = -1, .y0_mm = -1.5}, c = a;
  assert_int_equal(udg_plane_create(&b->settings, 100, 80, &a.h), UDG_OK);
  assert_int_equal(udg_plane_create(&b->settings, 100, 80, &c.h), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, &one, &a), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, &two, &c), UDG_OK);
  assert_memory_equal(a.h.v, c.h.v, 100 * 80 * sizeof(float));
  udg_plane_destroy(&b->settings, &a.h);
  udg_plane_destroy(&b->settings, &c.h);
}

static void surface_stays_when_the_frame_moves(void **state) {
  bench *b = *state;
  ti_options o;
  ti_scene scene;
  ti_options_defaults(&o);
  assert_int_equal(ti_make_scene(&b->shapes, b->reference, &o, 9, 1, 0, &scene), UDG_OK);
  scene.coin.grain_mm = 0.003;
  ti_field a = {.px_per_mm = 50, .x0_mm = -1, .y0_mm = -1.5};
  ti_field c = {.px_per_mm = 50, .x0_mm = -1 - 30 / 50.0, .y0_mm = -1.5 - 20 / 50.0};
  assert_int_equal(udg_plane_create(&b->settings, 140, 130, &a.h), UDG_OK);
  assert_int_equal(udg_plane_create(&b->settings, 140, 130, &c.h), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, &scene, &a), UDG_OK);
  assert_int_equal(ti_relief_build(&b->shapes, &scene, &c), UDG_OK);
  for (int y = 40; y < 80; y++) /* away from the edges, where softening mirrors */
    for (int x = 40; x < 80; x++)
      assert_float_equal(udg_plane_row(&a.h, y)[x], udg_plane_row(&c.h, y + 20)[x + 30], 2e-5);
  udg_plane_destroy(&b->settings, &a.h);
  udg_plane_destroy(&b->settings, &c.h);
}

static void every_class_has_what_it_says(void **state) {
  bench *b = *state;
  for (int cls = 0; cls < TI_CLASS_COUNT; cls++) {
    ti_options o;
    ti_options_defaults(&o);
    o.class_fixed = cls;
    for (int index = 0; index < 20; index++) {
      ti_scene s;
      assert_int_equal(ti_make_scene(&b->shapes, b->reference, &o, 1, index, 0, &s), UDG_OK);
      const ti_coin *c = &s.coin;
      assert_int_equal(c->cls, cls);
      assert_int_equal(c->has_under, cls == TI_UNDERDIGIT || cls == TI_REPUNCHED);
      assert_int_equal(c->has_doubling, cls == TI_DOUBLED);
      assert_int_equal(c->has_fragment, cls == TI_FRAGMENT);
      assert_int_equal(c->mark_count > 0, cls == TI_CRACK || cls == TI_SCRATCH || cls == TI_CHIP);
      if (c->has_under) {
        char present = s.date->text[c->under.place];
        assert_int_equal(c->under.digit == present, cls == TI_REPUNCHED);
        assert_true(s.visible_share >= 0.125);
      }
    }
  }
}

static void one_digit_alone_has_no_underdigit(void **state) {
  bench *b = *state;
  udg_reference lone = *b->reference;
  udg_date date = *lone.dates;
  strcpy(date.text, "8");
  date.place_count = 1;
  date.places[0].digit = '8';
  memset(lone.has_digit, 0, sizeof lone.has_digit);
  lone.has_digit[8] = 1;
  lone.dates = &date;
  lone.date_count = 1;
  lone.expected_count = 0;
  ti_options o;
  ti_options_defaults(&o);
  for (int index = 0; index < 60; index++) {
    ti_scene s;
    assert_int_equal(ti_make_scene(&b->shapes, &lone, &o, 1, index, 0, &s), UDG_OK);
    assert_true(s.coin.cls != TI_UNDERDIGIT && s.coin.cls != TI_FRAGMENT);
  }
}

/* From the year the date is in the hub no digit is loose, and an earlier date
 * comes with all of its digits. */
static void hub_dates_have_no_loose_digit(void **state) {
  bench *b = *state;
  udg_message message;
  udg_reference *hub = NULL;
  ti_shapes shapes;
  ti_options o;
  ti_options_defaults(&o);
  o.date_fixed = 0; /* 1955, in the hub since 1930 */
  assert_int_equal(
      udg_reference_from_file(&b->settings, TI_REFERENCES "/ostermere.json", &hub, &message),
      UDG_OK);
  assert_int_equal(ti_shapes_create(&b->settings, hub, &shapes), UDG_OK);
  for (int index = 0; index < 60; index++) {
    ti_scene s;
    assert_int_equal(ti_make_scene(&shapes, hub, &o, 1, index, 0, &s), UDG_OK);
    assert_true(s.in_hub);
    assert_int_not_equal(s.coin.cls, TI_REPUNCHED);
    for (int k = 0; k < 4; k++)
      assert_true(s.coin.digits[k].dx == 0 && s.coin.digits[k].turn_rad == 0);
    if (s.coin.has_under)
      assert_true(s.coin.has_doubling && s.coin.doubling.dx == s.coin.under.offset.dx);
  }
  o.date_fixed = 1; /* 1906: punched */
  ti_scene s;
  assert_int_equal(ti_make_scene(&shapes, hub, &o, 1, 0, 0, &s), UDG_OK);
  assert_false(s.in_hub);
  assert_true(s.coin.digits[0].dx != 0);
  ti_shapes_destroy(&shapes);
  udg_reference_destroy(hub);
}

static float cover_at(const ti_canvas *canvas, double x, double y) {
  return udg_plane_sample(&canvas->cover, x, y);
}

/* The rim is where the diameter and the homography say, half covered; within is
 * coin, without is table. */
static void whole_coin_lies_where_the_truth_says(void **state) {
  bench *b = *state;
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
    build(b, &s, &field);
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
  bench *b = *state;
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
static double doubled_legend(bench *b, int in_hub) {
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
  bench *b = *state;
  assert_true(doubled_legend(b, 1) > 0.3 * b->reference->relief_mm);
  assert_true(doubled_legend(b, 0) == 0);
}

static void rim_cut_is_at_its_clock(void **state) {
  bench *b = *state;
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
      cmocka_unit_test(splitmix_gives_the_published_numbers),
      cmocka_unit_test(normal_numbers_have_the_right_moments),
      cmocka_unit_test(streams_do_not_touch_each_other),
      cmocka_unit_test(shoulders_rise_from_field_to_top),
      cmocka_unit_test(distances_agree_with_the_library),
      cmocka_unit_test(present_digit_covers_the_trace),
      cmocka_unit_test(visible_share_counts_what_sticks_out),
      cmocka_unit_test(homography_leads_to_the_relief),
      cmocka_unit_test(homography_is_a_pinhole),
      cmocka_unit_test(linear_shading_errs_with_the_square_of_the_slope),
      cmocka_unit_test(linear_shading_turns_waves_by_a_quarter),
      cmocka_unit_test(lamp_above_leaves_no_linear_shading),
      cmocka_unit_test(ideal_noise_is_as_asked),
      cmocka_unit_test(same_seed_same_bytes),
      cmocka_unit_test(another_photo_shows_the_same_coin),
      cmocka_unit_test(surface_stays_when_the_frame_moves),
      cmocka_unit_test(every_class_has_what_it_says),
      cmocka_unit_test(one_digit_alone_has_no_underdigit),
      cmocka_unit_test(hub_dates_have_no_loose_digit),
      cmocka_unit_test(whole_coin_lies_where_the_truth_says),
      cmocka_unit_test(coins_of_a_tray_lie_apart),
      cmocka_unit_test(only_a_hub_doubles_the_legend),
      cmocka_unit_test(rim_cut_is_at_its_clock),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
