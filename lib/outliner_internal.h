/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the outliner's files share. */
#ifndef UDG_OUTLINER_INTERNAL_H
#define UDG_OUTLINER_INTERNAL_H

#include <underdigit/learn.h>

#include "face.h"
#include "fft.h"
#include "image_internal.h"
#include "outliner_closeup.h"

/* One photo. */
typedef struct udg_outliner_entry {
  udg_learn_photo told;
  udg_plane coin; /* the photo around the rim */
  udg_ellipse rim;
  udg_plane face;
  double turn_rad;                               /* against the common face */
  double next_turn_rad, weight, lead, certainty; /* while that is searched */
  udg_ellipse circle; /* what the pictures are laid by: the rim, or a circle around the date */
  double lay_turn_rad;
} udg_outliner_entry;

struct udg_outliner {
  udg_settings settings;
  const udg_reference *digits;
  char date[UDG_PLACES_MAX + 1];
  double box_given[4]; /* px of the first photo as stored */
  double box_px[4];    /* in the first entry's `coin` */
  double diameter_mm;
  udg_coin_state *coins;
  udg_fft *fft;
  udg_face_work work;
  udg_closeup *closeup; /* on a first photo without rim */
  udg_closeup *near;    /* that, or the like for small dates on whole coins; NULL: the whole side */
  udg_plane common;     /* face of the side, as the first photo lies */
  udg_plane others;     /* scratch: that without one coin */
  size_t count, room;
  udg_outliner_entry *entries;
};

void udg_outliner_leave_out(udg_outliner_entry *entry, udg_learn_fate fate, const char *why);
/* Photos that are used. */
size_t udg_outliner_used(const udg_outliner *outliner);

/* Turns the coins upright as the first photo has them, leaves out those that show something
 * else, and makes the common face. */
void udg_outliner_align(udg_outliner *outliner);
/* The circles that pictures are laid by: the rims, or, where the date is small on the side or
 * the photos show nothing else, circles around the date, edge on edge.  `unit`: middle and
 * radius of the first one's in its rim's unit disc. */
udg_status udg_outliner_circles(udg_outliner *outliner, double unit[3], udg_message *message);

/* Relief of the design in a frame: px = middle + radius_px * unit disc, upright as the
 * first photo shows it. */
typedef struct udg_design {
  udg_plane height;
  double radius_px;
} udg_design;

typedef struct udg_drawn_date {
  const char *date;
  double box[4];               /* left, top, width, height in the unit disc */
  double diameter_mm;          /* of the unit disc */
  double middle_mm[2];         /* its middle against the coin's */
  double coin_mm;              /* the coin's diameter; 0: not known */
  const udg_reference *digits; /* others' outlines; NULL: none */
} udg_drawn_date;

/* The used coins upright, evened out; then their common relief. */
udg_status udg_outliner_relief(udg_outliner *outliner, udg_design *design, udg_message *message);

/* The date's outlines as a reference file's text, from udg_memory_get. REFERENCE when
 * what rises in the box is not the date. */
udg_status udg_outliner_draw(const udg_settings *settings, const udg_design *design,
                             const udg_drawn_date *drawn, char **json, udg_message *message);

#endif
