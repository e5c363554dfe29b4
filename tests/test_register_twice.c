/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A date set twice, drawn by the generator, found and registered as any other and then as set
 * twice: the displacement and the first image's place against the generator's truth. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "made_markers.h"
#include "make.h"
#include "register_twice.h"
#include "support.h"

/* Digits of the reference "karrow". */
static const double KARROW_MM = 1.7;
enum { EACH = 8 };

/* One picture: the displacement drawn, what was found, and how far off the digits it then has the
 * first image, set once and as a pair. */
typedef struct seen {
  double drawn_mm[2];
  udg_twice_pose twice;
  double off_once, off_twice;
} seen;

/* Root mean square distance of the digits from where they were drawn, in their heights. */
static double error_of(const ti_scene *scene, const udg_registration *r) {
  double sum = 0.0;
  int count = scene->date->place_count;
  for (int p = 0; p < count; p++) {
    double centre[2], turn, a[2], b[2];
    const double *nominal = scene->date->places[p].centre_mm;
    ti_scene_place(scene, p, &scene->coin.digits[p], centre, &turn);
    udg_homography_apply(&scene->camera.date_to_photo, centre[0], centre[1], &a[0], &a[1]);
    udg_homography_apply(&r->date_to_photo, nominal[0] + r->place_offset_mm[p][0],
                         nominal[1] + r->place_offset_mm[p][1], &b[0], &b[1]);
    sum += pow(hypot(a[0] - b[0], a[1] - b[1]) / scene->camera.digit_px, 2.0);
  }
  return sqrt(sum / count);
}

static void look(ti_class cls, uint64_t seed, seen all[EACH]) {
  made m;
  ti_options options;
  udg_find_state *find;
  udg_register_state *registers;
  udg_register_twice *twice;
  assert_int_equal(made_open(&m, "karrow"), 0);
  ti_options_defaults(&options);
  options.digit_px[0] = 45;
  options.digit_px[1] = 110;
  options.strength[0] = 0.5;
  options.class_fixed = (int)cls;
  options.date_fixed = 0;
  assert_int_equal(udg_find_create(&m.settings, m.reference, &find, NULL), UDG_OK);
  assert_int_equal(udg_register_create(&m.settings, m.reference, &registers, NULL), UDG_OK);
  assert_int_equal(udg_register_twice_create(&m.settings, m.reference, &twice, NULL), UDG_OK);
  for (int i = 0; i < EACH; i++) {
    udg_plane grey = {0};
    udg_find_result found;
    udg_registration once;
    ti_scene scene;
    ti_rng rng = ti_rng_create(seed, (uint64_t)i, 81);
    assert_int_equal(ti_make_scene(&m.shapes, m.reference, &options, seed, i, 0, &scene), UDG_OK);
    made_displace(&scene, ti_rng_range(&rng, 0.09, 0.13));
    made_picture(&m, &options, &scene, &grey);
    const udg_photo photo = udg_photo_of(&grey);
    assert_int_equal(udg_find_date(find, photo, 0, &found, NULL), UDG_OK);
    assert_int_equal(udg_register(registers, photo, 0, &found, &once, NULL), UDG_OK);
    assert_int_equal(udg_register_twice_run(twice, photo, 0, &once, &all[i].twice, NULL), UDG_OK);
    all[i].drawn_mm[0] = scene.coin.doubling.dx;
    all[i].drawn_mm[1] = scene.coin.doubling.dy;
    all[i].off_once = error_of(&scene, &once);
    if (all[i].twice.found)
      all[i].off_twice = error_of(&scene, &all[i].twice.registration);
    udg_plane_destroy(&m.settings, &grey);
  }
  udg_register_twice_destroy(twice);
  udg_register_destroy(registers);
  udg_find_destroy(find);
  made_close(&m);
}

/* Of two images of one height either may be the first. */
static double off(const seen *s) {
  const double dx = s->drawn_mm[0], dy = s->drawn_mm[1];
  const double *u = s->twice.shift_mm;
  return fmin(hypot(u[0] - dx, u[1] - dy), hypot(u[0] + dx, u[1] + dy)) / KARROW_MM;
}

static void both_images_are_found(void **state) {
  (void)state;
  static seen doubled[EACH], clean[EACH];
  int found = 0, near = 0, nearer = 0, none = 0;
  look(TI_DOUBLED, 61, doubled);
  look(TI_CLEAN, 62, clean);
  for (int i = 0; i < EACH; i++) {
    const seen *s = &doubled[i];
    none += !clean[i].twice.found || clean[i].twice.gain < 0.15;
    found += s->twice.found;
    if (!s->twice.found)
      continue;
    near += off(s) < 0.03;
    nearer += s->off_twice < s->off_once;
  }
  if (found < EACH - 1 || near < EACH - 2 || nearer < EACH - 3 || none < EACH - 2)
    fail_msg("of %d: found %d, displacement right %d, first image nearer %d; clean without %d",
             EACH, found, near, nearer, none);
}

static void a_date_that_is_not_there_is_no_error(void **state) {
  (void)state;
  made m;
  udg_register_twice *twice;
  udg_plane flat = {0};
  udg_twice_pose pose;
  udg_registration far = {.place_count = 4, .digit_height_px = 50.0};
  assert_int_equal(made_open(&m, "karrow"), 0);
  assert_int_equal(udg_register_twice_create(&m.settings, m.reference, &twice, NULL), UDG_OK);
  assert_int_equal(udg_plane_create(&m.settings, 80, 60, &flat), UDG_OK);
  far.date_to_photo = udg_homography_similarity(30.0, 0.0, 4000.0, 4000.0);
  assert_int_equal(udg_register_twice_run(twice, udg_photo_of(&flat), 0, &far, &pose, NULL),
                   UDG_OK);
  assert_false(pose.found);
  far.date_to_photo = udg_homography_similarity(10.0, 0.0, 40.0, 30.0);
  assert_int_equal(udg_register_twice_run(twice, udg_photo_of(&flat), 0, &far, &pose, NULL),
                   UDG_OK);
  assert_false(pose.found);
  udg_plane_destroy(&m.settings, &flat);
  udg_register_twice_destroy(twice);
  made_close(&m);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(both_images_are_found),
      cmocka_unit_test(a_date_that_is_not_there_is_no_error),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
