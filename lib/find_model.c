/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Kernels of the date stage. */
#include "find_internal.h"

#include <math.h>
#include <string.h>

/* Heights of the digits in the copies that are searched coarsely, and near the best. */
static const double COARSE_HEIGHT_PX = 7, FINE_HEIGHT_PX = 10;
/* A turn between two steps moves the end of a four-digit date (two heights from
 * the middle) by so many px: inside a stroke. */
static const double TURN_STEP_PX = 1.05;
/* Half a step of size moves the end of the date by so much: half a stroke. */
static const double SCALE_STEP_PX = 1.4;
/* Blur of the kernels: what a pixel of the scaled copy and its interpolation do. */
static const double KERNEL_BLUR_PX = 0.6;
/* Verification: digit heights in patch px and blur. */
static const double ROUGH_PX = 12, MIDDLE_PX = 24, PATCH_BLUR_PX = 0.7;
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
static void reach_take(const udg_template *shape, double px_per_mm, double turn_max,
                       udg_find_level *level) {
  double w = (shape->half_size_mm[0] + shape->margin_mm) * px_per_mm;
  double h = (shape->half_size_mm[1] + shape->margin_mm) * px_per_mm;
  double widest = fmin(turn_max, atan2(h, w)), highest = fmin(turn_max, atan2(w, h));
  level->reach[0] = (int)ceil(w * cos(widest) + h * sin(widest)) + 1;
  level->reach[1] = (int)ceil(w * sin(highest) + h * cos(highest)) + 1;
}

/* All kernels and the window. */
#define KERNELS (UDG_FIND_CHANNELS * UDG_FIND_KERNELS)
#define PLANES (KERNELS + 1)

/* What the kernels of one level are sampled from. */
typedef struct source {
  const udg_template *shape;
  udg_plane fine[PLANES];
  double px_per_mm;    /* of the level */
  double cosine, sine; /* of the turn in hand, times fine px a px of the level */
} source;

static void source_turn(source *from, double turn_rad) {
  double ratio = from->shape->px_per_mm / from->px_per_mm;
  from->cosine = ratio * cos(turn_rad);
  from->sine = ratio * sin(turn_rad);
}

/* The fine plane at (i, j) px of the level from the date's centre; 0 outside. */
static float fine_at(const source *from, int plane, int i, int j) {
  const udg_template *shape = from->shape;
  const udg_plane *fine = &from->fine[plane];
  double x = shape->origin_px[0] + shape->px_per_mm * shape->centre_mm[0] + from->cosine * i +
             from->sine * j;
  double y = shape->origin_px[1] + shape->px_per_mm * shape->centre_mm[1] - from->sine * i +
             from->cosine * j;
  return x < 0 || y < 0 || x >= fine->width || y >= fine->height ? 0 : udg_plane_sample(fine, x, y);
}

/* The kernel's share along another of the same channel. */
static double kernel_dot(const float *values, int count, int a, int b) {
  double sum = 0;
  for (int i = 0; i < count; i++, values += UDG_FIND_KERNELS)
    sum += (double)values[a] * (double)values[b];
  return sum;
}

/* A channel's kernels less their mean in the window, then made orthonormal. */
static void kernels_orthonormal(float *values, int count) {
  for (int k = 0; k < UDG_FIND_KERNELS; k++) {
    double mean = 0;
    for (int i = 0; i < count; i++)
      mean += (double)values[i * UDG_FIND_KERNELS + k] / count;
    for (int i = 0; i < count; i++)
      values[i * UDG_FIND_KERNELS + k] -= (float)mean;
    for (int j = 0; j < k; j++) {
      float share = (float)kernel_dot(values, count, k, j);
      for (int i = 0; i < count; i++)
        values[i * UDG_FIND_KERNELS + k] -= share * values[i * UDG_FIND_KERNELS + j];
    }
    double norm = sqrt(kernel_dot(values, count, k, k));
    for (int i = 0; i < count; i++)
      values[i * UDG_FIND_KERNELS + k] =
          norm > 1e-12 ? values[i * UDG_FIND_KERNELS + k] / (float)norm : 0;
  }
}

/* The window's pixels at a turn; without room they are only counted. */
static void window_walk(const source *from, const int reach[2], udg_find_turn *turn) {
  turn->count = 0;
  for (int j = -reach[1]; j <= reach[1]; j++)
    for (int i = -reach[0]; i <= reach[0]; i++) {
      if (!(fine_at(from, KERNELS, i, j) > 0.5f))
        continue;
      if (turn->x) {
        turn->x[turn->count] = (int16_t)i;
        turn->y[turn->count] = (int16_t)j;
      }
      turn->count++;
    }
}

static udg_status window_make(const udg_settings *settings, source *from, const int reach[2],
                              udg_find_turn *turn) {
  source_turn(from, turn->turn_rad);
  window_walk(from, reach, turn);
  size_t count = (size_t)turn->count;
  turn->x = udg_memory_get(settings, 2 * count + 1, sizeof *turn->x);
  if (!turn->x)
    return UDG_ERROR_MEMORY;
  turn->y = turn->x + count;
  window_walk(from, reach, turn);
  return UDG_OK;
}

static udg_status turn_make(const udg_settings *settings, source *from, const int reach[2],
                            udg_find_turn *turn) {
  udg_status status = window_make(settings, from, reach, turn);
  for (int c = 0; c < UDG_FIND_CHANNELS && status == UDG_OK; c++) {
    size_t count = (size_t)turn->count * UDG_FIND_KERNELS;
    float *values = turn->values[c] = udg_memory_get(settings, count + 1, sizeof *values);
    if (!values)
      return UDG_ERROR_MEMORY;
    for (int i = 0; i < turn->count; i++)
      for (int k = 0; k < UDG_FIND_KERNELS; k++)
        values[i * UDG_FIND_KERNELS + k] =
            fine_at(from, c * UDG_FIND_KERNELS + k, turn->x[i], turn->y[i]);
    kernels_orthonormal(values, turn->count);
  }
  return status;
}

