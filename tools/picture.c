/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The only file that knows cairo. */
#include "picture.h"

#include <cairo.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "crop.h"
#include "output.h"
#include "picture_style.h"
#include "words.h"

enum { PROFILE_COLUMNS = 600, TEXT_BYTES = 400 };

static const double pi = 3.14159265358979323846;

typedef struct drawing {
  const picture_input *input;
  picture_layout l;
  cairo_t *cr;
  double evidence_range[2];
  int trace_count;
  picture_digit traces[UDG_PLACES_MAX];
  char trace_label[64];
} drawing;

static void set_colour(cairo_t *cr, picture_colour c, double alpha) {
  cairo_set_source_rgba(cr, c.r, c.g, c.b, alpha);
}

/* ---- maps */

static const udg_view *panel_view(const drawing *d, int panel) {
  if (panel == PICTURE_RESIDUAL)
    return &d->input->residual;
  return panel == PICTURE_EVIDENCE ? &d->input->evidence : &d->input->upright;
}

static void draw_view(const drawing *d, int panel) {
  const udg_view *view = panel_view(d, panel);
  cairo_surface_t *surface =
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, view->width, view->height);
  if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
    picture_paint(d->input, view, panel, d->evidence_range, cairo_image_surface_get_data(surface),
                  (size_t)cairo_image_surface_get_stride(surface));
    cairo_surface_mark_dirty(surface);
  }
  const picture_layout *l = &d->l;
  cairo_t *cr = d->cr;
  double scale = l->px_per_mm / view->px_per_mm;
  cairo_save(cr);
  cairo_rectangle(cr, l->left[panel], l->top[panel], l->panel_width, l->panel_height);
  cairo_clip(cr);
  cairo_translate(cr, l->left[panel], l->top[panel]);
  cairo_scale(cr, scale, scale);
  cairo_set_source_surface(cr, surface, -(view->origin_px[0] + view->px_per_mm * l->low_mm[0]),
                           -(view->origin_px[1] + view->px_per_mm * l->low_mm[1]));
  cairo_pattern_set_extend(cairo_get_source(cr), CAIRO_EXTEND_PAD);
  cairo_paint(cr);
  cairo_restore(cr);
  cairo_surface_destroy(surface);
}

static void paint_grey(cairo_t *cr, const uint8_t *pixels, int side, double x, double y);

/* ---- text */

static double text_width(cairo_t *cr, const char *text) {
  cairo_text_extents_t extents;
  cairo_text_extents(cr, text, &extents);
  return extents.x_advance;
}

/* Shortens `text` to `room` px, an ellipsis at its end. */
static void fit_text(cairo_t *cr, char text[TEXT_BYTES], double room) {
  static const char ellipsis[] = "\xE2\x80\xA6";
  if (text_width(cr, text) <= room)
    return;
  size_t length = strlen(text);
  if (length > TEXT_BYTES - sizeof ellipsis)
    length = TEXT_BYTES - sizeof ellipsis;
  while (length > 0) {
    do
      length--;
    while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80);
    memcpy(text + length, ellipsis, sizeof ellipsis);
    if (text_width(cr, text) <= room)
      return;
  }
}

