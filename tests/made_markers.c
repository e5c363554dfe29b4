/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "made_markers.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "hub.h"
#include "marker_check.h"
#include "strike.h"
#include "twice.h"

struct made_markers {
  const made *m;
  size_t date_index;
  udg_upright upright;
  udg_light *light;
  udg_score *score; /* no hypotheses: markers alone are looked at */
  udg_look *look;
};

made_markers *made_markers_open(const made *m, size_t date_index) {
  made_markers *k = calloc(1, sizeof *k);
  const udg_settings *s = &m->settings;
  assert_non_null(k);
  k->m = m;
  k->date_index = date_index;
  assert_int_equal(udg_upright_create(s, m->reference, date_index, &k->upright, NULL), UDG_OK);
  assert_int_equal(udg_light_create(s, &k->upright, &k->light, NULL), UDG_OK);
  k->score = calloc(1, sizeof *k->score);
  assert_non_null(k->score);
  assert_int_equal(udg_look_create(s, &k->look, NULL), UDG_OK);
  return k;
}

void made_markers_close(made_markers *k) {
  udg_look_destroy(k->look);
  free(k->score);
  udg_light_destroy(k->light);
  udg_upright_destroy(&k->upright);
  free(k);
}

/* The true pose, off by a little. */
static udg_registration pose_of(const ti_scene *scene, ti_rng *rng) {
  udg_registration r = {.place_count = scene->date->place_count,
                        .digit_height_px = scene->camera.digit_px};
  double h = scene->date->height_mm;
  udg_homography off =
      udg_homography_similarity(1.0 + 0.004 * ti_rng_normal(rng), 0.003 * ti_rng_normal(rng),
                                0.01 * h * ti_rng_normal(rng), 0.01 * h * ti_rng_normal(rng));
  r.date_to_photo = udg_homography_after(&scene->camera.date_to_photo, &off);
  for (int i = 0; i < r.place_count; i++) {
    r.place_offset_mm[i][0] = scene->coin.digits[i].dx;
    r.place_offset_mm[i][1] = scene->coin.digits[i].dy;
    r.place_turn_rad[i] = scene->coin.digits[i].turn_rad;
  }
  return r;
}

void made_markers_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                       udg_result *result) {
  udg_registration r = pose_of(scene, rng);
  udg_coin_result none = {.count = 0};
  memset(result, 0, sizeof *result);
  assert_int_equal(udg_upright_make(&k->upright, udg_photo_of(grey), &r, NULL), UDG_OK);
  assert_int_equal(udg_light_fit(k->light, &k->upright, NULL), UDG_OK);
  const udg_look_scene look = {k->m->reference, k->date_index, udg_photo_of(grey), &r,
                               k->light,        &none};
  assert_int_equal(udg_markers_check(k->look, &look, k->score, result, NULL), UDG_OK);
}

void made_hub_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                   udg_hub_finding *hub) {
  udg_registration r = pose_of(scene, rng);
  udg_coin_result none = {.count = 0};
  assert_int_equal(udg_upright_make(&k->upright, udg_photo_of(grey), &r, NULL), UDG_OK);
  assert_int_equal(udg_light_fit(k->light, &k->upright, NULL), UDG_OK);
  const udg_look_scene look = {k->m->reference, k->date_index, udg_photo_of(grey), &r,
                               k->light,        &none};
  assert_int_equal(udg_hub_look(k->look, &look, hub, NULL), UDG_OK);
}

void made_twice_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                     udg_twice_seen *seen) {
  udg_registration r = pose_of(scene, rng);
  udg_coin_result none = {.count = 0};
  assert_int_equal(udg_upright_make(&k->upright, udg_photo_of(grey), &r, NULL), UDG_OK);
  assert_int_equal(udg_light_fit(k->light, &k->upright, NULL), UDG_OK);
  const udg_look_scene look = {k->m->reference, k->date_index, udg_photo_of(grey), &r,
                               k->light,        &none};
  udg_register_twice *twice;
  udg_twice_pose pose;
  assert_int_equal(udg_register_twice_create(&k->m->settings, k->m->reference, &twice, NULL),
                   UDG_OK);
  assert_int_equal(
      udg_register_twice_run(twice, udg_photo_of(grey), k->date_index, &r, &pose, NULL), UDG_OK);
  assert_int_equal(udg_twice_look(k->look, &look, &pose, seen, NULL), UDG_OK);
  udg_register_twice_destroy(twice);
}

void made_strike_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                      udg_result *result) {
  udg_registration r = pose_of(scene, rng);
  udg_coin_result none = {.count = 0};
  memset(result, 0, sizeof *result);
  assert_int_equal(udg_upright_make(&k->upright, udg_photo_of(grey), &r, NULL), UDG_OK);
  assert_int_equal(udg_light_fit(k->light, &k->upright, NULL), UDG_OK);
  const udg_look_scene look = {k->m->reference, k->date_index, udg_photo_of(grey), &r,
                               k->light,        &none};
  assert_int_equal(udg_strike_look(k->look, &look, result, NULL), UDG_OK);
}

void made_displace(ti_scene *scene, double heights) {
  ti_coin *c = &scene->coin;
  double length = hypot(c->doubling.dx, c->doubling.dy);
  if (!c->has_doubling || length <= 0)
    return;
  double scale = heights * scene->date->height_mm / length;
  c->doubling.dx *= scale;
  c->doubling.dy *= scale;
  if (c->has_under) { /* the earlier digit came with the hub */
    c->under.offset.dx = c->doubling.dx;
    c->under.offset.dy = c->doubling.dy;
  }
}
