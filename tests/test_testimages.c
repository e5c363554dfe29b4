/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The generator of test pictures: random numbers, what each class has, the same seed again. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "made.h"
#include "make.h"

static int set_up(void **state) {
  return made_set_up(state, "vellacombe");
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

static void same_seed_same_bytes(void **state) {
  made *b = *state;
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
  made *b = *state;
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
  made *b = *state;
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
  made *b = *state;
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
  made *b = *state;
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
  made *b = *state;
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

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(splitmix_gives_the_published_numbers),
      cmocka_unit_test(normal_numbers_have_the_right_moments),
      cmocka_unit_test(streams_do_not_touch_each_other),
      cmocka_unit_test(same_seed_same_bytes),
      cmocka_unit_test(another_photo_shows_the_same_coin),
      cmocka_unit_test(surface_stays_when_the_frame_moves),
      cmocka_unit_test(every_class_has_what_it_says),
      cmocka_unit_test(one_digit_alone_has_no_underdigit),
      cmocka_unit_test(hub_dates_have_no_loose_digit),
  };
  return cmocka_run_group_tests(tests, set_up, made_tear_down);
}
