/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Distributions by series, continued fractions and Poisson mixtures. */
#include "stats.h"

#include <float.h>
#include <math.h>

enum { TERMS_MAX = 20000 };
static const double SMALL = 1e-300; /* keeps Lentz's method off zero divisors */

double udg_normal_upper(double x) {
  return 0.5 * erfc(x / sqrt(2.0));
}

/* x with a falling upper(x) = p, bracketed and halved: upper() costs little and
 * is smooth, and 200 halvings reach the last bit of any double. */
typedef double (*upper_function)(double x, const double *parameters);

static double invert(upper_function upper, const double *parameters, double p, double low,
                     double high) {
  for (int i = 0; i < 200; i++) {
    double middle = 0.5 * (low + high);
    if (middle <= low || middle >= high)
      break;
    if (upper(middle, parameters) > p)
      low = middle;
    else
      high = middle;
  }
  return 0.5 * (low + high);
}

static double normal_of(double x, const double *parameters) {
  (void)parameters;
  return udg_normal_upper(x);
}

double udg_normal_upper_quantile(double p) {
  if (p > 0.5) /* 1 - Q is rounded away there, 1 - p is not */
    return -invert(normal_of, NULL, 1.0 - p, 0.0, 40.0);
  return invert(normal_of, NULL, p, 0.0, 40.0);
}

/* Series 6.5.29 for P, good for x < a + 1. */
static double gamma_series(double a, double x) {
  double term = 1.0 / a, sum = term;
  for (int n = 1; n < TERMS_MAX && term > sum * DBL_EPSILON; n++) {
    term *= x / (a + n);
    sum += term;
  }
  return sum * exp(a * log(x) - x - lgamma(a));
}

/* Continued fraction 6.5.31 for Q by Lentz's method, good for x > a + 1. */
static double gamma_fraction(double a, double x) {
  double b = x + 1.0 - a, c = 1.0 / SMALL, d = 1.0 / b, h = d;
  for (int n = 1; n < TERMS_MAX; n++) {
    double an = -n * (n - a);
    b += 2.0;
    d = an * d + b;
    c = b + an / c;
    d = 1.0 / (fabs(d) < SMALL ? SMALL : d);
    c = fabs(c) < SMALL ? SMALL : c;
    h *= d * c;
    if (fabs(d * c - 1.0) < 4.0 * DBL_EPSILON)
      break;
  }
  return h * exp(a * log(x) - x - lgamma(a));
}

double udg_gamma_lower(double a, double x) {
  if (x <= 0.0)
    return 0.0;
  return x < a + 1.0 ? gamma_series(a, x) : 1.0 - gamma_fraction(a, x);
}

double udg_gamma_upper(double a, double x) {
  if (x <= 0.0)
    return 1.0;
  return x < a + 1.0 ? 1.0 - gamma_series(a, x) : gamma_fraction(a, x);
}

/* Continued fraction 26.5.8 by Lentz's method, good for x < (a + 1) / (a + b + 2). */
static double beta_fraction(double a, double b, double x) {
  double c = 1.0, d = 1.0 - (a + b) * x / (a + 1.0);
  d = 1.0 / (fabs(d) < SMALL ? SMALL : d);
  double h = d;
  for (int m = 1; m < TERMS_MAX; m++) {
    double even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m));
    double odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0));
    double before = h;
    for (int k = 0; k < 2; k++) {
      double term = k ? odd : even;
      d = 1.0 + term * d;
      c = 1.0 + term / c;
      d = 1.0 / (fabs(d) < SMALL ? SMALL : d);
      c = fabs(c) < SMALL ? SMALL : c;
      h *= d * c;
    }
    if (fabs(h - before) < 4.0 * DBL_EPSILON * fabs(h))
      break;
  }
  return h;
}

/* I_x(a, b) with y = 1 - x given apart, so that neither is rounded away. */
static double beta_of(double a, double b, double x, double y) {
  if (x <= 0.0)
    return 0.0;
  if (y <= 0.0)
    return 1.0;
  double front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(y));
  if (x < (a + 1.0) / (a + b + 2.0))
    return front * beta_fraction(a, b, x) / a;
  return 1.0 - front * beta_fraction(b, a, y) / b;
}

double udg_beta_lower(double a, double b, double x) {
  return beta_of(a, b, x, 1.0 - x);
}

/* P(more than x) of the central distribution with j pairs of degrees of freedom
 * more: the parts that a noncentral one is a Poisson mixture of (26.4.25, 26.6.18). */
static double chi_square_part(double x, const double *k, int j) {
  return udg_gamma_upper(0.5 * k[0] + j, 0.5 * x);
}

/* With B = k1 F / (k1 F + k2) beta distributed; the complement keeps small tails. */
static double f_part(double x, const double *k, int j) {
  double sum = k[0] * x + k[1];
  return beta_of(0.5 * k[1], 0.5 * k[0] + j, k[1] / sum, k[0] * x / sum);
}

typedef double (*part_function)(double x, const double *k, int j);

/* Sum over j of Poisson(j; lambda / 2) part(j), from the most likely j outwards. */
static double mixture(part_function part, double x, const double *k, double lambda) {
  if (lambda <= 0.0)
    return part(x, k, 0);
  double half = 0.5 * lambda;
  int mode = (int)half;
  double peak = exp(-half + mode * log(half) - lgamma(mode + 1.0));
  double sum = 0.0, weight = peak;
  for (int j = mode; j >= 0 && weight > 1e-18; j--) {
    sum += weight * part(x, k, j);
    weight *= j / half;
  }
  weight = peak;
  for (int j = mode + 1; j < mode + TERMS_MAX; j++) {
    weight *= half / j;
    if (weight < 1e-18)
      break;
    sum += weight * part(x, k, j);
  }
  return fmin(sum, 1.0);
}

double udg_chi_square_upper(double x, double k, double lambda) {
  return x <= 0.0 ? 1.0 : mixture(chi_square_part, x, &k, lambda);
}

double udg_f_upper(double x, double k1, double k2, double lambda) {
  const double k[2] = {k1, k2};
  return x <= 0.0 ? 1.0 : mixture(f_part, x, k, lambda);
}

static double chi_square_of(double x, const double *k) {
  return chi_square_part(x, k, 0);
}

static double f_of(double x, const double *k) {
  return f_part(x, k, 0);
}

static double quantile(upper_function upper, const double *k, double p) {
  double high = 1.0;
  while (upper(high, k) > p && high < 1e290)
    high *= 2.0;
  return invert(upper, k, p, 0.0, high);
}

double udg_chi_square_upper_quantile(double p, double k) {
  return quantile(chi_square_of, &k, p);
}

double udg_f_upper_quantile(double p, double k1, double k2) {
  const double k[2] = {k1, k2};
  return quantile(f_of, k, p);
}

double udg_chi_square_power(double alpha, double k, double lambda) {
  return udg_chi_square_upper(udg_chi_square_upper_quantile(alpha, k), k, lambda);
}

double udg_f_power(double alpha, double k1, double k2, double lambda) {
  return udg_f_upper(udg_f_upper_quantile(alpha, k1, k2), k1, k2, lambda);
}
