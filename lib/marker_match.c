/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How well a mark fits a patch, and what that weighs beside its decoys. */
#include <math.h>
#include <string.h>

#include "marker_look.h"

/* Pixels with less than this share of the mark's largest are not of it. */
static const float MARK_FROM = 0.04f;
/* Residual of a photo without any texture, levels. */
static const double LEAST_SD = 0.5;
/* With less of it in the photo nothing is said. */
static const double USABLE_LEAST = 0.6;

enum { PIXELS_MAX = UDG_LOOK_SIDE_MAX * UDG_LOOK_SIDE_MAX };

double udg_look_spread(const udg_plane *residual, const udg_plane *usable, float *scratch) {
  int n = 0;
  for (int i = 0; i < residual->width * residual->height; i++)
    if (usable->v[i] > 0.0f)
      scratch[n++] = fabsf(residual->v[i]);
  if (n == 0)
    return LEAST_SD;
  return fmax(LEAST_SD, 1.4826 * (double)udg_values_select(scratch, (size_t)n, (size_t)n / 2));
}

/* The mark's pixels alone, one after the other. */
typedef struct sparse {
  int n, size;
  const short *x, *y;
  const float *t;
} sparse;

static double score_at(const sparse *mark, const udg_plane *residual, const udg_plane *usable,
                       float gain, double sd, int dx, int dy) {
  float rt = 0.0f, rr = 0.0f, tt = 0.0f;
  int n = 0;
  for (int i = 0; i < mark->n; i++) {
    int x = mark->x[i] + dx, y = mark->y[i] + dy;
    if (x < 0 || y < 0 || x >= mark->size || y >= mark->size)
      continue;
    int at = y * mark->size + x;
    if (usable->v[at] <= 0.0f)
      continue;
    float t = mark->t[i], r = residual->v[at] + gain * t;
    rt += r * t;
    rr += r * r;
    tt += t * t;
    n++;
  }
  if (tt <= 0.0f || n < USABLE_LEAST * mark->n || rt <= 0.0f)
    return 0.0;
  double c = (double)rt / sqrt((double)tt);
  return sqrt(c / sd * c / sqrt((double)rr + n * sd * sd));
}

udg_look_match udg_look_match_best(const udg_look *look, double reach_px, double gain) {
  const udg_plane *mark = &look->mark;
  udg_look_match best = {0.0, {0.0, 0.0}};
  short x[PIXELS_MAX], y[PIXELS_MAX];
  float t[PIXELS_MAX], most = 0.0f;
  int size = mark->width, n = 0;
  for (int i = 0; i < size * size; i++)
    most = fmaxf(most, fabsf(mark->v[i]));
  if (most <= 0.0f)
    return best;
  for (int i = 0; i < size * size; i++)
    if (fabsf(mark->v[i]) >= MARK_FROM * most) {
      x[n] = (short)(i % size);
      y[n] = (short)(i / size);
      t[n++] = mark->v[i];
    }
  const sparse s = {n, size, x, y, t};
  int reach = (int)floor(reach_px), step = reach > 9 ? 3 : reach > 4 ? 2 : 1, at[2] = {0, 0};
  for (int round = 0; round < 2; round++) {
    int middle[2] = {at[0], at[1]}, range = round ? step - 1 : reach, by = round ? 1 : step;
    for (int dy = -range; dy <= range; dy += by)
      for (int dx = -range; dx <= range; dx += by) {
        int to[2] = {middle[0] + dx, middle[1] + dy};
        if (to[0] * to[0] + to[1] * to[1] > reach * reach + 1)
          continue;
        double score = score_at(&s, &look->patch.residual, &look->patch.usable, (float)gain,
                                look->sd, to[0], to[1]);
        if (score > best.score) {
          best = (udg_look_match){score, {to[0], to[1]}};
          at[0] = to[0];
          at[1] = to[1];
        }
      }
  }
  return best;
}

