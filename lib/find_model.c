/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Kernels of the date stage. */
#include "find_internal.h"

#include <math.h>
#include <string.h>

#include "linalg.h"

const double udg_find_height_px = 10;
const int udg_find_first[UDG_FIND_CHANNELS + 1] = {0, 3, 6};

/* A turn between two steps moves the end of a four-digit date (two heights from
 * the middle) by 2 height step / 2 = 1.05 px at 10 px: inside a stroke. */
static const double TURN_STEP_RAD = 0.105;
/* Blur of the kernels: what a pixel of the scaled copy and its interpolation do. */
static const double KERNEL_BLUR_PX = 0.6;
/* Verification: digit heights in patch px and blur. */
static const double COARSE_PX = 12, MIDDLE_PX = 24, PATCH_BLUR_PX = 0.7;
/* Contrast below so many grey levels is noise, not design. */
static const double CONTRAST_FLOOR = 2.0;

void udg_find_flatten(udg_plane *plane, double height_px, udg_plane *mean, udg_plane *scratch) {
  size_t count = (size_t)plane->width * (size_t)plane->height;
  memcpy(mean->v, plane->v, count * sizeof *mean->v);
  udg_rescale_mean(mean, 0.45 * height_px, scratch);
  for (size_t i = 0; i < count; i++) {
    plane->v[i] -= mean->v[i];
    mean->v[i] = plane->v[i] * plane->v[i];
  }
  udg_rescale_mean(mean, 0.9 * height_px, scratch);
  for (size_t i = 0; i < count; i++) {
    float z = plane->v[i] / sqrtf(mean->v[i] + (float)(CONTRAST_FLOOR * CONTRAST_FLOOR));
    plane->v[i] = z / sqrtf(1 + z * z / 4);
  }
}

/* Half extents, px of the scaled copy, that hold the window at every turn. */
static void reach_take(udg_find_model *model, double px_per_mm, double turn_max) {
  double w = (model->shape.half_size_mm[0] + model->shape.margin_mm) * px_per_mm;
  double h = (model->shape.half_size_mm[1] + model->shape.margin_mm) * px_per_mm;
  double widest = fmin(turn_max, atan2(h, w)), highest = fmin(turn_max, atan2(w, h));
  model->reach[0] = (int)ceil(w * cos(widest) + h * sin(widest)) + 1;
  model->reach[1] = (int)ceil(w * sin(highest) + h * cos(highest)) + 1;
}

/* Samples the fine plane at every kernel pixel, centre at (0, 0), wrapped. */
static void kernel_sample(const udg_find_model *model, const udg_plane *fine, double px_per_mm,
                          double turn, float *tile) {
  const udg_template *shape = &model->shape;
  int width = model->plan->width, height = model->plan->height;
  double c = cos(turn), s = sin(turn), ratio = shape->px_per_mm / px_per_mm;
  memset(tile, 0, (size_t)width * (size_t)height * sizeof *tile);
  for (int j = -model->reach[1]; j <= model->reach[1]; j++)
    for (int i = -model->reach[0]; i <= model->reach[0]; i++) {
      double x =
          shape->origin_px[0] + shape->px_per_mm * shape->centre_mm[0] + ratio * (c * i + s * j);
      double y =
          shape->origin_px[1] + shape->px_per_mm * shape->centre_mm[1] + ratio * (-s * i + c * j);
      if (x < 0 || y < 0 || x >= fine->width || y >= fine->height)
        continue;
      size_t at = (size_t)((j + height) % height) * (size_t)width + (size_t)((i + width) % width);
      tile[at] = udg_plane_sample(fine, x, y);
    }
}

static double tile_dot(const float *a, const float *b, size_t count) {
  double sum = 0;
  for (size_t i = 0; i < count; i++)
    sum += (double)a[i] * (double)b[i];
  return sum;
}

/* Kernels less their mean in the window, then made orthonormal. */
static void kernels_orthonormal(float *const *tiles, int kernels, const float *window,
                                size_t count) {
  double inside = tile_dot(window, window, count);
  for (int k = 0; k < kernels; k++) {
    double mean = tile_dot(tiles[k], window, count) / inside;
    for (size_t i = 0; i < count; i++)
      tiles[k][i] = window[i] > 0 ? tiles[k][i] - (float)mean : 0;
    for (int j = 0; j < k; j++) {
      float share = (float)tile_dot(tiles[k], tiles[j], count);
      for (size_t i = 0; i < count; i++)
        tiles[k][i] -= share * tiles[j][i];
    }
    double norm = sqrt(tile_dot(tiles[k], tiles[k], count));
    for (size_t i = 0; i < count; i++)
      tiles[k][i] = norm > 1e-12 ? tiles[k][i] / (float)norm : 0;
  }
}

