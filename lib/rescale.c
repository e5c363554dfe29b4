/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "rescale.h"

#include <math.h>
#include <string.h>

#include "four.h"
#include "wider.h"

/* A reduction by r needs the blur of the larger pixel: a box of r has the
 * variance r^2 / 12, about that of a Gaussian of 0.3 r; somewhat more keeps
 * aliases below the noise. */
static double blur_for(double reduction) {
  return reduction > 1 ? 0.45 * sqrt(reduction * reduction - 1) : 0;
}

udg_status udg_buffer_size(const udg_settings *settings, udg_buffer *buffer, int width,
                           int height) {
  if (width <= 0 || height <= 0)
    return UDG_ERROR_ARGUMENT;
  size_t need = (size_t)width * (size_t)height;
  if (need > buffer->room) {
    udg_buffer_destroy(settings, buffer);
    if (udg_plane_create(settings, width, height, &buffer->plane) != UDG_OK)
      return UDG_ERROR_MEMORY;
    buffer->room = need;
  }
  buffer->plane.width = width;
  buffer->plane.height = height;
  return UDG_OK;
}

void udg_buffer_destroy(const udg_settings *settings, udg_buffer *buffer) {
  udg_plane_destroy(settings, &buffer->plane);
  buffer->room = 0;
}

enum { PART = 512 }; /* pixels of a row that are summed at a time, at least */

/* The sums of four that are the most work, in vectors. */
UDG_WIDER
static void fours_add(const float *restrict from, int count, float *restrict to) {
  for (int i = 0; i < count; i++)
    to[i] = to[i] + from[4 * i] + from[4 * i + 1] + from[4 * i + 2] + from[4 * i + 3];
}

/* Adds sums of k pixels of a row. */
static void row_add(udg_photo source, int x, int y, int count, int k, float *to) {
  float line[PART];
  int step = PART / k;
  for (int first = 0; first < count; first += step) {
    int n = count - first < step ? count - first : step;
    const float *from = udg_photo_line(source, x + first * k, y, n * k, line);
    if (k == 1)
      for (int i = 0; i < n; i++)
        to[first + i] += from[i];
    else if (k == 2)
      for (int i = 0; i < n; i++) {
        to[first + i] += from[2 * i];
        to[first + i] += from[2 * i + 1];
      }
    else if (k == 4)
      fours_add(from, n, to + first);
    else
      for (int i = 0; i < n; i++)
        for (int a = 0; a < k; a++)
          to[first + i] += from[i * k + a];
  }
}

/* One row of means of k x k pixels, the first of them (x, y). */
static void box_row(udg_photo source, int x, int y, int count, int k, float *to) {
  const float share = 1.0f / ((float)k * (float)k);
  memset(to, 0, (size_t)count * sizeof *to);
  for (int b = 0; b < k; b++)
    row_add(source, x, y + b, count, k, to);
  for (int i = 0; i < count; i++)
    to[i] *= share;
}

udg_status udg_rescale_box(const udg_settings *settings, udg_photo source, int x, int y, int width,
                           int height, int k, udg_buffer *out) {
  udg_status status = udg_buffer_size(settings, out, width / k, height / k);
  if (status != UDG_OK)
    return status;
  if (k > PART)
    return UDG_ERROR_ARGUMENT;
  for (int j = 0; j < out->plane.height; j++)
    box_row(source, x, y + j * k, out->plane.width, k, udg_plane_row(&out->plane, j));
  return UDG_OK;
}

udg_status udg_rescale_boxes(const udg_settings *settings, udg_photo source, int first, int second,
                             udg_buffer *scratch, udg_buffer *out) {
  const int width = source.width / first, height = source.height / first;
  udg_status status = udg_buffer_size(settings, out, width / second, height / second);
  if (status == UDG_OK)
    status = udg_buffer_size(settings, scratch, width, second);
  if (status != UDG_OK)
    return status;
  if (first > PART || second > PART)
    return UDG_ERROR_ARGUMENT;
  for (int j = 0; j < out->plane.height; j++) {
    for (int b = 0; b < second; b++)
      box_row(source, 0, (j * second + b) * first, width, first, udg_plane_row(&scratch->plane, b));
    box_row(udg_photo_of(&scratch->plane), 0, 0, out->plane.width, second,
            udg_plane_row(&out->plane, j));
  }
  return UDG_OK;
}

