/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Projective maps between the date plane (mm, y down) and pixels. */
#ifndef UDG_POSE_H
#define UDG_POSE_H

/* By rows: x' = (m0 x + m1 y + m2) / w, y' = (m3 x + m4 y + m5) / w,
 * w = m6 x + m7 y + m8. */
typedef struct udg_homography {
  double m[9];
} udg_homography;

void udg_homography_apply(const udg_homography *h, double x, double y, double *x_out,
                          double *y_out);
/* a after b: (a b) p = a (b p). */
udg_homography udg_homography_after(const udg_homography *a, const udg_homography *b);
/* 0 when singular, then `inverse` is left alone. */
int udg_homography_invert(const udg_homography *h, udg_homography *inverse);
/* Pixels per mm at a point: square root of the Jacobian's determinant. */
double udg_homography_scale(const udg_homography *h, double x, double y);
/* Turn, uniform scale, shift: x' = scale R(turn) x + shift. */
udg_homography udg_homography_similarity(double scale, double turn_rad, double shift_x,
                                         double shift_y);

#endif
