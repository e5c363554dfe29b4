/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the outliner's files share. */
#ifndef UDG_OUTLINER_INTERNAL_H
#define UDG_OUTLINER_INTERNAL_H

#include <underdigit/learn.h>

#include "face.h"
#include "fft.h"
#include "image_internal.h"

/* Relief of the design in a frame: px = middle + radius_px * unit disc, upright as the
 * first photo shows it. */
typedef struct udg_design {
  udg_plane height;
  double radius_px;
} udg_design;

typedef struct udg_drawn_date {
  const char *date;
  double box[4];       /* left, top, width, height in the unit disc */
  double diameter_mm;  /* of the unit disc */
  double middle_mm[2]; /* its middle against the coin's */
  double coin_mm;      /* the coin's diameter; 0: not known */
  const udg_reference *digits; /* others' outlines; NULL: none */
} udg_drawn_date;

/* The date's outlines as a reference file's text, from udg_memory_get. REFERENCE when
 * what rises in the box is not the date. */
udg_status udg_outliner_draw(const udg_settings *settings, const udg_design *design,
                             const udg_drawn_date *drawn, char **json, udg_message *message);

#endif
