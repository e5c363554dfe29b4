/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "outline_build.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

void udg_outline_builder_begin(udg_outline_builder *builder, const udg_settings *settings) {
  memset(builder, 0, sizeof *builder);
  builder->settings = settings;
}

void udg_outline_builder_drop(udg_outline_builder *builder) {
  udg_memory_drop(builder->settings, builder->starts);
  udg_memory_drop(builder->settings, builder->points);
  udg_outline_builder_begin(builder, builder->settings);
}

/* Room for one more item of `item_bytes`; NULL on no memory, `block` kept then. */
static void *grow(const udg_settings *settings, void *block, size_t count, size_t *room,
                  size_t item_bytes) {
  if (count < *room)
    return block;
  size_t larger = *room ? 2 * *room : 64;
  void *moved = udg_memory_get(settings, larger, item_bytes);
  if (!moved)
    return NULL;
  if (block)
    memcpy(moved, block, count * item_bytes);
  udg_memory_drop(settings, block);
  *room = larger;
  return moved;
}

static void add_point(udg_outline_builder *builder, udg_point p) {
  if (builder->status != UDG_OK)
    return;
  /* Negated, so that a NaN fails as well. */
  if (!(fabs(p.x) <= UDG_COORDINATE_MAX_MM && fabs(p.y) <= UDG_COORDINATE_MAX_MM)) {
    builder->status = UDG_ERROR_REFERENCE;
    return;
  }
  if (builder->point_count >= UDG_OUTLINE_POINTS_MAX) {
    builder->status = UDG_ERROR_LIMIT;
    return;
  }
  double *points = grow(builder->settings, builder->points, builder->point_count,
                        &builder->point_room, 2 * sizeof *points);
  if (!points) {
    builder->status = UDG_ERROR_MEMORY;
    return;
  }
  builder->points = points;
  points[2 * builder->point_count] = p.x;
  points[2 * builder->point_count + 1] = p.y;
  builder->point_count++;
  builder->at = p;
}

void udg_outline_builder_move(udg_outline_builder *builder, udg_point to) {
  if (builder->status != UDG_OK)
    return;
  size_t *starts = grow(builder->settings, builder->starts, builder->contour_count,
                        &builder->contour_room, sizeof *starts);
  if (!starts) {
    builder->status = UDG_ERROR_MEMORY;
    return;
  }
  builder->starts = starts;
  starts[builder->contour_count++] = builder->point_count;
  add_point(builder, to);
}

void udg_outline_builder_line(udg_outline_builder *builder, udg_point to) {
  add_point(builder, to);
}

static udg_point mix(udg_point a, udg_point b, double t) {
  return (udg_point){a.x + t * (b.x - a.x), a.y + t * (b.y - a.y)};
}

/* A chord over a share 1/n of the parameter strays from its curve by at most
 * max|B''| / (8 n^2) (remainder of linear interpolation). */
static int parts_for(double second_derivative) {
  double n = ceil(sqrt(second_derivative / (8 * UDG_FLATTEN_MM)));
  return n >= 1 && n < UDG_OUTLINE_POINTS_MAX ? (int)n : n >= 1 ? UDG_OUTLINE_POINTS_MAX : 1;
}

void udg_outline_builder_quadratic(udg_outline_builder *builder, udg_point control, udg_point to) {
  const udg_point from = builder->at;
  /* B'' = 2 (P0 - 2 P1 + P2) */
  int n = parts_for(2 * hypot(from.x - 2 * control.x + to.x, from.y - 2 * control.y + to.y));
  for (int i = 1; i < n; i++) {
    double t = (double)i / n;
    add_point(builder, mix(mix(from, control, t), mix(control, to, t), t));
  }
  add_point(builder, to);
}

void udg_outline_builder_cubic(udg_outline_builder *builder, udg_point control_1,
                               udg_point control_2, udg_point to) {
  const udg_point from = builder->at;
  /* B'' = 6 ((1 - t)(P0 - 2 P1 + P2) + t (P1 - 2 P2 + P3)) */
  double at_start =
      hypot(from.x - 2 * control_1.x + control_2.x, from.y - 2 * control_1.y + control_2.y);
  double at_end = hypot(control_1.x - 2 * control_2.x + to.x, control_1.y - 2 * control_2.y + to.y);
  int n = parts_for(6 * fmax(at_start, at_end));
  for (int i = 1; i < n; i++) {
    double t = (double)i / n;
    udg_point a = mix(from, control_1, t), b = mix(control_1, control_2, t),
              c = mix(control_2, to, t);
    add_point(builder, mix(mix(a, b, t), mix(b, c, t), t));
  }
  add_point(builder, to);
}

/* Centre, first angle and signed angle of an arc given by its ends:
 * SVG 1.1 (W3C Recommendation, 2nd edition 2011), appendix F.6.5, F.6.6. */
