/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Colours and clean text for the picture. */
#ifndef PICTURE_STYLE_H
#define PICTURE_STYLE_H

#include <stddef.h>

#include "picture.h"

typedef struct picture_colour {
  double r, g, b; /* 0-1, sRGB */
} picture_colour;

extern const picture_colour picture_present_colour, picture_trace_colour;
extern const picture_colour picture_ink, picture_faint_ink;

/* A grey level 0-255. */
picture_colour picture_grey_colour(double level);

/* A residual in standard deviations: middle grey at 0, so that light and dark
 * rests look like rests; black and white at 5 of them. */
picture_colour picture_residual_colour(double deviations);

/* A share 0-1 from white to dark blue, lightness falling all the way. */
picture_colour picture_evidence_colour(double share);

/* Colours a view as its panel shows it: 32-bit pixels 0x00RRGGBB, rows `stride`
 * bytes apart. What the photo does not reach comes out near white in the
 * panels that show it. */
void picture_paint(const picture_input *input, const udg_view *view, int panel,
                   const double evidence_range[2], unsigned char *bytes, size_t stride);

/* Place of an evidence within its range, 0-1. Evidence grows with the square of
 * a trace's height, so its root is what is drawn. */
double picture_evidence_share(double evidence, const double range[2]);

/* Copies `text` as valid UTF-8 without control characters, '?' in the place of
 * what is neither; cut to `clean_bytes`, terminated. */
void picture_clean_text(const char *text, char *clean, size_t clean_bytes);

#endif
