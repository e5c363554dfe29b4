/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The photo laid into the date plane, with the present digits' outlines. */
#ifndef UDG_UPRIGHT_H
#define UDG_UPRIGHT_H

#include "register.h"
#include "rescale.h"

/* Digit height of the upright plane.  A shoulder of a tenth of the height is
 * then 5 px wide, enough for every slope a photo can show. */
#define UDG_UPRIGHT_DIGIT_PX 48

/* Encoded grey levels from here on are taken as blown out. */
#define UDG_CLIPPED_FROM 250

/* Distances are cut at this many px: nothing farther off is asked for. */
#define UDG_UPRIGHT_REACH_PX 32

/* x_px = origin_px[0] + px_per_mm x_mm; pixel centres at +0.5. */
typedef struct udg_upright {
  int width, height;
  double px_per_mm, origin_px[2];
  double bevel_px;
  double coin_px[2], coin_radius_px; /* beyond this radius nothing is usable; 0: everything is */
  double zoom;                       /* photo px per upright px */
  int place_count;
  double place_px[UDG_PLACES_MAX][2]; /* centres of the present digits as found */
  double place_turn_rad[UDG_PLACES_MAX];
  udg_plane grey;         /* levels 0-255 */
  udg_plane usable;       /* 1: in the photo, else 0 */
  udg_plane distance;     /* px, to the nearest present outline, positive inside */
  udg_plane owner;        /* place that outline belongs to */
  udg_plane cosine, sine; /* direction of steepest ascent of `distance`, unit vector */
  udg_plane rim;          /* 1 where that direction is sharp, towards 0 on ridges of `distance` */
  udg_plane part, scratch;
  udg_buffer window, window_scratch;
  const udg_reference *reference;
  const udg_date *date;
  udg_settings settings;
} udg_upright;

/* Blown out: at least as bright as `grey` says. */
static inline int udg_upright_blown(const udg_upright *upright, size_t at) {
  return upright->grey.v[at] >= (float)UDG_CLIPPED_FROM;
}

/* All memory for one date; `reference` must outlive it. */
udg_status udg_upright_create(const udg_settings *settings, const udg_reference *reference,
                              size_t date_index, udg_upright *upright, udg_message *message);
void udg_upright_destroy(udg_upright *upright);

/* Fills the planes.  ARGUMENT when no part of the date lies in the photo. */
udg_status udg_upright_make(udg_upright *upright, udg_photo photo,
                            const udg_registration *registration, udg_message *message);

/* Direction and sharpness of a distance plane, smoothed by 1 px: used for the
 * present digits and for traces alike, so that both see the same edges. */
void udg_edge_direction(udg_plane *distance, udg_plane *cosine, udg_plane *sine, udg_plane *rim,
                        udg_plane *scratch);

#endif
