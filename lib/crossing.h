/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score", last part: what a trace does to the present digit where they cross.
 *
 * Of two reliefs on one die the higher shows. With h_p(d) the present digit's shoulder (1 at
 * its top) and s h_u the trace's, s its height as a share of the present digit's, a pixel of the
 * present digit's shoulder belongs to the trace where s h_u > h_p: the shoulder ends there, at a
 * height that is s itself. What lies on top of the coin (dirt, a scratch, a highlight)
 * does not end a shoulder. This is geometry, so it tells heights where brightness no
 * longer does: metal under a hard lamp is as bright at a third of a slope as at the whole. */
#ifndef UDG_CROSSING_H
#define UDG_CROSSING_H

#include "score.h"

/* Fills `height` and `crossing` of each hypothesis of the scores. */
void udg_crossing_measure(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_trace_bank *bank);

#endif
