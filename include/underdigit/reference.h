/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What is known of one coin type: digits, places, expected overdates. */
#ifndef UNDERDIGIT_REFERENCE_H
#define UNDERDIGIT_REFERENCE_H

#include <stddef.h>

#include <underdigit/export.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Read-only after loading; may be shared by threads and inspectors. */
typedef struct udg_reference udg_reference;

/* Loads a reference (docs/reference-format.md).
 *   json        `json_bytes` of UTF-8; not kept
 *   name        goes into messages; NULL for "memory"
 *   font        NULL, or a TrueType/OpenType font whose digits stand in for those that
 *               "digits" does not give; `font_bytes` long; not kept
 *   reference   receives the reference; the caller destroys it
 * Errors: REFERENCE (message names line or field), LIMIT, MEMORY, ARGUMENT.
 * Unknown fields are warnings, told to the log hook. */
UDG_API udg_status udg_reference_from_memory(const udg_settings *settings, const void *json,
                                             size_t json_bytes, const char *name, const void *font,
                                             size_t font_bytes, udg_reference **reference,
                                             udg_message *message);

/* The same from a file; a "font" field names a font file beside it. Also IO. */
UDG_API udg_status udg_reference_from_file(const udg_settings *settings, const char *path,
                                           udg_reference **reference, udg_message *message);

UDG_API const char *udg_reference_name(const udg_reference *reference);
/* Of the coin; 0 when the reference does not tell. */
UDG_API double udg_reference_diameter_mm(const udg_reference *reference);

/* Diameter, 0 when not given, and where the date plane's origin lies from the centre of the
 * upright coin, x right, y down.  NULL reference: zeros. */
UDG_API void udg_reference_coin(const udg_reference *reference, double *diameter_mm,
                                double date_origin_mm[2]);

/* Dates in file order; NULL when `index` is past the last. */
UDG_API size_t udg_reference_date_count(const udg_reference *reference);
UDG_API const char *udg_reference_date(const udg_reference *reference, size_t index);

/* Outline of one digit as closed polylines, for drawing: `points` is
 * `point_count` pairs x, y in mm (y down, origin in the middle of the digit),
 * contour k runs from starts[k] to before starts[k + 1].  Storage belongs to
 * the reference.  ARGUMENT when the reference has no such digit. */
typedef struct udg_outline_view {
  size_t contour_count;
  const size_t *starts; /* contour_count + 1 of them */
  size_t point_count;
  const double *points; /* 2 * point_count */
} udg_outline_view;

UDG_API udg_status udg_reference_outline(const udg_reference *reference, char digit,
                                         udg_outline_view *view);

/* Where a digit of a date sits by the reference, before the slack of a die. */
typedef struct udg_place_view {
  char digit;
  double centre_mm[2]; /* in the date plane */
  double turn_deg;     /* clockwise positive */
  double height_mm;    /* of the date's digits */
} udg_place_view;

/*   place   from 1 at the left
 * DATE when the reference has no such date, ARGUMENT when it has no such place. */
UDG_API udg_status udg_reference_place(const udg_reference *reference, const char *date, int place,
                                       udg_place_view *view);

/* NULL is fine. */
UDG_API void udg_reference_destroy(udg_reference *reference);

#ifdef __cplusplus
}
#endif
#endif
