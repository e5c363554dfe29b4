/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "shape.h"

#include <math.h>
#include <stdlib.h>

#include "marker.h"

/* Unsigned distance to one segment, into every sample within the band. */
static void splat_segment(ti_shape *s, const double *a, const double *b) {
  double ppm = s->px_per_mm, band = s->band_mm;
  int w = s->distance_mm.width, h = s->distance_mm.height;
  int x0 = (int)floor((fmin(a[0], b[0]) - band - s->x0_mm) * ppm);
  int x1 = (int)ceil((fmax(a[0], b[0]) + band - s->x0_mm) * ppm);
  int y0 = (int)floor((fmin(a[1], b[1]) - band - s->y0_mm) * ppm);
  int y1 = (int)ceil((fmax(a[1], b[1]) + band - s->y0_mm) * ppm);
  double ux = b[0] - a[0], uy = b[1] - a[1], length2 = ux * ux + uy * uy;
  for (int y = y0 < 0 ? 0 : y0; y <= y1 && y < h; y++) {
    float *row = udg_plane_row(&s->distance_mm, y);
    for (int x = x0 < 0 ? 0 : x0; x <= x1 && x < w; x++) {
      double px = s->x0_mm + x / ppm - a[0], py = s->y0_mm + y / ppm - a[1];
      double t = length2 > 0 ? (px * ux + py * uy) / length2 : 0;
      t = t < 0 ? 0 : t > 1 ? 1 : t;
      px -= t * ux;
      py -= t * uy;
      float d = (float)sqrt(px * px + py * py);
      if (d < row[x])
        row[x] = d;
    }
  }
}

typedef struct crossing {
  double x;
  int turn;
} crossing;

static int by_x(const void *a, const void *b) {
  double d = ((const crossing *)a)->x - ((const crossing *)b)->x;
  return (d > 0) - (d < 0);
}

/* Non-zero winding along one row: samples outside become negative. */
static void sign_row(ti_shape *s, const udg_outline *o, int y, crossing *crossings) {
  double at = s->y0_mm + y / s->px_per_mm;
  size_t count = 0;
  for (size_t k = 0; k < o->contour_count; k++)
    for (size_t i = o->starts[k]; i < o->starts[k + 1]; i++) {
      size_t j = i + 1 < o->starts[k + 1] ? i + 1 : o->starts[k];
      const double *a = o->points + 2 * i, *b = o->points + 2 * j;
      if ((a[1] <= at) != (b[1] <= at))
        crossings[count++] =
            (crossing){a[0] + (at - a[1]) * (b[0] - a[0]) / (b[1] - a[1]), a[1] <= at ? 1 : -1};
    }
  qsort(crossings, count, sizeof *crossings, by_x);
  float *row = udg_plane_row(&s->distance_mm, y);
  size_t next = 0;
  int winding = 0;
  for (int x = 0; x < s->distance_mm.width; x++) {
    for (; next < count && crossings[next].x <= s->x0_mm + x / s->px_per_mm; next++)
      winding += crossings[next].turn;
    if (!winding)
      row[x] = -row[x];
  }
}

udg_status ti_shape_create(const udg_settings *settings, const udg_outline *outline,
                           double px_per_mm, double band_mm, ti_shape *shape) {
  double edge = band_mm + 2 / px_per_mm;
  *shape = (ti_shape){.px_per_mm = px_per_mm,
                      .band_mm = band_mm,
                      .x0_mm = outline->low[0] - edge,
                      .y0_mm = outline->low[1] - edge};
  int w = (int)ceil((outline->high[0] + edge - shape->x0_mm) * px_per_mm) + 1;
  int h = (int)ceil((outline->high[1] + edge - shape->y0_mm) * px_per_mm) + 1;
  udg_status status = udg_plane_create(settings, w, h, &shape->distance_mm);
  if (status != UDG_OK)
    return status;
  crossing *crossings = udg_memory_get(settings, outline->point_count + 1, sizeof *crossings);
  if (!crossings) {
    udg_plane_destroy(settings, &shape->distance_mm);
    return UDG_ERROR_MEMORY;
  }
  for (size_t k = 0; k < (size_t)w * (size_t)h; k++)
    shape->distance_mm.v[k] = (float)band_mm;
  for (size_t k = 0; k < outline->contour_count; k++)
    for (size_t i = outline->starts[k]; i < outline->starts[k + 1]; i++) {
      size_t j = i + 1 < outline->starts[k + 1] ? i + 1 : outline->starts[k];
      splat_segment(shape, outline->points + 2 * i, outline->points + 2 * j);
    }
  for (int y = 0; y < h; y++)
    sign_row(shape, outline, y, crossings);
  udg_memory_drop(settings, crossings);
  return UDG_OK;
}

