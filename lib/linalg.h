/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Small dense symmetric systems, by rows, in double. */
#ifndef UDG_LINALG_H
#define UDG_LINALG_H

/* Factor A = L L^T of the n x n matrix whose rows lie `stride` apart; L takes
 * the place of the lower triangle, the upper one is not touched.  A pivot below
 * `tolerance` times its own diagonal entry makes the matrix singular: then the
 * pivot's index + 1 is given back, else 0. */
int udg_cholesky_factor(double *a, int n, int stride, double tolerance);

/* b becomes A^-1 b. */
void udg_cholesky_solve(const double *l, int n, int stride, double *b);

/* b becomes L^-1 b, so that |b|^2 = b^T A^-1 b. */
void udg_cholesky_forward(const double *l, int n, int stride, double *b);

/* `inverse` (n x n, same stride, full) receives A^-1. */
void udg_cholesky_invert(const double *l, int n, int stride, double *inverse);

#endif
