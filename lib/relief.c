/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relief.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "wider.h"

/* Sides of the squares of pixels that sides of the outline are chosen for, first among all and
 * then among those chosen for the square of which each is a quarter: small enough that few can be
 * nearest to any pixel of the last, large enough that choosing them costs little. */
enum { SQUARES = 4, TILE_PX = 4, SQUARE_PX = TILE_PX << SQUARES };

/* Four squares, or four pixels, side by side. */
enum { LANES = 4, QUARTERS = LANES };
typedef double vector __attribute__((vector_size(LANES * sizeof(double))));
typedef int64_t mask __attribute__((vector_size(LANES * sizeof(int64_t))));

#define EVERYWHERE(x) ((vector){(x), (x), (x), (x)})
#define SMALLER(a, b) ((vector)(((mask)(a) & ((a) < (b))) | ((mask)(b) & ~((a) < (b)))))
_Static_assert(LANES == 4, "EVERYWHERE() has four of them");

/* A side: its beginning, px; from there to its end; 1 / squared length, 0 for a point. */
typedef struct udg_side {
  double x, y, dx, dy, inverse;
} udg_side;

typedef struct udg_crossing {
  double x;
  int step; /* change of the winding number, left to right */
} udg_crossing;

/* Sides by their numbers. */
typedef struct udg_choice {
  size_t count;
  size_t *of;
} udg_choice;

typedef struct udg_distance_work {
  size_t count;
  udg_side *sides;
  double *end_y; /* of each: the very number that the next side begins with */
  udg_choice all, chosen[SQUARES][QUARTERS];
  vector *distance; /* squared, of sides to the middles of four squares */
  /* Where sides cross the middles of rows: those of row y are crossings[row_first[y]] to before
   * crossings[row_first[y + 1]]. */
  udg_crossing *crossings;
  size_t *row_first;
  double max_px;
} udg_distance_work;

static udg_status work_create(const udg_settings *settings, size_t room, double max_px,
                              udg_distance_work *work) {
  *work = (udg_distance_work){.max_px = max_px};
  const size_t item = sizeof *work->distance + sizeof *work->sides + sizeof *work->end_y +
                      (1 + SQUARES * QUARTERS) * sizeof *work->all.of;
  if (!(work->distance = udg_memory_get(settings, room, item)))
    return UDG_ERROR_MEMORY;
  work->sides = (udg_side *)(void *)(work->distance + room);
  work->end_y = (double *)(void *)(work->sides + room);
  size_t *next = work->all.of = (size_t *)(void *)(work->end_y + room);
  for (int i = 0; i < SQUARES; i++)
    for (int k = 0; k < QUARTERS; k++)
      work->chosen[i][k].of = next += room;
  return UDG_OK;
}

static void work_destroy(const udg_settings *settings, udg_distance_work *work) {
  udg_memory_drop(settings, work->distance);
  udg_memory_drop(settings, work->crossings);
  udg_memory_drop(settings, work->row_first);
}

static void place_sides(udg_distance_work *work, const udg_outline *outline, double px_per_mm,
                        double turn_rad, double x_px, double y_px) {
  const double c = px_per_mm * cos(turn_rad), s = px_per_mm * sin(turn_rad);
  for (size_t k = 0; k < outline->contour_count; k++) {
    size_t first = outline->starts[k], end = outline->starts[k + 1];
    for (size_t i = first; i < end; i++) {
      size_t j = i + 1 < end ? i + 1 : first, at = work->count++;
      const double *p = outline->points + 2 * i, *q = outline->points + 2 * j;
      double x = c * p[0] - s * p[1] + x_px, y = s * p[0] + c * p[1] + y_px;
      /* By the same sum as the next side's beginning: a gap of one rounding
       * would spoil the winding number. */
      work->end_y[at] = s * q[0] + c * q[1] + y_px;
      double dx = c * q[0] - s * q[1] + x_px - x, dy = work->end_y[at] - y;
      double length2 = dx * dx + dy * dy;
      work->sides[at] = (udg_side){x, y, dx, dy, length2 > 0 ? 1 / length2 : 0};
      work->all.of[at] = at;
    }
  }
  work->all.count = work->count;
}

