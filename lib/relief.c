/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relief.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "wider.h"

/* Sides of the squares of pixels that sides of the outline are chosen for, first among all and
 * then among those chosen before: small enough that few can be nearest to any pixel of one, large
 * enough that choosing them costs little. */
enum { SQUARES = 4, TILE_PX = 4 };
static const int SQUARE_PX[SQUARES] = {32, 16, 8, TILE_PX};

/* Numbers that describe a side: its beginning, px; from there to its end; 1 / squared length, 0
 * for a point. */
enum { EDGE_X, EDGE_Y, EDGE_DX, EDGE_DY, EDGE_INVERSE, EDGE_NUMBERS };

/* Sides number by number, so that several are looked at side by side. */
typedef struct udg_edges {
  size_t count;
  double *v[EDGE_NUMBERS];
} udg_edges;

typedef struct udg_crossing {
  double x;
  int step; /* change of the winding number, left to right */
} udg_crossing;

typedef struct udg_distance_work {
  double *numbers;
  udg_edges all, chosen[SQUARES];
  double *end_y;    /* of `all`: the very number that the next side begins with */
  double *distance; /* of sides to the middle of a square */
  /* Where sides cross the middles of rows: those of row y are crossings[row_first[y]] to before
   * crossings[row_first[y + 1]]. */
  udg_crossing *crossings;
  size_t *row_first;
  double max_px;
} udg_distance_work;

static udg_status work_create(const udg_settings *settings, size_t room, double max_px,
                              udg_distance_work *work) {
  *work = (udg_distance_work){.max_px = max_px};
  work->numbers =
      udg_memory_get(settings, room, ((SQUARES + 1) * EDGE_NUMBERS + 2) * sizeof *work->numbers);
  if (!work->numbers)
    return UDG_ERROR_MEMORY;
  double *next = work->numbers;
  for (int i = 0; i <= SQUARES; i++)
    for (int k = 0; k < EDGE_NUMBERS; k++, next += room)
      (i < SQUARES ? &work->chosen[i] : &work->all)->v[k] = next;
  work->end_y = next;
  work->distance = next + room;
  return UDG_OK;
}

static void work_destroy(const udg_settings *settings, udg_distance_work *work) {
  udg_memory_drop(settings, work->numbers);
  udg_memory_drop(settings, work->crossings);
  udg_memory_drop(settings, work->row_first);
}

static void place_edges(udg_distance_work *work, const udg_outline *outline, double px_per_mm,
                        double turn_rad, double x_px, double y_px) {
  const double c = px_per_mm * cos(turn_rad), s = px_per_mm * sin(turn_rad);
  for (size_t k = 0; k < outline->contour_count; k++) {
    size_t first = outline->starts[k], end = outline->starts[k + 1];
    for (size_t i = first; i < end; i++) {
      size_t j = i + 1 < end ? i + 1 : first, at = work->all.count++;
      const double *p = outline->points + 2 * i, *q = outline->points + 2 * j;
      double x = c * p[0] - s * p[1] + x_px, y = s * p[0] + c * p[1] + y_px;
      /* By the same sum as the next side's beginning: a gap of one rounding
       * would spoil the winding number. */
      work->end_y[at] = s * q[0] + c * q[1] + y_px;
      double dx = c * q[0] - s * q[1] + x_px - x, dy = work->end_y[at] - y;
      double length2 = dx * dx + dy * dy;
      const double numbers[EDGE_NUMBERS] = {x, y, dx, dy, length2 > 0 ? 1 / length2 : 0};
      for (int n = 0; n < EDGE_NUMBERS; n++)
        work->all.v[n][at] = numbers[n];
    }
  }
}

/* Squared distance of (px, py), from a side's beginning, to the side. */
static inline double squared(double px, double py, double dx, double dy, double inverse) {
  double t = (px * dx + py * dy) * inverse;
  t = t < 0 ? 0 : t;
  t = t > 1 ? 1 : t;
  px -= t * dx;
  py -= t * dy;
  return px * px + py * py;
}

UDG_WIDER
static void from_point(const double *restrict ex, const double *restrict ey,
                       const double *restrict dx, const double *restrict dy,
                       const double *restrict inverse, size_t count, double x, double y,
                       double *restrict distance) {
  for (size_t i = 0; i < count; i++)
    distance[i] = squared(x - ex[i], y - ey[i], dx[i], dy[i], inverse[i]);
}

/* A side is nearest to some pixel of a square only if its distance to the square's middle is
 * within twice their distance to it, `radius` at most, of the smallest such; and one that is
 * farther than max_px from all of them does not count. */
