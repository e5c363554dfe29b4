/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the reference knows of the design and of its known dies' markers. */
#ifndef TI_KNOWN_H
#define TI_KNOWN_H

#include "field.h"

/* Design outlines, once or as often as the hub came down, and the markers of the coin's die.
 * `height`: share of the relief that wear leaves of them. */
void ti_known_stamp(const ti_shapes *shapes, const ti_scene *scene, double height, ti_field *field);

/* Moves a digit's offset to where the second impression of the hub has it: turned by the
 * doubling about its point, then shifted. */
void ti_hub_again(const ti_scene *scene, int place, ti_offset *offset);

#endif
