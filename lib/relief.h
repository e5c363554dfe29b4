/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From outline to relief: the height model that everything else is built on. */
#ifndef UDG_RELIEF_H
#define UDG_RELIEF_H

#include "plane.h"
#include "reference_internal.h"

/* Signed distance (px, positive inside) of every pixel centre to the outline,
 * exact Euclidean to the polyline; the same placing as udg_outline_cover. */
udg_status udg_relief_distance(const udg_settings *settings, const udg_outline *outline,
                               double px_per_mm, double turn_rad, double x_px, double y_px,
                               udg_plane *distance, udg_message *message);

/* The same with values cut to +-max_px: quick where only the neighbourhood of the
 * outline counts. */
udg_status udg_relief_distance_within(const udg_settings *settings, const udg_outline *outline,
                                      double px_per_mm, double turn_rad, double x_px, double y_px,
                                      double max_px, udg_plane *distance, udg_message *message);

/* Height of the shoulder at a signed distance d (positive inside), as a share
 * of the full relief: smoothstep of d / bevel, 0 outside, 1 beyond the bevel. */
double udg_relief_profile(double d, double bevel);

#endif