double udg_look_gain(int index) {
  static const double gains[] = {0.35, 0.8, 0.5, 1.1};
  return gains[index % 4];
}

/* ---- from scores to chances */

/* Share and s.d. of places that are worse than any decoy: dirt, a scratch, another die's mark. */
static const double ODD_SHARE = 0.03, ODD_SD = 3.0;
/* A real marker is not just the drawn one: s.d. of its z about the added one's, and the share
 * that is quite different. */
static const double THERE_SD = 0.9, THERE_ODD = 0.05, THERE_ODD_SD = 6.0;
/* On metal the shape fits only in part: shadows, glints, worn edges, a lamp that stands
 * otherwise there. So much of the added mark's z is left, each as likely. */
enum { FITS = 5 };
static const double FIT_SHARE[FITS] = {0.25, 0.4, 0.55, 0.75, 1.0};
static const double LOG_RATIO_MAX = 9.0;
static const double PRESENT_FROM = 2.5;
enum { DECOYS_LEAST = 12 };

static double normal_density(double x, double mean, double sd) {
  double z = (x - mean) / sd;
  return exp(-0.5 * z * z) / (sd * sqrt(2.0 * acos(-1.0)));
}

/* The best of several offsets: Gumbel with mean 0, s.d. 1 (scale sqrt(6) / pi, location
 * -0.5772 scale), and now and then something odd. */
static double without_density(double z) {
  double scale = 0.7796968, y = (z + 0.5772157 * scale) / scale;
  double gumbel = exp(-y - exp(-y)) / scale;
  return (1.0 - ODD_SHARE) * gumbel + ODD_SHARE * normal_density(z, 0.0, ODD_SD);
}

static double with_density(const udg_look_tally *tally, const double *z, double at) {
  double sum = 0.0;
  for (int i = 0; i < tally->decoys; i++)
    for (int k = 0; k < FITS; k++)
      sum += normal_density(at, FIT_SHARE[k] * z[i], THERE_SD);
  return (1.0 - THERE_ODD) * sum / (tally->decoys * FITS) +
         THERE_ODD * normal_density(at, 3.0, THERE_ODD_SD);
}

static double ratio_at(const udg_look_tally *tally, const double *z, double at) {
  double ratio = log(with_density(tally, z, at) / without_density(at));
  return fmax(-LOG_RATIO_MAX, fmin(LOG_RATIO_MAX, ratio));
}

void udg_look_weigh(const udg_look_tally *tally, double *log_ratio, double *power) {
  *log_ratio = *power = 0.0;
  if (!tally->in_view || tally->decoys < DECOYS_LEAST)
    return;
  double mean = 0.0, square = 0.0, z[UDG_LOOK_DECOYS_MAX];
  for (int i = 0; i < tally->decoys; i++) {
    mean += tally->decoy[i] / tally->decoys;
    square += tally->decoy[i] * tally->decoy[i] / tally->decoys;
  }
  double sd = sqrt(fmax(square - mean * mean, 0.0));
  /* Of few decoys the spread is known to 1 / sqrt(2 n). */
  sd = fmax(sd * (1.0 + 1.0 / sqrt(2.0 * tally->decoys)), 0.02);
  double root = sqrt(tally->units);
  for (int i = 0; i < tally->decoys; i++)
    z[i] = root * (tally->raised[i] - mean) / sd;
  *log_ratio = ratio_at(tally, z, root * (tally->score - mean) / sd);
  /* A place that shows less than any decoy is no stronger a no than an average one. */
  if (tally->score < mean)
    *log_ratio = fmin(0.0, ratio_at(tally, z, 0.0));
  int seen = 0;
  for (int i = 0; i < tally->decoys; i++)
    for (int k = 0; k < FITS; k++)
      seen += ratio_at(tally, z, FIT_SHARE[k] * z[i]) >= PRESENT_FROM;
  *power = (double)seen / (tally->decoys * FITS);
}
