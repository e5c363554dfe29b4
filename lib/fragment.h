/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score", away from the places: a digit punch, or a corner of it, that touched the die
 * elsewhere.  Looked for with the same traces and the same correlations as an underdigit, but only
 * where the field shows something, within a disc about it, and at any turn a hand gives a punch. */
#ifndef UDG_FRAGMENT_H
#define UDG_FRAGMENT_H

#include "score.h"

/* A spot of the field that shows something. */
typedef struct udg_fragment_spot {
  double px[2];  /* upright plane */
  double energy; /* mean square of the smoothed residual there, above texture's, texture being 1 */
} udg_fragment_spot;

/* The brightest spots; fills `spots`, gives their number. `scratch` are two planes of the
 * upright's size. */
int udg_fragment_spots(const udg_upright *upright, const udg_residual *residual,
                       udg_plane scratch[2], udg_fragment_spot spots[UDG_SPOTS_MAX]);

/* The best part of a digit about the spots into score->fragment, with its log odds against what
 * else could show there; `turned` is a bank of udg_trace_bank_create_turned(), `scratch` a plane
 * of the upright's size. CANCELLED when the host's hook says stop. */
udg_status udg_fragment_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                             const udg_residual *residual, const udg_trace_bank *turned,
                             const udg_fragment_spot *spots, int spot_count, udg_plane *scratch,
                             udg_message *message);

/* Energy, as a trace's, of the best thin line within `radius` px of a spot (25 at the most),
 * straight or bent as much as a digit's bowls are, whatever its brightness across; and of the best
 * straight one. */
double udg_fragment_arc(const udg_residual *residual, const double spot_px[2], double radius,
                        double *straight);

#endif
