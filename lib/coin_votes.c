/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Centres that edges agree on: each edge point votes along its gradient, both
 * ways, at every radius of a ladder.  A circle of that radius gathers its whole
 * length in one spot; an ellipse spreads it by (a^2 - b^2) / a, which the
 * smoothing takes in. */
#include "coin_internal.h"
#include "wider.h"

#include <math.h>
#include <string.h>

/* From one radius to the next. */
static const double RADIUS_STEP = 1.07;
/* Cell of the votes and smoothing, shares of the radius. */
static const double CELL = 0.045, CELL_MIN_PX = 1.5;
static const double NARROW_CELLS = 1.2; /* about what two boxes of 3 blur; wide: of 9 */
enum { WIDE_REACH = 4, WIDE_SPAN = 4 * WIDE_REACH + 1 };
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
static inline void cell_add(float *cells, int width, int height, float u, float v, float weight) {
  u -= 0.5f;
  v -= 0.5f;
  if (!(u >= 0 && v >= 0 && u < (float)(width - 1) && v < (float)(height - 1)))
    return;
  int i = (int)u, j = (int)v;
  float f = u - (float)i, g = v - (float)j;
  float *at = cells + (size_t)j * (size_t)width + (size_t)i;
  float above = weight * (1 - g), below = weight * g;
  at[0] += above * (1 - f);
  at[1] += above * f;
  at[width] += below * (1 - f);
  at[width + 1] += below * f;
}

/* All votes at one radius, in cells of which a px has `per`. */
static void votes_add(const udg_coin_votes *votes, float per, float shift, float reach,
                      udg_plane *cells) {
  const int width = cells->width, height = cells->height;
  float *to = cells->v;
  for (size_t i = 0; i < votes->point_count; i++) {
    const edge_point p = votes->points[i];
    float u = p.x * per + shift, v = p.y * per + shift, x = reach * p.ux, y = reach * p.uy;
    cell_add(to, width, height, u + x, v + y, p.weight);
    cell_add(to, width, height, u - x, v - y, p.weight);
  }
}

/* Mean of each cell and its two neighbours, the rim's repeated outside. */
UDG_WIDER
static void means_take(const float *restrict left, const float *restrict middle,
                       const float *restrict right, int count, float *restrict to) {
  for (int x = 0; x < count; x++)
    to[x] = (left[x] + middle[x] + right[x]) * (1.0f / 3.0f);
}

static void narrow_take(const udg_plane *cells, udg_plane *scratch, udg_plane *narrow) {
  const int width = cells->width, height = cells->height;
  for (int pass = 0; pass < 2; pass++) {
    for (int y = 0; y < height; y++) {
      const float *row = udg_plane_row(pass ? narrow : cells, y);
      float *to = udg_plane_row(scratch, y);
      means_take(row, row + 1, row + 2, width - 2, to + 1);
      to[0] = (2 * row[0] + row[1]) * (1.0f / 3.0f);
      to[width - 1] = (2 * row[width - 1] + row[width - 2]) * (1.0f / 3.0f);
    }
    for (int y = 0; y < height; y++)
      means_take(udg_plane_row(scratch, y > 0 ? y - 1 : y), udg_plane_row(scratch, y),
                 udg_plane_row(scratch, y + 1 < height ? y + 1 : y), width,
                 udg_plane_row(narrow, y));
  }
}

/* What two boxes of 2 WIDE_REACH + 1 around `at` count of the cells from `at` - 2 WIDE_REACH on,
 * the rim's repeated outside by each. */
static void wide_weights(int at, int n, float weight[WIDE_SPAN]) {
  memset(weight, 0, WIDE_SPAN * sizeof *weight);
  for (int a = at - WIDE_REACH; a <= at + WIDE_REACH; a++) {
    int middle = a < 0 ? 0 : a < n ? a : n - 1;
    for (int b = middle - WIDE_REACH; b <= middle + WIDE_REACH; b++) {
      int cell = b < 0 ? 0 : b < n ? b : n - 1;
      weight[cell - at + 2 * WIDE_REACH] += 1;
    }
  }
}

/* The wide mean of the votes at one cell. */
static float wide_at(const udg_plane *cells, int i, int j) {
  const float share = 1.0f / (2 * WIDE_REACH + 1) / (2 * WIDE_REACH + 1);
  const int low = i - 2 * WIDE_REACH > 0 ? i - 2 * WIDE_REACH : 0;
  const int end = i + 2 * WIDE_REACH < cells->width ? i + 2 * WIDE_REACH + 1 : cells->width;
  float across[WIDE_SPAN], down[WIDE_SPAN];
  double sum = 0;
  wide_weights(i, cells->width, across);
  wide_weights(j, cells->height, down);
  for (int k = 0; k < WIDE_SPAN; k++) {
    int y = j + k - 2 * WIDE_REACH;
    if (y < 0 || y >= cells->height)
      continue;
    const float *row = udg_plane_row(cells, y);
    float line = 0;
    for (int x = low; x < end; x++)
      line += across[x - i + 2 * WIDE_REACH] * row[x];
    sum += (double)(down[k] * line);
  }
  return (float)sum * share * share;
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

static int is_highest(const float *at, int stride) {
  for (int b = -1; b <= 1; b++)
    for (int a = -1; a <= 1; a++)
      if (at[b * stride + a] > *at)
        return 0;
  return 1;
}

/* Local maxima of one radius.  Votes of a full circle of weight 1, as blurred as
 * the cells, peak at 2 pi r / (2 pi 2 s^2) with s = NARROW_CELLS.  Only there, and where the
 * narrow mean alone is enough, the wide one of `cells` is taken from it. */
static void peaks_take(const udg_plane *narrow, const udg_plane *cells, double radius, double cell,
                       double margin, udg_coin_seed *seeds, int *count) {
  const double share_of = 2 * NARROW_CELLS * NARROW_CELLS / radius;
  const float least = (float)(0.999 * SHARE_MIN / share_of);
  for (int j = 1; j + 1 < narrow->height; j++)
    for (int i = 1; i + 1 < narrow->width; i++) {
      const float *at = udg_plane_row(narrow, j) + i;
      if (*at < least || !is_highest(at, narrow->width))
        continue;
      double share = share_of * (double)(*at - wide_at(cells, i, j));
      if (share < SHARE_MIN)
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
  udg_plane *narrow = &scratch[0].plane, *raw = &scratch[1].plane;
  size_t cells = (size_t)width * (size_t)height;
  if (width < 3 || height < 3)
    return UDG_OK;
  memset(raw->v, 0, cells * sizeof *raw->v);
  votes_add(votes, (float)(1 / cell), (float)(margin / cell), (float)(radius / cell), raw);
  narrow_take(raw, &scratch[2].plane, narrow);
  peaks_take(narrow, raw, radius, cell, margin, seeds, count);
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
