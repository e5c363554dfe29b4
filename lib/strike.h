/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How full the relief is near the date and in named regions of the design, apart from wear.
 *
 * Where metal does not reach the bottom of the die, the high points are low and round and the
 * foot of every shoulder stays as it is; wear takes the tops too, but makes all edges soft.
 * Supposed heights, y being that of a full shoulder by the reference:
 *   strike   y - (1 - f) m(y),  m = smoothstep((y - 0.35) / 0.65): full to 1 - f below the top
 *   wear     no higher than 1 - w / 2, all blurred by 0.3 w shoulders
 * Grids of f, w, of the photo's blur and of the shoulder's width are weighed by what each leaves
 * unexplained (relit.h); light, wear, blur and width are the same for all regions, f is each
 * region's own. */
#ifndef UDG_STRIKE_H
#define UDG_STRIKE_H

#include <underdigit/result.h>

#include "marker_look.h"

/* Whether this date has a known die, or the design named regions: else nobody asks. */
int udg_strike_wanted(const udg_reference *reference, size_t date_index);

/* Fills the strikes and the wear of `result`. */
udg_status udg_strike_look(udg_look *look, const udg_look_scene *scene, udg_result *result,
                           udg_message *message);

/* A reason where a coin of a seen die is struck otherwise than its die usually is; after the
 * markers. */
void udg_strike_words(const udg_reference *reference, size_t date_index, udg_result *result);

#endif