/* Squared distances of points, px and py from a side's beginning, to the side. In vectors, as a
 * compiler makes jumps of the limits. */
#define SQUARED(px, py, side, to)                                                                  \
  do {                                                                                             \
    vector t =                                                                                     \
        ((px)*EVERYWHERE((side)->dx) + (py)*EVERYWHERE((side)->dy)) * EVERYWHERE((side)->inverse); \
    t = (vector)((mask)t & (t > (vector){0}));                                                     \
    t = SMALLER(t, EVERYWHERE(1.0));                                                               \
    const vector across = (px)-t * EVERYWHERE((side)->dx);                                         \
    const vector down = (py)-t * EVERYWHERE((side)->dy);                                           \
    (to) = across * across + down * down;                                                          \
  } while (0)

/* Of sides to the middles of four squares; the smallest of each square into `least`. */
UDG_WIDER
static void from_middles(const udg_side *sides, const udg_choice *from, const double *x,
                         const double *y, vector *distance, double least[QUARTERS]) {
  vector middle_x, middle_y, smallest = EVERYWHERE(INFINITY);
  memcpy(&middle_x, x, sizeof middle_x);
  memcpy(&middle_y, y, sizeof middle_y);
  for (size_t i = 0; i < from->count; i++) {
    const udg_side *side = &sides[from->of[i]];
    const vector px = middle_x - EVERYWHERE(side->x), py = middle_y - EVERYWHERE(side->y);
    SQUARED(px, py, side, distance[i]);
    smallest = SMALLER(distance[i], smallest);
  }
  memcpy(least, &smallest, sizeof smallest);
}

/* A side is nearest to some pixel of a square only if its distance to the square's middle is
 * within twice their distance to it, at most that of the corners' pixels, of the smallest such;
 * and one that is farther than max_px from all of them does not count.  For each quarter, of
 * side_px, of a square that begins at (left, top). */
static void quarters_choose(udg_distance_work *work, const udg_choice *from, int left, int top,
                            int side_px, udg_choice chosen[QUARTERS]) {
  const double half = side_px / 2.0, radius = (side_px - 1) * 0.5 * sqrt(2.0);
  double x[QUARTERS], y[QUARTERS], bound[QUARTERS];
  size_t count[QUARTERS] = {0};
  for (int k = 0; k < QUARTERS; k++) {
    x[k] = left + k % 2 * side_px + half;
    y[k] = top + k / 2 * side_px + half;
  }
  from_middles(work->sides, from, x, y, work->distance, bound);
  for (int k = 0; k < QUARTERS; k++) {
    bound[k] = fmin(sqrt(bound[k]) + 2 * radius, work->max_px + radius) + 1e-9;
    bound[k] *= bound[k];
  }
  for (size_t i = 0; i < from->count; i++)
    for (int k = 0; k < QUARTERS; k++) { /* written in any case: jumps would not be foreseen */
      chosen[k].of[count[k]] = from->of[i];
      count[k] += work->distance[i][k] <= bound[k];
    }
  for (int k = 0; k < QUARTERS; k++)
    chosen[k].count = count[k];
}

/* Distances of the pixels of a tile that begins at (left, top). */
UDG_WIDER
static void tile_take(const udg_side *sides, const udg_choice *chosen, int left, int top,
                      double max_px, float *restrict distance) {
  _Static_assert((int)TILE_PX == (int)LANES, "a row of a tile is a vector");
  double squared[TILE_PX * TILE_PX];
  const vector x = EVERYWHERE(left) + (vector){0.5, 1.5, 2.5, 3.5};
  vector least[TILE_PX], y[TILE_PX];
  for (int row = 0; row < TILE_PX; row++) {
    least[row] = EVERYWHERE(INFINITY);
    y[row] = EVERYWHERE(top + row + 0.5);
  }
  for (size_t i = 0; i < chosen->count; i++) {
    const udg_side *side = &sides[chosen->of[i]];
    const vector px = x - EVERYWHERE(side->x);
    for (int row = 0; row < TILE_PX; row++) {
      const vector py = y[row] - EVERYWHERE(side->y);
      vector d2;
      SQUARED(px, py, side, d2);
      least[row] = SMALLER(d2, least[row]);
    }
  }
  memcpy(squared, least, sizeof squared);
  for (int i = 0; i < TILE_PX * TILE_PX; i++) {
    double d = sqrt(squared[i]);
    distance[i] = (float)(d < max_px ? d : max_px);
  }
}

