/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "keepsake.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "crop.h"
#include "grey_jpeg.h"
#include "picture.h"

enum { SIDE_PX = 400, CROP_PX = 320, QUALITY = 80 };

static const double pi = 3.14159265358979323846;
static const double residual_end = 5;    /* standard deviations at black and white */
static const double worth_keeping = 0.1; /* p-value of plain ones that still get pictures */
static const double crop_margin = 0.5;   /* of the window's size, each side */

/* The window of the date plane that is shown, and its size in pixels. */
typedef struct frame {
  double low_mm[2], px_per_mm;
  int width, height;
} frame;

static int wanted(keepsake_policy policy, const udg_result *r) {
  if (policy != KEEPSAKE_FINDS)
    return policy == KEEPSAKE_ALL;
  int quiet = r->verdict == UDG_VERDICT_PLAIN || r->verdict == UDG_VERDICT_UNDECIDED;
  return !quiet || (r->judged && r->p_value < worth_keeping);
}

static int choose_frame(const picture_input *input, frame *f) {
  picture_layout l;
  picture_lay_out(input, &l);
  double size_mm[2] = {l.high_mm[0] - l.low_mm[0], l.high_mm[1] - l.low_mm[1]};
  f->px_per_mm = fmin(SIDE_PX / fmax(size_mm[0], size_mm[1]), input->upright.px_per_mm);
  f->width = (int)floor(size_mm[0] * f->px_per_mm);
  f->height = (int)floor(size_mm[1] * f->px_per_mm);
  for (int i = 0; i < 2; i++)
    f->low_mm[i] = l.low_mm[i];
  return f->width > 0 && f->height > 0;
}

/* Mean of the view's pixels under one of the frame's. */
static double view_mean(const udg_view *view, const frame *f, int x, int y) {
  double step = view->px_per_mm / f->px_per_mm;
  double left = view->origin_px[0] + view->px_per_mm * f->low_mm[0] + step * x;
  double top = view->origin_px[1] + view->px_per_mm * f->low_mm[1] + step * y;
  int x0 = (int)lround(left), x1 = (int)lround(left + step);
  int y0 = (int)lround(top), y1 = (int)lround(top + step);
  double sum = 0;
  int count = 0;
  for (int j = y0; j < (y1 > y0 ? y1 : y0 + 1); j++)
    for (int i = x0; i < (x1 > x0 ? x1 : x0 + 1); i++) {
      if (i < 0 || j < 0 || i >= view->width || j >= view->height)
        continue;
      double value = (double)view->pixels[(size_t)j * (size_t)view->width + (size_t)i];
      if (!isfinite(value))
        continue;
      sum += value;
      count++;
    }
  return count ? sum / count : (double)NAN;
}

static void draw_view(const udg_view *view, const frame *f, int residual, store_picture *picture) {
  uint8_t *pixels = malloc((size_t)f->width * (size_t)f->height);
  if (!pixels)
    return;
  for (int y = 0; y < f->height; y++)
    for (int x = 0; x < f->width; x++) {
      double v = view_mean(view, f, x, y);
      double level = !residual ? v : 127.5 * (1 + v / residual_end);
      if (!isfinite(level))
        level = 127.5;
      pixels[(size_t)y * (size_t)f->width + (size_t)x] = (uint8_t)lround(fmin(fmax(level, 0), 255));
    }
  picture->jpeg = grey_jpeg(pixels, f->width, f->height, QUALITY, &picture->bytes);
  picture->width = f->width;
  picture->height = f->height;
  free(pixels);
}

/* The photo as it was taken, round the date and a bit more. */
static void draw_crop(const udg_image *image, const frame *f, const double *m,
                      store_picture *picture) {
  double box[4] = {INFINITY, INFINITY, -INFINITY, -INFINITY};
  for (int corner = 0; corner < 4; corner++) {
    double along[2] = {(corner & 1) ? 1 + crop_margin : -crop_margin,
                       (corner & 2) ? 1 + crop_margin : -crop_margin};
    double x_mm = f->low_mm[0] + along[0] * f->width / f->px_per_mm;
    double y_mm = f->low_mm[1] + along[1] * f->height / f->px_per_mm;
    double w = m[6] * x_mm + m[7] * y_mm + m[8];
    double x = (m[0] * x_mm + m[1] * y_mm + m[2]) / w, y = (m[3] * x_mm + m[4] * y_mm + m[5]) / w;
    box[0] = fmin(box[0], x);
    box[1] = fmin(box[1], y);
    box[2] = fmax(box[2], x);
    box[3] = fmax(box[3], y);
  }
  box[0] = fmax(box[0], 0);
  box[1] = fmax(box[1], 0);
  box[2] = fmin(box[2], udg_image_width(image));
  box[3] = fmin(box[3], udg_image_height(image));
  double wide = box[2] - box[0], tall = box[3] - box[1];
  if (!(wide >= 1 && tall >= 1))
    return;
  double scale = fmin(CROP_PX / fmax(wide, tall), 1);
  int width = (int)fmax(floor(wide * scale), 1), height = (int)fmax(floor(tall * scale), 1);
  uint8_t *pixels = malloc((size_t)width * (size_t)height);
  if (pixels && udg_image_grey(image, box, (uint32_t)width, (uint32_t)height, pixels) == UDG_OK) {
    picture->jpeg = grey_jpeg(pixels, width, height, QUALITY, &picture->bytes);
    picture->width = width;
    picture->height = height;
  }
  free(pixels);
}

