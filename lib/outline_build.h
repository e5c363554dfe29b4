/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Collects straight and curved strokes into closed polylines. */
#ifndef UDG_OUTLINE_BUILD_H
#define UDG_OUTLINE_BUILD_H

#include "reference_internal.h"

/* Largest gap between a curve and its polyline. */
#define UDG_FLATTEN_MM 0.002
/* Coins are smaller by far; larger numbers are slips of unit or decimal point. */
#define UDG_COORDINATE_MAX_MM 1000.0
/* Resolving self-crossings takes the square of the number of points. */
enum { UDG_OUTLINE_POINTS_MAX = 10000 };

typedef struct udg_point {
  double x, y;
} udg_point;

typedef struct udg_outline_builder {
  const udg_settings *settings;
  udg_status status; /* the first fault; later strokes are ignored */
  size_t contour_count, contour_room;
  size_t *starts;
  size_t point_count, point_room;
  double *points;
  udg_point at;
} udg_outline_builder;

void udg_outline_builder_begin(udg_outline_builder *builder, const udg_settings *settings);

/* Starts a contour; an open one before it is closed by a straight line. */
void udg_outline_builder_move(udg_outline_builder *builder, udg_point to);
void udg_outline_builder_line(udg_outline_builder *builder, udg_point to);
void udg_outline_builder_quadratic(udg_outline_builder *builder, udg_point control, udg_point to);
void udg_outline_builder_cubic(udg_outline_builder *builder, udg_point control_1,
                               udg_point control_2, udg_point to);
/* SVG's arc: radii, turn of the ellipse's x axis, the long way round or not,
 * with angles growing or not. */
void udg_outline_builder_arc(udg_outline_builder *builder, double rx, double ry, double turn_rad,
                             int large, int sweep, udg_point to);

/* Resolves crossings, hands the outline over and leaves the builder empty, also
 * on a fault.  `field` begins messages and warnings. */
udg_status udg_outline_builder_end(udg_outline_builder *builder, const char *field,
                                   udg_outline *outline, udg_message *message);
/* For giving up half-way. */
void udg_outline_builder_drop(udg_outline_builder *builder);

/* Replaces the contours by the boundary of the region with a non-zero winding
 * number: contours that neither cross nor overlap, winding number 1 inside, 0
 * outside.  Strokes inside the filled region are gone.  `crossing_count`
 * receives how often the given contours crossed or overlapped.  An outline that
 * encloses nothing comes back without contours. */
udg_status udg_outline_resolve(const udg_settings *settings, udg_outline *outline,
                               size_t *crossing_count);

#endif
