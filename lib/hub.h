/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A date that is part of the hub: nothing of it can be punched anew, so an earlier date
 * comes in only with the whole hub, set once more, shifted and turned about a point.  Then
 * every digit shows twice, and the letters do too; the earlier hub differs from the
 * present one in the date alone.
 *
 * The supposed relief of the date is the present digits', and over it the same displaced by u
 * and a share as high; where it is higher it shows.  How well it explains the photo under the
 * light that suits it best is what is left, rest(u) (relit.h): shading is learned from the relief
 * supposed, so a second image is not taken for a peculiar light, as it is when the light is
 * learned from the digits set once.  Gain G = max ln(rest / rest(u)); digits displaced
 * each another way, u_k = g_k u with g_k out of the eight symmetries of the square, are what chance
 * can do, and their s.d. is S.  Score G / sqrt(S).
 * Letters farther off tell the turn w: u_j = u + w J (c_j - c), J a quarter turn. */
#ifndef UDG_HUB_H
#define UDG_HUB_H

#include "marker_look.h"

/* Fills `hub`; `hub->applies` stays 0 where fewer than two digits can be looked at. */
udg_status udg_hub_look(udg_look *look, const udg_look_scene *scene, udg_hub_finding *hub,
                        udg_message *message);

/* Whether this date is part of the hub. */
int udg_hub_has(const udg_reference *reference, size_t date_index);

/* Verdict, finding and reasons in the light of `result->hub`, for a date in the hub. */
void udg_hub_name(const udg_reference *reference, udg_result *result);

#endif