static void set_font(const drawing *d, double size, int bold) {
  cairo_select_font_face(d->cr, "sans-serif", CAIRO_FONT_SLANT_NORMAL,
                         bold ? CAIRO_FONT_WEIGHT_BOLD : CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(d->cr, size * d->l.unit);
}

/* Text with its baseline's left end at (x, y), at most `room` wide; gives the width. */
static double draw_text(const drawing *d, double x, double y, double room, picture_colour c,
                        const char *text) {
  char clean[TEXT_BYTES];
  picture_clean_text(text, clean, sizeof clean);
  fit_text(d->cr, clean, room);
  set_colour(d->cr, c, 1);
  cairo_move_to(d->cr, x, y);
  cairo_show_text(d->cr, clean);
  return text_width(d->cr, clean);
}

/* ---- outlines */

static void to_panel(const drawing *d, int panel, const double at_mm[2], double *x, double *y) {
  *x = d->l.left[panel] + d->l.px_per_mm * (at_mm[0] - d->l.low_mm[0]);
  *y = d->l.top[panel] + d->l.px_per_mm * (at_mm[1] - d->l.low_mm[1]);
}

static void outline_path(const drawing *d, int panel, const picture_digit *digit) {
  cairo_t *cr = d->cr;
  double x, y;
  to_panel(d, panel, digit->centre_mm, &x, &y);
  cairo_new_path(cr);
  if (!digit->digit) {
    cairo_arc(cr, x, y, 0.3 * digit->height_mm * d->l.px_per_mm, 0, 2 * pi);
    return;
  }
  udg_outline_view outline;
  if (udg_reference_outline(d->input->reference, digit->digit, &outline) != UDG_OK)
    return;
  cairo_save(cr);
  cairo_translate(cr, x, y);
  cairo_rotate(cr, digit->turn_deg * pi / 180); /* y points down: clockwise */
  cairo_scale(cr, d->l.px_per_mm, d->l.px_per_mm);
  for (size_t k = 0; k < outline.contour_count; k++) {
    for (size_t i = outline.starts[k]; i < outline.starts[k + 1]; i++)
      cairo_line_to(cr, outline.points[2 * i], outline.points[2 * i + 1]);
    cairo_close_path(cr);
    cairo_new_sub_path(cr);
  }
  cairo_restore(cr);
}

/* Strokes the path: coloured on a white casing that sets it off from any grey. */
static void stroke_cased(const drawing *d, picture_colour c, int dashed) {
  cairo_t *cr = d->cr;
  double width = 2.2 * d->l.unit;
  double dashes[2] = {7 * d->l.unit, 5 * d->l.unit};
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
  cairo_set_dash(cr, NULL, 0, 0);
  cairo_set_line_width(cr, 2.1 * width);
  cairo_set_source_rgba(cr, 1, 1, 1, 0.85);
  cairo_stroke_preserve(cr);
  if (dashed)
    cairo_set_dash(cr, dashes, 2, 0);
  cairo_set_line_width(cr, width);
  set_colour(cr, c, 1);
  cairo_stroke(cr);
  cairo_set_dash(cr, NULL, 0, 0);
}

static void clip_panel(const drawing *d, int panel) {
  cairo_rectangle(d->cr, d->l.left[panel], d->l.top[panel], d->l.panel_width, d->l.panel_height);
  cairo_clip(d->cr);
}

static void draw_outlines(const drawing *d) {
  cairo_save(d->cr);
  clip_panel(d, PICTURE_OUTLINES);
  picture_digit digit;
  for (int place = 1; picture_present(d->input, place, &digit); place++) {
    outline_path(d, PICTURE_OUTLINES, &digit);
    stroke_cased(d, picture_present_colour, 0);
  }
  for (int i = 0; i < d->trace_count; i++) {
    outline_path(d, PICTURE_OUTLINES, &d->traces[i]);
    stroke_cased(d, picture_trace_colour, 1);
  }
  cairo_restore(d->cr);
}

/* The present digits as hairlines, to see where in the date one looks. */
static void draw_hairlines(const drawing *d, int panel) {
  cairo_save(d->cr);
  clip_panel(d, panel);
  cairo_set_line_width(d->cr, 1.1 * d->l.unit);
  picture_digit digit;
  for (int place = 1; picture_present(d->input, place, &digit); place++) {
    outline_path(d, panel, &digit);
    set_colour(d->cr, picture_present_colour, 0.75);
    cairo_stroke(d->cr);
  }
  cairo_restore(d->cr);
}

/* ---- panels */

static void draw_frame(const drawing *d, double left, double top, double height) {
  cairo_rectangle(d->cr, left + 0.5, top + 0.5, d->l.panel_width - 1, height - 1);
  cairo_set_line_width(d->cr, 1);
  set_colour(d->cr, picture_faint_ink, 1);
  cairo_stroke(d->cr);
}

static void draw_caption(const drawing *d, int panel, const char *title, const char *note) {
  double x = d->l.left[panel], y = d->l.top[panel] - 9 * d->l.unit;
  set_font(d, 16, 1);
  double used = draw_text(d, x, y, d->l.panel_width, picture_ink, title) + 10 * d->l.unit;
  set_font(d, 14, 0);
  if (used < d->l.panel_width && note[0])
    draw_text(d, x + used, y, d->l.panel_width - used, picture_faint_ink, note);
}

/* A short piece of the line and what it stands for; gives the width taken. */
static double draw_key(const drawing *d, double x, double y, double room, picture_colour c,
                       int dashed, const char *text) {
  double length = 34 * d->l.unit, gap = 7 * d->l.unit;
  if (room < 2 * length)
    return 0;
  cairo_new_path(d->cr);
  cairo_move_to(d->cr, x, y - 5 * d->l.unit);
  cairo_line_to(d->cr, x + length, y - 5 * d->l.unit);
  stroke_cased(d, c, dashed);
  return length + gap + draw_text(d, x + length + gap, y, room - length - gap, picture_ink, text);
}

static void draw_outlines_caption(const drawing *d) {
  double x = d->l.left[PICTURE_OUTLINES], y = d->l.top[PICTURE_OUTLINES] - 9 * d->l.unit;
  double right = x + d->l.panel_width, gap = 18 * d->l.unit;
  set_font(d, 16, 1);
  x += draw_text(d, x, y, d->l.panel_width, picture_ink, "Outlines") + gap;
  set_font(d, 14, 0);
  x += draw_key(d, x, y, right - x, picture_present_colour, 0, "present digits") + gap;
  if (d->trace_count)
    draw_key(d, x, y, right - x, picture_trace_colour, 1, d->trace_label);
  else if (x < right)
    draw_text(d, x, y, right - x, picture_faint_ink, "no trace to draw");
}

static double profile_y(const drawing *d, double value) {
  double share = picture_evidence_share(value, d->evidence_range);
  double inner = d->l.profile_height - 16 * d->l.unit; /* room for the scale's upper label */
  return d->l.profile_top + d->l.profile_height - inner * share;
}

static void draw_profile(const drawing *d) {
  const picture_layout *l = &d->l;
  cairo_t *cr = d->cr;
  double left = l->left[PICTURE_EVIDENCE], bottom = l->profile_top + l->profile_height;
  double profile[PROFILE_COLUMNS];
  picture_profile(&d->input->evidence, l, profile, PROFILE_COLUMNS);
  cairo_save(cr);
  cairo_rectangle(cr, left, l->profile_top, l->panel_width, l->profile_height);
  cairo_clip(cr);
  cairo_move_to(cr, left, bottom);
  for (int i = 0; i < PROFILE_COLUMNS; i++)
    cairo_line_to(cr, left + (i + 0.5) * l->panel_width / PROFILE_COLUMNS,
                  profile_y(d, profile[i]));
  cairo_line_to(cr, left + l->panel_width, bottom);
  cairo_close_path(cr);
  set_colour(cr, picture_evidence_colour(0.3), 1);
  cairo_fill_preserve(cr);
  cairo_set_line_width(cr, 1.6 * l->unit);
  set_colour(cr, picture_evidence_colour(0.85), 1);
  cairo_stroke(cr);
  cairo_restore(cr);
  draw_frame(d, left, l->profile_top, l->profile_height);

  char scale[64];
  set_font(d, 12, 0);
  snprintf(scale, sizeof scale, "%.0f to %.0f, drawn by its square root", d->evidence_range[0],
           d->evidence_range[1]);
  draw_text(d, left + 6 * l->unit, l->profile_top + 13 * l->unit, l->panel_width, picture_faint_ink,
            scale);
}

/* A tick and the digit's name under the middle of each place. */
static void draw_ticks(const drawing *d) {
  const picture_layout *l = &d->l;
  double bottom = l->profile_top + l->profile_height;
  picture_digit digit;
  set_font(d, 15, 1);
  for (int place = 1; picture_present(d->input, place, &digit); place++) {
    double x, y;
    char name[2] = {digit.digit, '\0'};
    to_panel(d, PICTURE_EVIDENCE, digit.centre_mm, &x, &y);
    cairo_move_to(d->cr, x, bottom);
    cairo_line_to(d->cr, x, bottom + 6 * l->unit);
    cairo_set_line_width(d->cr, 1.6 * l->unit);
    set_colour(d->cr, picture_ink, 1);
    cairo_stroke(d->cr);
    draw_text(d, x - text_width(d->cr, name) / 2, bottom + 21 * l->unit, l->panel_width,
              picture_ink, name);
  }
}

static void draw_evidence(const drawing *d) {
  draw_view(d, PICTURE_EVIDENCE);
  draw_hairlines(d, PICTURE_EVIDENCE);
  cairo_save(d->cr);
  clip_panel(d, PICTURE_EVIDENCE);
  for (int i = 0; i < d->trace_count; i++) {
    double x, y;
    to_panel(d, PICTURE_EVIDENCE, d->traces[i].centre_mm, &x, &y);
    cairo_new_path(d->cr);
    cairo_arc(d->cr, x, y, 9 * d->l.unit, 0, 2 * pi);
    stroke_cased(d, picture_trace_colour, 1);
  }
  cairo_restore(d->cr);
  draw_frame(d, d->l.left[PICTURE_EVIDENCE], d->l.top[PICTURE_EVIDENCE], d->l.panel_height);
  draw_caption(d, PICTURE_EVIDENCE, "Evidence",
               "for an earlier digit centred there; below, the best of each column");
  draw_profile(d);
  draw_ticks(d);
}

/* Wrapped text from `y` down to `bottom`; gives the baseline below it. */
static double draw_wrapped(const drawing *d, double y, double bottom, picture_colour c,
                           const char *text) {
  double x = d->l.margin, step = 17 * d->l.unit, room = d->l.panel_width;
  char line[TEXT_BYTES] = "", longer[2 * TEXT_BYTES];
  for (const char *word = text; *word;) {
    size_t bytes = strcspn(word, " ");
    snprintf(longer, sizeof longer, "%s%s%.*s", line, line[0] ? " " : "", (int)bytes, word);
    if (line[0] && text_width(d->cr, longer) > room) {
      if (y + step > bottom)
        break;
      draw_text(d, x, y, room, c, line);
      y += step;
      snprintf(longer, sizeof longer, "%.*s", (int)bytes, word);
    }
    snprintf(line, sizeof line, "%.*s", TEXT_BYTES - 1, longer);
    word += bytes + strspn(word + bytes, " ");
  }
  draw_text(d, x, y, room, c, line);
  return y + step;
}

/* Why, what the photo cannot tell, as far as there is room, and the caveat. */
static void draw_notes(const drawing *d) {
  const udg_result *r = d->input->result;
  double y = d->l.notes_top + 13 * d->l.unit, bottom = d->l.notes_top + d->l.notes_height;
  double caveat_y = bottom - 4 * d->l.unit;
  double room_end = caveat_y - 15 * d->l.unit;
  char text[TEXT_BYTES];
  set_font(d, 13, 0);
  for (int i = 0; i < r->reason_count && y < room_end; i++)
    y = draw_wrapped(d, y, room_end, picture_ink, r->reasons[i]);
  for (int i = 0; i < r->limit_count && y < room_end; i++) {
    snprintf(text, sizeof text, "Cannot tell: %s", r->limits[i]);
    y = draw_wrapped(d, y, room_end, picture_faint_ink, text);
  }
  draw_text(d, d->l.margin, caveat_y, d->l.panel_width, picture_faint_ink, WORDS_CAVEAT);
}

static void draw_header(const drawing *d) {
  const picture_layout *l = &d->l;
  char verdict[TEXT_BYTES];
  words_verdict(d->input->result, verdict, sizeof verdict);
  double room = l->width - 2 * l->margin;
  set_font(d, 20, 1);
  draw_text(d, l->margin, 28 * l->unit, room, picture_ink, verdict);
  set_font(d, 14, 0);
  char line[TEXT_BYTES];
  picture_describe(d->input, line, sizeof line);
  draw_text(d, l->margin, 50 * l->unit, room, picture_faint_ink, line);
}

/* ---- markers of known dies: a row of crops below all */

enum { TILES_ACROSS = 6 };

static int tile_px(const drawing *d) {
  return (int)((d->l.width - 2 * d->l.margin) / TILES_ACROSS - 8 * d->l.unit);
}

static int tile_rows(const drawing *d) {
  int count = d->input->image ? d->input->result->marker_count : 0;
  return (count + TILES_ACROSS - 1) / TILES_ACROSS;
}

static double tile_step(const drawing *d) {
  return tile_px(d) + 44 * d->l.unit;
}

static double markers_height(const drawing *d) {
  int rows = tile_rows(d);
  return rows ? rows * tile_step(d) + 34 * d->l.unit : 0;
}

static void draw_tile(const drawing *d, const udg_marker_finding *m, double x, double y) {
  int side = tile_px(d);
  uint8_t *pixels = malloc((size_t)side * (size_t)side);
  char answer[TEXT_BYTES];
  if (pixels && crop_marker(d->input->image, d->input->result, m, side, pixels) == 0)
    paint_grey(d->cr, pixels, side, x, y);
  free(pixels);
  set_colour(d->cr, m->answer == UDG_MARKER_PRESENT ? picture_trace_colour : picture_faint_ink, 1);
  cairo_set_line_width(d->cr, (m->answer == UDG_MARKER_PRESENT ? 3 : 1) * d->l.unit);
  cairo_rectangle(d->cr, x, y, side, side);
  cairo_stroke(d->cr);
  set_font(d, 13, 0);
  draw_text(d, x, y + side + 16 * d->l.unit, side, picture_ink, m->id);
  snprintf(answer, sizeof answer, "%s",
           m->in_view ? udg_marker_answer_text(m->answer) : "not in the photo");
  draw_text(d, x, y + side + 32 * d->l.unit, side, picture_faint_ink, answer);
}

static void draw_markers(const drawing *d) {
  const udg_result *r = d->input->result;
  if (!tile_rows(d))
    return;
  double top = d->l.height + 14 * d->l.unit;
  set_font(d, 14, 1);
  draw_text(d, d->l.margin, top, d->l.width - 2 * d->l.margin, picture_ink,
            "Markers of known dies, turned upright");
  for (int i = 0; i < r->marker_count; i++)
    draw_tile(d, &r->markers[i], d->l.margin + i % TILES_ACROSS * (tile_px(d) + 8 * d->l.unit),
              top + 12 * d->l.unit + i / TILES_ACROSS * tile_step(d));
}

static void draw_all(drawing *d) {
  /* Letters where they belong, not on whole pixels: small text is spaced evenly. */
  cairo_font_options_t *options = cairo_font_options_create();
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_set_font_options(d->cr, options);
  cairo_font_options_destroy(options);
  cairo_set_source_rgb(d->cr, 1, 1, 1);
  cairo_paint(d->cr);
  draw_header(d);
  draw_view(d, PICTURE_PHOTO);
  draw_frame(d, d->l.left[PICTURE_PHOTO], d->l.top[PICTURE_PHOTO], d->l.panel_height);
  draw_caption(d, PICTURE_PHOTO, "The date, turned upright", "");
  draw_view(d, PICTURE_OUTLINES);
  draw_outlines(d);
  draw_frame(d, d->l.left[PICTURE_OUTLINES], d->l.top[PICTURE_OUTLINES], d->l.panel_height);
  draw_outlines_caption(d);
  draw_view(d, PICTURE_RESIDUAL);
  draw_hairlines(d, PICTURE_RESIDUAL);
  draw_frame(d, d->l.left[PICTURE_RESIDUAL], d->l.top[PICTURE_RESIDUAL], d->l.panel_height);
  draw_caption(d, PICTURE_RESIDUAL, "What a plain date leaves over",
               "black and white: 5 standard deviations");
  draw_evidence(d);
  draw_notes(d);
}

/* ---- file */

static cairo_status_t write_bytes(void *o, const unsigned char *bytes, unsigned int count) {
  return output_write(o, bytes, count) == 0 ? CAIRO_STATUS_SUCCESS : CAIRO_STATUS_WRITE_ERROR;
}

static int write_file(cairo_surface_t *surface, const char *path, udg_message *message) {
  output o;
  if (output_begin(&o, path, message) != 0)
    return -1;
  cairo_status_t status = cairo_surface_write_to_png_stream(surface, write_bytes, &o);
  int drawn = status == CAIRO_STATUS_SUCCESS || status == CAIRO_STATUS_WRITE_ERROR;
  if (!drawn)
    snprintf(message->text, sizeof message->text, "%.300s: %s", path,
             cairo_status_to_string(status));
  return output_end(&o, drawn, message); /* tells why a write failed */
}

static int finish(cairo_surface_t *surface, cairo_t *cr, const char *path, udg_message *message) {
  cairo_status_t status = cairo_status(cr);
  int failed = -1;
  cairo_destroy(cr);
  if (status == CAIRO_STATUS_SUCCESS)
    failed = write_file(surface, path, message);
  else
    snprintf(message->text, sizeof message->text, "%.300s: %s", path,
             cairo_status_to_string(status));
  cairo_surface_destroy(surface);
  return failed;
}

int picture_write(const picture_input *input, const char *path, udg_message *message) {
  drawing d = {.input = input};
  picture_lay_out(input, &d.l);
  picture_range(&input->evidence, &d.l, d.evidence_range);
  d.trace_count = picture_traces(input, d.traces, d.trace_label, sizeof d.trace_label);
  int height = (int)ceil(d.l.height + markers_height(&d));
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, (int)d.l.width, height);
  d.cr = cairo_create(surface);
  draw_all(&d);
  draw_markers(&d);
  return finish(surface, d.cr, path, message);
}

