/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score", beside the digits: lines across the field, which no digit explains. A crack
 * of the die is raised, a scratch of the coin is cut in; both go on where a digit's stroke
 * would end. */
#ifndef UDG_STRAY_H
#define UDG_STRAY_H

#include "residual.h"

/* No digit has a longer straight stroke, digit heights: common practice, no source. */
#define UDG_STROKE_LONGEST 1.15

typedef struct udg_line {
  double length_px;                   /* 0: none stands out */
  double centre_px[2], direction_rad; /* upright plane */
  /* > 0 raised, < 0 cut in, levels: what is brighter on the side that faces the lamp as the
   * date's own edges do, each pixel of length counted once; near 0: the light does not tell. */
  double relief;
  double energy; /* mean of w r^2 of its brightest pixel across, texture being 1 */
  double along;  /* of any line: energy summed along a digit's height, white noise being 1 */
} udg_line;

/* Whether a pixel is field near the date, and not the coin's rim, whose edge is a line as well. */
int udg_on_field(const udg_upright *upright, int x, int y);

/* The longest line of the residual; lines too long for a digit's stroke lose their weight in it.
 * MEMORY. */
udg_status udg_stray_line(const udg_settings *settings, const udg_upright *upright,
                          const udg_light *light, udg_residual *residual, udg_line *line,
                          udg_message *message);

/* The most energy along a straight line of a digit's height, anywhere away from the digits. MEMORY.
 */
udg_status udg_stray_along(const udg_settings *settings, const udg_upright *upright,
                           const udg_residual *residual, double *energy, udg_message *message);

#endif
