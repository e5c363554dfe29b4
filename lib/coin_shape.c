/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Ellipses of the coin stage: geometry, fit to the edges beside the rim,
 * measure of the support. */
#include "coin_internal.h"

#include <math.h>
#include <string.h>

#include "linalg.h"

#define TAU 6.28318530717958647692
#define PARAMETERS 5
#define REFINE_ANGLES 240
#define MEASURE_ANGLES 144
#define SECTORS 6
#define PROFILE_MAX 161

void udg_coin_shape_at(const udg_coin_shape *shape, double t, double point[2], double normal[2]) {
  double u = cos(t), v = sin(t);
  const double *a = shape->a;
  point[0] = shape->c[0] + a[0] * u + a[1] * v;
  point[1] = shape->c[1] + a[1] * u + a[2] * v;
  /* The normal of A (unit circle) is A^-1 of the circle's, up to its length. */
  double nx = a[2] * u - a[1] * v, ny = a[0] * v - a[1] * u, length = hypot(nx, ny);
  normal[0] = length > 0 ? nx / length : u;
  normal[1] = length > 0 ? ny / length : v;
}

void udg_coin_shape_axes(const udg_coin_shape *shape, double semi[2], double *angle_rad) {
  double mean = (shape->a[0] + shape->a[2]) / 2, half = (shape->a[0] - shape->a[2]) / 2;
  double spread = hypot(half, shape->a[1]);
  semi[0] = mean + spread;
  semi[1] = mean - spread;
  *angle_rad = spread > 0 ? atan2(shape->a[1], half) / 2 : 0;
}

udg_coin_shape udg_coin_shape_scaled(const udg_coin_shape *shape, double factor) {
  udg_coin_shape scaled = *shape;
  for (int i = 0; i < 2; i++)
    scaled.c[i] *= factor;
  for (int i = 0; i < 3; i++)
    scaled.a[i] *= factor;
  return scaled;
}

/* Where along the normal the edge is, px from the rim as it stands; 0 when the
 * photo's border is too near or there is none.  `weight`: how much it counts. */
static double edge_offset(udg_photo grey, int box, const double point[2], const double normal[2],
                          double reach, double *weight) {
  const double step = 0.7;
  int half = (int)fmin(ceil(reach / step), PROFILE_MAX / 2 - 3), n = 2 * (half + 3) + 1;
  double profile[PROFILE_MAX], slope[PROFILE_MAX] = {0};
  *weight = 0;
  for (int k = 0; k < n; k++) {
    double d = (k - half - 3) * step, x = point[0] + d * normal[0], y = point[1] + d * normal[1];
    if (x < 1 || y < 1 || x > grey.width / box - 1 || y > grey.height / box - 1)
      return 0;
    profile[k] = (double)udg_photo_sample(grey, box, x, y);
  }
  int best = -1;
  double highest = 0;
  for (int k = 2; k + 2 < n; k++) /* slope of a Gaussian's width, roughly */
    slope[k] = fabs(2 * (profile[k + 1] - profile[k - 1]) + profile[k + 2] - profile[k - 2]) / 8;
  for (int k = 3; k + 3 < n; k++) {
    double d = (k - half - 3) * step / reach, value = slope[k] * exp(-2 * d * d);
    if (slope[k] >= slope[k - 1] && slope[k] > slope[k + 1] && value > highest) {
      highest = value;
      best = k;
    }
  }
  if (best < 0 || slope[best] < 0.5)
    return 0;
  double low = slope[best - 1], peak = slope[best], high = slope[best + 1];
  double curve = low - 2 * peak + high;
  *weight = highest / (highest + 4);
  return (best - half - 3 + (curve < 0 ? 0.5 * (low - high) / curve : 0)) * step;
}

typedef struct rim_points {
  int count;
  double offset[REFINE_ANGLES], weight[REFINE_ANGLES], row[REFINE_ANGLES][PARAMETERS];
} rim_points;

/* Offset along the normal for small changes of c and A:
 * n . (dc + dA (cos t, sin t)). */
static void points_take(udg_photo grey, int box, const udg_coin_shape *shape, double reach,
                        rim_points *points) {
  points->count = 0;
  for (int k = 0; k < REFINE_ANGLES; k++) {
    double t = TAU * k / REFINE_ANGLES, p[2], n[2], weight;
    udg_coin_shape_at(shape, t, p, n);
    double offset = edge_offset(grey, box, p, n, reach, &weight);
    if (!(weight > 0))
      continue;
    double *row = points->row[points->count];
    row[0] = n[0];
    row[1] = n[1];
    row[2] = n[0] * cos(t);
    row[3] = n[0] * sin(t) + n[1] * cos(t);
    row[4] = n[1] * sin(t);
    points->offset[points->count] = offset;
    points->weight[points->count++] = weight;
  }
}

