/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Round knobs and pits, lit as the date's own edges are: chips that broke out of the die stand up,
 * dents of the coin lie deep. */
#ifndef UDG_KNOB_H
#define UDG_KNOB_H

#include "score.h"

/* A knob of so many px at full relief, levels, its shoulder 0.7 of the radius wide, about (middle,
 * middle) of a window of `size` x `size` px; a pit is the same, its sign turned over where the
 * slope's is what the light shows. */
void udg_knob_draw(const udg_light *light, double radius_px, double middle, int size,
                   float *window);

/* Energy, as a trace's, of the best two knobs or pits that stand apart in each of `count` windows of
 * the score (at most UDG_SPOTS_MAX), prepared before, within the offsets searched. */
void udg_knob_two(udg_score *score, const udg_light *light, const udg_trace_bank *bank,
                  const int *windows, int count, double *energies);

#endif
