/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Fits to samples: extreme values, tails, error rates over many tests. */
#include "stats.h"

#include <math.h>

static const size_t TAIL_MIN = 8; /* values that a tail is fitted to at least */

/* g(s) = mean(x) - sum(x e^(-x/s)) / sum(e^(-x/s)) - s, which falls through zero at
 * the most likely scale s; x counted from `low`, so that no power overflows.  Gives
 * the mean of e^(-x/s) too. */
static double gumbel_balance(const double *values, size_t count, double low, double s,
                             double *mean_power) {
  double mean = 0.0, weights = 0.0, weighted = 0.0;
  for (size_t i = 0; i < count; i++) {
    double x = values[i] - low, w = exp(-x / s);
    mean += x;
    weights += w;
    weighted += w * x;
  }
  *mean_power = weights / (double)count;
  return mean / (double)count - weighted / weights - s;
}

udg_gumbel udg_gumbel_fit(const double *values, size_t count) {
  udg_gumbel fit = {0.0, 0.0};
  if (count == 0)
    return fit;
  double low = values[0], high = values[0], mean_power = 1.0;
  for (size_t i = 1; i < count; i++) {
    low = fmin(low, values[i]);
    high = fmax(high, values[i]);
  }
  fit.location = low;
  if (!(high > low))
    return fit;
  double below = 1e-9 * (high - low), above = high - low;
  for (int i = 0; i < 100; i++) {
    double middle = sqrt(below * above);
    if (gumbel_balance(values, count, low, middle, &mean_power) > 0.0)
      below = middle;
    else
      above = middle;
  }
  fit.scale = sqrt(below * above);
  gumbel_balance(values, count, low, fit.scale, &mean_power);
  fit.location = low - fit.scale * log(mean_power);
  return fit;
}

double udg_gumbel_upper(const udg_gumbel *gumbel, double x) {
  if (gumbel->scale <= 0.0)
    return x < gumbel->location ? 1.0 : 0.0;
  return -expm1(-exp(-(x - gumbel->location) / gumbel->scale));
}

/* Log-likelihood for one value of theta = shape / scale, maximised over the shape:
 * shape = mean ln(1 + theta x)  (Grimshaw, Technometrics 35(2), 1993). */
static double tail_likelihood(const double *values, size_t count, double from, double theta,
                              double *shape) {
  double sum = 0.0;
  for (size_t i = 0; i < count; i++)
    sum += log1p(theta * (values[i] - from));
  *shape = sum / (double)count;
  return -(double)count * (log(*shape / theta) + *shape + 1.0);
}

/* The likelihood has one maximum to each side of theta = 0 at most; the shape is
 * kept above -1/2, below which it has none (Smith, Biometrika 72(1), 1985). */
static void fit_shape(const double *values, size_t count, udg_tail *tail) {
  const double golden = 0.6180339887498949;
  double mean = tail->scale, longest = values[count - 1] - tail->from, shape;
  double best = -(double)count * (log(mean) + 1.0);
  for (int side = -1; side <= 1; side += 2) {
    /* In ln|theta|, from next to nothing to where 1 + theta x ends, or far beyond. */
    double low = log(1e-6 / mean), high = side < 0 ? log((1.0 - 1e-9) / longest) : log(1e4 / mean);
    for (int i = 0; i < 120; i++) {
      double a = high - golden * (high - low), b = low + golden * (high - low);
      double at_a = tail_likelihood(values, count, tail->from, side * exp(a), &shape);
      if (shape < -0.5)
        at_a = -INFINITY;
      double at_b = tail_likelihood(values, count, tail->from, side * exp(b), &shape);
      if (shape < -0.5)
        at_b = -INFINITY;
      if (at_a >= at_b)
        high = b;
      else
        low = a;
    }
    double theta = side * exp(0.5 * (low + high));
    double likelihood = tail_likelihood(values, count, tail->from, theta, &shape);
    if (likelihood > best && shape >= -0.5) {
      best = likelihood;
      tail->shape = shape;
      tail->scale = shape / theta;
    }
  }
}

udg_tail udg_tail_fit(const double *sorted, size_t count, double share, int shape_free) {
  udg_tail tail = {0.0, 1.0, 0.0, 0.0};
  size_t beyond = (size_t)(share * (double)count + 0.5);
  if (beyond < TAIL_MIN || beyond > count)
    return tail;
  const double *values = sorted + (count - beyond);
  /* Half way to the last value that is left out: both sides know their numbers. */
  tail.from = beyond < count ? 0.5 * (values[-1] + values[0]) : values[0];
  tail.share = (double)beyond / (double)count;
  for (size_t i = 0; i < beyond; i++)
    tail.scale += (values[i] - tail.from) / (double)beyond;
  if (shape_free && tail.scale > 0.0)
    fit_shape(values, beyond, &tail);
  return tail;
}

double udg_tail_upper(const udg_tail *tail, double x) {
  if (x <= tail->from || tail->scale <= 0.0)
    return tail->share;
  double u = (x - tail->from) / tail->scale;
  if (fabs(tail->shape) < 1e-9)
    return tail->share * exp(-u);
  double base = tail->shape * u;
  return base <= -1.0 ? 0.0 : tail->share * exp(-log1p(base) / tail->shape);
}

size_t udg_fdr_count(const double *sorted, size_t count, double q) {
  size_t rejected = 0;
  for (size_t i = 0; i < count; i++)
    if (sorted[i] <= q * (double)(i + 1) / (double)count)
      rejected = i + 1;
  return rejected;
}

double udg_auc(const double *with, size_t with_count, const double *without, size_t without_count) {
  if (with_count == 0 || without_count == 0)
    return NAN;
  size_t below = 0, up_to = 0;
  double pairs = 0.0;
  for (size_t i = 0; i < with_count; i++) {
    while (below < without_count && without[below] < with[i])
      below++;
    while (up_to < without_count && without[up_to] <= with[i])
      up_to++;
    pairs += 0.5 * (double)(below + up_to);
  }
  return pairs / ((double)with_count * (double)without_count);
}
