/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "stage_scene.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/reference.h>

#include "crossing.h"
#include "relief.h"

#define PI 3.14159265358979323846

/* Strokes 0.26 mm wide on digits of 1.6 mm. */
static const char *const OUTLINES[10] = {
    "M-.5-.8H.5V.8H-.5ZM-.24-.54V.54H.24V-.54Z",
    "M-.13-.8H.13V.8H-.13Z",
    "M-.5-.8H.5V.13H-.24V.54H.5V.8H-.5V-.13H.24V-.54H-.5Z",
    "M-.5-.8H.5V.8H-.5V.54H.24V.13H-.3V-.13H.24V-.54H-.5Z",
    "M.1-.8H.36V.15H.5V.41H.36V.8H.1V.41H-.5V.15Z M.1-.3L-.18.15H.1Z",
    "M-.5-.8H.5V-.54H-.24V-.13H.5V.8H-.5V.54H.24V.13H-.5Z",
    "M-.5-.8H.5V-.54H-.24V-.13H.5V.8H-.5ZM-.24.13V.54H.24V.13Z",
    "M-.5-.8H.5V-.6L.05 .8H-.23L.2-.54H-.5Z",
    "M-.5-.8H.5V.8H-.5ZM-.24-.54V-.13H.24V-.54ZM-.24.13V.54H.24V.13Z",
    "M-.5-.8H.5V.8H-.5V.54H.24V.13H-.5ZM-.24-.54V-.13H.24V-.54Z",
};
static const double CENTRES_MM[4] = {-1.8, -0.6, 0.6, 1.8};
static const double DIGIT_MM = 1.6;

/* The fine raster covers this much of the date plane. */
enum { FINE_WIDTH = 512, FINE_HEIGHT = 320 };
static const double FINE_PX_PER_MM = 60.0;
static const double FINE_ORIGIN_PX[2] = {FINE_WIDTH / 2, FINE_HEIGHT / 2 + 48};

void stage_open(stage_scene *scene, const udg_settings *settings, int few) {
  char json[4096];
  int n = snprintf(json, sizeof json,
                   "{\"format\": \"underdigit-reference/1\", \"name\": \"Tarnholt quay token\","
                   "\"coin\": {\"diameter_mm\": 24, \"date_origin_mm\": [0, 9]},"
                   "\"relief\": {\"height_mm\": %g, \"bevel_mm\": %g}, \"digits\": {",
                   1e-3 * STAGE_RELIEF_UM, 1e-3 * STAGE_BEVEL_UM);
  const char *wanted = few ? "1478" : "0123456789";
  for (const char *d = wanted; *d; d++)
    n += snprintf(json + n, sizeof json - (size_t)n, "%s\"%c\": {\"outline\": \"%s\"}",
                  d == wanted ? "" : ",", *d, OUTLINES[*d - '0']);
  n += snprintf(json + n, sizeof json - (size_t)n,
                "}, \"dates\": [{\"date\": \"1847\", \"height_mm\": %g, \"slack_mm\": 0.06,"
                "\"slack_deg\": 2, \"places\": [",
                DIGIT_MM);
  for (int i = 0; i < 4; i++)
    n += snprintf(json + n, sizeof json - (size_t)n,
                  "%s{\"digit\": \"%c\", \"centre_mm\": [%g, -0.8]}", i ? "," : "", "1847"[i],
                  CENTRES_MM[i]);
  n += snprintf(json + n, sizeof json - (size_t)n, "]}]}");
  memset(scene, 0, sizeof *scene);
  udg_settings_resolve(&scene->settings, settings);
  scene->random = 20;
  udg_message message = {""};
  if (udg_reference_from_memory(&scene->settings, json, (size_t)n, "scene", NULL, 0,
                                &scene->reference, &message) != UDG_OK)
    fail_msg("%s", message.text);
  assert_int_equal(udg_plane_create(&scene->settings, FINE_WIDTH, FINE_HEIGHT, &scene->height),
                   UDG_OK);
  scene->registration.place_count = 4;
}

void stage_close(stage_scene *scene) {
  udg_plane_destroy(&scene->settings, &scene->height);
  udg_plane_destroy(&scene->settings, &scene->photo);
  udg_reference_destroy(scene->reference);
  scene->reference = NULL;
}

