/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Made truth for the stages behind the registration: heights over the date plane, lit by a
 * rule the test knows, seen through a homography the test knows. */
#ifndef UDG_TEST_STAGE_SCENE_H
#define UDG_TEST_STAGE_SCENE_H

#include "score.h"
#include "support.h"

/* An invented coinage with one date, "1847", whose digits 0-9 are cut from straight strokes.
 * `few`: only the digits 1, 4, 7 and 8. */
enum { STAGE_BEVEL_UM = 130, STAGE_RELIEF_UM = 80 };

typedef struct stage_digit {
  char digit;
  double centre_mm[2];
  double turn_rad;
  double share; /* of the full relief */
} stage_digit;

/* What a slope looks like. */
typedef enum stage_lamp {
  STAGE_LINEAR,  /* first order in the slopes */
  STAGE_LAMBERT, /* max(0, n . l), lamp 45 degrees up */
  STAGE_RING     /* the same lamp from 36 sides at once */
} stage_lamp;

typedef struct stage_scene {
  udg_settings settings;
  udg_reference *reference;
  udg_plane height; /* mm, fine raster of the date plane */
  udg_plane photo;  /* grey levels */
  udg_registration registration;
  uint64_t random;
} stage_scene;

void stage_open(stage_scene *scene, const udg_settings *settings, int few);
void stage_close(stage_scene *scene);

/* The camera: `digit_px` high digits, turned, tilted by so much of a perspective. */
void stage_aim(stage_scene *scene, double digit_px, double turn_rad, double tilt);
/* Field, then the present digits where `registration` has them. */
void stage_strike(stage_scene *scene);
/* Lays another digit on what is there: the higher of the two shows. */
void stage_lay(stage_scene *scene, const stage_digit *digit);
/* Centre and turn of the present digit at `place` (from 0). */
stage_digit stage_present(const stage_scene *scene, int place);

/* The photo: level 120, `contrast` levels for a slope of 1, light in the date plane,
 * blurred by blur_px, then white noise. */
void stage_expose(stage_scene *scene, stage_lamp lamp, double azimuth_rad, double contrast,
                  double blur_px, double noise);

double stage_unit(stage_scene *scene);
double stage_normal(stage_scene *scene);

/* The stages themselves, ready for that reference. */
typedef struct stage_work {
  udg_fft *fft;
  udg_upright upright;
  udg_light *light;
  udg_residual *residual;
  udg_trace_bank *bank;
  udg_score *score;
} stage_work;

void stage_work_open(const stage_scene *scene, stage_work *work);
void stage_work_close(stage_work *work);
/* Upright, light and residual of the scene's photo; fails the test when one of them does. */
void stage_subtract(const stage_scene *scene, stage_work *work);
/* Those and the scores. */
void stage_score(const stage_scene *scene, stage_work *work);
/* NULL when there is none. */
const udg_hypothesis *stage_hypothesis(const stage_work *work, int place, char digit,
                                       udg_trace_kind kind);

#endif
