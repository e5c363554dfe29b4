/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Centres that edges agree on: each edge point votes along its gradient, both
 * ways, at every radius of a ladder.  A circle of that radius gathers its whole
 * length in one spot; an ellipse spreads it by (a^2 - b^2) / a, which the
 * smoothing takes in. */
#include "coin_internal.h"

#include <math.h>
#include <string.h>

/* From one radius to the next. */
static const double RADIUS_STEP = 1.07;
/* Cell of the votes and smoothing, shares of the radius. */
static const double CELL = 0.045, CELL_MIN_PX = 1.5;
static const double NARROW_CELLS = 1.2, WIDE_CELLS = 4.0; /* two boxes of 3; about */
/* Centres may lie outside the photo by this share of the radius. */
static const double OUTSIDE = 0.3;
/* An edge weaker than this against what is around it has no vote. */
static const double WEIGHT_MIN = 0.12;
/* Seeds whose share of the circle is below this are chance. */
static const double SHARE_MIN = 0.10;
/* So are those far below the best: coins of one photo have rims much alike, and a
 * rim cut off by the photo's border still has a third of its length. */
static const double OF_BEST_MIN = 0.12;

/* A photo in which no circle agrees better than this shows no rim: letters, digits
 * and dents of 240 close-ups reach 1.8; the rims of 24 rendered and 74 photographed
 * coins begin at 2.2. */
static const double BEST_MIN = 1.9;

enum { POINTS_FIRST = 8192 }; /* that there is room for at first */

typedef struct edge_point {
  float x, y, ux, uy, weight;
} edge_point;

struct udg_coin_votes {
  udg_settings settings;
  edge_point *points;
  size_t point_count, point_room;
};

udg_status udg_coin_votes_create(const udg_settings *settings, udg_coin_votes **votes) {
  udg_coin_votes *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return UDG_ERROR_MEMORY;
  made->settings = *settings;
  *votes = made;
  return UDG_OK;
}

void udg_coin_votes_destroy(udg_coin_votes *votes) {
  if (!votes)
    return;
  udg_settings settings = votes->settings;
  udg_memory_drop(&settings, votes->points);
  udg_memory_drop(&settings, votes);
}

/* Length of the gradient at a pixel. */
static float length_at(const udg_coin_edges *edges, int x, int y) {
  float gx = udg_plane_row(&edges->x.plane, y)[x], gy = udg_plane_row(&edges->y.plane, y)[x];
  return sqrtf(gx * gx + gy * gy);
}

/* Whether the gradient of a pixel is the longest across the edge there. */
static int point_at(const udg_coin_edges *edges, int x, int y, edge_point *point) {
  float m = length_at(edges, x, y), around = udg_plane_row(&edges->around.plane, y)[x];
  float weight = (m - around) / (m + around);
  if ((double)weight < WEIGHT_MIN)
    return 0;
  float ux = udg_plane_row(&edges->x.plane, y)[x] / m;
  float uy = udg_plane_row(&edges->y.plane, y)[x] / m;
  int sx = ux > 0.383f ? 1 : ux < -0.383f ? -1 : 0;
  int sy = uy > 0.383f ? 1 : uy < -0.383f ? -1 : 0;
  if (m < length_at(edges, x + sx, y + sy) || m <= length_at(edges, x - sx, y - sy))
    return 0;
  *point = (edge_point){(float)x + 0.5f, (float)y + 0.5f, ux, uy, weight};
  return 1;
}

/* Room for more points: what there are, and as many again. */
static udg_status points_grow(udg_coin_votes *votes) {
  size_t room = votes->point_room ? 2 * votes->point_room : POINTS_FIRST;
  edge_point *more = udg_memory_get(&votes->settings, room, sizeof *more);
  if (!more)
    return UDG_ERROR_MEMORY;
  if (votes->point_count > 0)
    memcpy(more, votes->points, votes->point_count * sizeof *more);
  udg_memory_drop(&votes->settings, votes->points);
  votes->points = more;
  votes->point_room = room;
  return UDG_OK;
}

static udg_status points_take(udg_coin_votes *votes, const udg_coin_edges *edges) {
  int width = edges->x.plane.width, height = edges->x.plane.height;
  votes->point_count = 0;
  for (int y = 1; y + 1 < height; y++)
    for (int x = 1; x + 1 < width; x++) {
      edge_point point;
      if (!point_at(edges, x, y, &point))
        continue;
      if (votes->point_count == votes->point_room && points_grow(votes) != UDG_OK)
        return UDG_ERROR_MEMORY;
      votes->points[votes->point_count++] = point;
    }
  return UDG_OK;
}

/* Adds `weight` to the four cells around a position in cells. */
static void cell_add(udg_plane *cells, float u, float v, float weight) {
  u -= 0.5f;
  v -= 0.5f;
  if (!(u >= 0 && v >= 0 && u < (float)(cells->width - 1) && v < (float)(cells->height - 1)))
    return;
  int i = (int)u, j = (int)v;
  float f = u - (float)i, g = v - (float)j;
  float *at = udg_plane_row(cells, j) + i;
  at[0] += weight * (1 - f) * (1 - g);
  at[1] += weight * f * (1 - g);
  at[cells->width] += weight * (1 - f) * g;
  at[cells->width + 1] += weight * f * g;
}