double stage_unit(stage_scene *scene) {
  return (test_random(&scene->random) + 0.5) / 4294967296.0;
}

double stage_normal(stage_scene *scene) {
  double radius = sqrt(-2.0 * log(stage_unit(scene)));
  return radius * cos(2.0 * PI * stage_unit(scene));
}

void stage_aim(stage_scene *scene, double digit_px, double turn_rad, double tilt) {
  double scale = digit_px / DIGIT_MM, c = fabs(cos(turn_rad)), s = fabs(sin(turn_rad));
  int width = (int)(scale * (7.6 * c + 4.4 * s)), height = (int)(scale * (7.6 * s + 4.4 * c));
  udg_homography about = udg_homography_similarity(1.0, 0.0, 0.0, 0.8);
  about.m[6] = tilt;
  about.m[7] = -0.7 * tilt;
  udg_homography view =
      udg_homography_similarity(scale, turn_rad, 0.5 * (double)width, 0.5 * (double)height);
  scene->registration.date_to_photo = udg_homography_after(&view, &about);
  udg_plane_destroy(&scene->settings, &scene->photo);
  assert_int_equal(udg_plane_create(&scene->settings, width, height, &scene->photo), UDG_OK);
}

stage_digit stage_present(const stage_scene *scene, int place) {
  const udg_place *p = &scene->reference->dates[0].places[place];
  const udg_registration *r = &scene->registration;
  return (stage_digit){p->digit,
                       {p->centre_mm[0] + r->place_offset_mm[place][0],
                        p->centre_mm[1] + r->place_offset_mm[place][1]},
                       p->turn_rad + r->place_turn_rad[place],
                       1.0};
}

void stage_lay(stage_scene *scene, const stage_digit *digit) {
  udg_plane distance = {0};
  assert_int_equal(udg_plane_create(&scene->settings, FINE_WIDTH, FINE_HEIGHT, &distance), UDG_OK);
  assert_int_equal(
      udg_relief_distance_within(
          &scene->settings, &scene->reference->digits[digit->digit - '0'], FINE_PX_PER_MM,
          digit->turn_rad, FINE_ORIGIN_PX[0] + FINE_PX_PER_MM * digit->centre_mm[0],
          FINE_ORIGIN_PX[1] + FINE_PX_PER_MM * digit->centre_mm[1], 20.0, &distance, NULL),
      UDG_OK);
  double bevel_px = 1e-3 * STAGE_BEVEL_UM * FINE_PX_PER_MM;
  double top_mm = 1e-3 * STAGE_RELIEF_UM * digit->share;
  for (size_t i = 0; i < (size_t)FINE_WIDTH * FINE_HEIGHT; i++) {
    float h = (float)(top_mm * udg_relief_profile((double)distance.v[i], bevel_px));
    scene->height.v[i] = fmaxf(scene->height.v[i], h);
  }
  udg_plane_destroy(&scene->settings, &distance);
}

void stage_strike(stage_scene *scene) {
  memset(scene->height.v, 0, sizeof(float) * (size_t)FINE_WIDTH * FINE_HEIGHT);
  for (int i = 0; i < 4; i++) {
    stage_digit digit = stage_present(scene, i);
    stage_lay(scene, &digit);
  }
}

static double shade(stage_lamp lamp, double azimuth, double p, double q) {
  double c = cos(azimuth), s = sin(azimuth), sum = 0.0;
  if (lamp == STAGE_LINEAR)
    return -(p * c + q * s);
  int sides = lamp == STAGE_RING ? 36 : 1;
  for (int i = 0; i < sides; i++) {
    double t = azimuth + 2.0 * PI * i / sides;
    double dot = (-p * cos(t) - q * sin(t) + 1.0) * sqrt(0.5) / sqrt(1.0 + p * p + q * q);
    sum += fmax(dot, 0.0) / sides;
  }
  return sum - sqrt(0.5);
}