/* ---- for others */

struct picture_pen {
  cairo_t *cr;
};

static void paint_grey(cairo_t *cr, const uint8_t *pixels, int side, double x, double y) {
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, side, side);
  if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
    unsigned char *bytes = cairo_image_surface_get_data(surface);
    size_t stride = (size_t)cairo_image_surface_get_stride(surface);
    for (int j = 0; j < side; j++)
      for (int i = 0; i < side; i++) {
        uint32_t level = pixels[(size_t)j * (size_t)side + (size_t)i];
        uint32_t colour = level * 0x010101u;
        memcpy(bytes + (size_t)j * stride + 4 * (size_t)i, &colour, sizeof colour);
      }
    cairo_surface_mark_dirty(surface);
    cairo_set_source_surface(cr, surface, x, y);
    cairo_paint(cr);
  }
  cairo_surface_destroy(surface);
}

void picture_pen_grey(picture_pen *pen, const uint8_t *pixels, int side, double x, double y) {
  paint_grey(pen->cr, pixels, side, x, y);
}

/* White underneath, so that a line shows on dark and on bright metal. */
static void stroke_on_metal(cairo_t *cr, double width, int strong) {
  cairo_set_line_width(cr, width + 2);
  cairo_set_source_rgba(cr, 1, 1, 1, 0.55);
  cairo_stroke_preserve(cr);
  cairo_set_line_width(cr, width);
  set_colour(cr, strong ? picture_trace_colour : picture_present_colour, 0.9);
  cairo_stroke(cr);
}

