/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the learned appearance says of one photo under its own light. */
#ifndef UDG_EXPECT_H
#define UDG_EXPECT_H

#include "appearance.h"
#include "light.h"

/* Zeroed planes for the upright's box. */
udg_status udg_appearance_create(const udg_settings *settings, const udg_upright *upright,
                                 udg_appearance *made, udg_message *message);

/* The weights of the terms in this photo, a, b, c, 1; gives s back (levels). */
double udg_appearance_terms(const udg_light *light, double term[UDG_APPEARANCE_TERMS]);

/* Where the learned plane shows what an upright pixel shows: near a digit it goes
 * with that digit, which sits a little off its place on each die. */
void udg_appearance_spot(const udg_appearance *appearance, const udg_upright *upright, int x, int y,
                         double spot_px[2]);

/* Mean and variance (levels, levels^2) to expect at every upright pixel. */
void udg_appearance_expect(const udg_appearance *appearance, const udg_upright *upright,
                           const udg_light *light, udg_plane *mean, udg_plane *variance);

#endif