enum { COLUMNS = 128 }; /* whose weights are kept at a time */

/* The plane sampled at every pixel of `out`, whose pixels are 1 / factor of its: the same sums as
 * udg_plane_sample()'s, where its four rows lie in the plane. `line` has room for a row of it. */
static void grid_sample(const udg_plane *from, double factor, float *line, udg_plane *out) {
  for (int x0 = 0; x0 < out->width; x0 += COLUMNS) {
    const int count = out->width - x0 < COLUMNS ? out->width - x0 : COLUMNS;
    udg_cubic at[COLUMNS];
    for (int x = 0; x < count; x++)
      udg_cubic_take((x0 + x + 0.5) / factor, 0.5, &at[x]);
    const int low = at[0].i > 0 ? at[0].i : 0;
    const int end = at[count - 1].i + 4 < from->width ? at[count - 1].i + 4 : from->width;
    for (int y = 0; y < out->height; y++) {
      udg_cubic row;
      float *to = udg_plane_row(out, y) + x0;
      udg_cubic_take(0.5, (y + 0.5) / factor, &row);
      const int inside = row.j >= 0 && row.j + 3 < from->height;
      if (inside) {
        const float *rows[4];
        for (int k = 0; k < 4; k++)
          rows[k] = udg_plane_row(from, row.j + k) + low;
        udg_plane_weigh_rows(rows, row.wy, end - low, line);
      }
      for (int x = 0; x < count; x++)
        to[x] = inside && at[x].i >= 0 && at[x].i + 3 < from->width
                    ? udg_four_sum(udg_four_load(line + at[x].i - low) * udg_four_load(at[x].wx))
                    : udg_plane_sample(from, (x0 + x + 0.5) / factor, (y + 0.5) / factor);
    }
  }
}

udg_status udg_rescale_smooth(const udg_settings *settings, const udg_plane *source, double factor,
                              udg_buffer *out, udg_buffer *first, udg_buffer *second) {
  int width = (int)ceil(source->width * factor), height = (int)ceil(source->height * factor);
  udg_status status = udg_buffer_size(settings, out, width, height);
  if (status == UDG_OK)
    status = udg_buffer_size(settings, first, source->width, source->height);
  if (status == UDG_OK)
    status = udg_buffer_size(settings, second, source->width, source->height);
  if (status != UDG_OK)
    return status;
  if (first->plane.v != source->v)
    memcpy(first->plane.v, source->v,
           (size_t)source->width * (size_t)source->height * sizeof *source->v);
  udg_plane_blur(&first->plane, blur_for(1 / factor), &second->plane);
  grid_sample(&first->plane, factor, second->plane.v, &out->plane);
  return UDG_OK;
}

/* One sample on: gives the mean, moves the sum. */
static inline float box_step(const float *from, int i, int n, int reach, double share,
                             double *sum) {
  int enter = i + reach + 1, leave = i - reach;
  float mean = (float)(*sum * share);
  *sum += (double)from[enter < n ? enter : n - 1] - (double)from[leave > 0 ? leave : 0];
  return mean;
}

enum { ROWS = 4 }; /* whose sums run side by side, as each step waits for the one before */

/* Mean of 2 reach + 1 samples along each row, the rim's repeated outside. */
static void box_rows(const udg_plane *in, int reach, udg_plane *out) {
  const double share = 1.0 / (2 * reach + 1);
  const int n = in->width, middle = n - reach - 1;
  for (int y = 0; y < in->height; y += ROWS) {
    const int rows = in->height - y < ROWS ? in->height - y : ROWS;
    const float *from[ROWS];
    float *to[ROWS];
    double sum[ROWS];
    for (int r = 0; r < ROWS; r++) { /* the last row stands in for those beyond it */
      from[r] = udg_plane_row(in, y + (r < rows ? r : rows - 1));
      to[r] = udg_plane_row(out, y + (r < rows ? r : rows - 1));
      sum[r] = (reach + 1) * (double)from[r][0];
      for (int i = 1; i <= reach; i++)
        sum[r] += (double)from[r][i < n ? i : n - 1];
    }
    int i = 0;
    for (; i < n && (i < reach || i >= middle); i++)
      for (int r = 0; r < ROWS; r++)
        to[r][i] = box_step(from[r], i, n, reach, share, &sum[r]);
    for (; i < middle; i++)
      for (int r = 0; r < ROWS; r++) {
        to[r][i] = (float)(sum[r] * share);
        sum[r] += (double)from[r][i + reach + 1] - (double)from[r][i - reach];
      }
    for (; i < n; i++)
      for (int r = 0; r < ROWS; r++)
        to[r][i] = box_step(from[r], i, n, reach, share, &sum[r]);
  }
}

