/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Lines too faint to stand out pixel by pixel: the residual summed along straight lines of every
 * direction. */
#include <math.h>
#include <string.h>

#include "stray.h"
#include "wider.h"

/* Field this far outside the present digits counts, px: nearer, their own misfit runs along
 * their straight strokes. */
static const float AWAY_PX = -4.0f;
static const float CUT = 3.5f;          /* one pixel tells no more than so many s.d. */
static const double ACROSS_PX = 1.4;    /* half the width of what is looked for, s.d. */
static const double LENGTH_PX = 48.0;   /* a digit's height */
static const double OPEN_LEAST = 0.3;   /* of it must be field */
enum { DIRECTIONS = 30, APART_PX = 2 }; /* the ends of neighbours lie 2.5 px off */

/* Both smoothed across: the residual, and where the field is open. */
typedef struct field {
  udg_plane bright, open;
} field;

typedef struct along {
  field upright, turned; /* `turned`: columns are rows, for lines that rather go across */
  udg_plane rise;        /* of `bright`, along the normal of the direction that is summed */
  udg_plane scratch;
  double *ridge, *step, *pixels; /* sums by where a line begins */
} along;

/* Lines of one direction, that take a step a row: how far to the side by row, how long a step is,
 * steps of a line, and how far before the first column lines begin. */
typedef struct course {
  const field *on;
  const udg_plane *rise;
  double slope, px;
  int count, before;
} course;

/* Adds a row to the lines that cross it. */
UDG_WIDER
static void row_add(const float *restrict bright, const float *restrict rise,
                    const float *restrict open, int width, double sign, double *restrict ridge,
                    double *restrict step, double *restrict pixels) {
  for (int x = 0; x < width; x++) {
    ridge[x] += sign * (double)bright[x];
    step[x] += sign * (double)rise[x];
    pixels[x] += sign * (double)open[x];
  }
}

/* Most energy of a ridge and of a step across, each in units of what white noise has there, among
 * every APART_PX-th line. */
UDG_WIDER
static double most_of(const double *restrict ridge, const double *restrict step,
                      const double *restrict pixels, int lines, double px, double of_ridge,
                      double of_step) {
  double most = 0.0;
  for (int i = 0; i < lines; i += APART_PX) {
    double seen = pixels[i] * px, r = ridge[i] * px, s = step[i] * px;
    double energy = (of_ridge * r * r + of_step * s * s) / seen;
    most = seen >= OPEN_LEAST * LENGTH_PX && energy > most ? energy : most;
  }
  return most;
}

static void course_add(const along *a, const course *c, int row, double sign) {
  const udg_plane *bright = &c->on->bright;
  int first = c->before - (int)floor(c->slope * row + 0.5); /* begins at the row's first pixel */
  row_add(udg_plane_row(bright, row), udg_plane_row(c->rise, row), udg_plane_row(&c->on->open, row),
          bright->width, sign, a->ridge + first, a->step + first, a->pixels + first);
}

static double most_in_direction(const along *a, const course *c) {
  const double root_pi = sqrt(acos(-1.0));
  const double of_ridge = 2.0 * ACROSS_PX * root_pi;
  const double of_step = 4.0 * ACROSS_PX * ACROSS_PX * ACROSS_PX * root_pi;
  int rows = c->on->bright.height, lines = c->on->bright.width + 2 * c->before;
  double most = 0.0;
  memset(a->ridge, 0, sizeof *a->ridge * (size_t)lines);
  memset(a->step, 0, sizeof *a->step * (size_t)lines);
  memset(a->pixels, 0, sizeof *a->pixels * (size_t)lines);
  for (int row = 0; row < rows; row++) {
    course_add(a, c, row, 1.0);
    if (row >= c->count)
      course_add(a, c, row - c->count, -1.0);
    most = fmax(most, most_of(a->ridge, a->step, a->pixels, lines, c->px, of_ridge, of_step));
  }
  return most;
}

