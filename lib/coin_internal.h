/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the coin stage share. */
#ifndef UDG_COIN_INTERNAL_H
#define UDG_COIN_INTERNAL_H

#include "coin.h"
#include "rescale.h"

#define UDG_COIN_SEEDS_MAX 80

/* Gradient of a reduced copy. */
typedef struct udg_coin_edges {
  udg_buffer x, y;   /* grey levels per px */
  udg_buffer around; /* mean length of the gradient around, plus a floor */
} udg_coin_edges;

/* `grey` may be edges->x itself. */
udg_status udg_coin_edges_make(const udg_settings *settings, const udg_plane *grey,
                               udg_buffer scratch[3], udg_coin_edges *edges);
void udg_coin_edges_destroy(const udg_settings *settings, udg_coin_edges *edges);

/* How much of an edge across the direction (n_x, n_y) lies at (x, y): 0 for
 * texture like that around and for edges along the direction, near 1 for a clean
 * edge. */
double udg_coin_edge_across(const udg_coin_edges *edges, double x, double y, double n_x,
                            double n_y);

/* Where edges agree on a centre. */
typedef struct udg_coin_seed {
  double x, y, radius, score;
} udg_coin_seed;

typedef struct udg_coin_votes udg_coin_votes;
udg_status udg_coin_votes_create(const udg_settings *settings, udg_coin_votes **votes);
void udg_coin_votes_destroy(udg_coin_votes *votes);

/* Best first, at most UDG_COIN_SEEDS_MAX, for radii from low to high px. */
udg_status udg_coin_votes_count(udg_coin_votes *votes, const udg_coin_edges *edges,
                                udg_buffer scratch[3], double low, double high,
                                udg_coin_seed *seeds, int *seed_count);

/* Points c + A (cos t, sin t), A symmetric and positive: every ellipse once. */
typedef struct udg_coin_shape {
  double c[2], a[3]; /* a: A11, A12, A22 */
} udg_coin_shape;

/* Point of the rim at t, and its outward unit normal. */
void udg_coin_shape_at(const udg_coin_shape *shape, double t, double point[2], double normal[2]);
void udg_coin_shape_axes(const udg_coin_shape *shape, double semi[2], double *angle_rad);
/* Shape in a copy `factor` times as large. */
udg_coin_shape udg_coin_shape_scaled(const udg_coin_shape *shape, double factor);

/* Of the ellipses of edges about one centre. */
typedef enum udg_coin_ring { UDG_COIN_OUTERMOST, UDG_COIN_CLEAREST } udg_coin_ring;

/* From a seed to an ellipse of edges around it: its centre first, then the ellipse and its support,
 * 0-1. */
typedef struct udg_coin_polar udg_coin_polar;
udg_status udg_coin_polar_create(const udg_settings *settings, udg_coin_polar **polar);
void udg_coin_polar_destroy(const udg_settings *settings, udg_coin_polar *polar);
void udg_coin_polar_begin(udg_coin_polar *polar, const udg_coin_edges *edges,
                          const udg_coin_seed *seed);
double udg_coin_polar_fit(udg_coin_polar *polar, const udg_coin_edges *edges, udg_coin_ring ring,
                          udg_coin_shape *shape);

/* Moves the rim onto the edges near it, in the photo's copy by means of box x box pixels, to a part
 * of a pixel. */
void udg_coin_refine(udg_photo grey, int box, udg_coin_shape *shape);

/* Fills support, weakest, inside. */
void udg_coin_measure(const udg_coin_edges *edges, const udg_coin_shape *shape,
                      udg_ellipse *ellipse);

/* Support of a rim against the ground beyond it alone, 0-1. */
double udg_coin_beyond(const udg_coin_edges *edges, const udg_coin_shape *shape);

#endif