/* All kernels and the window. */
#define PLANES (UDG_FIND_KERNELS + 1)

static void window_sample(const udg_find_model *model, const udg_plane *fine, double px_per_mm,
                          double turn, float *tile) {
  size_t count = (size_t)model->plan->width * (size_t)model->plan->height;
  kernel_sample(model, fine, px_per_mm, turn, tile);
  for (size_t i = 0; i < count; i++)
    tile[i] = tile[i] > 0.5f ? 1 : 0;
}

static udg_status turn_make(const udg_settings *settings, udg_find_model *model,
                            const udg_plane fine[PLANES], double px_per_mm,
                            float *const tiles[PLANES], udg_find_turn *turn) {
  const udg_fft_plan *plan = model->plan;
  size_t count = (size_t)plan->width * (size_t)plan->height;
  size_t spectrum = (size_t)plan->half_width * (size_t)plan->height;
  for (int k = 0; k < UDG_FIND_KERNELS; k++) {
    turn->kernels[k] = udg_memory_get(settings, spectrum, sizeof *turn->kernels[k]);
    if (!turn->kernels[k])
      return UDG_ERROR_MEMORY;
    kernel_sample(model, &fine[k], px_per_mm, turn->turn_rad, tiles[k]);
  }
  const float *window = tiles[PLANES - 1];
  window_sample(model, &fine[PLANES - 1], px_per_mm, turn->turn_rad, tiles[PLANES - 1]);
  for (int c = 0; c < UDG_FIND_CHANNELS; c++)
    kernels_orthonormal(tiles + udg_find_first[c], udg_find_first[c + 1] - udg_find_first[c],
                        window, count);
  for (int k = 0; k < UDG_FIND_KERNELS; k++)
    udg_fft_forward(plan, tiles[k], turn->kernels[k]);
  return UDG_OK;
}

/* Slopes and their square as the flattened photo would show them; the shoulder
 * as its edges would; the window. */
static void fine_planes(const udg_find_model *model, double px_per_mm, udg_plane fine[PLANES],
                        udg_plane *scratch) {
  static const udg_column columns[UDG_FIND_KERNELS] = {UDG_COLUMN_P,      UDG_COLUMN_Q,
                                                       UDG_COLUMN_SQUARE, UDG_COLUMN_SQUARE,
                                                       UDG_COLUMN_ACROSS, UDG_COLUMN_DIAGONAL};
  size_t count = (size_t)scratch->width * (size_t)scratch->height;
  double ratio = model->shape.px_per_mm / px_per_mm;
  udg_plane *mean = &fine[PLANES - 1];
  for (int k = 0; k < UDG_FIND_KERNELS; k++) {
    udg_template_column(&model->shape, columns[k], &fine[k]);
    udg_plane_blur(&fine[k], KERNEL_BLUR_PX * ratio, scratch);
    memcpy(mean->v, fine[k].v, count * sizeof *mean->v);
    udg_rescale_mean(mean, 0.45 * udg_find_height_px * ratio, scratch);
    for (size_t i = 0; i < count; i++)
      fine[k].v[i] -= mean->v[i];
  }
  for (size_t i = 0; i < count; i++)
    mean->v[i] = (double)model->shape.distance.v[i] > -model->shape.margin_mm ? 1 : 0;
}

static udg_status window_make(const udg_settings *settings, udg_find_model *model,
                              const udg_plane *fine, double px_per_mm, float *tile) {
  const udg_fft_plan *plan = model->plan;
  size_t count = (size_t)plan->width * (size_t)plan->height;
  model->window = udg_memory_get(settings, (size_t)plan->half_width * (size_t)plan->height,
                                 sizeof *model->window);
  if (!model->window)
    return UDG_ERROR_MEMORY;
  window_sample(model, fine, px_per_mm, 0, tile);
  model->window_px = tile_dot(tile, tile, count);
  udg_fft_forward(plan, tile, model->window);
  return UDG_OK;
}

