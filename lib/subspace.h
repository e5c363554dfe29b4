/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Matched subspace detector for one hypothesis (Scharf & Friedlander, IEEE Trans. Signal
 * Processing 42(8), 1994).
 *
 * Each pixel gives a row: y = sum_k n_k N_k + sum_k s_k S_k + noise of variance
 * sigma^2 / w.  The nuisance columns N are all that may be there without a trace: light,
 * first-order errors of registration, level, ramps.  The signal columns S are the trace as
 * this photo would show it.  With P the weighted projection onto what N leaves over,
 *   energy   z = y' P S (S' P S)^-1 S' P y       what S explains after N
 *   rest     R = y' P y - z                      what neither explains
 *   ratio    F = (z / r) / (R / rest_freedom)    r signal columns
 * With white normal noise F has the F distribution with r and rest_freedom degrees of
 * freedom and noncentrality lambda = s' (S' P S) s / sigma^2; with sigma known, z / sigma^2 is
 * chi-square with r and the same lambda (lib/stats.h). */
#ifndef UDG_SUBSPACE_H
#define UDG_SUBSPACE_H

enum { UDG_SUBSPACE_COLUMNS = 24, UDG_SUBSPACE_SIGNALS = 4 };

/* Sums over the pixels; nothing to release. */
typedef struct udg_subspace {
  int nuisance, signal; /* numbers of columns */
  int pixels;           /* with weight */
  double square;        /* sum of w y^2 */
  double right[UDG_SUBSPACE_COLUMNS];
  double normal[UDG_SUBSPACE_COLUMNS * UDG_SUBSPACE_COLUMNS]; /* lower triangle */
} udg_subspace;

typedef struct udg_subspace_result {
  int signal; /* r: signal columns that the nuisance columns cannot imitate; 0: none, all else 0 */
  int used[UDG_SUBSPACE_SIGNALS]; /* which of those given they are */
  int rest_freedom;
  double energy, rest, ratio;
  double amplitude[UDG_SUBSPACE_SIGNALS];
  /* S' P S, by rows of `signal`: times an amplitude squared over sigma^2 it is lambda;
     its inverse times sigma^2 is the amplitudes' covariance. */
  double gram[UDG_SUBSPACE_SIGNALS * UDG_SUBSPACE_SIGNALS];
  double kept[UDG_SUBSPACE_SIGNALS]; /* share of each one's energy that the projection left, 0-1 */
} udg_subspace_result;

/* `nuisance` + `signal` <= UDG_SUBSPACE_COLUMNS, 1 <= `signal` <= UDG_SUBSPACE_SIGNALS. */
void udg_subspace_begin(udg_subspace *sums, int nuisance, int signal);

/* One pixel: nuisance columns, then signal columns.  weight <= 0: left out. */
void udg_subspace_add(udg_subspace *sums, const double *row, double y, double weight);

/* Columns that those before them imitate are left out. */
void udg_subspace_solve(const udg_subspace *sums, udg_subspace_result *result);

/* Noncentrality for amplitudes of the `signal` columns used. */
double udg_subspace_lambda(const udg_subspace_result *result, const double *amplitude,
                           double sigma);

#endif