enum { STRIP = 256 }; /* columns whose sums go down together */

/* The same along each column. */
UDG_WIDER
static void box_columns(const udg_plane *in, int reach, udg_plane *out) {
  const double share = 1.0 / (2 * reach + 1);
  const int n = in->height;
  for (int x0 = 0; x0 < in->width; x0 += STRIP) {
    const int count = in->width - x0 < STRIP ? in->width - x0 : STRIP;
    double sum[STRIP];
    for (int x = 0; x < count; x++)
      sum[x] = (reach + 1) * (double)in->v[x0 + x];
    for (int j = 1; j <= reach; j++) {
      const float *row = udg_plane_row(in, j < n ? j : n - 1) + x0;
      for (int x = 0; x < count; x++)
        sum[x] += (double)row[x];
    }
    for (int y = 0; y < n; y++) {
      const float *enter = udg_plane_row(in, y + reach + 1 < n ? y + reach + 1 : n - 1) + x0;
      const float *leave = udg_plane_row(in, y > reach ? y - reach : 0) + x0;
      float *restrict to = udg_plane_row(out, y) + x0;
      for (int x = 0; x < count; x++) {
        to[x] = (float)(sum[x] * share);
        sum[x] += (double)enter[x] - (double)leave[x];
      }
    }
  }
}

void udg_rescale_mean(udg_plane *plane, double sigma_px, udg_plane *scratch) {
  /* Two boxes of 2 r + 1 have the variance 2 r (r + 1) / 3. */
  int reach = (int)floor(sqrt(1.5 * sigma_px * sigma_px + 0.25));
  if (reach < 1)
    return;
  for (int pass = 0; pass < 2; pass++) {
    box_rows(plane, reach, scratch);
    box_columns(scratch, reach, plane);
  }
}

/* Bounding box of the date in the photo, in whole pixels inside the photo. */
static int window_box(udg_photo photo, const udg_homography *h, const double centre[2],
                      const double half[2], int box[4]) {
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  for (int corner = 0; corner < 4; corner++) {
    double x, y;
    udg_homography_apply(h, centre[0] + (corner & 1 ? half[0] : -half[0]),
                         centre[1] + (corner & 2 ? half[1] : -half[1]), &x, &y);
    low[0] = fmin(low[0], x);
    low[1] = fmin(low[1], y);
    high[0] = fmax(high[0], x);
    high[1] = fmax(high[1], y);
  }
  box[0] = (int)fmin(fmax(floor(low[0]), 0), photo.width);
  box[1] = (int)fmin(fmax(floor(low[1]), 0), photo.height);
  box[2] = (int)fmin(fmax(ceil(high[0]), 0), photo.width) - box[0];
  box[3] = (int)fmin(fmax(ceil(high[1]), 0), photo.height) - box[1];
  return box[2] > 0 && box[3] > 0;
}

udg_status udg_rescale_window(const udg_settings *settings, udg_photo photo,
                              const udg_homography *date_to_photo, const double centre_mm[2],
                              const double half_mm[2], double px_per_mm, udg_buffer *window,
                              udg_buffer *scratch, udg_homography *to_window) {
  int box[4];
  if (!window_box(photo, date_to_photo, centre_mm, half_mm, box))
    return UDG_ERROR_ARGUMENT;
  double reduction = udg_homography_scale(date_to_photo, centre_mm[0], centre_mm[1]) / px_per_mm;
  int k = reduction >= 2 ? (int)fmin(floor(reduction), 64) : 1;
  if (k > box[2] || k > box[3])
    k = 1;
  udg_status status = udg_rescale_box(settings, photo, box[0], box[1], box[2], box[3], k, window);
  if (status == UDG_OK)
    status = udg_buffer_size(settings, scratch, window->plane.width, window->plane.height);
  if (status != UDG_OK)
    return status;
  udg_plane_blur(&window->plane, blur_for(reduction / k), &scratch->plane);
  *to_window = udg_homography_similarity(1.0 / k, 0, -box[0] / (double)k, -box[1] / (double)k);
  return UDG_OK;
}
