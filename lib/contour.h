/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Lines of equal height as closed polygons. */
#ifndef UDG_CONTOUR_H
#define UDG_CONTOUR_H

#include "plane.h"

/* Polygons in px, pixel centres at +0.5; what is above the level lies to the left (y down),
 * so an outer line and the line of a hole run in opposite directions. */
typedef struct udg_contours {
  size_t count;
  size_t *starts; /* count + 1 */
  size_t point_count;
  double *points; /* x, y pairs */
} udg_contours;

/* What touches the plane's rim is closed along it. */
udg_status udg_contours_create(const udg_settings *settings, const udg_plane *plane, float level,
                               udg_contours *contours, udg_message *message);
void udg_contours_destroy(const udg_settings *settings, udg_contours *contours);

/* Twice the area enclosed by polygon k, positive for an outer line. */
double udg_contour_area(const udg_contours *contours, size_t k);
/* Leaves out points while the line moves by no more than `within_px` (Douglas & Peucker,
 * Cartographica 10(2), 1973). */
udg_status udg_contours_simplify(const udg_settings *settings, udg_contours *contours,
                                 double within_px, udg_message *message);

#endif