float ti_shape_distance(const ti_shape *shape, double x_mm, double y_mm) {
  double x = (x_mm - shape->x0_mm) * shape->px_per_mm;
  double y = (y_mm - shape->y0_mm) * shape->px_per_mm;
  int w = shape->distance_mm.width, h = shape->distance_mm.height;
  if (!(x >= 0 && y >= 0 && x < w - 1 && y < h - 1))
    return -(float)shape->band_mm;
  int ix = (int)x, iy = (int)y;
  float fx = (float)(x - ix), fy = (float)(y - iy);
  const float *a = udg_plane_row(&shape->distance_mm, iy) + ix, *b = a + w;
  float top = a[0] + fx * (a[1] - a[0]), low = b[0] + fx * (b[1] - b[0]);
  return top + fy * (low - top);
}

/* Design and markers of known dies. */
static udg_status create_more(const udg_reference *reference, double band, ti_shapes *shapes) {
  const udg_settings *settings = &shapes->settings;
  shapes->design = udg_memory_get(settings, reference->design_count + 1, sizeof *shapes->design);
  shapes->markers = udg_memory_get(settings, reference->marker_count + 1, sizeof *shapes->markers);
  if (!shapes->design || !shapes->markers)
    return UDG_ERROR_MEMORY;
  shapes->design_count = reference->design_count;
  shapes->marker_count = reference->marker_count;
  for (size_t k = 0; k < reference->design_count; k++) {
    udg_status status =
        ti_shape_create(settings, &reference->design[k].outline, 160, band, &shapes->design[k]);
    if (status != UDG_OK)
      return status;
  }
  for (size_t k = 0; k < reference->marker_count; k++) {
    if (reference->markers[k].kind == UDG_MARKER_DOUBLED)
      continue;
    udg_status status =
        ti_shape_create(settings, &reference->markers[k].outline, 160, band, &shapes->markers[k]);
    if (status != UDG_OK)
      return status;
  }
  return UDG_OK;
}

udg_status ti_shapes_create(const udg_settings *settings, const udg_reference *reference,
                            ti_shapes *shapes) {
  *shapes = (ti_shapes){.settings = *settings};
  /* Wide enough for the widest bevel that scene.c draws. */
  double band = 1.4 * reference->bevel_mm + 0.02;
  for (int d = 0; d < 10; d++) {
    if (!reference->has_digit[d])
      continue;
    udg_status status =
        ti_shape_create(settings, &reference->digits[d], 160, band, &shapes->digits[d]);
    if (status != UDG_OK) {
      ti_shapes_destroy(shapes);
      return status;
    }
  }
  udg_status status = create_more(reference, band, shapes);
  if (status != UDG_OK)
    ti_shapes_destroy(shapes);
  return status;
}

void ti_shapes_destroy(ti_shapes *shapes) {
  for (size_t k = 0; k < shapes->design_count; k++)
    udg_plane_destroy(&shapes->settings, &shapes->design[k].distance_mm);
  for (size_t k = 0; k < shapes->marker_count; k++)
    udg_plane_destroy(&shapes->settings, &shapes->markers[k].distance_mm);
  udg_memory_drop(&shapes->settings, shapes->design);
  udg_memory_drop(&shapes->settings, shapes->markers);
  shapes->design = shapes->markers = NULL;
  shapes->design_count = shapes->marker_count = 0;
  for (int d = 0; d < 10; d++)
    udg_plane_destroy(&shapes->settings, &shapes->digits[d].distance_mm);
}