void picture_pen_line(picture_pen *pen, const double from[2], const double to[2], double width,
                      int strong) {
  cairo_move_to(pen->cr, from[0], from[1]);
  cairo_line_to(pen->cr, to[0], to[1]);
  stroke_on_metal(pen->cr, width, strong);
}

void picture_pen_circle(picture_pen *pen, const double centre[2], double radius, double width,
                        int strong) {
  cairo_new_sub_path(pen->cr);
  cairo_arc(pen->cr, centre[0], centre[1], radius, 0, 2 * pi);
  stroke_on_metal(pen->cr, width, strong);
}

void picture_pen_text(picture_pen *pen, double x, double y, double size, const char *text) {
  char clean[TEXT_BYTES];
  picture_clean_text(text, clean, sizeof clean);
  cairo_select_font_face(pen->cr, "sans-serif", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
  cairo_set_font_size(pen->cr, size);
  cairo_text_extents_t e;
  cairo_text_extents(pen->cr, clean, &e);
  cairo_move_to(pen->cr, x - 0.5 * e.x_advance, y + 0.35 * size);
  cairo_text_path(pen->cr, clean);
  cairo_set_source_rgba(pen->cr, 1, 1, 1, 0.8);
  cairo_set_line_width(pen->cr, 3);
  cairo_stroke_preserve(pen->cr);
  set_colour(pen->cr, picture_ink, 1);
  cairo_fill(pen->cr);
}

int picture_draw(int width, int height, void (*draw)(void *user, picture_pen *pen), void *user,
                 const char *path, udg_message *message) {
  cairo_surface_t *surface = cairo_image_surface_create(CAIRO_FORMAT_RGB24, width, height);
  picture_pen pen = {cairo_create(surface)};
  cairo_set_source_rgb(pen.cr, 1, 1, 1);
  cairo_paint(pen.cr);
  draw(user, &pen);
  return finish(surface, pen.cr, path, message);
}
