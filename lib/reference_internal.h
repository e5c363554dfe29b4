/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Inside of a reference. */
#ifndef UDG_REFERENCE_INTERNAL_H
#define UDG_REFERENCE_INTERNAL_H

#include <underdigit/reference.h>
#include <underdigit/result.h>

#include "base.h"
#include "plane.h"

/* Closed polylines in mm, y down, flattened to 0.002 mm; non-zero winding. */
typedef struct udg_outline {
  size_t contour_count;
  size_t *starts; /* contour_count + 1 */
  size_t point_count;
  double *points;         /* x, y pairs */
  double low[2], high[2]; /* bounding box */
} udg_outline;

typedef struct udg_place {
  char digit;
  double centre_mm[2];
  double turn_rad;
} udg_place;

typedef struct udg_date {
  char text[16];
  double height_mm;
  int place_count;
  udg_place places[UDG_PLACES_MAX];
  double slack_mm, slack_rad;
  double evidence_shift; /* added to the log odds for an underdigit, learned from plain coins */
} udg_date;

typedef struct udg_expected {
  char id[64];
  int date_index;
  int place; /* from 1 */
  char earlier;
  double offset_mm[2];
  double tolerance_mm;
  size_t marker_first, marker_count; /* in the reference's markers */
  int usually_weak; /* strikes of this die: 1 weak as a rule, -1 full, 0 not told */
} udg_expected;

/* marker.h */
typedef struct udg_marker udg_marker;
typedef struct udg_design_item udg_design_item;
/* What `learn` knows of one date beyond outlines: appearance.h. */
typedef struct udg_appearance udg_appearance;

struct udg_reference {
  udg_settings settings;
  char name[128];
  double diameter_mm; /* 0: not given */
  double date_origin_mm[2];
  int date_in_hub_since; /* year; 0: never */
  double relief_mm, bevel_mm;
  double strong_threshold; /* field "strong_from", default 0.45 of the present digit's height */
  int has_digit[10];
  udg_outline digits[10];
  size_t date_count;
  udg_date *dates;
  size_t expected_count;
  udg_expected *expected;
  size_t marker_count;
  udg_marker *markers;
  size_t design_count;
  udg_design_item *design;
  char *source; /* the JSON text, for whoever writes a better one */
  size_t source_bytes;
  char appearance_name[256]; /* field "appearance", "": none */
  size_t appearance_count;
  udg_appearance *appearances;
};

/* What was learned of a date; NULL: nothing. */
const udg_appearance *udg_reference_appearance(const udg_reference *reference, size_t date_index);

/* A copy with its own dates and outlines, for a learner to try places on; without
 * the source and what was learned before. */
udg_status udg_reference_copy(const udg_reference *reference, udg_reference **copy,
                              udg_message *message);

/* Parses SVG path data (M L H V C S Q T A Z, both cases) into polylines.
 * `field` ("digits.8.outline") begins the message; the place in the text is
 * told by character.  Errors: REFERENCE, MEMORY, LIMIT. */
udg_status udg_outline_from_path(const udg_settings *settings, const char *path, const char *field,
                                 udg_outline *outline, udg_message *message);
void udg_outline_destroy(const udg_settings *settings, udg_outline *outline);

/* Share of each pixel inside the outline (0-1), by FreeType's smooth rasteriser.
 * The outline is turned by turn_rad about its origin, scaled by px_per_mm, its
 * origin put at (x_px, y_px); added to nothing: the plane is overwritten. */
udg_status udg_outline_cover(const udg_settings *settings, const udg_outline *outline,
                             double px_per_mm, double turn_rad, double x_px, double y_px,
                             udg_plane *cover, udg_message *message);

/* Digits 0-9 of a font as outlines, scaled so that '0' is height_mm high less its overshoot
 * taken from the flat digits ('1', '4', '7'), origins as the reference format says. */
udg_status udg_font_digits(const udg_settings *settings, const void *font, size_t font_bytes,
                           double height_mm, udg_outline digits[10], int has_digit[10],
                           const char *field, udg_message *message);

#endif
