/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "marker.h"

#include <math.h>

static const char *const kind_texts[] = {"line",       "spot",    "corner", "dash",
                                         "digit_part", "doubled", "extra",  "missing"};

const char *udg_marker_kind_text(udg_marker_kind kind) {
  size_t count = sizeof kind_texts / sizeof *kind_texts;
  return (size_t)kind < count ? kind_texts[kind] : "unknown";
}

/* Twelve o'clock is up, and 12 hours are a turn: angle = clock pi / 6. */
static double clock_angle(double clock) {
  return clock * acos(-1.0) / 6.0;
}

void udg_clock_to_date(const udg_reference *reference, double clock, double radius_mm,
                       double at_mm[2]) {
  double a = clock_angle(clock);
  at_mm[0] = radius_mm * sin(a) - reference->date_origin_mm[0];
  at_mm[1] = -radius_mm * cos(a) - reference->date_origin_mm[1];
}

void udg_date_to_clock(const udg_reference *reference, const double at_mm[2], double *clock,
                       double *radius_mm) {
  double x = at_mm[0] + reference->date_origin_mm[0], y = at_mm[1] + reference->date_origin_mm[1];
  double hours = atan2(x, -y) * 6.0 / acos(-1.0);
  *clock = hours <= 0.0 ? hours + 12.0 : hours;
  *radius_mm = hypot(x, y);
}

void udg_markers_drop(udg_reference *reference) {
  const udg_settings settings = reference->settings;
  for (size_t i = 0; i < reference->marker_count; i++)
    udg_outline_destroy(&settings, &reference->markers[i].outline);
  for (size_t i = 0; i < reference->design_count; i++)
    udg_outline_destroy(&settings, &reference->design[i].outline);
  udg_memory_drop(&settings, reference->markers);
  udg_memory_drop(&settings, reference->design);
}
