/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What was found, drawn: the upright date bare and with outlines, the
 * residual, the evidence along the date. */
#ifndef PICTURE_H
#define PICTURE_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/underdigit.h>

enum { PICTURE_WIDTH_MIN = 300, PICTURE_WIDTH_MAX = 4000, PICTURE_WIDTH_DEFAULT = 1200 };

typedef struct picture_input {
  const char *photo; /* name for the title */
  const udg_result *result;
  const udg_reference *reference;
  udg_view upright, residual, evidence; /* each with its own size and scale */
  uint32_t photo_width, photo_height;   /* px, upright; 0: not known */
  const udg_image *image;               /* for the markers' crops; NULL: none are drawn */
  int width_px;                         /* of the PNG, within PICTURE_WIDTH_* */
} picture_input;

enum { PICTURE_PHOTO, PICTURE_OUTLINES, PICTURE_RESIDUAL, PICTURE_EVIDENCE, PICTURE_PANELS };

/* Where things lie in the PNG. All panels show the same window of the date plane. */
typedef struct picture_layout {
  double width, height; /* of the whole, px */
  double unit;          /* line widths and text follow it: 1 px at a width of 1200 */
  double margin;
  double header;                    /* height of the title above the panels */
  double caption;                   /* height of a caption above its panel */
  double panel_width, panel_height; /* of each map */
  double left[PICTURE_PANELS], top[PICTURE_PANELS];
  double profile_top, profile_height; /* below the evidence map, as wide as it */
  double notes_top, notes_height;     /* at the left margin, panel_width wide */
  double px_per_mm;                   /* x = left + px_per_mm * (x_mm - low_mm[0]) */
  double low_mm[2], high_mm[2];       /* the window */
} picture_layout;

void picture_lay_out(const picture_input *input, picture_layout *layout);

/* A digit drawn as an outline in the date plane. */
typedef struct picture_digit {
  char digit;
  double centre_mm[2];
  double turn_deg;
  double height_mm;
} picture_digit;

/* The present digit at a place (from 1) as found; 0 when the reference lacks it. */
int picture_present(const picture_input *input, int place, picture_digit *digit);

/* What the verdict rests on, to be drawn broken: up to UDG_PLACES_MAX digits,
 * or one spot (digit 0). Gives their number; `label` tells what they are. */
int picture_traces(const picture_input *input, picture_digit traces[UDG_PLACES_MAX], char *label,
                   size_t label_bytes);

/* Whether the photo reaches a spot of the date plane; 1 when its size is not known. */
int picture_in_photo(const picture_input *input, double x_mm, double y_mm);

/* The photo's name and the figures behind the verdict, in one line. */
void picture_describe(const picture_input *input, char *line, size_t line_bytes);

/* Smallest and largest value of a view inside the window; non-finite ones left
 * out; 0 and 1 when nothing is left or all are equal. */
void picture_range(const udg_view *view, const picture_layout *layout, double range[2]);

/* Largest value of each column of the window, `count` columns; -INFINITY where
 * the view has none. */
void picture_profile(const udg_view *view, const picture_layout *layout, double *profile,
                     int count);

/* Drawing for others than this picture: units are px of the PNG. */
typedef struct picture_pen picture_pen;
void picture_pen_grey(picture_pen *pen, const uint8_t *pixels, int side, double x, double y);
void picture_pen_line(picture_pen *pen, const double from[2], const double to[2], double width,
                      int strong);
void picture_pen_circle(picture_pen *pen, const double centre[2], double radius, double width,
                        int strong);
void picture_pen_text(picture_pen *pen, double x, double y, double size, const char *text);

/* Writes a PNG of what `draw` draws on white; as picture_write(). */
int picture_draw(int width, int height, void (*draw)(void *user, picture_pen *pen), void *user,
                 const char *path, udg_message *message);

/* Writes a PNG under `path`, whole or not at all.  0 on success, else -1 and a
 * reason in `message`. */
int picture_write(const picture_input *input, const char *path, udg_message *message);

#endif