static udg_status turns_make(const udg_settings *settings, udg_find_model *model,
                             double px_per_mm) {
  udg_plane fine[PLANES] = {{0}}, scratch = {0};
  float *tiles[PLANES] = {NULL};
  size_t count = (size_t)model->plan->width * (size_t)model->plan->height;
  int width = model->shape.p.width, height = model->shape.p.height;
  udg_status status = udg_plane_create(settings, width, height, &scratch);
  for (int k = 0; k < PLANES && status == UDG_OK; k++) {
    status = udg_plane_create(settings, width, height, &fine[k]);
    tiles[k] = udg_memory_get(settings, count, sizeof *tiles[k]);
    if (!tiles[k])
      status = UDG_ERROR_MEMORY;
  }
  if (status == UDG_OK) {
    fine_planes(model, px_per_mm, fine, &scratch);
    status = window_make(settings, model, &fine[PLANES - 1], px_per_mm, tiles[PLANES - 1]);
  }
  for (int t = 0; t < model->turn_count && status == UDG_OK; t++)
    status = udg_stop_wanted(settings)
                 ? UDG_ERROR_CANCELLED
                 : turn_make(settings, model, fine, px_per_mm, tiles, &model->turns[t]);
  for (int k = 0; k < PLANES; k++) {
    udg_plane_destroy(settings, &fine[k]);
    udg_memory_drop(settings, tiles[k]);
  }
  udg_plane_destroy(settings, &scratch);
  return status;
}

udg_status udg_find_model_create(const udg_settings *settings, const udg_reference *reference,
                                 size_t date_index, udg_fft *fft, udg_find_model *model,
                                 udg_message *message) {
  *model = (udg_find_model){0};
  udg_status status = udg_template_create(settings, reference, date_index, &model->shape, message);
  if (status != UDG_OK)
    return status;
  double height = model->shape.height_mm, px_per_mm = udg_find_height_px / height;
  double turn_max = settings->turn_max_deg * 3.14159265358979323846 / 180;
  int half = (int)ceil(turn_max / TURN_STEP_RAD - 1e-9);
  half = half < UDG_FIND_TURNS_MAX / 2 ? half : UDG_FIND_TURNS_MAX / 2 - 1;
  model->turn_count = 2 * half + 1;
  for (int t = 0; t < model->turn_count; t++)
    model->turns[t].turn_rad = half ? turn_max * (t - half) / half : 0;
  reach_take(model, px_per_mm, turn_max);
  /* Tiles three kernels long leave two thirds of that side to the result. Down the
   * columns, which lie apart in memory, powers of two are twice as fast. */
  int tile[2] = {udg_fft_good_size(6 * model->reach[0]), 16};
  while (tile[1] < 4 * model->reach[1])
    tile[1] *= 2;
  /* The rows of scores, and one more to each side for their maxima. */
  status = udg_fft_plan_get_rows(fft, tile[0], tile[1], tile[1] - 2 * model->reach[1] + 2,
                                 &model->plan, message);
  if (status == UDG_OK) {
    status = turns_make(settings, model, px_per_mm);
    if (status == UDG_ERROR_CANCELLED)
      udg_fail(message, status, "cancelled while looking for the date");
    else if (status != UDG_OK)
      udg_fail(message, status, "no memory for the date's kernels");
  }
  if (status == UDG_OK)
    status = udg_template_patches(settings, &model->shape, COARSE_PX / height,
                                  PATCH_BLUR_PX * height / COARSE_PX, 0.45 * height, &model->coarse,
                                  message);
  if (status == UDG_OK)
    status = udg_template_patches(settings, &model->shape, MIDDLE_PX / height,
                                  PATCH_BLUR_PX * height / MIDDLE_PX, 0.45 * height, &model->middle,
                                  message);
  if (status != UDG_OK)
    udg_find_model_destroy(settings, model);
  return status;
}

void udg_find_model_destroy(const udg_settings *settings, udg_find_model *model) {
  for (int t = 0; t < model->turn_count; t++) {
    for (int k = 0; k < UDG_FIND_KERNELS; k++)
      udg_memory_drop(settings, model->turns[t].kernels[k]);
  }
  udg_memory_drop(settings, model->window);
  udg_patch_set_destroy(settings, &model->coarse);
  udg_patch_set_destroy(settings, &model->middle);
  udg_template_destroy(settings, &model->shape);
  *model = (udg_find_model){0};
}
