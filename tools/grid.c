/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "grid.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "crop.h"
#include "picture.h"

static const double pi = 3.14159265358979323846;

typedef struct grid {
  int side; /* of the coin's square, px */
  double px_per_mm;
  double diameter_mm, origin_mm[2]; /* the date plane's origin from the centre */
  double left, top;                 /* of the square */
  uint8_t *pixels;
  const udg_result *result;
} grid;

/* Millimetres from the coin's centre to px. */
static void to_px(const grid *g, double x_mm, double y_mm, double p[2]) {
  p[0] = g->left + 0.5 * g->side + g->px_per_mm * x_mm;
  p[1] = g->top + 0.5 * g->side + g->px_per_mm * y_mm;
}

static void draw_clock(const grid *g, picture_pen *pen) {
  double centre[2], radius = 0.5 * g->diameter_mm;
  to_px(g, 0, 0, centre);
  for (int mm = 2; mm < radius; mm += 2) {
    char text[16];
    double p[2];
    picture_pen_circle(pen, centre, mm * g->px_per_mm, 0.8, 0);
    snprintf(text, sizeof text, "%d", mm);
    to_px(g, mm * sin(pi / 12), -mm * cos(pi / 12), p);
    picture_pen_text(pen, p[0], p[1], 12, text);
  }
  picture_pen_circle(pen, centre, radius * g->px_per_mm, 1.2, 0);
  for (int quarter = 0; quarter < 48; quarter++) { /* a line an hour, a tick a quarter */
    double a = quarter * pi / 24, from[2], to[2], inner = quarter % 4 ? 0.96 : 0.2;
    to_px(g, inner * radius * sin(a), -inner * radius * cos(a), from);
    to_px(g, radius * sin(a), -radius * cos(a), to);
    picture_pen_line(pen, from, to, quarter % 4 ? 0.8 : 1.0, 0);
    if (quarter % 4 == 0) {
      char text[16];
      snprintf(text, sizeof text, "%d h", quarter ? quarter / 4 : 12);
      to_px(g, 1.06 * radius * sin(a), -1.06 * radius * cos(a), to);
      picture_pen_text(pen, to[0], to[1], 15, text);
    }
  }
}

/* Axes of the date plane with a tick a millimetre, as far as the coin reaches. */
static void draw_plane(const grid *g, picture_pen *pen) {
  double radius = 0.5 * g->diameter_mm;
  for (int axis = 0; axis < 2; axis++)
    for (int mm = -(int)(2 * radius); mm <= (int)(2 * radius); mm++) {
      double x = g->origin_mm[0] + (axis ? 0 : mm), y = g->origin_mm[1] + (axis ? mm : 0);
      if (hypot(x, y) > radius)
        continue;
      double from[2], to[2], half = mm % 5 ? 0.12 : 0.3;
      to_px(g, x - (axis ? half : 0), y - (axis ? 0 : half), from);
      to_px(g, x + (axis ? half : 0), y + (axis ? 0 : half), to);
      picture_pen_line(pen, from, to, 1.2, 1);
      if (mm % 5 == 0) {
        char text[16];
        snprintf(text, sizeof text, "%d", mm);
        picture_pen_text(pen, to[0] + (axis ? 9 : 0), to[1] + (axis ? 0 : 9), 12, text);
      }
    }
}

static void draw_markers(const grid *g, picture_pen *pen) {
  for (int i = 0; i < g->result->marker_count; i++) {
    const udg_marker_finding *m = &g->result->markers[i];
    double p[2], r = (m->reach_mm + 0.2) * g->px_per_mm;
    to_px(g, m->at_mm[0] + g->origin_mm[0], m->at_mm[1] + g->origin_mm[1], p);
    picture_pen_circle(pen, p, r, m->answer == UDG_MARKER_PRESENT ? 2.2 : 0.9,
                       m->answer == UDG_MARKER_PRESENT);
    picture_pen_text(pen, p[0], p[1] - r - 8, 12, m->id);
  }
}

static void draw(void *user, picture_pen *pen) {
  const grid *g = user;
  picture_pen_grey(pen, g->pixels, g->side, g->left, g->top);
  draw_clock(g, pen);
  draw_plane(g, pen);
  draw_markers(g, pen);
  picture_pen_text(pen, g->left + 0.5 * g->side, g->top + g->side + 0.4 * g->top, 13,
                   "hours: clock positions; circles: radius, mm; axes: date plane, mm, x right, "
                   "y down");
}

int grid_write(const udg_image *image, const udg_reference *reference, const udg_result *result,
               const char *photo, int width_px, const char *path, udg_message *message) {
  grid g = {.result = result};
  udg_reference_coin(reference, &g.diameter_mm, g.origin_mm);
  if (!(g.diameter_mm > 0)) {
    snprintf(message->text, sizeof message->text,
             "%.200s: no grid drawn: the reference gives no coin.diameter_mm", photo);
    return -1;
  }
  if (result->coin_to_photo[8] == 0) {
    snprintf(message->text, sizeof message->text, "%.200s: no grid drawn, as no date was found",
             photo);
    return -1;
  }
  g.left = g.top = 0.07 * width_px;
  g.side = (int)(width_px - 2 * g.left);
  double side_mm = 1.04 * g.diameter_mm, centre[2] = {-g.origin_mm[0], -g.origin_mm[1]};
  g.px_per_mm = g.side / side_mm;
  g.pixels = malloc((size_t)g.side * (size_t)g.side);
  if (!g.pixels ||
      crop_square(image, result->coin_to_photo, centre, side_mm, g.side, g.pixels) != 0) {
    snprintf(message->text, sizeof message->text, "%.200s: no grid drawn: %s", photo,
             g.pixels ? "nothing of the coin lies in the photo" : "not enough memory");
    free(g.pixels);
    return -1;
  }
  int status = picture_draw(width_px, width_px, draw, &g, path, message);
  free(g.pixels);
  return status;
}
