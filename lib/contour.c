/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "contour.h"

#include <math.h>
#include <string.h>

/* A crossing between two neighbouring pixels: 2 (y width + x) towards the right, one more
 * towards below. */
typedef struct crossings {
  const udg_plane *plane;
  float level;
  int32_t *next; /* the crossing that the line goes on to; -1: none */
} crossings;

static int above(const crossings *c, int x, int y) {
  /* The rim is taken for below: every line closes. */
  return x > 0 && y > 0 && x < c->plane->width - 1 && y < c->plane->height - 1 &&
         udg_plane_row(c->plane, y)[x] > c->level;
}

static int32_t crossing(const crossings *c, int x, int y, int down) {
  return 2 * (y * c->plane->width + x) + down;
}

/* The lines through the square of four pixels whose first is (x, y): from each crossing
 * into the high ground to the next one out of it, going round clockwise. */
static void square_lines(crossings *c, int x, int y) {
  const int in[4] = {above(c, x, y), above(c, x + 1, y), above(c, x + 1, y + 1),
                     above(c, x, y + 1)};
  const int32_t side[4] = {crossing(c, x, y, 0), crossing(c, x + 1, y, 1), crossing(c, x, y + 1, 0),
                           crossing(c, x, y, 1)};
  int saddle = in[0] == in[2] && in[1] == in[3] && in[0] != in[1];
  const float *row = udg_plane_row(c->plane, y), *below = udg_plane_row(c->plane, y + 1);
  int joined = saddle && 0.25f * (row[x] + row[x + 1] + below[x] + below[x + 1]) > c->level;
  for (int s = 0; s < 4; s++) {
    if (in[s] || !in[(s + 1) % 4])
      continue;
    for (int k = 1; k < 4; k++) {
      int t = (s + k) % 4;
      int leaves = in[t] && !in[(t + 1) % 4];
      if (leaves && !(joined && k == 1)) {
        c->next[side[s]] = side[t];
        break;
      }
    }
  }
}

static void crossing_point(const crossings *c, int32_t at, double point[2]) {
  int w = c->plane->width, x = at / 2 % w, y = at / 2 / w;
  int x2 = x + (at % 2 == 0), y2 = y + (at % 2 == 1);
  double a = (double)(udg_plane_row(c->plane, y)[x] - c->level);
  double b = (double)(udg_plane_row(c->plane, y2)[x2] - c->level);
  double part = (a > 0.0) != (b > 0.0) ? a / (a - b) : 0.5; /* a rim taken for below */
  point[0] = x + 0.5 + part * (x2 - x);
  point[1] = y + 0.5 + part * (y2 - y);
}

/* Counts, or with `made` filled in also stores. */
static void follow_all(const crossings *c, char *seen, udg_contours *made, int store) {
  size_t sides = 2 * (size_t)c->plane->width * (size_t)c->plane->height;
  size_t lines = 0, points = 0;
  memset(seen, 0, sides);
  for (size_t i = 0; i < sides; i++) {
    if (seen[i] || c->next[i] < 0)
      continue;
    if (store)
      made->starts[lines] = points;
    for (int32_t at = (int32_t)i; at >= 0 && !seen[at]; at = c->next[at], points++) {
      seen[at] = 1;
      if (store)
        crossing_point(c, at, made->points + 2 * points);
    }
    lines++;
  }
  made->count = lines;
  made->point_count = points;
  if (store)
    made->starts[lines] = points;
}

udg_status udg_contours_create(const udg_settings *settings, const udg_plane *plane, float level,
                               udg_contours *contours, udg_message *message) {
  size_t sides = 2 * (size_t)plane->width * (size_t)plane->height;
  crossings c = {plane, level, udg_memory_get(settings, sides, sizeof(int32_t))};
  char *seen = udg_memory_get(settings, sides, 1);
  memset(contours, 0, sizeof *contours);
  if (c.next && seen) {
    memset(c.next, 0xFF, sides * sizeof *c.next);
    for (int y = 0; y + 1 < plane->height; y++)
      for (int x = 0; x + 1 < plane->width; x++)
        square_lines(&c, x, y);
    follow_all(&c, seen, contours, 0);
    contours->starts = udg_memory_get(settings, contours->count + 1, sizeof *contours->starts);
    contours->points =
        udg_memory_get(settings, 2 * contours->point_count + 2, sizeof *contours->points);
    if (contours->starts && contours->points)
      follow_all(&c, seen, contours, 1);
  }
  int good = contours->starts && contours->points;
  udg_memory_drop(settings, c.next);
  udg_memory_drop(settings, seen);
  if (good)
    return UDG_OK;
  udg_contours_destroy(settings, contours);
  return udg_fail(message, UDG_ERROR_MEMORY, "no memory for contour lines");
}

