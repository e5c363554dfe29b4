/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Hairlines, cracks and scratches under a disc: thin lines along any circle. */
#include <math.h>

#include "fragment.h"

enum {
  DIRECTIONS = 24,
  BENDS = 3,    /* either way, and straight */
  LINE_BINS = 6 /* across a line, px; a digit's stroke with both shoulders is wider */
};
static const double BEND_MOST = 1.0 / 14.0; /* of a bowl a little wider than a quarter of H, 1/px */
enum { BINS = 128 };

/* Most energy of LINE_BINS neighbouring bins, each with its own level. */
static double best_of(const double sum[BINS], const double weight[BINS]) {
  double energy[BINS], run = 0.0, most = 0.0;
  for (int b = 0; b < BINS; b++) {
    energy[b] = weight[b] > 0.0 ? sum[b] * sum[b] / weight[b] : 0.0;
    run += energy[b] - (b >= LINE_BINS ? energy[b - LINE_BINS] : 0.0);
    most = fmax(most, run);
  }
  return most;
}

static double along(const udg_residual *residual, const double spot[2], double radius,
                    double direction, double bend) {
  const udg_plane *white = &residual->white;
  double c = cos(direction), s = sin(direction), sum[BINS] = {0.0}, weight[BINS] = {0.0};
  int top = (int)fmax(floor(spot[1] - radius), 0.0), left = (int)fmax(floor(spot[0] - radius), 0.0);
  for (int y = top; y < white->height && y <= spot[1] + radius; y++)
    for (int x = left; x < white->width && x <= spot[0] + radius; x++) {
      double dx = x + 0.5 - spot[0], dy = y + 0.5 - spot[1];
      double w = (double)udg_plane_row(&residual->weight, y)[x];
      if (w <= 0.0 || dx * dx + dy * dy > radius * radius)
        continue;
      double u = dx * c + dy * s, v = -dx * s + dy * c;
      int bin = (int)floor(v - 0.5 * bend * u * u) + BINS / 2;
      if (bin < 0 || bin >= BINS)
        continue;
      sum[bin] += w * (double)udg_plane_row(white, y)[x];
      weight[bin] += w;
    }
  return best_of(sum, weight);
}

double udg_fragment_arc(const udg_residual *residual, const double spot_px[2], double radius,
                        double *straight) {
  const double pi = acos(-1.0);
  double most = 0.0;
  *straight = 0.0;
  for (int n = 0; n < DIRECTIONS; n++)
    for (int k = -BENDS; k <= BENDS; k++) {
      double own = along(residual, spot_px, radius, pi * n / DIRECTIONS, BEND_MOST * k / BENDS);
      most = fmax(most, own);
      if (k == 0)
        *straight = fmax(*straight, own);
    }
  return most;
}
