/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Blur of a region, from the profiles across its sharpest edges. */
#include "measure.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "linalg.h"

enum {
  CELL = 16,  /* px: one edge each */
  EDGES = 48, /* strongest of them that are fitted */
  BINS = 96,  /* of a profile */
  REACH = 11, /* px that a window may reach from its middle */
  ALONG = 3,  /* px along the edge to each side */
  ASIDE = 5,  /* px along the edge from where it looks steepest to where it is measured */
  FITS = 3,   /* rounds of window and fit */
  STEPS = 6   /* of Gauss-Newton in each */
};
static const double BIN_PX = 0.25;
/* Least step that counts: levels, and standard deviations of the noise. */
static const double STEP_MIN = 12.0, STEP_NOISE = 6.0;
/* Misfit of a profile that no noise explains, share of the step: not a step. */
static const double MISFIT_MAX = 0.12;
/* More than this, and it is no flank either. */
static const double FLANK_MAX = 0.25;
/* The same in a wider window, where a ridge or a stripe shows its other flank. */
static const double FARTHER_MAX = 0.25;
static const double SIGMA_MIN = 0.25, SIGMA_MAX = 4.0; /* px: what can be told at all */
/* Edges of a photo differ by about this much, whatever the noise. */
static const double SCATTER = 0.05;
static const int AGREE_MIN = 3;
static const double ERROR_MAX = 0.08; /* of sigma: more is no answer */

typedef struct candidate {
  int x, y;
  float strength; /* squared gradient */
} candidate;

typedef struct edge {
  double sigma, error;
  int is_step; /* stands free, flat on both sides; else one flank of something */
} edge;

/* Means of the pixels by their distance u across the edge. */
typedef struct profile {
  double sum[BINS], number[BINS];
  double half; /* px covered to each side */
} profile;

static void gradient(const udg_plane *grey, int x, int y, float *gx, float *gy) {
  const float *a = udg_plane_row(grey, y - 1) + x, *b = udg_plane_row(grey, y) + x,
              *c = udg_plane_row(grey, y + 1) + x;
  *gx = 0.125f * (a[1] - a[-1] + 2.0f * (b[1] - b[-1]) + c[1] - c[-1]);
  *gy = 0.125f * (c[-1] - a[-1] + 2.0f * (c[0] - a[0]) + c[1] - a[1]);
}

/* Keeps the strongest, in falling order. */
static void enter(candidate *list, int *count, candidate c) {
  if (*count == EDGES && c.strength <= list[EDGES - 1].strength)
    return;
  int at = *count < EDGES ? (*count)++ : EDGES - 1;
  for (; at > 0 && list[at - 1].strength < c.strength; at--)
    list[at] = list[at - 1];
  list[at] = c;
}

static int look_for_edges(const udg_plane *grey, const udg_box *box, candidate *list) {
  int margin = REACH + ASIDE + 4, count = 0;
  int left = box->left > margin ? box->left : margin, top = box->top > margin ? box->top : margin;
  int right = box->right < grey->width - margin ? box->right : grey->width - margin;
  int bottom = box->bottom < grey->height - margin ? box->bottom : grey->height - margin;
  for (int cy = top; cy < bottom; cy += CELL) {
    for (int cx = left; cx < right; cx += CELL) {
      candidate best = {cx, cy, 0.0f};
      for (int y = cy; y < cy + CELL && y < bottom; y++) {
        for (int x = cx; x < cx + CELL && x < right; x++) {
          float gx, gy;
          gradient(grey, x, y, &gx, &gy);
          float strength = gx * gx + gy * gy;
          if (strength > best.strength)
            best = (candidate){x, y, strength};
        }
      }
      if (best.strength > 0.0f)
        enter(list, &count, best);
    }
  }
  return count;
}

/* Direction across the edge: main axis of the gradients around, weighted with a
 * Gaussian of 2.5 px. */
static void direction(const udg_plane *grey, const candidate *c, double *nx, double *ny) {
  double xx = 0.0, xy = 0.0, yy = 0.0;
  for (int j = -4; j <= 4; j++) {
    for (int i = -4; i <= 4; i++) {
      float gx, gy;
      gradient(grey, c->x + i, c->y + j, &gx, &gy);
      double w = exp(-0.08 * (i * i + j * j));
      xx += w * (double)gx * (double)gx;
      xy += w * (double)gx * (double)gy;
      yy += w * (double)gy * (double)gy;
    }
  }
  double turn = 0.5 * atan2(2.0 * xy, xx - yy);
  *nx = cos(turn);
  *ny = sin(turn);
}

/* The steepest pixel of a cell is steep by its noise, too: going along the edge to
 * pixels that were not chosen for anything, then across it onto its middle. */