/* One weighted least-squares step; residuals beyond `scale` count nothing
 * (Tukey).  0 when the points do not fix an ellipse. */
static int points_solve(const rim_points *points, const double now[PARAMETERS], double scale,
                        double solved[PARAMETERS]) {
  double normal[PARAMETERS * PARAMETERS] = {0}, right[PARAMETERS] = {0};
  for (int k = 0; k < points->count; k++) {
    const double *row = points->row[k];
    double residual = points->offset[k];
    for (int i = 0; i < PARAMETERS; i++)
      residual -= row[i] * now[i];
    double u = residual / scale, w = fabs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
    w *= points->weight[k];
    for (int i = 0; i < PARAMETERS; i++) {
      right[i] += w * row[i] * points->offset[k];
      for (int j = 0; j <= i; j++)
        normal[i * PARAMETERS + j] += w * row[i] * row[j];
    }
  }
  if (udg_cholesky_factor(normal, PARAMETERS, PARAMETERS, 1e-6) != 0)
    return 0;
  udg_cholesky_solve(normal, PARAMETERS, PARAMETERS, right);
  memcpy(solved, right, sizeof right);
  return 1;
}

void udg_coin_refine(udg_photo grey, int box, udg_coin_shape *shape) {
  static const double reach_shares[] = {0.018, 0.012, 0.009, 0.009};
  for (int pass = 0; pass < 4; pass++) {
    double semi[2], angle;
    rim_points points;
    udg_coin_shape_axes(shape, semi, &angle);
    double reach = fmax(reach_shares[pass] * semi[0], 3);
    points_take(grey, box, shape, reach, &points);
    if (points.count < REFINE_ANGLES / 4)
      return;
    double change[PARAMETERS] = {0};
    for (int i = 0; i < 5; i++)
      if (!points_solve(&points, change, reach / (1 + 0.4 * i), change))
        return;
    udg_coin_shape moved = *shape;
    for (int i = 0; i < 2; i++)
      moved.c[i] += change[i];
    for (int i = 0; i < 3; i++)
      moved.a[i] += change[2 + i];
    double moved_semi[2];
    udg_coin_shape_axes(&moved, moved_semi, &angle);
    /* A step out of reach is no refinement: too few points held the ellipse. */
    if (hypot(change[0], change[1]) > 2 * reach || fabs(moved_semi[0] - semi[0]) > 2 * reach ||
        fabs(moved_semi[1] - semi[1]) > 2 * reach)
      return;
    *shape = moved;
  }
}

void udg_coin_measure(const udg_coin_edges *edges, const udg_coin_shape *shape,
                      udg_ellipse *ellipse) {
  double sum = 0, sector_sum[SECTORS] = {0};
  int seen = 0, sector_seen[SECTORS] = {0};
  double semi[2], angle;
  udg_coin_shape_axes(shape, semi, &angle);
  double reach = fmax(1, 0.008 * semi[0]);
  for (int k = 0; k < MEASURE_ANGLES; k++) {
    double p[2], n[2], best = 0;
    udg_coin_shape_at(shape, TAU * k / MEASURE_ANGLES, p, n);
    if (p[0] < 1 || p[1] < 1 || p[0] > edges->x.plane.width - 1 || p[1] > edges->x.plane.height - 1)
      continue;
    for (int d = -2; d <= 2; d++)
      best = fmax(best, udg_coin_edge_across(edges, p[0] + 0.5 * d * reach * n[0],
                                             p[1] + 0.5 * d * reach * n[1], n[0], n[1]));
    int sector = k * SECTORS / MEASURE_ANGLES;
    sum += best;
    seen++;
    sector_sum[sector] += best;
    sector_seen[sector]++;
  }
  ellipse->inside = seen / (double)MEASURE_ANGLES;
  ellipse->support = seen ? sum / seen : 0;
  ellipse->weakest = 1;
  for (int s = 0; s < SECTORS; s++)
    if (3 * sector_seen[s] >= MEASURE_ANGLES / SECTORS)
      ellipse->weakest = fmin(ellipse->weakest, sector_sum[s] / sector_seen[s]);
  if (!seen)
    ellipse->weakest = 0;
}
