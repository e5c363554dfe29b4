/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What one picture shows, as numbers: drawn by scene.c, made visible by the
 * other files, told by truth.c.  Millimetres in the date plane (x right, y
 * down, origin in the middle of the date, on the baseline). */
#ifndef TI_SCENE_H
#define TI_SCENE_H

#include <stdint.h>

#include "pose.h"
#include "reference_internal.h"
#include "rng.h"

#define TI_MARKS_MAX 8
#define TI_LAMPS_MAX 3
#define TI_GLOW_MAX 4
#define TI_COINS_MAX 24

typedef enum ti_class {
  TI_CLEAN,
  TI_UNDERDIGIT,
  TI_REPUNCHED,
  TI_DOUBLED,
  TI_CRACK,
  TI_SCRATCH,
  TI_CHIP,
  TI_FRAGMENT,
  TI_CLASS_COUNT
} ti_class;

/* Which coins get the markers of the reference's known dies. */
typedef enum ti_markers {
  TI_MARKERS_DIE, /* those that are struck from such a die */
  TI_MARKERS_NONE,
  TI_MARKERS_ALL,
  TI_MARKERS_HALF, /* each marker on every second coin, whatever its die */
  TI_MARKERS_COUNT
} ti_markers;

/* How the shoulder of a stroke rises from field to top. */
typedef enum ti_profile {
  TI_PROFILE_SMOOTH, /* smoothstep, as the library's height model */
  TI_PROFILE_SLOPE,  /* straight, short curves at foot and edge */
  TI_PROFILE_ROUND,  /* quarter of a circle: steep foot, round top */
  TI_PROFILE_HOLLOW, /* hollow foot, crisp edge */
  TI_PROFILE_COUNT
} ti_profile;

typedef struct ti_offset {
  double dx, dy, turn_rad;
} ti_offset;

typedef struct ti_trace {
  int place; /* from 0 */
  char digit;
  ti_offset offset;        /* against the nominal place */
  double strength, polish; /* shares of the relief */
} ti_trace;

typedef struct ti_mark {
  ti_class kind; /* crack, scratch or chip */
  double x, y, angle_rad, length, width, radius;
  double height; /* share of the relief */
  uint64_t wander;
} ti_mark;

typedef struct ti_lamp {
  double azimuth_rad, elevation_rad; /* in the photo: x right, y down */
  double size_rad, power;
  int ring; /* lamps all round at that elevation */
} ti_lamp;

typedef struct ti_coin {
  ti_class cls;
  ti_offset digits[UDG_PLACES_MAX];
  int has_under, has_doubling, has_fragment;
  ti_trace under;
  ti_offset doubling;
  double doubling_strength;
  char fragment_digit;
  ti_offset fragment;                        /* dx, dy: where its middle is */
  double fragment_cut[3], fragment_strength; /* disc kept of the digit: x, y, radius */
  int mark_count;
  ti_mark marks[TI_MARKS_MAX];
  ti_profile profile;
  double relief_mm, bevel_mm, strike_mm; /* strike: softness of every edge */
  double wear;
  /* Share of the die's depth that the metal filled within reach of a point, 1: all of it;
     from `fill_from` of the depth on it is missing. */
  double fill, fill_at_mm[2], fill_reach_mm, fill_from;
  int dents, hairlines;
  double grain_mm, grain_size_mm, dirt, tone;
  double rough;   /* GGX roughness: alpha = rough^2 */
  double diffuse; /* share of matt reflection */
  int metal;
  int other_side; /* shows the side without the date */
  int has_rim_cut;
  double rim_cut_clock;   /* from 12 on top, coin upright */
  uint64_t markers;       /* bit k: marker k of the reference is in the die */
  double hub_about_mm[2]; /* the second impression of the hub is turned about this point */
} ti_coin;

typedef struct ti_light {
  int lamp_count;
  ti_lamp lamps[TI_LAMPS_MAX];
  double ambient;
  /* Surroundings mirrored in the metal: broad lobes, and the dark camera. */
  double glow[TI_GLOW_MAX][3];
  double camera_shade;
} ti_light;