static candidate step_aside(const udg_plane *grey, const candidate *c, int side) {
  double nx, ny;
  direction(grey, c, &nx, &ny);
  candidate best = {c->x, c->y, -1.0f};
  for (int k = -2; k <= 2; k++) {
    int x = (int)floor(c->x - side * ASIDE * ny + k * nx + 0.5);
    int y = (int)floor(c->y + side * ASIDE * nx + k * ny + 0.5);
    float gx, gy;
    gradient(grey, x, y, &gx, &gy);
    float across = (float)nx * gx + (float)ny * gy;
    if (across * across > best.strength)
      best = (candidate){x, y, across * across};
  }
  return best;
}

/* Gives 0 when something in the window is clipped. */
static int make_profile(const udg_plane *grey, const candidate *c, double nx, double ny,
                        double middle, double half, profile *p) {
  memset(p, 0, sizeof *p);
  p->half = half;
  for (int j = -REACH; j <= REACH; j++) {
    const float *row = udg_plane_row(grey, c->y + j) + c->x;
    for (int i = -REACH; i <= REACH; i++) {
      double u = i * nx + j * ny - middle, v = j * nx - i * ny;
      if (fabs(u) > half || fabs(v) > ALONG + 0.5)
        continue;
      if (row[i] >= UDG_CLIPPED_BRIGHT || row[i] <= UDG_CLIPPED_DARK)
        return 0;
      int bin = (int)((u + half) / BIN_PX);
      if (bin < 0 || bin >= BINS)
        continue;
      p->sum[bin] += (double)row[i];
      p->number[bin] += 1.0;
    }
  }
  return 1;
}

/* Parameters of I = a + b Phi((u - m) / s). */
enum { A, B, M, S, PARAMETERS };

/* One Gauss-Newton step; -1 when the profile does not tell the parameters. */
static int step(const profile *p, double f[PARAMETERS], double l[PARAMETERS * PARAMETERS]) {
  const double root2 = sqrt(2.0), peak = 1.0 / sqrt(2.0 * acos(-1.0));
  double right[PARAMETERS] = {0.0};
  memset(l, 0, sizeof(double) * PARAMETERS * PARAMETERS);
  for (int k = 0; k < BINS; k++) {
    double n = p->number[k];
    if (n <= 0.0)
      continue;
    double z = ((k + 0.5) * BIN_PX - p->half - f[M]) / f[S];
    double phi = 0.5 * (1.0 + erf(z / root2)), density = peak * exp(-0.5 * z * z) / f[S];
    double row[PARAMETERS] = {1.0, phi, -f[B] * density, -f[B] * density * z};
    double misfit = p->sum[k] / n - f[A] - f[B] * phi;
    for (int i = 0; i < PARAMETERS; i++) {
      right[i] += n * row[i] * misfit;
      for (int j = 0; j <= i; j++)
        l[i * PARAMETERS + j] += n * row[i] * row[j];
    }
  }
  if (udg_cholesky_factor(l, PARAMETERS, PARAMETERS, 1e-9) != 0)
    return -1;
  udg_cholesky_solve(l, PARAMETERS, PARAMETERS, right);
  f[A] += right[A];
  f[B] += right[B];
  f[M] += fmin(fmax(right[M], -1.0), 1.0);
  f[S] = fmin(fmax(f[S] + right[S], 0.6 * f[S]), 1.6 * f[S]);
  return 0;
}

/* Highest and lowest of the window's ends: first values of the step. */
static void start(const profile *p, double f[PARAMETERS]) {
  double ends[2] = {0.0, 0.0}, number[2] = {1e-9, 1e-9};
  int bins = (int)(2.0 * p->half / BIN_PX);
  for (int k = 0; k < bins / 4; k++) {
    for (int side = 0; side < 2; side++) {
      int at = side ? bins - 1 - k : k;
      ends[side] += p->sum[at];
      number[side] += p->number[at];
    }
  }
  f[A] = ends[0] / number[0];
  f[B] = ends[1] / number[1] - f[A];
  f[M] = 0.0;
}

/* Misfit of the profile that no noise explains, levels. */
static double unexplained(const profile *p, const double f[PARAMETERS], double noise) {
  double squares = 0.0, pixels = 0.0;
  for (int k = 0; k < BINS; k++) {
    if (p->number[k] <= 0.0)
      continue;
    double z = ((k + 0.5) * BIN_PX - p->half - f[M]) / f[S];
    double misfit = p->sum[k] / p->number[k] - f[A] - 0.5 * f[B] * (1.0 + erf(z / sqrt(2.0)));
    squares += p->number[k] * misfit * misfit;
    pixels += 1.0;
  }
  return sqrt(fmax(squares / fmax(pixels - PARAMETERS, 1.0) - noise * noise, 0.0));
}

