/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score", away from the places: a digit punch, or a corner of it, that touched the die
 * elsewhere.  Looked for with the same traces and the same correlations as an underdigit, but only
 * where the field shows something that no line explains, and at any turn a hand gives a punch. */
#ifndef UDG_FRAGMENT_H
#define UDG_FRAGMENT_H

#include "score.h"

/* Spots of the field with unexplained energy; fills `spots`, gives their number. `scratch` are
 * two planes of the upright's size. */
enum { UDG_FRAGMENT_SPOTS = UDG_SCORE_SPARE / 3 };
int udg_fragment_spots(const udg_upright *upright, const udg_residual *residual,
                       udg_plane scratch[2], double spots[UDG_FRAGMENT_SPOTS][2]);

/* The best digit about the spots into score->fragment; `turned` is a bank of
 * udg_trace_bank_create_turned(). CANCELLED when the host's hook says stop. */
udg_status udg_fragment_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                             const udg_residual *residual, const udg_trace_bank *turned,
                             double spots[][2], int spot_count, udg_message *message);

#endif
