/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "pose.h"

#include <float.h>
#include <math.h>

void udg_homography_apply(const udg_homography *h, double x, double y, double *x_out,
                          double *y_out) {
  const double *m = h->m;
  const double w = m[6] * x + m[7] * y + m[8];
  *x_out = (m[0] * x + m[1] * y + m[2]) / w;
  *y_out = (m[3] * x + m[4] * y + m[5]) / w;
}

udg_homography udg_homography_after(const udg_homography *a, const udg_homography *b) {
  udg_homography c;
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++)
      c.m[3 * i + j] =
          a->m[3 * i] * b->m[j] + a->m[3 * i + 1] * b->m[3 + j] + a->m[3 * i + 2] * b->m[6 + j];
  return c;
}

/* Entry i, j of the matrix of cofactors. */
static double cofactor(const double *m, int i, int j) {
  const int i1 = (i + 1) % 3, i2 = (i + 2) % 3, j1 = (j + 1) % 3, j2 = (j + 2) % 3;
  return m[3 * i1 + j1] * m[3 * i2 + j2] - m[3 * i1 + j2] * m[3 * i2 + j1];
}

static double determinant(const double *m) {
  return m[0] * cofactor(m, 0, 0) + m[1] * cofactor(m, 0, 1) + m[2] * cofactor(m, 0, 2);
}

int udg_homography_invert(const udg_homography *h, udg_homography *inverse) {
  const double *m = h->m;
  /* What rounding can leave of a determinant that is zero: the products that
   * cancel in it are no larger than this. */
  double size = 0.0;
  for (int j = 0; j < 3; j++) {
    const int j1 = (j + 1) % 3, j2 = (j + 2) % 3;
    size += fabs(m[j]) * (fabs(m[3 + j1] * m[6 + j2]) + fabs(m[3 + j2] * m[6 + j1]));
  }
  const double det = determinant(m);
  if (!(fabs(det) > 16.0 * DBL_EPSILON * size) || !isfinite(det))
    return 0;
  udg_homography result;
  for (int i = 0; i < 3; i++)
    for (int j = 0; j < 3; j++)
      result.m[3 * i + j] = cofactor(m, j, i) / det;
  *inverse = result;
  return 1;
}

/* With x' = N / w the Jacobian's determinant is det(H) / w^3. */
double udg_homography_scale(const udg_homography *h, double x, double y) {
  const double w = fabs(h->m[6] * x + h->m[7] * y + h->m[8]);
  return sqrt(fabs(determinant(h->m)) / (w * w * w));
}

udg_homography udg_homography_similarity(double scale, double turn_rad, double shift_x,
                                         double shift_y) {
  const double c = scale * cos(turn_rad), s = scale * sin(turn_rad);
  return (udg_homography){{c, -s, shift_x, s, c, shift_y, 0.0, 0.0, 1.0}};
}
