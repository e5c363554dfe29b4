/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The relief of a whole date as appearance columns: what light can make of it. */
#ifndef UDG_TEMPLATE_H
#define UDG_TEMPLATE_H

#include "align.h"
#include "reference_internal.h"

/* Columns in the order of udg_patch_set; a prefix of them is a smaller model.
 * p, q are the slopes in units of the bevel's steepest. */
typedef enum udg_column {
  UDG_COLUMN_LEVEL = 0,
  UDG_COLUMN_RAMP_X = 1, /* date-plane position over the date's radius */
  UDG_COLUMN_RAMP_Y = 2,
  UDG_COLUMN_P = 3, /* first order: matt metal under a lamp */
  UDG_COLUMN_Q = 4,
  UDG_COLUMN_SQUARE = 5,   /* p^2 + q^2: ring light, sky */
  UDG_COLUMN_ACROSS = 6,   /* p^2 - q^2 */
  UDG_COLUMN_DIAGONAL = 7, /* 2 p q */
  UDG_COLUMN_TOP = 8,      /* height: the tops rub and shine */
  UDG_COLUMN_FOOT = 9,     /* band along the foot: dirt, and what a rounded foot reflects */
  UDG_COLUMN_CUBE_P = 10,  /* p (p^2 + q^2), q (p^2 + q^2) */
  UDG_COLUMN_CUBE_Q = 11,
  UDG_COLUMN_TREFOIL_P = 12, /* p^3 - 3 p q^2, 3 p^2 q - q^3 */
  UDG_COLUMN_TREFOIL_Q = 13,
  UDG_COLUMN_FIFTH_P = 14, /* p (p^2 + q^2)^2, q (p^2 + q^2)^2 */
  UDG_COLUMN_FIFTH_Q = 15,
  UDG_COLUMN_FOURTH_ACROSS = 16, /* (p^2 + q^2) (p^2 - q^2), 2 p q (p^2 + q^2) */
  UDG_COLUMN_FOURTH_DIAGONAL = 17,
  UDG_COLUMN_FOURTH = 18, /* (p^2 + q^2)^2 */
  UDG_COLUMN_COUNT = 19
} udg_column;

/* Fine raster of one date.  x_px = origin_px + px_per_mm x_mm. */
typedef struct udg_template {
  double px_per_mm;
  double origin_px[2];
  double centre_mm[2], half_size_mm[2]; /* of the box around all outlines */
  double margin_mm; /* field around the outlines that still belongs to the date */
  double height_mm, bevel_mm;
  int place_count;
  double place_mm[UDG_PLACES_MAX][2];
  udg_plane distance; /* mm, to the nearest outline, positive inside; cut off where it is far */
  udg_plane owner;    /* number of the place that outline belongs to */
  udg_plane p, q;     /* slopes over the steepest of the bevel */
  udg_plane foot;     /* the column of that name where it is asked for several times, or empty */
} udg_template;

udg_status udg_template_create(const udg_settings *settings, const udg_reference *reference,
                               size_t date_index, udg_template *made, udg_message *message);
/* `height_px` pixels of the raster to a digit's height; a field of `margin_share` of it around. */
udg_status udg_template_create_at(const udg_settings *settings, const udg_reference *reference,
                                  size_t date_index, double height_px, double margin_share,
                                  udg_template *made, udg_message *message);
/* A template like `once` with planes of its own, and a plane of that size. */
udg_status udg_template_twin(const udg_settings *settings, const udg_template *once,
                             udg_template *twin, udg_plane *height, udg_message *message);
/* The date set twice: over it the same displaced by `shift_mm`, `share` as high; the higher shows.
 * Its distance is that to the nearest outline of either.  ARGUMENT when the shift is longer than
 * the raster, MEMORY. */
udg_status udg_template_set_twice(const udg_settings *settings, const udg_template *once,
                                  const double shift_mm[2], double share, udg_template *twin,
                                  udg_plane *height);
void udg_template_destroy(const udg_settings *settings, udg_template *made);

/* The templates of a reference's dates, made when they are first asked for: one for all stages. */
typedef struct udg_templates udg_templates;

/* `reference` is kept and must outlive them. */
udg_status udg_templates_create(const udg_settings *settings, const udg_reference *reference,
                                udg_templates **templates, udg_message *message);
void udg_templates_destroy(udg_templates *templates);
/* Lets go of all planes; what is asked for again is made again. */
void udg_templates_rest(udg_templates *templates);
/* Stays theirs. */
udg_status udg_templates_get(udg_templates *templates, size_t date_index, const udg_template **made,
                             udg_message *message);

/* A column other than level and ramps, on the fine raster, not blurred. */
void udg_template_column(const udg_template *made, udg_column column, udg_plane *plane);

/* Patches with px_per_mm pixels, all columns blurred by sigma_mm and, unless
 * mean_mm is 0, less their mean of that Gaussian spread. */
udg_status udg_template_patches(const udg_settings *settings, const udg_template *made,
                                double px_per_mm, double sigma_mm, double mean_mm,
                                udg_patch_set *set, udg_message *message);
void udg_patch_set_destroy(const udg_settings *settings, udg_patch_set *set);
int udg_patch_set_pixels(const udg_patch_set *set);

#endif
