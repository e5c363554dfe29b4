/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "coin_map.h"

#include <math.h>

/* How far the date may lie off its radius, shares of the coin's radius. */
static const double RADIUS_OFF = 0.1;
/* A date nearer to the centre than this does not tell the turn by where it lies. */
static const double LEAST_RADIUS = 0.15;
/* A rim may be taken from its shadow or from the ring of teeth; where it would put the
 * coin's far side farther off than a date's own error of turn and scale does, the date
 * alone is the better guide. Share of the radius; measured on drawn coins. */
static const double AGREE_SHARE = 0.04;

/* x_photo = c + S v, S = Q diag(semi) Q^T: the tilt stretches along the ellipse's axes
 * and turns nothing; v is on the unit disc. */
static void stretch(const udg_ellipse *rim, double s[4]) {
  double c = cos(rim->angle_rad), n = sin(rim->angle_rad);
  s[0] = rim->semi[0] * c * c + rim->semi[1] * n * n;
  s[1] = s[2] = (rim->semi[0] - rim->semi[1]) * c * n;
  s[3] = rim->semi[0] * n * n + rim->semi[1] * c * c;
}

int udg_coin_map(const udg_reference *reference, const udg_ellipse *rim,
                 const udg_homography *date_to_photo, udg_homography *coin_to_photo) {
  double radius = 0.5 * reference->diameter_mm, s[4], at[2], up[2];
  double ox = reference->date_origin_mm[0], oy = reference->date_origin_mm[1];
  stretch(rim, s);
  double det = s[0] * s[3] - s[1] * s[2];
  if (!(radius > 0.0) || !(det > 0.0))
    return 0;
  udg_homography_apply(date_to_photo, 0.0, 0.0, &at[0], &at[1]);
  double x = at[0] - rim->centre[0], y = at[1] - rim->centre[1];
  double u = (s[3] * x - s[1] * y) / det, v = (s[0] * y - s[2] * x) / det;
  double far = hypot(ox, oy) / radius;
  if (fabs(hypot(u, v) - far) > RADIUS_OFF)
    return 0;
  double turn;
  if (far >= LEAST_RADIUS) {
    turn = atan2(v, u) - atan2(oy, ox);
  } else { /* by the date's own direction */
    udg_homography_apply(date_to_photo, 1.0, 0.0, &up[0], &up[1]);
    x = up[0] - at[0];
    y = up[1] - at[1];
    turn = atan2(s[0] * y - s[2] * x, s[3] * x - s[1] * y);
  }
  double c = cos(turn) / radius, n = sin(turn) / radius;
  double a[4] = {s[0] * c + s[1] * n, s[1] * c - s[0] * n, s[2] * c + s[3] * n,
                 s[3] * c - s[2] * n};
  *coin_to_photo = (udg_homography){{a[0], a[1], rim->centre[0] + a[0] * ox + a[1] * oy, a[2], a[3],
                                     rim->centre[1] + a[2] * ox + a[3] * oy, 0.0, 0.0, 1.0}};
  return 1;
}

/* Largest distance between two maps round the rim, mm. */
static double apart(const udg_reference *reference, const udg_homography *a,
                    const udg_homography *b) {
  double most = 0.0, scale = udg_homography_scale(a, 0.0, 0.0);
  for (int k = 0; k < 12; k++) {
    double t = 0.5235987755982988 * k, r = 0.5 * reference->diameter_mm, p[2], q[2];
    double x = r * sin(t) - reference->date_origin_mm[0];
    double y = -r * cos(t) - reference->date_origin_mm[1];
    udg_homography_apply(a, x, y, &p[0], &p[1]);
    udg_homography_apply(b, x, y, &q[0], &q[1]);
    most = fmax(most, hypot(p[0] - q[0], p[1] - q[1]));
  }
  return scale > 0.0 ? most / scale : HUGE_VAL;
}

const udg_ellipse *udg_coin_of_date(const udg_reference *reference, const udg_coin_result *rims,
                                    const udg_homography *date_to_photo,
                                    udg_homography *coin_to_photo) {
  double radius = 0.5 * reference->diameter_mm;
  *coin_to_photo = *date_to_photo;
  for (int i = 0; i < rims->count && radius > 0.0; i++) {
    const udg_ellipse *rim = &rims->coins[i];
    udg_homography map;
    /* A date is as large as its coin says; the rim of something else is not. */
    double scale = udg_homography_scale(date_to_photo, 0.0, 0.0) * radius;
    double ratio = sqrt(rim->semi[0] * rim->semi[1]) / scale;
    if (ratio < 0.85 || ratio > 1.15 || !udg_coin_map(reference, rim, date_to_photo, &map))
      continue;
    if (apart(reference, &map, date_to_photo) < AGREE_SHARE * radius)
      *coin_to_photo = map;
    return rim;
  }
  return NULL;
}