void stage_expose(stage_scene *scene, stage_lamp lamp, double azimuth_rad, double contrast,
                  double blur_px, double noise) {
  udg_plane lit = {0}, scratch = {0};
  int w = scene->photo.width, h = scene->photo.height;
  assert_int_equal(udg_plane_create(&scene->settings, FINE_WIDTH, FINE_HEIGHT, &lit), UDG_OK);
  assert_int_equal(udg_plane_create(&scene->settings, w, h, &scratch), UDG_OK);
  for (int y = 1; y + 1 < FINE_HEIGHT; y++)
    for (int x = 1; x + 1 < FINE_WIDTH; x++) {
      const float *at = udg_plane_row(&scene->height, y) + x;
      double p = 0.5 * FINE_PX_PER_MM * (double)(at[1] - at[-1]);
      double q = 0.5 * FINE_PX_PER_MM * (double)(at[FINE_WIDTH] - at[-FINE_WIDTH]);
      udg_plane_row(&lit, y)[x] = (float)(contrast * shade(lamp, azimuth_rad, p, q));
    }
  udg_homography inverse;
  assert_true(udg_homography_invert(&scene->registration.date_to_photo, &inverse));
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      double mm[2];
      udg_homography_apply(&inverse, x + 0.5, y + 0.5, &mm[0], &mm[1]);
      udg_plane_row(&scene->photo, y)[x] =
          120.0f + udg_plane_sample(&lit, FINE_ORIGIN_PX[0] + FINE_PX_PER_MM * mm[0],
                                    FINE_ORIGIN_PX[1] + FINE_PX_PER_MM * mm[1]);
    }
  udg_plane_blur(&scene->photo, blur_px, &scratch);
  for (size_t i = 0; noise > 0.0 && i < (size_t)w * (size_t)h; i++)
    scene->photo.v[i] += (float)(noise * stage_normal(scene));
  udg_plane_destroy(&scene->settings, &scratch);
  udg_plane_destroy(&scene->settings, &lit);
}

void stage_work_open(const stage_scene *scene, stage_work *work) {
  const udg_settings *s = &scene->settings;
  memset(work, 0, sizeof *work);
  assert_int_equal(udg_fft_create(s, &work->fft, NULL), UDG_OK);
  assert_int_equal(udg_upright_create(s, scene->reference, 0, &work->upright, NULL), UDG_OK);
  assert_int_equal(udg_light_create(s, &work->upright, &work->light, NULL), UDG_OK);
  assert_int_equal(udg_residual_create(s, &work->upright, work->fft, &work->residual, NULL),
                   UDG_OK);
  assert_int_equal(udg_trace_bank_create(s, scene->reference, 0, work->fft, &work->bank, NULL),
                   UDG_OK);
  assert_int_equal(udg_score_create(s, &work->upright, work->bank, &work->score, NULL), UDG_OK);
}

void stage_work_close(stage_work *work) {
  udg_score_destroy(work->score);
  udg_trace_bank_destroy(work->bank);
  udg_residual_destroy(work->residual);
  udg_light_destroy(work->light);
  udg_upright_destroy(&work->upright);
  udg_fft_destroy(work->fft);
}

void stage_subtract(const stage_scene *scene, stage_work *work) {
  udg_message message = {""};
  if (udg_upright_make(&work->upright, udg_photo_of(&scene->photo), &scene->registration,
                       &message) != UDG_OK ||
      udg_light_fit(work->light, &work->upright, &message) != UDG_OK ||
      udg_residual_make(work->residual, &work->upright, work->light, &message) != UDG_OK)
    fail_msg("%s", message.text);
}

void stage_score(const stage_scene *scene, stage_work *work) {
  stage_subtract(scene, work);
  assert_int_equal(
      udg_score_make(work->score, &work->upright, work->light, work->residual, work->bank, NULL),
      UDG_OK);
  udg_crossing_measure(work->score, &work->upright, work->light, work->bank);
}

const udg_hypothesis *stage_hypothesis(const stage_work *work, int place, char digit,
                                       udg_trace_kind kind) {
  for (int i = 0; i < work->score->count; i++) {
    const udg_hypothesis *h = &work->score->hypotheses[i];
    if (h->place == place && h->digit == digit && h->kind == kind)
      return h;
  }
  return NULL;
}
