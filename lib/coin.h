/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "coin": rims of whole coins as ellipses, or none on a close-up. */
#ifndef UDG_COIN_H
#define UDG_COIN_H

#include "photo.h"

#define UDG_COINS_MAX 64
#define UDG_COINS_DOUBTFUL_MAX 2

typedef struct udg_ellipse {
  double centre[2]; /* px, pixel centres at +0.5 */
  double semi[2];   /* px, the longer one first */
  double angle_rad; /* of the longer one, clockwise from +x (y down), in (-pi/2, pi/2] */
  double support;   /* share of the rim's visible length that is an edge across it, 0-1 */
  double weakest;   /* the same of the poorest sixth of the turn that is in the photo */
  double inside;    /* share of the rim that lies in the photo, 0-1 */
  int sure;         /* 0: perhaps a rim; for whom a date found on it would settle that */
  double beyond;    /* support against the ground beyond the rim alone, 0-1 */
  double quality;   /* 0-1, of support, weakest and inside; clean rims have 0.6 and more */
} udg_ellipse;

/* The sure ones first, best first.  Doubtful ones are given only when there is no
 * sure one: large ellipses with faint rims, at most UDG_COINS_DOUBTFUL_MAX. */
typedef struct udg_coin_result {
  int sure_count; /* 0: a close-up, or no coin, unless a doubtful one holds a date */
  int count;
  udg_ellipse coins[UDG_COINS_MAX];
} udg_coin_result;

typedef struct udg_coin_state udg_coin_state;

udg_status udg_coin_create(const udg_settings *settings, udg_coin_state **state,
                           udg_message *message);
void udg_coin_destroy(udg_coin_state *state);

/* `grey`: encoded luma 0-255.  Coins from a tenth of the photo's shorter side to
 * more than all of it, at least two fifths of the rim in the photo. */
udg_status udg_coin_find(udg_coin_state *state, udg_photo grey, udg_coin_result *result,
                         udg_message *message);

#endif
