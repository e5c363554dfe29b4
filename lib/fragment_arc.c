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

/* A pixel under the disc: from its middle, weight, weighted residual. */
typedef struct pixel {
  double x, y, weight, matched;
} pixel;

static int pixels_take(const udg_residual *residual, const double spot[2], double radius,
                       pixel *pixels, int most) {
  const udg_plane *white = &residual->white;
  int top = (int)fmax(floor(spot[1] - radius), 0.0), left = (int)fmax(floor(spot[0] - radius), 0.0);
  int count = 0;
  for (int y = top; y < white->height && y <= spot[1] + radius; y++)
    for (int x = left; x < white->width && x <= spot[0] + radius; x++) {
      double dx = x + 0.5 - spot[0], dy = y + 0.5 - spot[1];
      double w = (double)udg_plane_row(&residual->weight, y)[x];
      if (w <= 0.0 || dx * dx + dy * dy > radius * radius || count == most)
        continue;
      pixels[count++] = (pixel){dx, dy, w, w * (double)udg_plane_row(white, y)[x]};
    }
  return count;
}

/* Along lines of one direction and each bend: how far across each pixel lies. */
static double along(const pixel *pixels, int count, const double *u, const double *v, double bend) {
  double sum[BINS] = {0.0}, weight[BINS] = {0.0};
  for (int i = 0; i < count; i++) {
    double across = v[i] - 0.5 * bend * u[i] * u[i];
    int bin = (int)across;
    bin += BINS / 2 - (across < bin); /* casts round towards 0 */
    if (bin < 0 || bin >= BINS)
      continue;
    sum[bin] += pixels[i].matched;
    weight[bin] += pixels[i].weight;
  }
  return best_of(sum, weight);
}

double udg_fragment_arc(const udg_residual *residual, const double spot_px[2], double radius,
                        double *straight) {
  enum { MOST = 2048 }; /* pixels of a disc of 25 px */
  const double pi = acos(-1.0);
  pixel pixels[MOST];
  double most = 0.0, u[MOST], v[MOST];
  const int count = pixels_take(residual, spot_px, radius, pixels, MOST);
  *straight = 0.0;
  for (int n = 0; n < DIRECTIONS; n++) {
    const double c = cos(pi * n / DIRECTIONS), s = sin(pi * n / DIRECTIONS);
    for (int i = 0; i < count; i++) {
      u[i] = pixels[i].x * c + pixels[i].y * s;
      v[i] = -pixels[i].x * s + pixels[i].y * c;
    }
    for (int k = -BENDS; k <= BENDS; k++) {
      double own = along(pixels, count, u, v, BEND_MOST * k / BENDS);
      most = fmax(most, own);
      if (k == 0)
        *straight = fmax(*straight, own);
    }
  }
  return most;
}
