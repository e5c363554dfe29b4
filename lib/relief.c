/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relief.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Pixels a tile side: small enough that few sides can be nearest to any pixel
 * of it, large enough that choosing them costs little. */
enum { TILE_PX = 8 };

typedef struct udg_edge {
  double x, y;    /* beginning, px */
  double dx, dy;  /* to the end */
  double end_y;   /* the very number that the next side begins with */
  double inverse; /* 1 / squared length; 0 for a point */
} udg_edge;

typedef struct udg_crossing {
  double x;
  int step; /* change of the winding number, left to right */
} udg_crossing;

typedef struct udg_distance_work {
  const udg_settings *settings;
  size_t edge_count;
  udg_edge *edges;
  double *to_centre; /* of the current tile, by edge */
  size_t *near;      /* edges that can be nearest in the tile */
  udg_crossing *crossings;
  double max_px;
} udg_distance_work;

static double distance2(const udg_edge *edge, double x, double y) {
  double px = x - edge->x, py = y - edge->y;
  double t = (px * edge->dx + py * edge->dy) * edge->inverse;
  t = t < 0 ? 0 : t > 1 ? 1 : t;
  px -= t * edge->dx;
  py -= t * edge->dy;
  return px * px + py * py;
}

static void place_edges(udg_distance_work *work, const udg_outline *outline, double px_per_mm,
                        double turn_rad, double x_px, double y_px) {
  const double c = px_per_mm * cos(turn_rad), s = px_per_mm * sin(turn_rad);
  for (size_t k = 0; k < outline->contour_count; k++) {
    size_t first = outline->starts[k], end = outline->starts[k + 1];
    for (size_t i = first; i < end; i++) {
      size_t j = i + 1 < end ? i + 1 : first;
      const double *p = outline->points + 2 * i, *q = outline->points + 2 * j;
      udg_edge *edge = &work->edges[work->edge_count++];
      edge->x = c * p[0] - s * p[1] + x_px;
      edge->y = s * p[0] + c * p[1] + y_px;
      /* By the same sum as the next side's beginning: a gap of one rounding
       * would spoil the winding number. */
      edge->end_y = s * q[0] + c * q[1] + y_px;
      edge->dx = c * q[0] - s * q[1] + x_px - edge->x;
      edge->dy = edge->end_y - edge->y;
      double length2 = edge->dx * edge->dx + edge->dy * edge->dy;
      edge->inverse = length2 > 0 ? 1 / length2 : 0;
    }
  }
}

/* A side is nearest to some pixel of the tile only if its distance to the
 * tile's centre is within twice the tile's radius of the smallest such. */
static size_t choose_edges(udg_distance_work *work, double x, double y, double radius,
                           double *smallest) {
  size_t count = 0;
  double least = INFINITY;
  for (size_t i = 0; i < work->edge_count; i++) {
    work->to_centre[i] = distance2(&work->edges[i], x, y);
    least = fmin(least, work->to_centre[i]);
  }
  *smallest = sqrt(least);
  double bound = *smallest + 2 * radius + 1e-9;
  for (size_t i = 0; i < work->edge_count; i++)
    if (work->to_centre[i] <= bound * bound)
      work->near[count++] = i;
  return count;
}

static void measure_tile(udg_distance_work *work, udg_plane *distance, int left, int top) {
  int right = left + TILE_PX < distance->width ? left + TILE_PX : distance->width;
  int bottom = top + TILE_PX < distance->height ? top + TILE_PX : distance->height;
  double radius = hypot(right - left, bottom - top) / 2, smallest;
  size_t count = choose_edges(work, (left + right) / 2.0, (top + bottom) / 2.0, radius, &smallest);
  if (smallest - radius > work->max_px)
    count = 0;
  for (int y = top; y < bottom; y++)
    for (int x = left; x < right; x++) {
      double least = INFINITY;
      for (size_t k = 0; k < count; k++) {
        double d2 = distance2(&work->edges[work->near[k]], x + 0.5, y + 0.5);
        least = d2 < least ? d2 : least;
      }
      udg_plane_row(distance, y)[x] = (float)fmin(sqrt(least), work->max_px);
    }
}

static int compare_crossings(const void *left, const void *right) {
  const udg_crossing *a = left, *b = right;
  return (a->x > b->x) - (a->x < b->x);
}

/* Negates what lies outside: winding number zero, summed from the left. */
static void sign_row(udg_distance_work *work, udg_plane *distance, int row) {
  const double y = row + 0.5;
  size_t count = 0, next = 0;
  int winding = 0;
  for (size_t i = 0; i < work->edge_count; i++) {
    const udg_edge *edge = &work->edges[i];
    if ((edge->y <= y) == (edge->end_y <= y))
      continue;
    work->crossings[count].x = edge->x + (y - edge->y) / edge->dy * edge->dx;
    work->crossings[count++].step = edge->y <= y ? 1 : -1;
  }
  qsort(work->crossings, count, sizeof *work->crossings, compare_crossings);
  float *v = udg_plane_row(distance, row);
  for (int x = 0; x < distance->width; x++) {
    for (; next < count && work->crossings[next].x <= x + 0.5; next++)
      winding += work->crossings[next].step;
    if (winding == 0)
      v[x] = -v[x];
  }
}

udg_status udg_relief_distance_within(const udg_settings *settings, const udg_outline *outline,
                                      double px_per_mm, double turn_rad, double x_px, double y_px,
                                      double max_px, udg_plane *distance, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_distance_work work = {.settings = &resolved, .max_px = max_px};
  size_t room = outline->point_count + 1;
  udg_status status = UDG_OK;
  if (!(px_per_mm > 0 && isfinite(px_per_mm) && isfinite(turn_rad) && isfinite(x_px) &&
        isfinite(y_px) && max_px > 0))
    return udg_fail(message, UDG_ERROR_ARGUMENT, "relief: placing of an outline is not finite");
  work.edges = udg_memory_get(&resolved, room, sizeof *work.edges);
  work.to_centre = udg_memory_get(&resolved, room, sizeof *work.to_centre);
  work.near = udg_memory_get(&resolved, room, sizeof *work.near);
  work.crossings = udg_memory_get(&resolved, room, sizeof *work.crossings);
  if (!work.edges || !work.to_centre || !work.near || !work.crossings) {
    status = udg_fail(message, UDG_ERROR_MEMORY, "relief: out of memory");
  } else {
    place_edges(&work, outline, px_per_mm, turn_rad, x_px, y_px);
    for (int top = 0; top < distance->height; top += TILE_PX)
      for (int left = 0; left < distance->width; left += TILE_PX)
        measure_tile(&work, distance, left, top);
    for (int row = 0; row < distance->height; row++)
      sign_row(&work, distance, row);
  }
  udg_memory_drop(&resolved, work.edges);
  udg_memory_drop(&resolved, work.to_centre);
  udg_memory_drop(&resolved, work.near);
  udg_memory_drop(&resolved, work.crossings);
  return status;
}

udg_status udg_relief_distance(const udg_settings *settings, const udg_outline *outline,
                               double px_per_mm, double turn_rad, double x_px, double y_px,
                               udg_plane *distance, udg_message *message) {
  return udg_relief_distance_within(settings, outline, px_per_mm, turn_rad, x_px, y_px, INFINITY,
                                    distance, message);
}

double udg_relief_profile(double d, double bevel) {
  if (!(d > 0))
    return 0;
  if (d >= bevel) /* also a bevel of 0: a step */
    return 1;
  double t = d / bevel;
  return t * t * (3 - 2 * t);
}
