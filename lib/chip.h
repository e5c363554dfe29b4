/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score", at the digits' edges: where a piece broke out of the die beside a digit, the coin
 * has a knob, which stands up where a dent lies deep. */
#ifndef UDG_CHIP_H
#define UDG_CHIP_H

#include "score.h"

/* The best raised knob at an edge of the present digits into score->chip. `scratch` are two planes
 * of the upright's size; `bank` any bank that the score was made for. */
void udg_chip_find(udg_score *score, const udg_upright *upright, const udg_light *light,
                   const udg_residual *residual, const udg_trace_bank *bank, udg_plane scratch[2]);

#endif