/* 1 when the edge tells its width. */
static int fit_edge(const udg_plane *grey, const candidate *c, double noise, edge *e) {
  double nx, ny, middle = 0.0, f[PARAMETERS] = {0.0, 0.0, 0.0, 1.2};
  double l[PARAMETERS * PARAMETERS];
  profile p;
  direction(grey, c, &nx, &ny);
  for (int round = 0; round < FITS; round++) {
    if (!make_profile(grey, c, nx, ny, middle, fmin(2.5 * f[S] + 1.0, REACH - 1.0), &p))
      return 0;
    start(&p, f);
    for (int k = 0; k < STEPS; k++)
      if (step(&p, f, l) < 0 || fabs(f[M]) > 3.0 || f[S] < 0.5 * SIGMA_MIN ||
          f[S] > 1.5 * SIGMA_MAX)
        return 0;
    middle += f[M];
  }
  double height = fabs(f[B]), misfit = unexplained(&p, f, noise);
  if (height < fmax(STEP_MIN, STEP_NOISE * noise) || misfit > FLANK_MAX * height ||
      f[S] < SIGMA_MIN || f[S] > SIGMA_MAX)
    return 0;
  double inverse[PARAMETERS * PARAMETERS];
  udg_cholesky_invert(l, PARAMETERS, PARAMETERS, inverse);
  double variance = fmax(misfit * misfit + noise * noise, 1.0 / 12.0);
  e->error = sqrt(inverse[S * PARAMETERS + S] * variance);
  /* A bin of width d adds d^2 / 12 to the variance. */
  e->sigma = sqrt(fmax(f[S] * f[S] - BIN_PX * BIN_PX / 12.0, SIGMA_MIN * SIGMA_MIN));
  f[M] = 0.0;
  e->is_step = misfit <= MISFIT_MAX * height &&
               make_profile(grey, c, nx, ny, middle, fmin(3.5 * f[S] + 2.0, REACH - 1.0), &p) &&
               unexplained(&p, f, noise) <= FARTHER_MAX * height;
  return e->error < 0.5 * e->sigma;
}

static int by_sigma(const void *a, const void *b) {
  const edge *e = a, *f = b;
  return (e->sigma > f->sigma) - (e->sigma < f->sigma);
}

/* The sharpest edges that agree: from the lower fifth on, weighted mean of
 * those within two standard errors.  How many; 0: no answer. */
static int agree(edge *edges, int count, double *sigma, double *sigma_error) {
  qsort(edges, (size_t)count, sizeof *edges, by_sigma);
  double mean = count > 0 ? edges[count / 5].sigma : 0.0, weights = 0.0;
  int used = 0;
  for (int round = 0; round < 4; round++) {
    double sum = 0.0;
    weights = 0.0;
    used = 0;
    for (int i = 0; i < count; i++) {
      /* Error as it would be at the common width: a profile made sharp by noise
         also looks well determined. */
      double error = edges[i].error * mean / edges[i].sigma;
      double variance = error * error + SCATTER * SCATTER * mean * mean;
      if (fabs(edges[i].sigma - mean) > 2.0 * sqrt(variance))
        continue;
      sum += edges[i].sigma / variance;
      weights += 1.0 / variance;
      used++;
    }
    if (used == 0)
      return 0;
    mean = sum / weights;
  }
  if (used < AGREE_MIN || 1.0 / sqrt(weights) > ERROR_MAX * mean)
    return 0;
  *sigma = mean;
  *sigma_error = 1.0 / sqrt(weights);
  return used;
}

void udg_measure_blur(const udg_plane *grey, const udg_box *box, double noise_sigma,
                      udg_blur *blur) {
  candidate candidates[EDGES];
  edge flanks[EDGES], steps[EDGES];
  int count = look_for_edges(grey, box, candidates), told = 0, free_steps = 0;
  memset(blur, 0, sizeof *blur);
  for (int i = 0; i < count; i++) {
    candidate c = step_aside(grey, &candidates[i], 1);
    int good = fit_edge(grey, &c, noise_sigma, &flanks[told]);
    if (!good || !flanks[told].is_step) {
      edge other;
      c = step_aside(grey, &candidates[i], -1);
      if (fit_edge(grey, &c, noise_sigma, &other) && (!good || other.is_step)) {
        flanks[told] = other;
        good = 1;
      }
    }
    if (good && flanks[told].is_step)
      steps[free_steps++] = flanks[told];
    told += good;
  }
  double error;
  blur->edges = agree(steps, free_steps, &blur->sigma_px, &blur->error_px);
  agree(flanks, told, &blur->rough_px, &error);
}
