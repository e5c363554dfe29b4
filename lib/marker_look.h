/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "markers": what a marker would look like in this photo, and whether it is there.
 *
 * A patch of the photo about the place, r, what is known of the coin taken away, is matched
 * with the marker as this photo's light would draw it, T, over the offsets that the tolerance
 * allows:
 *   c = <r, T> / |T|,   s = sqrt(c / n * c / |r|),   |r|^2 = sum of r^2 under T + floor
 * n the residual's s.d.: how far it stands out of the texture, times how much of what is there
 * it explains.  The same is done at decoys, where no marker is: round the rim, elsewhere in
 * the field, the same letters doubled another way.  Their mean and s.d. make s a z. */
#ifndef UDG_MARKER_LOOK_H
#define UDG_MARKER_LOOK_H

#include "coin_map.h"
#include "light.h"
#include "marker.h"

enum {
  UDG_LOOK_PX_MAX = 64,    /* side of a marker's patch */
  UDG_LOOK_SIDE_MAX = 112, /* of any patch */
  UDG_LOOK_DECOYS_MAX = 64
};

/* What the stages before found in this photo. */
typedef struct udg_look_scene {
  const udg_reference *reference;
  size_t date_index;
  udg_photo photo; /* grey levels */
  const udg_registration *registration;
  const udg_light *light;
  const udg_coin_result *rims;
} udg_look_scene;

/* Where to look, and as what. */
typedef struct udg_look_spot {
  double at_mm[2], turn_rad; /* frame in the date plane */
  double shift_mm[2];        /* second image, date plane; doubled only */
  int item;                  /* design item that lies under it, -1: none */
} udg_look_spot;

/* Squares of `size` px with the spot in the middle. */
typedef struct udg_look_patch {
  int size;
  double px_per_mm;
  udg_look_spot spot;
  udg_homography to_photo; /* date plane -> photo here */
  udg_plane residual;      /* what is known taken away, extremes held down */
  udg_plane usable;        /* 1: in the photo and not blown out */
  udg_plane grey;          /* the photo as it is, levels */
  udg_plane base;          /* px, distance to the nearest known outline, positive inside */
  double usable_share;
} udg_look_patch;

typedef struct udg_look {
  udg_settings settings;
  udg_look_scene scene;
  udg_homography coin_to_photo;
  const udg_ellipse *rim; /* NULL: a close-up */
  double far_error_mm;    /* how well the coin's far side is placed */
  udg_look_patch patch;
  udg_plane scratch[8]; /* UDG_LOOK_SIDE_MAX squared, cut to `size` */
  udg_plane mark;       /* T, size of the patch */
  int dry_foot;         /* beyond the foot, edges of all directions look alike */
  int bare;             /* edges alone are drawn, without the light that relief keeps away */
  double sd;            /* of the residual where no marker is, levels */
  udg_buffer window, window_scratch;
  udg_buffer strip, strip_usable, strip_scratch;
} udg_look;

udg_status udg_look_create(const udg_settings *settings, udg_look **look, udg_message *message);
void udg_look_destroy(udg_look *look);
void udg_look_begin(udg_look *look, const udg_look_scene *scene);

/* How an edge looks: x bevel widths inside the outline, the direction of steepest ascent in
 * the date plane, how sharp that direction is. */
float udg_look_lit(const udg_light *light, double x, double direction_rad, double sharp,
                   int dry_foot);
/* An image of a distance plane (px) under the photo's light; the distance is smoothed. */
void udg_look_draw(udg_look *look, udg_plane *distance, double bevel_px, double turn_rad,
                   udg_plane *image);

/* Half of the patch's side, mm, and its resolution for a marker. */
double udg_look_reach_mm(const udg_look *look, const udg_marker *marker);
double udg_look_px_per_mm(const udg_look *look, const udg_marker *marker, double reach_mm);

/* Distance (px) over the patch to the nearest outline that the reference knows, positive
 * inside, the date with `digit` at `place` (from 0; -1: as it is). */
udg_status udg_look_lay(udg_look *look, int place, char digit, udg_plane *distance,
                        udg_message *message);
/* Fills look->patch; ARGUMENT when the place lies outside the photo. */
udg_status udg_look_patch_make(udg_look *look, const udg_look_spot *spot, double reach_mm,
                               double px_per_mm, udg_message *message);
/* Fills look->mark for the patch that is there; `extra_turn_rad` within the tolerance. */
udg_status udg_look_mark_make(udg_look *look, const udg_marker *marker, double extra_turn_rad,
                              udg_message *message);

typedef struct udg_look_match {
  double score;        /* s; 0 when nothing of it is usable */
  double offset_px[2]; /* in the patch */
} udg_look_match;

/* look->mark on look->patch: the best offset within `reach_px`. `gain` of the mark is added to
 * the residual wherever the mark is laid. */
udg_look_match udg_look_match_best(const udg_look *look, double reach_px, double gain);
/* Robust s.d. of what is usable, levels; `scratch` holds as many floats as there are pixels. */
double udg_look_spread(const udg_plane *residual, const udg_plane *usable, float *scratch);

/* Below this share of usable pixels nothing is said of a place. */
#define UDG_LOOK_USABLE_LEAST 0.5

/* Strength at which decoy number `index` gets the marker added, shares of what the light
 * would draw: wear, a soft strike and a lamp that stands otherwise there all take from it. */
double udg_look_gain(int index);

/* What a marker's place and its decoys gave. */
typedef struct udg_look_tally {
  int in_view;
  double score;    /* at the place */
  double at_mm[2]; /* where it was best */
  int decoys;
  double decoy[UDG_LOOK_DECOYS_MAX];  /* scores where no marker is */
  double raised[UDG_LOOK_DECOYS_MAX]; /* and with the marker added there, two strengths */
  double units;                       /* letters that a doubled word is the sum of, else 1 */
} udg_look_tally;

/* Across the teeth of the rim; in the field, or on the design. */
udg_status udg_look_rim(udg_look *look, const udg_marker *marker, udg_look_tally *tally,
                        udg_message *message);
udg_status udg_look_field(udg_look *look, const udg_marker *marker, udg_look_tally *tally,
                          udg_message *message);
/* Whether udg_look_rim() is for this marker. */
int udg_look_is_rim(const udg_look *look, const udg_marker *marker);

/* ln chance(score | there) / chance(score | not there) and the power. */
void udg_look_weigh(const udg_look_tally *tally, double *log_ratio, double *power);

#endif
