/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The whole coin's plane in the photo: from its rim and its date. */
#ifndef UDG_COIN_MAP_H
#define UDG_COIN_MAP_H

#include "coin.h"
#include "pose.h"
#include "reference_internal.h"

/* The map that carries the coin's circle into the rim and the date's origin towards
 * where `date_to_photo` has it.  A date alone is too small to say where the other end
 * of the coin lies: its turn is off by half a degree, which is a tooth of the rim.
 * 0 when the date does not lie where the reference has it on that coin. */
int udg_coin_map(const udg_reference *reference, const udg_ellipse *rim,
                 const udg_homography *date_to_photo, udg_homography *coin_to_photo);

/* The rim that the date lies on, NULL without one (then the map is the date's own, as
 * it is when rim and date do not agree). */
const udg_ellipse *udg_coin_of_date(const udg_reference *reference, const udg_coin_result *rims,
                                    const udg_homography *date_to_photo,
                                    udg_homography *coin_to_photo);

#endif
