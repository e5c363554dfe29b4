/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Second markers of a known die, and the outlines of the design around the date. */
#ifndef UDG_MARKER_H
#define UDG_MARKER_H

#include "fields.h"
#include "reference_internal.h"

/* Longest words of `of`. */
enum { UDG_MARKER_OF_MAX = 24 };

/* Whether the marker shows on every coin of its die. */
typedef enum udg_marker_life {
  UDG_MARKER_EVERY = 0,
  UDG_MARKER_EARLY = 1, /* polished away in use */
  UDG_MARKER_LATE = 2   /* came while the die was in use */
} udg_marker_life;

/* An outline with its place in the date plane. */
typedef struct udg_design_item {
  char id[32];
  char region[32]; /* "" : none */
  udg_outline outline;
  double at_mm[2], turn_rad;
} udg_design_item;

struct udg_marker {
  char id[64];
  size_t expected_index;
  udg_marker_kind kind;
  udg_marker_life life;
  double at_mm[2], turn_rad; /* its own frame in the date plane */
  double clock, radius_mm;   /* clock 0: given in the date plane */
  double extent_mm;          /* half of its longest side */
  double narrow_mm;          /* its narrowest width */
  double relief;             /* share of the digits' relief */
  double tolerance_mm, tolerance_rad;
  double shift_mm[2];  /* doubled: the second image, date plane */
  udg_outline outline; /* in its own frame; empty for doubled */
  double disc[3];      /* digit_part: x, y, radius kept, in the frame; radius 0: all */
  int of_count;        /* design items that it is a part of, or that are doubled */
  int of[UDG_MARKER_OF_MAX];
};

/* From the centre of the upright coin by clock and radius into the date plane. */
void udg_clock_to_date(const udg_reference *reference, double clock, double radius_mm,
                       double at_mm[2]);
/* The reverse: clock in (0, 12]. */
void udg_date_to_clock(const udg_reference *reference, const double at_mm[2], double *clock,
                       double *radius_mm);

/* Fields "design" of the file and "markers" of one expected entry; the markers go
 * behind those that the reference has.  What is filled belongs to the reference. */
udg_status udg_design_parse(const udg_field_reader *reader, udg_reference *reference,
                            const udg_field_object *file);
udg_status udg_markers_parse(const udg_field_reader *reader, udg_reference *reference,
                             const udg_field_object *entry, size_t expected_index);
/* udg_marker_drop: design and markers of a reference that goes away. */
void udg_markers_drop(udg_reference *reference);

#endif