static void seed_add(udg_coin_seed *seeds, int *count, const udg_coin_seed *found) {
  for (int i = 0; i < *count; i++) {
    double larger = fmax(seeds[i].radius, found->radius);
    if (hypot(seeds[i].x - found->x, seeds[i].y - found->y) > 0.15 * larger ||
        fabs(log(seeds[i].radius / found->radius)) > 0.18)
      continue;
    if (seeds[i].score >= found->score)
      return;
    memmove(&seeds[i], &seeds[i + 1], (size_t)(*count - i - 1) * sizeof *seeds);
    (*count)--;
    i--;
  }
  int at = *count;
  while (at > 0 && seeds[at - 1].score < found->score)
    at--;
  if (at >= UDG_COIN_SEEDS_MAX)
    return;
  int moved = *count < UDG_COIN_SEEDS_MAX ? *count - at : UDG_COIN_SEEDS_MAX - 1 - at;
  memmove(&seeds[at + 1], &seeds[at], (size_t)moved * sizeof *seeds);
  seeds[at] = *found;
  if (*count < UDG_COIN_SEEDS_MAX)
    (*count)++;
}

/* Local maxima of one radius.  Votes of a full circle of weight 1, as blurred as
 * the cells, peak at 2 pi r / (2 pi 2 s^2) with s = NARROW_CELLS. */
static void peaks_take(const udg_plane *narrow, const udg_plane *wide, double radius, double cell,
                       double margin, udg_coin_seed *seeds, int *count) {
  double share_of = 2 * NARROW_CELLS * NARROW_CELLS / radius;
  for (int j = 1; j + 1 < narrow->height; j++)
    for (int i = 1; i + 1 < narrow->width; i++) {
      const float *at = udg_plane_row(narrow, j) + i;
      double share = share_of * (double)(*at - udg_plane_row(wide, j)[i]);
      if (share < SHARE_MIN)
        continue;
      int highest = 1;
      for (int b = -1; b <= 1; b++)
        for (int a = -1; a <= 1; a++)
          if (at[b * narrow->width + a] > *at)
            highest = 0;
      if (!highest)
        continue;
      /* Chance agreement has an s.d. that falls with the root of the length. */
      udg_coin_seed found = {(i + 0.5) * cell - margin, (j + 0.5) * cell - margin, radius,
                             share * sqrt(radius)};
      seed_add(seeds, count, &found);
    }
}

static udg_status radius_count(udg_coin_votes *votes, const udg_coin_edges *edges,
                               udg_buffer scratch[3], double radius, udg_coin_seed *seeds,
                               int *count) {
  double cell = fmax(CELL * radius, CELL_MIN_PX), margin = OUTSIDE * radius + cell;
  int width = (int)ceil((edges->x.plane.width + 2 * margin) / cell);
  int height = (int)ceil((edges->x.plane.height + 2 * margin) / cell);
  for (int i = 0; i < 3; i++) {
    udg_status status = udg_buffer_size(&votes->settings, &scratch[i], width, height);
    if (status != UDG_OK)
      return status;
  }
  udg_plane *narrow = &scratch[0].plane, *wide = &scratch[1].plane;
  size_t cells = (size_t)width * (size_t)height;
  memset(narrow->v, 0, cells * sizeof *narrow->v);
  float per = (float)(1 / cell), shift = (float)(margin / cell), reach = (float)(radius / cell);
  for (size_t i = 0; i < votes->point_count; i++) {
    const edge_point *p = &votes->points[i];
    float u = p->x * per + shift, v = p->y * per + shift;
    cell_add(narrow, u + reach * p->ux, v + reach * p->uy, p->weight);
    cell_add(narrow, u - reach * p->ux, v - reach * p->uy, p->weight);
  }
  memcpy(wide->v, narrow->v, cells * sizeof *wide->v);
  udg_rescale_mean(narrow, NARROW_CELLS, &scratch[2].plane);
  udg_rescale_mean(wide, WIDE_CELLS, &scratch[2].plane);
  peaks_take(narrow, wide, radius, cell, margin, seeds, count);
  return UDG_OK;
}

udg_status udg_coin_votes_count(udg_coin_votes *votes, const udg_coin_edges *edges,
                                udg_buffer scratch[3], double low, double high,
                                udg_coin_seed *seeds, int *seed_count) {
  udg_status status = points_take(votes, edges);
  *seed_count = 0;
  for (double radius = low; radius <= high && status == UDG_OK; radius *= RADIUS_STEP)
    status = radius_count(votes, edges, scratch, radius, seeds, seed_count);
  if (*seed_count && seeds[0].score < BEST_MIN)
    *seed_count = 0;
  while (*seed_count && seeds[*seed_count - 1].score < OF_BEST_MIN * seeds[0].score)
    (*seed_count)--;
  return status;
}