static void rise_along(const udg_plane *bright, double across, double down, udg_plane *rise) {
  size_t width = (size_t)bright->width;
  rise->width = bright->width;
  rise->height = bright->height;
  memset(rise->v, 0, sizeof *rise->v * width * (size_t)bright->height);
  for (int y = 1; y + 1 < bright->height; y++)
    for (int x = 1; x + 1 < bright->width; x++) {
      size_t i = (size_t)y * width + (size_t)x;
      rise->v[i] = (float)(0.5 * across) * (bright->v[i + 1] - bright->v[i - 1]) +
                   (float)(0.5 * down) * (bright->v[i + width] - bright->v[i - width]);
    }
}

static double most_energy(along *a) {
  const double pi = acos(-1.0);
  double most = 0.0;
  for (int n = 0; n < DIRECTIONS; n++) {
    double c = cos(pi * n / DIRECTIONS), s = sin(pi * n / DIRECTIONS);
    int steep = fabs(s) > fabs(c);
    course way = {.on = steep ? &a->upright : &a->turned, .rise = &a->rise};
    rise_along(&way.on->bright, steep ? -s : c, steep ? c : -s, &a->rise);
    way.slope = steep ? c / s : s / c;
    way.px = 1.0 / fmax(fabs(s), fabs(c));
    way.count = (int)floor(LENGTH_PX / way.px + 0.5);
    way.before = (int)ceil(fabs(way.slope) * way.on->bright.height);
    most = fmax(most, most_in_direction(a, &way));
  }
  return most;
}

static void turn(const udg_plane *from, udg_plane *to) {
  for (int y = 0; y < from->height; y++)
    for (int x = 0; x < from->width; x++)
      udg_plane_row(to, x)[y] = udg_plane_row(from, y)[x];
}

static void take(const udg_upright *upright, const udg_residual *residual, along *a) {
  const int width = upright->width;
  for (int i = 0; i < width * upright->height; i++) {
    float weight = residual->weight.v[i];
    int open = weight > 0.0f && upright->distance.v[i] < AWAY_PX &&
               udg_on_field(upright, i % width, i / width);
    float r = residual->white.v[i] * sqrtf(weight);
    a->upright.bright.v[i] = open ? fminf(fmaxf(r, -CUT), CUT) : 0.0f;
    a->upright.open.v[i] = open ? 1.0f : 0.0f;
  }
  udg_plane_blur(&a->upright.bright, ACROSS_PX, &a->scratch);
  udg_plane_blur(&a->upright.open, ACROSS_PX, &a->scratch);
  turn(&a->upright.bright, &a->turned.bright);
  turn(&a->upright.open, &a->turned.open);
}

static udg_status along_open(const udg_settings *settings, int width, int height, along *a) {
  udg_plane *planes[] = {&a->upright.bright, &a->upright.open,  &a->rise,
                         &a->scratch,        &a->turned.bright, &a->turned.open};
  double **sums[] = {&a->ridge, &a->step, &a->pixels};
  size_t lines = 3 * (size_t)(width > height ? width : height) + 2;
  udg_status status = UDG_OK;
  memset(a, 0, sizeof *a);
  for (int k = 0; k < 6 && status == UDG_OK; k++)
    status = udg_plane_create(settings, k < 4 ? width : height, k < 4 ? height : width, planes[k]);
  for (int k = 0; k < 3 && status == UDG_OK; k++) {
    *sums[k] = udg_memory_get(settings, lines, sizeof **sums[k]);
    status = *sums[k] ? UDG_OK : UDG_ERROR_MEMORY;
  }
  return status;
}

static void along_close(const udg_settings *settings, along *a) {
  udg_plane *planes[] = {&a->upright.bright, &a->upright.open,  &a->rise,
                         &a->scratch,        &a->turned.bright, &a->turned.open};
  double *sums[] = {a->ridge, a->step, a->pixels};
  for (int k = 0; k < 6; k++)
    udg_plane_destroy(settings, planes[k]);
  for (int k = 0; k < 3; k++)
    udg_memory_drop(settings, sums[k]);
}

udg_status udg_stray_along(const udg_settings *settings, const udg_upright *upright,
                           const udg_residual *residual, double *energy, udg_message *message) {
  along a;
  udg_status status = along_open(settings, upright->width, upright->height, &a);
  if (status == UDG_OK) {
    take(upright, residual, &a);
    *energy = most_energy(&a);
  }
  along_close(settings, &a);
  return status == UDG_OK ? status
                          : udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for lines");
}