static void edges_choose(const udg_edges *from, double x, double y, double radius, double max_px,
                         double *distance, udg_edges *chosen) {
  double least = INFINITY;
  from_point(from->v[EDGE_X], from->v[EDGE_Y], from->v[EDGE_DX], from->v[EDGE_DY],
             from->v[EDGE_INVERSE], from->count, x, y, distance);
  for (size_t i = 0; i < from->count; i++)
    least = distance[i] < least ? distance[i] : least;
  double bound = fmin(sqrt(least) + 2 * radius, max_px + radius) + 1e-9;
  chosen->count = 0;
  for (size_t i = 0; i < from->count; i++)
    if (distance[i] <= bound * bound) {
      for (int k = 0; k < EDGE_NUMBERS; k++)
        chosen->v[k][chosen->count] = from->v[k][i];
      chosen->count++;
    }
}

enum { TILE_PIXELS = TILE_PX * TILE_PX };

enum { LANES = 4 };
typedef double vector __attribute__((vector_size(LANES * sizeof(double))));
typedef int64_t mask __attribute__((vector_size(LANES * sizeof(int64_t))));

#define EVERYWHERE(x) ((vector){(x), (x), (x), (x)})
#define SMALLER(a, b) ((vector)(((mask)(a) & ((a) < (b))) | ((mask)(b) & ~((a) < (b)))))
_Static_assert(LANES == 4, "EVERYWHERE() has four of them");

/* Squared distances of a tile's pixels, whose middles lie at (x, y), to a side, where they are
 * smaller than `least`.  In vectors, as a compiler makes jumps of the limits. */
UDG_WIDER
static void tile_add(const double *x, const double *y, const double edge[EDGE_NUMBERS],
                     double *least) {
  const vector ex = EVERYWHERE(edge[EDGE_X]), ey = EVERYWHERE(edge[EDGE_Y]);
  const vector dx = EVERYWHERE(edge[EDGE_DX]), dy = EVERYWHERE(edge[EDGE_DY]);
  const vector inverse = EVERYWHERE(edge[EDGE_INVERSE]), one = EVERYWHERE(1.0), zero = {0};
  for (int i = 0; i < TILE_PIXELS; i += LANES) {
    vector px, py, known;
    memcpy(&px, x + i, sizeof px);
    memcpy(&py, y + i, sizeof py);
    memcpy(&known, least + i, sizeof known);
    px -= ex;
    py -= ey;
    vector t = (px * dx + py * dy) * inverse;
    t = (vector)((mask)t & (t > zero));
    t = SMALLER(t, one);
    px -= t * dx;
    py -= t * dy;
    vector d2 = px * px + py * py;
    known = SMALLER(d2, known);
    memcpy(least + i, &known, sizeof known);
  }
}

/* Distances of the pixels of a tile that begins at (left, top). */
static void tile_take(const udg_edges *edges, int left, int top, double max_px,
                      float distance[TILE_PIXELS]) {
  double x[TILE_PIXELS], y[TILE_PIXELS], least[TILE_PIXELS], edge[EDGE_NUMBERS];
  for (int i = 0; i < TILE_PIXELS; i++) {
    least[i] = INFINITY;
    x[i] = left + i % TILE_PX + 0.5;
    y[i] = top + i / TILE_PX + 0.5;
  }
  for (size_t k = 0; k < edges->count; k++) {
    for (int n = 0; n < EDGE_NUMBERS; n++)
      edge[n] = edges->v[n][k];
    tile_add(x, y, edge, least);
  }
  for (int i = 0; i < TILE_PIXELS; i++) {
    double d = sqrt(least[i]);
    distance[i] = (float)(d < max_px ? d : max_px);
  }
}

/* Part of a side of a square that lies in the plane. */
static int cut(int first, int side, int end) {
  return first + side < end ? first + side : end;
}

static void measure_square(udg_distance_work *work, int depth, udg_plane *distance, int left,
                           int top) {
  const int side = SQUARE_PX[depth];
  int right = cut(left, side, distance->width), bottom = cut(top, side, distance->height);
  udg_edges *chosen = &work->chosen[depth];
  const udg_edges *from = depth ? &work->chosen[depth - 1] : &work->all;
  double radius = hypot(right - left - 1, bottom - top - 1) / 2;
  edges_choose(from, (left + right) / 2.0, (top + bottom) / 2.0, radius, work->max_px,
               work->distance, chosen);
  if (depth + 1 < SQUARES) {
    for (int y = top; y < bottom; y += SQUARE_PX[depth + 1])
      for (int x = left; x < right; x += SQUARE_PX[depth + 1])
        measure_square(work, depth + 1, distance, x, y);
    return;
  }
  float tile[TILE_PIXELS];
  tile_take(chosen, left, top, work->max_px, tile);
  for (int y = top; y < bottom; y++)
    memcpy(udg_plane_row(distance, y) + left, tile + (size_t)(y - top) * TILE_PX,
           (size_t)(right - left) * sizeof *tile);
}