/* Slopes and their square as the flattened photo would show them; the shoulder
 * as its edges would; the window. */
static void fine_planes(source *from, double height_px, udg_plane *scratch) {
  static const udg_column columns[KERNELS] = {UDG_COLUMN_P,      UDG_COLUMN_Q,
                                              UDG_COLUMN_SQUARE, UDG_COLUMN_SQUARE,
                                              UDG_COLUMN_ACROSS, UDG_COLUMN_DIAGONAL};
  const udg_template *shape = from->shape;
  size_t count = (size_t)scratch->width * (size_t)scratch->height;
  double ratio = shape->px_per_mm / from->px_per_mm;
  udg_plane *fine = from->fine, *mean = &fine[KERNELS];
  for (int k = 0; k < KERNELS; k++) {
    udg_template_column(shape, columns[k], &fine[k]);
    udg_plane_blur(&fine[k], KERNEL_BLUR_PX * ratio, scratch);
    memcpy(mean->v, fine[k].v, count * sizeof *mean->v);
    udg_rescale_mean(mean, 0.45 * height_px * ratio, scratch);
    for (size_t i = 0; i < count; i++)
      fine[k].v[i] -= mean->v[i];
  }
  for (size_t i = 0; i < count; i++)
    mean->v[i] = (double)shape->distance.v[i] > -shape->margin_mm ? 1 : 0;
}

static udg_status level_make(const udg_settings *settings, const udg_template *shape,
                             double height_px, udg_find_level *level) {
  source from = {.shape = shape, .px_per_mm = height_px / shape->height_mm};
  udg_plane scratch = {0};
  double turn_max = settings->turn_max_deg * 3.14159265358979323846 / 180;
  int half = (int)ceil(turn_max * height_px / TURN_STEP_PX - 1e-9);
  half = half < UDG_FIND_TURNS_MAX / 2 ? half : UDG_FIND_TURNS_MAX / 2 - 1;
  level->height_px = height_px;
  level->scale_step = 1 + SCALE_STEP_PX / height_px;
  level->turn_count = 2 * half + 1;
  level->turn_step_rad = half ? turn_max / half : 0;
  reach_take(shape, from.px_per_mm, turn_max, level);
  udg_status status = udg_plane_create(settings, shape->p.width, shape->p.height, &scratch);
  for (int k = 0; k < PLANES && status == UDG_OK; k++)
    status = udg_plane_create(settings, shape->p.width, shape->p.height, &from.fine[k]);
  if (status == UDG_OK) {
    fine_planes(&from, height_px, &scratch);
    status = window_make(settings, &from, level->reach, &level->upright);
  }
  for (int t = 0; t < level->turn_count && status == UDG_OK; t++) {
    level->turns[t].turn_rad = half ? turn_max * (t - half) / half : 0;
    status = udg_stop_wanted(settings) ? UDG_ERROR_CANCELLED
                                       : turn_make(settings, &from, level->reach, &level->turns[t]);
  }
  for (int k = 0; k < PLANES; k++)
    udg_plane_destroy(settings, &from.fine[k]);
  udg_plane_destroy(settings, &scratch);
  return status;
}

static void level_destroy(const udg_settings *settings, udg_find_level *level) {
  for (int t = 0; t < level->turn_count; t++) {
    udg_memory_drop(settings, level->turns[t].x);
    for (int c = 0; c < UDG_FIND_CHANNELS; c++)
      udg_memory_drop(settings, level->turns[t].values[c]);
  }
  udg_memory_drop(settings, level->upright.x);
}

udg_status udg_find_model_create(const udg_settings *settings, const udg_template *shape,
                                 udg_find_model *model, udg_message *message) {
  *model = (udg_find_model){.shape = *shape};
  double height = model->shape.height_mm;
  udg_status status = level_make(settings, &model->shape, COARSE_HEIGHT_PX, &model->coarse);
  if (status == UDG_OK)
    status = level_make(settings, &model->shape, FINE_HEIGHT_PX, &model->fine);
  if (status == UDG_ERROR_CANCELLED)
    udg_fail(message, status, "cancelled while looking for the date");
  else if (status != UDG_OK)
    udg_fail(message, status, "no memory for the date's kernels");
  if (status == UDG_OK)
    status = udg_template_patches(settings, &model->shape, ROUGH_PX / height,
                                  PATCH_BLUR_PX * height / ROUGH_PX, 0.45 * height, &model->rough,
                                  message);
  if (status == UDG_OK)
    status = udg_template_patches(settings, &model->shape, MIDDLE_PX / height,
                                  PATCH_BLUR_PX * height / MIDDLE_PX, 0.45 * height, &model->middle,
                                  message);
  model->shape.distance.v = model->shape.owner.v = model->shape.p.v = model->shape.q.v = NULL;
  if (status != UDG_OK)
    udg_find_model_destroy(settings, model);
  return status;
}

void udg_find_model_destroy(const udg_settings *settings, udg_find_model *model) {
  level_destroy(settings, &model->coarse);
  level_destroy(settings, &model->fine);
  udg_patch_set_destroy(settings, &model->rough);
  udg_patch_set_destroy(settings, &model->middle);
  *model = (udg_find_model){0};
}
