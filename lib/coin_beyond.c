/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A rim against the ground beyond it.  A coin's own edges, beads and legend lie within its
 * rim, so that a faint outermost edge beside strong inner ones is lost when it is judged
 * against all that is around it; beyond the rim there is only the ground, cloth or paper,
 * which is what the coin has to stand out of. */
#include <math.h>

#include "coin_internal.h"

#define TAU 6.28318530717958647692
#define ANGLES 144
#define BAND 5 /* samples of the ground along a normal */

/* The ground: from 3 to 7 % of the longer semi-axis beyond the rim, and a twenty-fourth of
 * the turn to either side. */
static const double BAND_FROM = 0.03, BAND_STEP = 0.01;
enum { TO_EACH_SIDE = ANGLES / 24 };
static const double FLOOR = 0.8; /* grey levels per px: noise, as in coin_edges.c */

static int in_photo(const udg_coin_edges *edges, double x, double y) {
  return x >= 1 && y >= 1 && x <= edges->x.plane.width - 1 && y <= edges->x.plane.height - 1;
}

static void gradient(const udg_coin_edges *edges, double x, double y, double g[2]) {
  g[0] = (double)udg_plane_sample(&edges->x.plane, x, y);
  g[1] = (double)udg_plane_sample(&edges->y.plane, x, y);
}

/* Mean length of the gradient beyond a point of the rim; below 0: outside the photo. */
static double ground_at(const udg_coin_edges *edges, const double p[2], const double n[2],
                        double semi) {
  double sum = 0;
  int seen = 0;
  for (int i = 0; i < BAND; i++) {
    double d = semi * (BAND_FROM + BAND_STEP * i), g[2];
    if (!in_photo(edges, p[0] + d * n[0], p[1] + d * n[1]))
      continue;
    gradient(edges, p[0] + d * n[0], p[1] + d * n[1], g);
    sum += hypot(g[0], g[1]);
    seen++;
  }
  return seen ? sum / seen : -1;
}

static double ground_around(const double ground[ANGLES], int k) {
  double sum = 0;
  int seen = 0;
  for (int j = -TO_EACH_SIDE; j <= TO_EACH_SIDE; j++) {
    double g = ground[(k + j + ANGLES) % ANGLES];
    sum += g >= 0 ? g : 0;
    seen += g >= 0;
  }
  return FLOOR + (seen ? sum / seen : 0);
}

/* The best edge across the rim near a point of it, 0-1. */
static double edge_at(const udg_coin_edges *edges, const double p[2], const double n[2],
                      double reach, double ground) {
  double best = 0;
  for (int i = -2; i <= 2; i++) {
    double d = 0.5 * i * reach, g[2];
    gradient(edges, p[0] + d * n[0], p[1] + d * n[1], g);
    double across = fabs(g[0] * n[0] + g[1] * n[1]), along = fabs(g[1] * n[0] - g[0] * n[1]);
    best = fmax(best, (across - 1.2 * along) / (across + along + ground));
  }
  return best;
}

double udg_coin_beyond(const udg_coin_edges *edges, const udg_coin_shape *shape) {
  double ground[ANGLES], p[ANGLES][2], n[ANGLES][2], semi[2], angle, sum = 0;
  int seen = 0;
  udg_coin_shape_axes(shape, semi, &angle);
  for (int k = 0; k < ANGLES; k++) {
    udg_coin_shape_at(shape, TAU * k / ANGLES, p[k], n[k]);
    ground[k] = ground_at(edges, p[k], n[k], semi[0]);
  }
  for (int k = 0; k < ANGLES; k++) {
    if (!in_photo(edges, p[k][0], p[k][1]))
      continue;
    sum += edge_at(edges, p[k], n[k], fmax(1, 0.008 * semi[0]), ground_around(ground, k));
    seen++;
  }
  return seen ? sum / seen : 0;
}