static int compare_crossings(const void *left, const void *right) {
  const udg_crossing *a = left, *b = right;
  return (a->x > b->x) - (a->x < b->x);
}

/* Rows whose middle side `i` may cross, of `height`: from *first to before *end. */
static void rows_of(const udg_distance_work *work, size_t i, int height, int *first, int *end) {
  double begins = work->all.v[EDGE_Y][i], ends = work->end_y[i];
  double low = fmin(begins, ends) - 1, high = fmax(begins, ends) + 1;
  *first = low > 0 ? (int)fmin(low, height) : 0;
  *end = high < height ? (int)fmax(ceil(high), 0) : height;
}

static int crosses(const udg_distance_work *work, size_t i, int row) {
  return (work->all.v[EDGE_Y][i] <= row + 0.5) != (work->end_y[i] <= row + 0.5);
}

/* Fills `crossings`; without room they are only counted, row_first[y + 1] those of row y. */
static void crossings_walk(udg_distance_work *work, int height) {
  const udg_edges *edges = &work->all;
  for (size_t i = 0; i < edges->count; i++) {
    int first, end;
    rows_of(work, i, height, &first, &end);
    for (int row = first; row < end; row++) {
      if (!crosses(work, i, row))
        continue;
      size_t at = work->row_first[row + 1]++;
      if (!work->crossings)
        continue;
      double y = row + 0.5, begins = edges->v[EDGE_Y][i];
      work->crossings[at] = (udg_crossing){
          edges->v[EDGE_X][i] + (y - begins) / edges->v[EDGE_DY][i] * edges->v[EDGE_DX][i],
          begins <= y ? 1 : -1};
    }
  }
}

static udg_status crossings_take(const udg_settings *settings, int height,
                                 udg_distance_work *work) {
  size_t total = 0;
  work->row_first = udg_memory_get(settings, (size_t)height + 1, sizeof *work->row_first);
  if (!work->row_first)
    return UDG_ERROR_MEMORY;
  crossings_walk(work, height);
  for (int y = 0; y < height; y++) { /* where row y's begin, until they are in */
    size_t count = work->row_first[y + 1];
    work->row_first[y + 1] = total;
    total += count;
  }
  work->crossings = udg_memory_get(settings, total + 1, sizeof *work->crossings);
  if (!work->crossings)
    return UDG_ERROR_MEMORY;
  crossings_walk(work, height);
  return UDG_OK;
}

/* The first pixel of a row, up to `width`, whose middle does not lie to the left of x. */
static int pixel_from(double x, int width) {
  int at = !(x > 0) ? 0 : x < width ? (int)x : width;
  while (at > 0 && x <= at - 0.5)
    at--;
  while (at < width && x > at + 0.5)
    at++;
  return at;
}

/* Negates what lies outside: winding number zero, summed from the left. */
static void sign_row(udg_distance_work *work, udg_plane *distance, int row) {
  udg_crossing *crossings = work->crossings + work->row_first[row];
  size_t count = work->row_first[row + 1] - work->row_first[row];
  float *v = udg_plane_row(distance, row);
  int winding = 0, from = 0;
  qsort(crossings, count, sizeof *crossings, compare_crossings);
  for (size_t i = 0; i <= count; i++) {
    int to = i < count ? pixel_from(crossings[i].x, distance->width) : distance->width;
    for (int x = from; x < to && winding == 0; x++)
      v[x] = -v[x];
    from = to;
    winding += i < count ? crossings[i].step : 0;
  }
}

udg_status udg_relief_distance_within(const udg_settings *settings, const udg_outline *outline,
                                      double px_per_mm, double turn_rad, double x_px, double y_px,
                                      double max_px, udg_plane *distance, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_distance_work work;
  if (!(px_per_mm > 0 && isfinite(px_per_mm) && isfinite(turn_rad) && isfinite(x_px) &&
        isfinite(y_px) && max_px > 0))
    return udg_fail(message, UDG_ERROR_ARGUMENT, "relief: placing of an outline is not finite");
  udg_status status = work_create(&resolved, outline->point_count + 1, max_px, &work);
  if (status == UDG_OK) {
    place_edges(&work, outline, px_per_mm, turn_rad, x_px, y_px);
    status = crossings_take(&resolved, distance->height, &work);
  }
  if (status != UDG_OK) {
    udg_fail(message, status, "relief: out of memory");
  } else {
    for (int top = 0; top < distance->height; top += SQUARE_PX[0])
      for (int left = 0; left < distance->width; left += SQUARE_PX[0])
        measure_square(&work, 0, distance, left, top);
    for (int row = 0; row < distance->height; row++)
      sign_row(&work, distance, row);
  }
  work_destroy(&resolved, &work);
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