void udg_contours_destroy(const udg_settings *settings, udg_contours *contours) {
  udg_memory_drop(settings, contours->starts);
  udg_memory_drop(settings, contours->points);
  memset(contours, 0, sizeof *contours);
}

double udg_contour_area(const udg_contours *contours, size_t k) {
  size_t from = contours->starts[k], to = contours->starts[k + 1];
  double sum = 0.0;
  for (size_t i = from; i < to; i++) {
    const double *p = contours->points + 2 * i;
    const double *q = contours->points + 2 * (i + 1 < to ? i + 1 : from);
    sum += p[1] * q[0] - p[0] * q[1];
  }
  return sum;
}

/* Squared distance of p from the segment a b. */
static double off_segment(const double *p, const double *a, const double *b) {
  double dx = b[0] - a[0], dy = b[1] - a[1], square = dx * dx + dy * dy;
  double t = square > 0.0 ? ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / square : 0.0;
  t = fmin(fmax(t, 0.0), 1.0);
  double ox = p[0] - a[0] - t * dx, oy = p[1] - a[1] - t * dy;
  return ox * ox + oy * oy;
}

/* Marks what to keep of the closed line from..to; `stack` holds its points' number of
 * pairs. */
static void mark_kept(const double *points, size_t from, size_t to, double within, char *kept,
                      size_t *stack) {
  size_t far = from, depth = 0;
  double most = -1.0;
  for (size_t i = from; i < to; i++) {
    double dx = points[2 * i] - points[2 * from], dy = points[2 * i + 1] - points[2 * from + 1];
    if (dx * dx + dy * dy > most) {
      most = dx * dx + dy * dy;
      far = i;
    }
  }
  kept[from] = kept[far] = 1;
  stack[depth++] = from;
  stack[depth++] = far;
  stack[depth++] = far;
  stack[depth++] = to;
  while (depth > 0) {
    size_t b = stack[--depth], a = stack[--depth], worst = a;
    double worst_off = within * within;
    for (size_t i = a + 1; i < b; i++) {
      double off = off_segment(points + 2 * i, points + 2 * a, points + 2 * (b < to ? b : from));
      if (off > worst_off) {
        worst_off = off;
        worst = i;
      }
    }
    if (worst == a)
      continue;
    kept[worst] = 1;
    stack[depth++] = a;
    stack[depth++] = worst;
    stack[depth++] = worst;
    stack[depth++] = b;
  }
}

udg_status udg_contours_simplify(const udg_settings *settings, udg_contours *contours,
                                 double within_px, udg_message *message) {
  char *kept = udg_memory_get(settings, contours->point_count + 1, 1);
  size_t *stack = udg_memory_get(settings, 4 * contours->point_count + 8, sizeof *stack);
  size_t used = 0, from = 0;
  for (size_t k = 0; kept && stack && k < contours->count; k++) {
    size_t to = contours->starts[k + 1];
    mark_kept(contours->points, from, to, within_px, kept, stack);
    contours->starts[k] = used;
    for (size_t i = from; i < to; i++)
      if (kept[i]) {
        memmove(contours->points + 2 * used, contours->points + 2 * i, 2 * sizeof(double));
        used++;
      }
    from = to;
  }
  int good = kept && stack;
  if (good) {
    contours->starts[contours->count] = used;
    contours->point_count = used;
  }
  udg_memory_drop(settings, kept);
  udg_memory_drop(settings, stack);
  return good ? UDG_OK : udg_fail(message, UDG_ERROR_MEMORY, "no memory for contour lines");
}
