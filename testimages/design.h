/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What is on a coin beside its date: rim, teeth, legend, picture.  Made from the
 * reference's name, the same on every coin of the type. */
#ifndef TI_DESIGN_H
#define TI_DESIGN_H

#include "field.h"

#define TI_KNOBS_MAX 28

/* A swelling of the picture: an ellipse with a round back. */
typedef struct ti_knob {
  double x, y, half_long, half_wide, turn_rad, height_mm; /* from the coin's centre */
} ti_knob;

typedef struct ti_design {
  double radius_mm, centre_mm[2]; /* in the date plane */
  double rim_mm, rim_height_mm;
  int teeth;
  double teeth_from_mm, teeth_to_mm, teeth_height_mm;       /* radii */
  double letter_mm, legend_mm, stroke_mm, letter_height_mm; /* legend_mm: radius of its baseline */
  const char *legend;
  int knob_count;
  ti_knob knobs[TI_KNOBS_MAX];
} ti_design;

/* `other_side`: the side without a date. */
void ti_design_make(const udg_reference *reference, int other_side, ti_design *design);

/* Diameter of the reference, or what the date asks for when it gives none. */
double ti_design_diameter(const udg_reference *reference);
/* Where the date plane's origin lies from the coin's centre. */
void ti_design_date_origin(const udg_reference *reference, double origin_mm[2]);

/* Joins the design to the heights by the maximum: displaced by `offset` and
 * `strength` high for the second impression of a doubled hub.  The rim is not
 * part of the hub's drift and comes with strength 1 alone. */
void ti_design_stamp(const ti_design *design, const ti_offset *offset, double strength,
                     ti_field *field);
/* A cut in the die at the rim: a raised bar across the teeth.  Clock from 12 on top. */
void ti_design_rim_cut(const ti_design *design, double clock, double relief_mm, ti_field *field);

/* Share of each sample that the coin covers. */
udg_status ti_design_cover(const udg_settings *settings, const ti_design *design,
                           const ti_field *field, udg_plane *cover);

#endif