void udg_outline_builder_arc(udg_outline_builder *builder, double rx, double ry, double turn_rad,
                             int large, int sweep, udg_point to) {
  const udg_point from = builder->at;
  if (builder->status != UDG_OK || (from.x == to.x && from.y == to.y))
    return;
  rx = fabs(rx);
  ry = fabs(ry);
  if (rx == 0 || ry == 0) {
    add_point(builder, to);
    return;
  }
  const double cos_turn = cos(turn_rad), sin_turn = sin(turn_rad);
  double dx = (from.x - to.x) / 2, dy = (from.y - to.y) / 2;
  double x1 = cos_turn * dx + sin_turn * dy, y1 = -sin_turn * dx + cos_turn * dy;
  double lambda = hypot(x1 / rx, y1 / ry);
  if (lambda > 1) { /* too small to reach: scaled up until they just do */
    rx *= lambda;
    ry *= lambda;
  }
  double u = x1 / rx, v = y1 / ry, length2 = u * u + v * v;
  double factor = length2 > 0 && length2 < 1 ? sqrt((1 - length2) / length2) : 0;
  if (large == sweep)
    factor = -factor;
  double cu = factor * v, cv = -factor * u; /* centre, in units of the radii */
  double first = atan2(v - cv, u - cu), last = atan2(-v - cv, -u - cu);
  double angle = last - first;
  if (sweep && angle < 0)
    angle += 2 * pi;
  if (!sweep && angle > 0)
    angle -= 2 * pi;
  double cx = cos_turn * rx * cu - sin_turn * ry * cv + (from.x + to.x) / 2;
  double cy = sin_turn * rx * cu + cos_turn * ry * cv + (from.y + to.y) / 2;
  /* The ellipse is an affine picture of the unit circle, on which parameter and
   * angle agree: |B''| <= max(rx, ry) for a parameter of one radian. */
  int n = parts_for(fmax(rx, ry) * angle * angle);
  for (int i = 1; i < n; i++) {
    double a = first + angle * i / n, x = rx * cos(a), y = ry * sin(a);
    add_point(builder,
              (udg_point){cx + cos_turn * x - sin_turn * y, cy + sin_turn * x + cos_turn * y});
  }
  add_point(builder, to);
}

static void find_box(udg_outline *outline) {
  for (int axis = 0; axis < 2; axis++) {
    outline->low[axis] = INFINITY;
    outline->high[axis] = -INFINITY;
    for (size_t i = 0; i < outline->point_count; i++) {
      double c = outline->points[2 * i + (size_t)axis];
      outline->low[axis] = fmin(outline->low[axis], c);
      outline->high[axis] = fmax(outline->high[axis], c);
    }
  }
}

/* Takes over the builder's arrays; the last entry of `starts` is the end. */
static udg_status close_up(udg_outline_builder *builder, udg_outline *outline) {
  size_t *starts = grow(builder->settings, builder->starts, builder->contour_count,
                        &builder->contour_room, sizeof *starts);
  if (!starts)
    return UDG_ERROR_MEMORY;
  starts[builder->contour_count] = builder->point_count;
  outline->contour_count = builder->contour_count;
  outline->starts = starts;
  outline->point_count = builder->point_count;
  outline->points = builder->points;
  builder->starts = NULL;
  builder->points = NULL;
  return UDG_OK;
}

static udg_status tell(udg_status status, const char *field, udg_message *message) {
  switch (status) {
  case UDG_OK:
    return UDG_OK;
  case UDG_ERROR_MEMORY:
    return udg_fail(message, status, "%s: out of memory", field);
  case UDG_ERROR_LIMIT:
    return udg_fail(message, status,
                    "%s: outline of more than %d points, or one that crosses itself too often",
                    field, UDG_OUTLINE_POINTS_MAX);
  default:
    return udg_fail(message, status, "%s: outline reaches beyond %g mm", field,
                    UDG_COORDINATE_MAX_MM);
  }
}

udg_status udg_outline_builder_end(udg_outline_builder *builder, const char *field,
                                   udg_outline *outline, udg_message *message) {
  const udg_settings *settings = builder->settings;
  size_t crossing_count = 0;
  udg_status status = builder->status;
  memset(outline, 0, sizeof *outline);
  if (status == UDG_OK)
    status = close_up(builder, outline);
  if (status == UDG_OK)
    status = udg_outline_resolve(settings, outline, &crossing_count);
  udg_outline_builder_drop(builder);
  if (status != UDG_OK) {
    udg_outline_destroy(settings, outline);
    return tell(status, field, message);
  }
  if (outline->contour_count == 0) {
    udg_outline_destroy(settings, outline);
    return udg_fail(message, UDG_ERROR_REFERENCE, "%s: the outline encloses nothing", field);
  }
  if (crossing_count > 0)
    udg_log(settings, UDG_LOG_WARNING,
            "%s: the outline crosses or overlaps itself; it is filled where its winding number is "
            "not zero",
            field);
  find_box(outline);
  return UDG_OK;
}

void udg_outline_destroy(const udg_settings *settings, udg_outline *outline) {
  if (!outline)
    return;
  udg_memory_drop(settings, outline->starts);
  udg_memory_drop(settings, outline->points);
  memset(outline, 0, sizeof *outline);
}
