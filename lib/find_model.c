/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Kernels of the date stage. */
#include "find_internal.h"

#include <math.h>
#include <string.h>

#include "align_moments.h"

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

#define KERNELS (UDG_FIND_CHANNELS * UDG_FIND_KERNELS)

/* Kernels are sampled from means of so many px each way of the fine raster, which are smaller than
 * their blur. */
enum { BOX = 4 };

/* What the kernels of one level, and its window, are sampled from. */
typedef struct source {
  const udg_template *shape;
  udg_plane window;
  udg_buffer kernels[KERNELS];
  double px_per_mm;    /* of the level */
  double cosine, sine; /* of the turn in hand, times fine px a px of the level */
} source;

static void source_turn(source *from, double turn_rad) {
  double ratio = from->shape->px_per_mm / from->px_per_mm;
  from->cosine = ratio * cos(turn_rad);
  from->sine = ratio * sin(turn_rad);
}

/* The plane, of means of `box` px of the fine raster, at (i, j) px of the level from the date's
 * centre; 0 outside. */
static float plane_at(const source *from, const udg_plane *plane, int box, int i, int j) {
  const udg_template *shape = from->shape;
  double x = shape->origin_px[0] + shape->px_per_mm * shape->centre_mm[0] + from->cosine * i +
             from->sine * j;
  double y = shape->origin_px[1] + shape->px_per_mm * shape->centre_mm[1] - from->sine * i +
             from->cosine * j;
  x /= box;
  y /= box;
  return x < 0 || y < 0 || x >= plane->width || y >= plane->height ? 0
                                                                   : udg_plane_sample(plane, x, y);
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
      if (!(plane_at(from, &from->window, 1, i, j) > 0.5f))
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
        values[i * UDG_FIND_KERNELS + k] = plane_at(
            from, &from->kernels[c * UDG_FIND_KERNELS + k].plane, BOX, turn->x[i], turn->y[i]);
    kernels_orthonormal(values, turn->count);
  }
  return status;
}

/* Slopes and their square as the flattened photo would show them; the shoulder as its edges would.
 */
static udg_status kernels_take(const udg_settings *settings, source *from, double height_px) {
  static const udg_column columns[KERNELS] = {UDG_COLUMN_P,      UDG_COLUMN_Q,
                                              UDG_COLUMN_SQUARE, UDG_COLUMN_SQUARE,
                                              UDG_COLUMN_ACROSS, UDG_COLUMN_DIAGONAL};
  const udg_template *shape = from->shape;
  const double ratio = shape->px_per_mm / from->px_per_mm, blur = KERNEL_BLUR_PX * ratio;
  udg_plane column = {0};
  udg_buffer mean = {0}, scratch = {0};
  udg_status status = udg_plane_create_raw(settings, shape->p.width, shape->p.height, &column);
  for (int k = 0; k < KERNELS && status == UDG_OK; k++) {
    udg_plane *kernel = &from->kernels[k].plane;
    udg_template_column(shape, columns[k], &column);
    status = udg_rescale_box(settings, udg_photo_of(&column), 0, 0, column.width, column.height,
                             BOX, &from->kernels[k]);
    if (status == UDG_OK)
      status = udg_buffer_size(settings, &mean, kernel->width, kernel->height);
    if (status == UDG_OK)
      status = udg_buffer_size(settings, &scratch, kernel->width, kernel->height);
    if (status != UDG_OK)
      break;
    /* The boxes blur as well. */
    udg_plane_blur(kernel, sqrt(fmax(blur * blur - (BOX * BOX - 1) / 12.0, 0)) / BOX,
                   &scratch.plane);
    size_t count = (size_t)kernel->width * (size_t)kernel->height;
    memcpy(mean.plane.v, kernel->v, count * sizeof *kernel->v);
    udg_rescale_mean(&mean.plane, 0.45 * height_px * ratio / BOX, &scratch.plane);
    for (size_t i = 0; i < count; i++)
      kernel->v[i] -= mean.plane.v[i];
  }
  udg_buffer_destroy(settings, &scratch);
  udg_buffer_destroy(settings, &mean);
  udg_plane_destroy(settings, &column);
  return status;
}

static udg_status source_make(const udg_settings *settings, source *from, double height_px) {
  const udg_template *shape = from->shape;
  size_t count = (size_t)shape->p.width * (size_t)shape->p.height;
  udg_status status = kernels_take(settings, from, height_px);
  if (status == UDG_OK)
    status = udg_plane_create_raw(settings, shape->p.width, shape->p.height, &from->window);
  for (size_t i = 0; i < count && status == UDG_OK; i++)
    from->window.v[i] = (double)shape->distance.v[i] > -shape->margin_mm ? 1 : 0;
  return status;
}

static udg_status level_make(const udg_settings *settings, const udg_template *shape,
                             double height_px, udg_find_level *level) {
  source from = {.shape = shape, .px_per_mm = height_px / shape->height_mm};
  double turn_max = settings->turn_max_deg * 3.14159265358979323846 / 180;
  int half = (int)ceil(turn_max * height_px / TURN_STEP_PX - 1e-9);
  half = half < UDG_FIND_TURNS_MAX / 2 ? half : UDG_FIND_TURNS_MAX / 2 - 1;
  level->height_px = height_px;
  level->scale_step = 1 + SCALE_STEP_PX / height_px;
  level->turn_count = 2 * half + 1;
  level->turn_step_rad = half ? turn_max / half : 0;
  reach_take(shape, from.px_per_mm, turn_max, level);
  udg_status status = source_make(settings, &from, height_px);
  if (status == UDG_OK)
    status = window_make(settings, &from, level->reach, &level->upright);
  for (int t = 0; t < level->turn_count && status == UDG_OK; t++) {
    level->turns[t].turn_rad = half ? turn_max * (t - half) / half : 0;
    status = udg_stop_wanted(settings) ? UDG_ERROR_CANCELLED
                                       : turn_make(settings, &from, level->reach, &level->turns[t]);
  }
  for (int k = 0; k < KERNELS; k++)
    udg_buffer_destroy(settings, &from.kernels[k]);
  udg_plane_destroy(settings, &from.window);
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
  if (status == UDG_OK &&
      (udg_align_moments_create(settings, &model->rough, &model->rough.moments) != UDG_OK ||
       udg_align_moments_create(settings, &model->middle, &model->middle.moments) != UDG_OK))
    status = udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's sums");
  model->shape.distance.v = model->shape.owner.v = model->shape.p.v = model->shape.q.v = NULL;
  model->shape.foot.v = NULL;
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
