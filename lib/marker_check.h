/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The known dies of a date, each with its markers, against one photo. */
#ifndef UDG_MARKER_CHECK_H
#define UDG_MARKER_CHECK_H

#include "evidence.h"
#include "marker_look.h"

/* Fills markers and dies of `result`, and adds reasons where digit and markers contradict or
 * confirm each other; verdict and finding must be there already.  Nothing happens where the
 * date has no known die with markers. */
udg_status udg_markers_check(udg_look *look, const udg_look_scene *scene, const udg_score *score,
                             udg_result *result, udg_message *message);

/* State of a die, 0 early to 1 late, with a 90 % interval, from what is left of the digit and
 * from markers that go or come with use; [0, 1] about 0.5 when nothing tells.
 *   strength   of the digit's trace with its 90 % interval; NULL: not seen
 *   early, late   log ratios of such markers being there, `early_count`, `late_count` of them */
void udg_die_state(const double strength[3], const double *early, int early_count,
                   const double *late, int late_count, double *state, double interval[2]);

/* What the answers together say, for a person. */
void udg_die_words(const udg_result *result, const udg_die_finding *die,
                   const udg_marker_finding *always_absent, char *words, size_t room);

#endif