/* A row of the markers' crops, in the order in which the words name them. */
static void draw_markers(const udg_image *image, const udg_result *r, store_picture *picture) {
  enum { TILE = 110, GAP = 4, ACROSS = 6 };
  int count = r->marker_count < UDG_MARKERS_MAX ? r->marker_count : UDG_MARKERS_MAX;
  int across = count < ACROSS ? count : ACROSS, rows = (count + ACROSS - 1) / ACROSS;
  int width = across * (TILE + GAP) - GAP, height = rows * (TILE + GAP) - GAP;
  if (count == 0)
    return;
  uint8_t *pixels = malloc((size_t)width * (size_t)height), tile[TILE * TILE];
  if (!pixels)
    return;
  memset(pixels, 255, (size_t)width * (size_t)height);
  for (int i = 0; i < count; i++) {
    if (crop_marker(image, r, &r->markers[i], TILE, tile) != 0)
      memset(tile, 235, sizeof tile);
    uint8_t *to = pixels + (size_t)(i / ACROSS * (TILE + GAP)) * (size_t)width +
                  (size_t)(i % ACROSS * (TILE + GAP));
    for (int y = 0; y < TILE; y++)
      memcpy(to + (size_t)y * (size_t)width, tile + y * TILE, TILE);
  }
  picture->jpeg = grey_jpeg(pixels, width, height, QUALITY, &picture->bytes);
  picture->width = width;
  picture->height = height;
  free(pixels);
}

static void place(const frame *f, const double at_mm[2], double px[2]) {
  for (int i = 0; i < 2; i++)
    px[i] = f->px_per_mm * (at_mm[i] - f->low_mm[i]);
}

static void write_spot(FILE *out, const frame *f, const picture_digit *d) {
  double c[2], r = 0.3 * d->height_mm * f->px_per_mm;
  place(f, d->centre_mm, c);
  fprintf(out, "M%.1f %.1fa%.1f %.1f 0 1 0 %.1f 0a%.1f %.1f 0 1 0 %.1f 0Z", c[0] - r, c[1], r, r,
          2 * r, r, r, -2 * r);
}

static void write_digit(FILE *out, const frame *f, const udg_reference *reference,
                        const picture_digit *d) {
  udg_outline_view outline;
  if (!d->digit) {
    write_spot(out, f, d);
    return;
  }
  if (udg_reference_outline(reference, d->digit, &outline) != UDG_OK)
    return;
  double turn = d->turn_deg * pi / 180, c = cos(turn), s = sin(turn);
  for (size_t k = 0; k < outline.contour_count; k++) {
    double last[2] = {INFINITY, INFINITY};
    for (size_t i = outline.starts[k]; i < outline.starts[k + 1]; i++) {
      double x = outline.points[2 * i], y = outline.points[2 * i + 1], px[2];
      double at[2] = {d->centre_mm[0] + c * x - s * y, d->centre_mm[1] + s * x + c * y};
      place(f, at, px);
      if (hypot(px[0] - last[0], px[1] - last[1]) < 0.8)
        continue; /* finer than a screen shows */
      fprintf(out, "%c%.1f %.1f", isinf(last[0]) ? 'M' : 'L', px[0], px[1]);
      last[0] = px[0];
      last[1] = px[1];
    }
    fputc('Z', out);
  }
}

/* NULL when there is nothing to draw. */
static char *path_of(const frame *f, const udg_reference *reference, const picture_digit *digits,
                     int count) {
  char *text = NULL;
  size_t bytes;
  FILE *out = count ? open_memstream(&text, &bytes) : NULL;
  if (!out)
    return NULL;
  for (int i = 0; i < count; i++)
    write_digit(out, f, reference, &digits[i]);
  if (fclose(out) != 0) {
    free(text);
    return NULL;
  }
  return text;
}

void keepsake_draw(keepsake_policy policy, const udg_image *image, const udg_inspector *inspector,
                   const udg_reference *reference, const udg_result *result, store_judgement *j) {
  picture_input input = {
      .photo = "", .result = result, .reference = reference, .width_px = PICTURE_WIDTH_DEFAULT};
  frame f;
  if (!wanted(policy, result) ||
      udg_inspector_view(inspector, UDG_VIEW_UPRIGHT, &input.upright) != UDG_OK ||
      udg_inspector_view(inspector, UDG_VIEW_RESIDUAL, &input.residual) != UDG_OK ||
      !choose_frame(&input, &f))
    return;
  draw_crop(image, &f, result->date_to_photo, &j->pictures[0]);
  draw_view(&input.upright, &f, 0, &j->pictures[1]);
  draw_view(&input.residual, &f, 1, &j->pictures[2]);
  draw_markers(image, result, &j->pictures[3]);
  picture_digit digits[UDG_PLACES_MAX];
  int count = 0;
  while (count < UDG_PLACES_MAX && picture_present(&input, count + 1, &digits[count]))
    count++;
  j->present_path = path_of(&f, reference, digits, count);
  char label[64];
  picture_digit traces[UDG_PLACES_MAX];
  count = picture_traces(&input, traces, label, sizeof label);
  j->trace_path = path_of(&f, reference, traces, count);
}
