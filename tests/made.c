/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "made.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "make.h"

int made_open(made *m, const char *name) {
  char path[512];
  udg_message message = {""};
  udg_settings_resolve(&m->settings, NULL);
  snprintf(path, sizeof path, "%s/%s.json", TI_REFERENCES, name);
  if (udg_reference_from_file(&m->settings, path, &m->reference, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 1;
  }
  return ti_shapes_create(&m->settings, m->reference, &m->shapes) == UDG_OK ? 0 : 1;
}

void made_close(made *m) {
  ti_shapes_destroy(&m->shapes);
  udg_reference_destroy(m->reference);
}

int made_set_up(void **state, const char *name) {
  static made m;
  *state = &m;
  return made_open(&m, name);
}

int made_tear_down(void **state) {
  made_close(*state);
  return 0;
}

ti_options made_ideal(void) {
  ti_options o;
  ti_options_defaults(&o);
  o.ideal = 1;
  o.date_fixed = 0;
  return o;
}

void made_draw(const made *m, const ti_options *options, uint64_t seed, int index, ti_scene *scene,
               udg_plane *grey) {
  assert_int_equal(ti_make_scene(&m->shapes, m->reference, options, seed, index, 0, scene), UDG_OK);
  made_picture(m, options, scene, grey);
}

void made_picture(const made *m, const ti_options *options, ti_scene *scene, udg_plane *grey) {
  ti_pixels pixels = {0};
  assert_int_equal(ti_picture_draw(&m->shapes, options, scene, 1, &pixels), UDG_OK);
  assert_int_equal(udg_plane_create(&m->settings, pixels.width, pixels.height, grey), UDG_OK);
  for (size_t i = 0; i < (size_t)pixels.width * (size_t)pixels.height; i++) {
    const uint8_t *p = pixels.bytes + i * (size_t)pixels.channels;
    grey->v[i] = pixels.channels == 1
                     ? (float)p[0]
                     : 0.299f * (float)p[0] + 0.587f * (float)p[1] + 0.114f * (float)p[2];
  }
  udg_memory_drop(&m->settings, pixels.bytes);
}

size_t made_date(const made *m, const ti_scene *scene) {
  return (size_t)(scene->date - m->reference->dates);
}

double made_corner_error(const ti_scene *scene, const udg_homography *found) {
  const udg_date *date = scene->date;
  const udg_homography *truth = &scene->camera.date_to_photo;
  double left = date->places[0].centre_mm[0];
  double right = date->places[date->place_count - 1].centre_mm[0];
  double sum = 0;
  for (int i = 0; i < 4; i++) {
    double x = i & 1 ? right : left, y = i & 2 ? 0 : -date->height_mm, a[2], b[2];
    udg_homography_apply(truth, x, y, &a[0], &a[1]);
    udg_homography_apply(found, x, y, &b[0], &b[1]);
    sum += (a[0] - b[0]) * (a[0] - b[0]) + (a[1] - b[1]) * (a[1] - b[1]);
  }
  return sqrt(sum / 4) / scene->camera.digit_px;
}
