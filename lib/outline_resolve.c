/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Boundary of the non-zero fill of contours that may cross and overlap.
 *
 * Every side is cut where it meets another; a piece belongs to the boundary
 * when the winding number is zero on exactly one side of it; the pieces that
 * do are chained end to end again.  Points are kept on a fine grid, so that
 * ends that belong together are equal. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "outline_build.h"

/* 6e-8 mm: far below any tolerance, and a power of two, so that rounding to it
 * is exact. */
static const double grid_mm = 1.0 / 16777216;
/* How far beside a piece its sides are probed: many grid steps, since rounding
 * moves sides by up to one; far below UDG_FLATTEN_MM. */
static const double probe_mm = 40.5 / 16777216;
/* The largest hole that rounding may tear into a chain. */
static const double mend_mm = 1e-4;

enum { CUTS_MAX = 40000, CUTS_FIRST = 256 };

typedef struct udg_side {
  udg_point a, b;
} udg_side;

typedef struct udg_cut {
  size_t side;
  double along; /* squared distance from the side's beginning */
  udg_point at;
} udg_cut;

typedef struct udg_resolver {
  const udg_settings *settings;
  size_t side_count;
  udg_side *sides;
  size_t cut_count, cut_room;
  udg_cut *cuts;
  size_t piece_count;
  udg_side *pieces; /* boundary, inside on the same hand throughout */
  unsigned char *used;
} udg_resolver;

static udg_point snap(udg_point p) {
  /* Adding zero turns -0 into 0: equal points then have equal bytes. */
  return (udg_point){rint(p.x / grid_mm) * grid_mm + 0.0, rint(p.y / grid_mm) * grid_mm + 0.0};
}

static int same(udg_point p, udg_point q) {
  return p.x == q.x && p.y == q.y;
}

static double cross(udg_point o, udg_point p, udg_point q) {
  return (p.x - o.x) * (q.y - o.y) - (p.y - o.y) * (q.x - o.x);
}

static void collect_sides(udg_resolver *resolver, const udg_outline *outline) {
  for (size_t k = 0; k < outline->contour_count; k++) {
    size_t first = outline->starts[k], end = outline->starts[k + 1];
    for (size_t i = first; i < end; i++) {
      size_t j = i + 1 < end ? i + 1 : first;
      udg_side side = {snap((udg_point){outline->points[2 * i], outline->points[2 * i + 1]}),
                       snap((udg_point){outline->points[2 * j], outline->points[2 * j + 1]})};
      if (!same(side.a, side.b))
        resolver->sides[resolver->side_count++] = side;
    }
  }
}

/* Few outlines have many cuts. */
static udg_status cuts_grow(udg_resolver *resolver) {
  const size_t twice = resolver->cut_room ? 2 * resolver->cut_room : CUTS_FIRST;
  const size_t room = twice < CUTS_MAX ? twice : CUTS_MAX;
  if (resolver->cut_room == CUTS_MAX)
    return UDG_ERROR_LIMIT;
  udg_cut *cuts = udg_memory_get(resolver->settings, room, sizeof *cuts);
  if (!cuts)
    return UDG_ERROR_MEMORY;
  if (resolver->cut_count > 0)
    memcpy(cuts, resolver->cuts, resolver->cut_count * sizeof *cuts);
  udg_memory_drop(resolver->settings, resolver->cuts);
  resolver->cuts = cuts;
  resolver->cut_room = room;
  return UDG_OK;
}

static udg_status cut_side(udg_resolver *resolver, size_t index, udg_point at) {
  const udg_side *side = &resolver->sides[index];
  if (same(at, side->a) || same(at, side->b))
    return UDG_OK;
  if (resolver->cut_count == resolver->cut_room) {
    udg_status status = cuts_grow(resolver);
    if (status != UDG_OK)
      return status;
  }
  double dx = at.x - side->a.x, dy = at.y - side->a.y;
  resolver->cuts[resolver->cut_count++] = (udg_cut){index, dx * dx + dy * dy, at};
  return UDG_OK;
}

/* Whether p lies on the side, to a grid step, and between its ends. */
static int touches(const udg_side *side, double length, udg_point p) {
  double along =
      (p.x - side->a.x) * (side->b.x - side->a.x) + (p.y - side->a.y) * (side->b.y - side->a.y);
  return fabs(cross(side->a, side->b, p)) <= grid_mm * length && along > 0 &&
         along < length * length && !same(p, side->a) && !same(p, side->b);
}

/* Cuts two sides where they meet; adds to `crossing_count` when they cross or
 * run along each other.  LIMIT when there are too many cuts. */
