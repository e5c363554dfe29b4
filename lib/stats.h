/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Distributions that decisions rest on, and fits to samples.  "Upper" is the
 * chance of more than x.  Formulas: Abramowitz & Stegun, Handbook of Mathematical Functions,
 * chapter 26, unless named. */
#ifndef UDG_STATS_H
#define UDG_STATS_H

#include <stddef.h>

#include "base.h"

/* Q(x) = P(N(0, 1) > x), and its inverse for 0 < p < 1. */
double udg_normal_upper(double x);
double udg_normal_upper_quantile(double p);

/* Regularised incomplete gamma functions, a > 0, x >= 0: P(a, x), Q = 1 - P. */
double udg_gamma_lower(double a, double x);
double udg_gamma_upper(double a, double x);

/* Regularised incomplete beta function I_x(a, b), a, b > 0. */
double udg_beta_lower(double a, double b, double x);

/* `k`, `k1`, `k2`: degrees of freedom.  `lambda` >= 0: noncentrality, the sum of
 * squared means over the variance; 0 gives the central distribution. */
double udg_chi_square_upper(double x, double k, double lambda);
double udg_f_upper(double x, double k1, double k2, double lambda);

/* Central quantiles: x with upper(x) = p, 0 < p < 1. */
double udg_chi_square_upper_quantile(double p, double k);
double udg_f_upper_quantile(double p, double k1, double k2);

/* Chance that a test which gives `alpha` false alarms sees lambda: variance known, and
 * estimated with k2 degrees of freedom. */
double udg_chi_square_power(double alpha, double k, double lambda);
double udg_f_power(double alpha, double k1, double k2, double lambda);

/* exp(-exp(-(x - location) / scale)): of the largest of many. */
typedef struct udg_gumbel {
  double location, scale;
} udg_gumbel;

/* Maximum likelihood; scale 0 when there are fewer than two different values. */
udg_gumbel udg_gumbel_fit(const double *values, size_t count);
double udg_gumbel_upper(const udg_gumbel *gumbel, double x);

/* P(more than x) = share (1 + shape (x - from) / scale)^(-1 / shape) for x >= from:
 * generalised Pareto tail (Pickands, Annals of Statistics 3(1), 1975); shape 0: exponential. */
typedef struct udg_tail {
  double from;  /* where the tail begins */
  double share; /* of the values that lie beyond */
  double scale, shape;
} udg_tail;

/* Tail of the values beyond their quantile 1 - share, maximum likelihood; `sorted`
 * in rising order.  `shape_free` 0: exponential.  Scale 0: too few values (8). */
udg_tail udg_tail_fit(const double *sorted, size_t count, double share, int shape_free);
/* Below `from`: `share`.  Never 0 unless the shape is negative and x beyond its end. */
double udg_tail_upper(const udg_tail *tail, double x);

/* Benjamini & Hochberg, J. R. Statist. Soc. B 57, 1995: how many of the p-values in rising
 * order are rejected at false discovery rate q. */
size_t udg_fdr_count(const double *sorted, size_t count, double q);

/* Chance that a value of `with` exceeds one of `without`, ties one half: area
 * under the ROC curve (Mann & Whitney).  Both in rising order; NAN when one is empty. */
double udg_auc(const double *with, size_t with_count, const double *without, size_t without_count);

#endif
