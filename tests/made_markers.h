/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Markers of coins that the generator drew, looked for at the true pose: what the stages
 * before do is left out, and with it most of the time. */
#ifndef UDG_TEST_MADE_MARKERS_H
#define UDG_TEST_MADE_MARKERS_H

#include <underdigit/result.h>

#include "made.h"
#include "rng.h"
#include "score.h"

/* Light and score of one date, made once. */
typedef struct made_markers made_markers;

made_markers *made_markers_open(const made *m, size_t date_index);
void made_markers_close(made_markers *k);

/* Fills markers and dies of `result`.  The pose is off by what a registration leaves,
 * 1 % of the digit's height and its share of turn; `rng` draws how. */
void made_markers_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                       udg_result *result);

/* Sets how far the second impression of the hub lies off, digit heights; its direction stays. */
void made_displace(ti_scene *scene, double heights);

/* The hub of the date looked at as a whole, at the true pose off by a little. */
void made_hub_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                   udg_hub_finding *hub);

/* The date, or a digit of it, set twice, at the true pose off by a little. */
void made_twice_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                     udg_twice_seen *seen);

/* How full the coin is struck, at the true pose off by a little. */
void made_strike_look(made_markers *k, const ti_scene *scene, const udg_plane *grey, ti_rng *rng,
                      udg_result *result);

#endif
