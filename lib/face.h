/* SPDX-License-Identifier: GPL-2.0-or-later */
/* One side of a coin as it looks under any light: how strong its edges are, by angle
 * and radius about the coin's middle.  A lamp from elsewhere turns bright edges dark
 * but leaves most of them edges, so that two coins under different lamps can be turned
 * onto each other before anything is known of their relief. */
#ifndef UDG_FACE_H
#define UDG_FACE_H

#include "appearance.h"
#include "coin.h"
#include "pose.h"
#include "rescale.h"

/* Radii looked at, shares of the rim's: the middle tells no turn, the rim no side. */
#define UDG_FACE_FROM 0.10
#define UDG_FACE_TO 0.86

/* Scratch of one caller. */
typedef struct udg_face_work {
  udg_buffer window, scratch;
  udg_plane disc, mean, square, blur;
} udg_face_work;

udg_status udg_face_work_create(const udg_settings *settings, udg_face_work *work);
void udg_face_work_destroy(const udg_settings *settings, udg_face_work *work);

/* Unit disc of an upright coin (x right, y down, rim 1) -> pixels, the coin turned by
 * turn_rad (clockwise) in the photo. */
udg_homography udg_face_map(const udg_ellipse *rim, double turn_rad);

/* The unit disc seen through `map` (mapped as udg_face_map has it), laid out flat:
 * radius_px pixels to the rim, the middle in the middle of `disc`. */
udg_status udg_face_lay(const udg_settings *settings, udg_photo grey, const udg_homography *map,
                        double radius_px, udg_face_work *work, udg_plane *disc);

/* Less its ground, over its own contrast, both by neighbourhood; cut at +-2.5. */
void udg_face_even(udg_plane *disc, double ground_px, udg_plane *mean, udg_plane *square,
                   udg_plane *blur);

/* The face of the coin as it lies in the photo: UDG_FACE_RADII rows of UDG_FACE_ANGLES,
 * each row less its mean, the whole with square sum 1.  `face` has that size. */
udg_status udg_face_take(const udg_settings *settings, udg_photo grey, const udg_ellipse *rim,
                         udg_face_work *work, udg_plane *face);
/* Brings a face, or a sum of them, to that norm. */
void udg_face_norm(udg_plane *face);

typedef struct udg_face_match {
  double turn_rad;  /* of `face` against `like`, clockwise */
  double likeness;  /* correlation there */
  double runner_up; /* best correlation farther than 12 degrees off, at least 0 */
} udg_face_match;

udg_face_match udg_face_compare(const udg_plane *face, const udg_plane *like);
/* face += weight * one turned back by turn_rad (whole steps). */
void udg_face_add(udg_plane *face, const udg_plane *one, double turn_rad, double weight);

/* Chance that a coin whose face matches so well is of that side, 0-1. */
double udg_face_certainty(const udg_face_match *match);

#endif