/* End of a square's side within the plane. */
static int cut(int first, int side, int end) {
  return first + side < end ? first + side : end;
}

static void tile_measure(const udg_distance_work *work, const udg_choice *chosen,
                         udg_plane *distance, int left, int top) {
  float tile[TILE_PX * TILE_PX];
  const int right = cut(left, TILE_PX, distance->width),
            bottom = cut(top, TILE_PX, distance->height);
  tile_take(work->sides, chosen, left, top, work->max_px, tile);
  for (int y = top; y < bottom; y++)
    memcpy(udg_plane_row(distance, y) + left, tile + (size_t)(y - top) * TILE_PX,
           (size_t)(right - left) * sizeof *tile);
}

/* A square far from all sides. */
static void square_fill(udg_plane *distance, int left, int top, int side_px, float value) {
  const int right = cut(left, side_px, distance->width);
  const int bottom = cut(top, side_px, distance->height);
  for (int y = top; y < bottom; y++)
    for (int x = left; x < right; x++)
      udg_plane_row(distance, y)[x] = value;
}

/* The part in the plane of a square that begins at (left, top), `depth` times quartered, whose
 * sides are chosen. */
static void measure_square(udg_distance_work *work, int depth, const udg_choice *from,
                           udg_plane *distance, int left, int top) {
  const int side_px = SQUARE_PX >> depth, half_px = side_px / 2;
  if (left >= distance->width || top >= distance->height)
    return;
  if (from->count == 0) {
    square_fill(distance, left, top, side_px, (float)work->max_px);
  } else if (depth == SQUARES) {
    tile_measure(work, from, distance, left, top);
  } else {
    udg_choice *chosen = work->chosen[depth];
    quarters_choose(work, from, left, top, half_px, chosen);
    for (int k = 0; k < QUARTERS; k++)
      measure_square(work, depth + 1, &chosen[k], distance, left + k % 2 * half_px,
                     top + k / 2 * half_px);
  }
}

static int compare_crossings(const void *left, const void *right) {
  const udg_crossing *a = left, *b = right;
  return (a->x > b->x) - (a->x < b->x);
}

/* Rows whose middle side `i` may cross, of `height`: from *first to before *end. */
static void rows_of(const udg_distance_work *work, size_t i, int height, int *first, int *end) {
  double begins = work->sides[i].y, ends = work->end_y[i];
  double low = fmin(begins, ends) - 1, high = fmax(begins, ends) + 1;
  *first = low > 0 ? (int)fmin(low, height) : 0;
  *end = high < height ? (int)fmax(ceil(high), 0) : height;
}

static int crosses(const udg_distance_work *work, size_t i, int row) {
  return (work->sides[i].y <= row + 0.5) != (work->end_y[i] <= row + 0.5);
}

/* Fills `crossings`; without room they are only counted, row_first[y + 1] those of row y. */
static void crossings_walk(udg_distance_work *work, int height) {
  for (size_t i = 0; i < work->count; i++) {
    const udg_side *side = &work->sides[i];
    int first, end;
    rows_of(work, i, height, &first, &end);
    for (int row = first; row < end; row++) {
      if (!crosses(work, i, row))
        continue;
      size_t at = work->row_first[row + 1]++;
      if (!work->crossings)
        continue;
      double y = row + 0.5;
      work->crossings[at] =
          (udg_crossing){side->x + (y - side->y) / side->dy * side->dx, side->y <= y ? 1 : -1};
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
    place_sides(&work, outline, px_per_mm, turn_rad, x_px, y_px);
    status = crossings_take(&resolved, distance->height, &work);
  }
  if (status != UDG_OK) {
    udg_fail(message, status, "relief: out of memory");
  } else {
    for (int top = 0; top < distance->height; top += SQUARE_PX)
      for (int left = 0; left < distance->width; left += SQUARE_PX)
        measure_square(&work, 0, &work.all, distance, left, top);
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
