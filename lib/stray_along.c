/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Lines too faint to stand out pixel by pixel: the residual summed along straight lines of every
 * direction. */
#include <math.h>
#include <string.h>

#include "stray.h"

/* Field this far outside the present digits counts, px: nearer, their own misfit runs along
 * their straight strokes. */
static const float AWAY_PX = -4.0f;
static const float CUT = 3.5f;          /* one pixel tells no more than so many s.d. */
static const double ACROSS_PX = 1.4;    /* half the width of what is looked for, s.d. */
static const double LENGTH_PX = 48.0;   /* a digit's height */
static const double OPEN_LEAST = 0.3;   /* of it must be field */
enum { DIRECTIONS = 30, APART_PX = 2 }; /* the ends of neighbours lie 2.5 px off */

typedef struct sums {
  double ridge, step, open;
} sums;

typedef struct along {
  udg_plane bright, open; /* both smoothed across */
  udg_plane rise;         /* of `bright`, along the normal of the direction that is summed */
  int steep, count;       /* steps go down, not right; steps of a line */
  double slope, px;       /* to the side by step; length of a step */
} along;

static void add(const along *a, int step, int side, double sign, sums *to) {
  int x = a->steep ? side : step, y = a->steep ? step : side;
  if (x < 0 || y < 0 || x >= a->open.width || y >= a->open.height)
    return;
  size_t i = (size_t)y * (size_t)a->open.width + (size_t)x;
  to->ridge += sign * (double)a->bright.v[i];
  to->step += sign * (double)a->rise.v[i];
  to->open += sign * (double)a->open.v[i];
}

/* Energy of a ridge and of a step across, each in units of what white noise has there. */
static double energy_of(const along *a, const sums *s) {
  const double root_pi = sqrt(acos(-1.0));
  double pixels = s->open * a->px;
  if (pixels < OPEN_LEAST * LENGTH_PX)
    return 0.0;
  double ridge = s->ridge * a->px, step = s->step * a->px;
  return (2.0 * ACROSS_PX * root_pi * ridge * ridge +
          4.0 * ACROSS_PX * ACROSS_PX * ACROSS_PX * root_pi * step * step) /
         pixels;
}

static double most_in_direction(const along *a) {
  int steps = a->steep ? a->bright.height : a->bright.width;
  int sides = a->steep ? a->bright.width : a->bright.height;
  int reach = (int)ceil(fabs(a->slope) * steps);
  double most = 0.0;
  for (int start = -reach; start < sides + reach; start += APART_PX) {
    sums s = {0.0, 0.0, 0.0};
    for (int k = 0; k < steps; k++) {
      add(a, k, start + (int)floor(a->slope * k + 0.5), 1.0, &s);
      int gone = k - a->count;
      if (gone >= 0)
        add(a, gone, start + (int)floor(a->slope * gone + 0.5), -1.0, &s);
      most = fmax(most, energy_of(a, &s));
    }
  }
  return most;
}

static void rise_along(along *a, double across, double down) {
  const udg_plane *b = &a->bright;
  size_t width = (size_t)b->width;
  for (int y = 1; y + 1 < b->height; y++)
    for (int x = 1; x + 1 < b->width; x++) {
      size_t i = (size_t)y * width + (size_t)x;
      a->rise.v[i] = (float)(0.5 * across) * (b->v[i + 1] - b->v[i - 1]) +
                     (float)(0.5 * down) * (b->v[i + width] - b->v[i - width]);
    }
}

static double most_energy(along *a) {
  const double pi = acos(-1.0);
  double most = 0.0;
  for (int n = 0; n < DIRECTIONS; n++) {
    double c = cos(pi * n / DIRECTIONS), s = sin(pi * n / DIRECTIONS);
    rise_along(a, -s, c);
    a->steep = fabs(s) > fabs(c);
    a->slope = a->steep ? c / s : s / c;
    a->px = 1.0 / fmax(fabs(s), fabs(c));
    a->count = (int)floor(LENGTH_PX / a->px + 0.5);
    most = fmax(most, most_in_direction(a));
  }
  return most;
}

udg_status udg_stray_along(const udg_settings *settings, const udg_upright *upright,
                           const udg_residual *residual, double *energy, udg_message *message) {
  along a;
  udg_plane scratch = {0};
  udg_plane *planes[] = {&a.bright, &a.open, &a.rise, &scratch};
  udg_status status = UDG_OK;
  memset(&a, 0, sizeof a);
  for (int k = 0; k < 4 && status == UDG_OK; k++)
    status = udg_plane_create(settings, upright->width, upright->height, planes[k]);
  if (status == UDG_OK) {
    const int width = upright->width;
    for (int i = 0; i < width * upright->height; i++) {
      float weight = residual->weight.v[i];
      int open = weight > 0.0f && upright->distance.v[i] < AWAY_PX &&
                 udg_on_field(upright, i % width, i / width);
      float r = residual->white.v[i] * sqrtf(weight);
      a.bright.v[i] = open ? fminf(fmaxf(r, -CUT), CUT) : 0.0f;
      a.open.v[i] = open ? 1.0f : 0.0f;
    }
    udg_plane_blur(&a.bright, ACROSS_PX, &scratch);
    udg_plane_blur(&a.open, ACROSS_PX, &scratch);
    *energy = most_energy(&a);
  }
  for (int k = 0; k < 4; k++)
    udg_plane_destroy(settings, planes[k]);
  return status == UDG_OK ? status
                          : udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for lines");
}