static udg_status cut_pair(udg_resolver *resolver, size_t i, size_t j, size_t *crossing_count) {
  const udg_side *s = &resolver->sides[i], *t = &resolver->sides[j];
  double s_length = hypot(s->b.x - s->a.x, s->b.y - s->a.y);
  double t_length = hypot(t->b.x - t->a.x, t->b.y - t->a.y);
  udg_status status = UDG_OK;
  int touching = 0;
  /* Each corner begins one side and ends another: one cut for it is enough. */
  if (touches(s, s_length, t->a)) {
    status = cut_side(resolver, i, t->a);
    touching++;
  }
  if (touches(t, t_length, s->a)) {
    status = status == UDG_OK ? cut_side(resolver, j, s->a) : status;
    touching++;
  }
  touching += touches(s, s_length, t->b) + touches(t, t_length, s->b);
  int equal = (same(s->a, t->a) && same(s->b, t->b)) || (same(s->a, t->b) && same(s->b, t->a));
  if (touching || equal) {
    *crossing_count += touching > 1 || equal;
    return status;
  }
  double a = cross(t->a, t->b, s->a), b = cross(t->a, t->b, s->b);
  double c = cross(s->a, s->b, t->a), d = cross(s->a, s->b, t->b);
  if (!((a > 0) != (b > 0) && (c > 0) != (d > 0) && a != 0 && b != 0 && c != 0 && d != 0))
    return status;
  double share = a / (a - b); /* signs differ, so the difference is not zero */
  udg_point at =
      snap((udg_point){s->a.x + share * (s->b.x - s->a.x), s->a.y + share * (s->b.y - s->a.y)});
  ++*crossing_count;
  status = cut_side(resolver, i, at);
  return status == UDG_OK ? cut_side(resolver, j, at) : status;
}

static int compare_left(const void *left, const void *right) {
  const udg_side *s = left, *t = right;
  double a = fmin(s->a.x, s->b.x), b = fmin(t->a.x, t->b.x);
  return (a > b) - (a < b);
}

static udg_status find_cuts(udg_resolver *resolver, size_t *crossing_count) {
  /* The sorted order is as good as any: chaining does not need the old one. */
  qsort(resolver->sides, resolver->side_count, sizeof *resolver->sides, compare_left);
  for (size_t i = 0; i < resolver->side_count; i++) {
    const udg_side *s = &resolver->sides[i];
    double right = fmax(s->a.x, s->b.x) + grid_mm;
    double top = fmin(s->a.y, s->b.y) - grid_mm, bottom = fmax(s->a.y, s->b.y) + grid_mm;
    for (size_t j = i + 1; j < resolver->side_count; j++) {
      const udg_side *t = &resolver->sides[j];
      if (fmin(t->a.x, t->b.x) > right)
        break;
      if (fmax(t->a.y, t->b.y) < top || fmin(t->a.y, t->b.y) > bottom)
        continue;
      udg_status status = cut_pair(resolver, i, j, crossing_count);
      if (status != UDG_OK)
        return status;
    }
  }
  return UDG_OK;
}

static int winding(const udg_resolver *resolver, double x, double y) {
  int number = 0;
  for (size_t i = 0; i < resolver->side_count; i++) {
    const udg_side *s = &resolver->sides[i];
    if ((s->a.y <= y) == (s->b.y <= y))
      continue;
    double side = (s->b.x - s->a.x) * (y - s->a.y) - (x - s->a.x) * (s->b.y - s->a.y);
    if (s->a.y <= y)
      number += side > 0;
    else
      number -= side < 0;
  }
  return number;
}

static void keep_piece(udg_resolver *resolver, udg_point a, udg_point b) {
  double length = hypot(b.x - a.x, b.y - a.y);
  if (!(length > 0))
    return;
  double nx = -(b.y - a.y) / length * probe_mm, ny = (b.x - a.x) / length * probe_mm;
  double x = (a.x + b.x) / 2, y = (a.y + b.y) / 2;
  int one = winding(resolver, x + nx, y + ny) != 0, other = winding(resolver, x - nx, y - ny) != 0;
  if (one && !other)
    resolver->pieces[resolver->piece_count++] = (udg_side){a, b};
  else if (other && !one)
    resolver->pieces[resolver->piece_count++] = (udg_side){b, a};
}

static int compare_cuts(const void *left, const void *right) {
  const udg_cut *s = left, *t = right;
  if (s->side != t->side)
    return s->side > t->side ? 1 : -1;
  return (s->along > t->along) - (s->along < t->along);
}

static void find_pieces(udg_resolver *resolver) {
  if (resolver->cut_count > 0)
    qsort(resolver->cuts, resolver->cut_count, sizeof *resolver->cuts, compare_cuts);
  size_t c = 0;
  for (size_t i = 0; i < resolver->side_count; i++) {
    udg_point from = resolver->sides[i].a;
    for (; c < resolver->cut_count && resolver->cuts[c].side == i; c++) {
      keep_piece(resolver, from, resolver->cuts[c].at);
      from = resolver->cuts[c].at;
    }
    keep_piece(resolver, from, resolver->sides[i].b);
  }
}

static int compare_points(udg_point p, udg_point q) {
  if (p.x != q.x)
    return p.x > q.x ? 1 : -1;
  return (p.y > q.y) - (p.y < q.y);
}

static int compare_pieces(const void *left, const void *right) {
  const udg_side *s = left, *t = right;
  int first = compare_points(s->a, t->a);
  return first ? first : compare_points(s->b, t->b);
}