typedef struct ti_camera {
  double digit_px; /* height of a digit in the photo */
  double tilt_rad[2], roll_rad, distance_mm;
  double shift_mm[2];  /* of the whole table against the photo's middle */
  double middle_mm[2]; /* point of the date plane that the coin turns about */
  double table_mm[2];  /* where that point lies on the table */
  int width, height;
  udg_homography date_to_photo;
} ti_camera;

typedef struct ti_post {
  double blur_px, noise, gamma, sharpen, exposure;
  double white[3];
  int quality, grey;
} ti_post;

typedef enum ti_cloth { TI_PLAIN, TI_WEAVE, TI_GRAIN, TI_SPECKLE, TI_CLOTH_COUNT } ti_cloth;

/* What lies under and over whole coins. */
typedef struct ti_backdrop {
  ti_cloth cloth;
  double colour[3]; /* linear reflectance */
  double uneven, pitch_mm;
  double glare, glare_at[2], glare_turn_rad, glare_wide; /* of a holder; shares of the photo */
} ti_backdrop;

typedef struct ti_scene {
  const udg_reference *reference;
  const udg_date *date;
  int in_hub;
  int ideal;
  int has_design; /* rim, legend and picture are drawn, and what lies beyond the rim */
  ti_backdrop backdrop;
  uint64_t seed, stream; /* stream: of this coinage under that seed */
  int index, view;
  ti_coin coin;
  ti_light light;
  ti_camera camera;
  ti_post post;
  double visible_share, visible_area_mm2; /* of the trace; found by relief.c */
} ti_scene;

typedef struct ti_options {
  int class_fixed; /* -1: as in listings */
  int date_fixed;  /* -1: any */
  double digit_px[2];
  double turn_rad[2];
  int any_turn; /* evenly over turn_rad, instead of about 0 */
  double frame; /* 0: cropped around the date; 1: date anywhere in a wider picture */
  int ideal;    /* linear light, white noise, no other fault */
  double ideal_noise, ideal_contrast;
  int overhead;      /* one lamp straight above */
  int design;        /* close-ups with what is beside the date */
  int whole;         /* whole coins */
  double coin_px[2]; /* their diameter */
  int coins;         /* in one photo */
  int markers;       /* ti_markers */
  int both_sides;    /* every second coin shows the side without a date */
  double strength[2];
  double strike[2]; /* coin's `fill` near the date */
  double wear[2];   /* below 0: as in listings */
  int profile;      /* -1: any ti_profile */
} ti_options;

extern const char *const ti_markers_names[TI_MARKERS_COUNT];
extern const char *const ti_class_names[TI_CLASS_COUNT];
extern const char *const ti_profile_names[TI_PROFILE_COUNT];

void ti_options_defaults(ti_options *options);

/* Coin number `index`; light, camera and post number `view` of it.  The trace's
 * visible share is checked by the caller, who asks for another `attempt` when
 * too little shows. */
void ti_scene_draw(const udg_reference *reference, const ti_options *options, uint64_t seed,
                   int index, int view, int attempt, ti_scene *scene);

/* Seed of one of the coin's surfaces (grain, toning, ...), the same in all its photos. */
uint64_t ti_scene_noise(const ti_scene *scene, uint64_t surface);

/* Centre and turn of a digit put at `place` with `offset`. */
void ti_scene_place(const ti_scene *scene, int place, const ti_offset *offset, double centre[2],
                    double *turn_rad);

/* Size of a photo that holds wide x high mm turned by the roll. */
void ti_camera_frame(ti_camera *camera, double px_per_mm, double wide, double high);
/* Pinhole camera above the table; fills date_to_photo. */
void ti_camera_aim(const ti_scene *scene, ti_camera *camera);

/* `count` whole coins in one photo, under the same lamps and camera. */
void ti_scene_draw_tray(const udg_reference *reference, const ti_options *options, uint64_t seed,
                        int index, int view, int count, const int *attempts, ti_scene *scenes);

#endif