/* Contours that share a side give the same piece twice. */
static void sort_pieces(udg_resolver *resolver) {
  size_t kept = 0;
  qsort(resolver->pieces, resolver->piece_count, sizeof *resolver->pieces, compare_pieces);
  for (size_t i = 0; i < resolver->piece_count; i++)
    if (kept == 0 || compare_pieces(&resolver->pieces[kept - 1], &resolver->pieces[i]) != 0)
      resolver->pieces[kept++] = resolver->pieces[i];
  resolver->piece_count = kept;
}

/* An unused piece that begins at p; piece_count when there is none. */
static size_t piece_from(const udg_resolver *resolver, udg_point p) {
  size_t low = 0, high = resolver->piece_count;
  while (low < high) {
    size_t middle = low + (high - low) / 2;
    if (compare_points(resolver->pieces[middle].a, p) < 0)
      low = middle + 1;
    else
      high = middle;
  }
  for (; low < resolver->piece_count && same(resolver->pieces[low].a, p); low++)
    if (!resolver->used[low])
      return low;
  return resolver->piece_count;
}

/* Rounding can lose a piece of a few grid steps; the nearest unused one goes on. */
static size_t piece_near(const udg_resolver *resolver, udg_point p) {
  size_t nearest = resolver->piece_count;
  double best = mend_mm;
  for (size_t i = 0; i < resolver->piece_count; i++) {
    double distance = hypot(resolver->pieces[i].a.x - p.x, resolver->pieces[i].a.y - p.y);
    if (!resolver->used[i] && distance < best) {
      best = distance;
      nearest = i;
    }
  }
  return nearest;
}

/* Follows pieces from `first` until they come back.  Gives the number of points
 * written, 0 when the chain breaks. */
static size_t chain(udg_resolver *resolver, size_t first, double *points) {
  const udg_point start = resolver->pieces[first].a;
  size_t count = 0, i = first;
  for (;;) {
    resolver->used[i] = 1;
    points[2 * count] = resolver->pieces[i].a.x;
    points[2 * count + 1] = resolver->pieces[i].a.y;
    count++;
    udg_point end = resolver->pieces[i].b;
    if (same(end, start))
      return count;
    i = piece_from(resolver, end);
    if (i < resolver->piece_count)
      continue;
    if (hypot(end.x - start.x, end.y - start.y) < mend_mm)
      return count;
    i = piece_near(resolver, end);
    if (i == resolver->piece_count)
      return 0;
  }
}

/* 0 when a chain breaks: the caller then keeps the contours as they were. */
static int chain_all(udg_resolver *resolver, udg_outline *outline) {
  outline->contour_count = outline->point_count = 0;
  for (size_t i = 0; i < resolver->piece_count; i++) {
    if (resolver->used[i])
      continue;
    size_t count = chain(resolver, i, outline->points + 2 * outline->point_count);
    if (count == 0)
      return 0;
    if (count < 3)
      continue; /* encloses nothing */
    outline->starts[outline->contour_count++] = outline->point_count;
    outline->point_count += count;
  }
  outline->starts[outline->contour_count] = outline->point_count;
  return 1;
}

static udg_status rebuild(udg_resolver *resolver, udg_outline *outline) {
  const udg_settings *settings = resolver->settings;
  size_t count = resolver->piece_count;
  udg_outline clean = *outline;
  clean.starts = udg_memory_get(settings, count / 3 + 2, sizeof *clean.starts);
  clean.points = udg_memory_get(settings, count + 1, 2 * sizeof *clean.points);
  resolver->used = udg_memory_get(settings, count + 1, 1);
  udg_status status = clean.starts && clean.points && resolver->used ? UDG_OK : UDG_ERROR_MEMORY;
  if (status == UDG_OK && chain_all(resolver, &clean)) {
    udg_outline given = *outline;
    *outline = clean;
    clean = given;
  }
  udg_memory_drop(settings, clean.starts);
  udg_memory_drop(settings, clean.points);
  udg_memory_drop(settings, resolver->used);
  return status;
}

udg_status udg_outline_resolve(const udg_settings *settings, udg_outline *outline,
                               size_t *crossing_count) {
  udg_resolver resolver = {.settings = settings};
  size_t room = outline->point_count + 1;
  udg_status status = UDG_ERROR_MEMORY;
  *crossing_count = 0;
  resolver.sides = udg_memory_get(settings, room, sizeof *resolver.sides);
  if (resolver.sides) {
    collect_sides(&resolver, outline);
    status = find_cuts(&resolver, crossing_count);
  }
  if (status == UDG_OK) {
    resolver.pieces = udg_memory_get(settings, room + resolver.cut_count, sizeof *resolver.pieces);
    status = resolver.pieces ? UDG_OK : UDG_ERROR_MEMORY;
  }
  if (status == UDG_OK) {
    find_pieces(&resolver);
    sort_pieces(&resolver);
    status = rebuild(&resolver, outline);
  }
  udg_memory_drop(settings, resolver.sides);
  udg_memory_drop(settings, resolver.cuts);
  udg_memory_drop(settings, resolver.pieces);
  return status;
}
