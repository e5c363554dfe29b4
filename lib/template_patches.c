/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The pixels of a date that are fitted, with its columns as a photo would show them. */
#include <math.h>
#include <string.h>

#include "align_moments.h"
#include "four.h"
#include "rescale.h"
#include "template.h"
#include "template_grid.h"

int udg_patch_set_pixels(const udg_patch_set *set) {
  int count = 0;
  for (int p = 0; p < set->patch_count; p++)
    count += set->patches[p].count;
  return count;
}

void udg_patch_set_destroy(const udg_settings *settings, udg_patch_set *set) {
  for (int p = 0; p < set->patch_count; p++) {
    udg_memory_drop(settings, set->patches[p].u);
    udg_memory_drop(settings, set->patches[p].t);
  }
  udg_align_moments_destroy(settings, set->moments);
  *set = (udg_patch_set){0};
}

/* z runs from -1 at the foot of the shoulder to 1 at its top; beyond, stretch
 * and skew fade. */
static void swells_take(const udg_template *made, double d, udg_patch *patch, int i) {
  double z = 2 * d / made->bevel_mm - 1, fade = exp(-z * z / 4);
  patch->swell[0][i] = 1;
  patch->swell[1][i] = (float)(-z * fade);
  patch->swell[2][i] = (float)(z * z * fade);
}

/* A line of the grid, as udg_plane_sample() takes pixels for it: the first of four, and what they
 * count for, NORMAL_PX before the line, and as far behind it, and on it. */
enum { BEFORE, BEHIND, ON, NEAR_LINES };
typedef struct grid_line {
  int px; /* it lies in; -1: too near to the raster's ends */
  int first[NEAR_LINES];
  float weight[NEAR_LINES][4];
} grid_line;

/* The grid of the patch pixels: the columns' and the rows' places in the fine raster, px, and after
 * a walk those of each patch's pixels in it. */
typedef struct grid {
  double px_per_mm;
  int half[2], size[2];
  double *at_px[2];
  grid_line *lines[2];
  int16_t *x[UDG_PLACES_MAX], *y[UDG_PLACES_MAX];
  size_t most;              /* pixels of the largest patch */
  udg_grid_sample *samples; /* room for its */
} grid;

static const double NORMAL_PX = 2;

static grid_line line_at(double at_px, int size) {
  const double at[NEAR_LINES] = {at_px - NORMAL_PX, at_px + NORMAL_PX, at_px};
  grid_line line = {.px = -1};
  for (int k = 0; k < NEAR_LINES; k++) {
    udg_cubic cubic;
    udg_cubic_take(at[k], 0.5, &cubic);
    if (cubic.i < 0 || cubic.i + 3 >= size)
      return line;
    line.first[k] = cubic.i;
    memcpy(line.weight[k], cubic.wx, sizeof line.weight[k]);
  }
  line.px = (int)at_px;
  return line;
}

static double grid_mm(const udg_template *made, const grid *g, int axis, int line) {
  return made->centre_mm[axis] + (line - g->half[axis]) / g->px_per_mm;
}

static udg_status grid_create(const udg_settings *settings, const udg_template *made,
                              double px_per_mm, grid *g) {
  *g = (grid){.px_per_mm = px_per_mm};
  for (int i = 0; i < 2; i++) {
    double half = ceil((made->half_size_mm[i] + made->margin_mm) * px_per_mm);
    if (!(half < INT16_MAX / 2))
      return UDG_ERROR_ARGUMENT;
    g->half[i] = (int)half;
    g->size[i] = 2 * g->half[i] + 1;
    g->at_px[i] = udg_memory_get(settings, (size_t)g->size[i], sizeof *g->at_px[i]);
    g->lines[i] = udg_memory_get(settings, (size_t)g->size[i], sizeof *g->lines[i]);
    if (!g->at_px[i] || !g->lines[i])
      return UDG_ERROR_MEMORY;
    for (int k = 0; k < g->size[i]; k++) {
      g->at_px[i][k] = made->origin_px[i] + made->px_per_mm * grid_mm(made, g, i, k);
      g->lines[i][k] = line_at(g->at_px[i][k], i ? made->p.height : made->p.width);
    }
  }
  return UDG_OK;
}

static void grid_destroy(const udg_settings *settings, grid *g) {
  for (int i = 0; i < 2; i++) {
    udg_memory_drop(settings, g->at_px[i]);
    udg_memory_drop(settings, g->lines[i]);
  }
  udg_memory_drop(settings, g->samples);
  for (int p = 0; p < UDG_PLACES_MAX; p++)
    udg_memory_drop(settings, g->x[p]);
}

/* udg_plane_sample() near lines of the grid. */
static float near_lines(const udg_plane *plane, const grid_line *x, int of_x, const grid_line *y,
                        int of_y) {
  return udg_four_by_four(udg_plane_row(plane, y->first[of_y]) + x->first[of_x], plane->width,
                          x->weight[of_x], y->weight[of_y]);
}

/* Gradient of the distance; shorter than 1 on the middle of a stroke. */
static void normal_take(const udg_template *made, const grid_line *x, const grid_line *y,
                        float *n_x, float *n_y) {
  const udg_plane *d = &made->distance;
  const float half = (float)(made->px_per_mm / (2 * NORMAL_PX));
  *n_x = half * (near_lines(d, x, BEHIND, y, ON) - near_lines(d, x, BEFORE, y, ON));
  *n_y = half * (near_lines(d, x, ON, y, BEHIND) - near_lines(d, x, ON, y, BEFORE));
}

static void pixel_fill(const udg_template *made, const grid *g, int x, int y, double distance,
                       int place, int i, udg_patch *patch) {
  normal_take(made, &g->lines[0][x], &g->lines[1][y], &patch->n_x[i], &patch->n_y[i]);
  swells_take(made, distance, patch, i);
  patch->u[i] = (float)(grid_mm(made, g, 0, x) - made->place_mm[place][0]);
  patch->v[i] = (float)(grid_mm(made, g, 1, y) - made->place_mm[place][1]);
}

/* Walks the patch pixels of a grid; counts them in `counts`, and with patches that have storage
 * also writes where they lie. */
static void grid_walk(const udg_template *made, const grid *g, udg_patch_set *set,
                      int counts[UDG_PLACES_MAX]) {
  for (int p = 0; p < UDG_PLACES_MAX; p++)
    counts[p] = 0;
  for (int y = 0; y < g->size[1]; y++)
    for (int x = 0; x < g->size[0] && g->lines[1][y].px >= 0; x++) {
      if (g->lines[0][x].px < 0)
        continue;
      size_t at = (size_t)g->lines[1][y].px * (size_t)made->p.width + (size_t)g->lines[0][x].px;
      if ((double)made->distance.v[at] < -made->margin_mm)
        continue;
      int place = (int)made->owner.v[at], i = counts[place]++;
      if (!set->patches[place].u)
        continue;
      pixel_fill(made, g, x, y, (double)made->distance.v[at], place, i, &set->patches[place]);
      g->x[place][i] = (int16_t)x;
      g->y[place][i] = (int16_t)y;
    }
}

static udg_status patches_create(const udg_settings *settings, const int counts[UDG_PLACES_MAX],
                                 udg_patch_set *set, grid *g) {
  g->most = 0;
  for (int p = 0; p < set->patch_count; p++) {
    udg_patch *patch = &set->patches[p];
    size_t count = (size_t)counts[p], cells = count * (size_t)set->column_stride;
    patch->u = udg_memory_get(settings, count + 1, (4 + UDG_SWELLS) * sizeof *patch->u);
    patch->t = udg_memory_raw(settings, cells + 1, 3 * sizeof *patch->t);
    g->x[p] = udg_memory_get(settings, count + 1, 2 * sizeof *g->x[p]);
    if (!patch->u || !patch->t || !g->x[p])
      return UDG_ERROR_MEMORY;
    g->y[p] = g->x[p] + count;
    g->most = count > g->most ? count : g->most;
    patch->v = patch->u + count;
    patch->n_x = patch->v + count;
    patch->n_y = patch->n_x + count;
    for (int k = 0; k < UDG_SWELLS; k++)
      patch->swell[k] = patch->n_y + (size_t)(k + 1) * count;
    patch->t_x = patch->t + cells;
    patch->t_y = patch->t_x + cells;
    patch->count = counts[p];
  }
  g->samples = udg_memory_get(settings, g->most + 1, sizeof *g->samples);
  return g->samples ? UDG_OK : UDG_ERROR_MEMORY;
}

/* Level and ramps, which the photo's plane shows as they are, and the end of each row of columns.
 */
static void background_fill(udg_patch_set *set) {
  const size_t stride = (size_t)set->column_stride;
  for (int p = 0; p < set->patch_count; p++) {
    udg_patch *patch = &set->patches[p];
    float *const of[3] = {patch->t, patch->t_x, patch->t_y};
    for (int i = 0; i < patch->count; i++) {
      for (int n = 0; n < 3; n++) {
        float *t = of[n] + (size_t)i * stride;
        t[UDG_COLUMN_LEVEL] = t[UDG_COLUMN_RAMP_X] = t[UDG_COLUMN_RAMP_Y] = 0;
        for (size_t k = UDG_COLUMN_COUNT; k < stride; k++)
          t[k] = 0;
      }
      float *t = patch->t + (size_t)i * stride;
      t[UDG_COLUMN_LEVEL] = 1;
      t[UDG_COLUMN_RAMP_X] =
          (float)((patch->centre_mm[0] + (double)patch->u[i] - set->centre_mm[0]) / set->radius_mm);
      t[UDG_COLUMN_RAMP_Y] =
          (float)((patch->centre_mm[1] + (double)patch->v[i] - set->centre_mm[1]) / set->radius_mm);
    }
  }
}

/* A mean that reaches far is taken of means of so many px each way of the fine raster. */
enum { MEAN_BOX = 4 };

/* A column on its way to the grid: blurred by sigma_px, less its mean of mean_px unless that is 0.
 */
typedef struct passage {
  double sigma_px, mean_px;
  int in_planes; /* blur and mean are done on the whole raster */
  udg_plane fine, first, second, rows;
  udg_grid_axis columns, lines;
  udg_buffer small; /* what the mean is taken of, and the same for it */
  udg_plane small_scratch, small_rows;
  udg_grid_axis small_columns, small_lines;
  udg_grid_sample *means;
} passage;

static udg_status axes_create(const udg_settings *settings, const grid *g, const udg_plane *raster,
                              double sigma_px, double px_per_mm, udg_grid_axis *columns,
                              udg_grid_axis *lines) {
  udg_status status = udg_grid_axis_create(settings, g->at_px[0], g->size[0], raster->width,
                                           sigma_px, px_per_mm, columns);
  return status == UDG_OK ? udg_grid_axis_create(settings, g->at_px[1], g->size[1], raster->height,
                                                 sigma_px, px_per_mm, lines)
                          : status;
}

/* What the mean of a column takes, on a raster of means of MEAN_BOX px. */
static udg_status small_create(const udg_settings *settings, const udg_template *made, grid *g,
                               passage *way) {
  const int width = made->p.width / MEAN_BOX, height = made->p.height / MEAN_BOX;
  udg_status status = udg_buffer_size(settings, &way->small, width, height);
  if (status == UDG_OK)
    status = udg_plane_create(settings, width, height, &way->small_scratch);
  if (status == UDG_OK)
    status = udg_plane_create(settings, width, 2 * g->size[1], &way->small_rows);
  way->means = udg_memory_get(settings, g->most + 1, sizeof *way->means);
  if (status == UDG_OK && !way->means)
    status = UDG_ERROR_MEMORY;
  for (int i = 0; i < 2; i++)
    for (int k = 0; k < g->size[i]; k++)
      g->at_px[i][k] /= MEAN_BOX;
  return status == UDG_OK
             ? axes_create(settings, g, &way->small.plane, 0.0, made->px_per_mm / MEAN_BOX,
                           &way->small_columns, &way->small_lines)
             : status;
}

static udg_status passage_create(const udg_settings *settings, const udg_template *made, grid *g,
                                 double sigma_px, double mean_px, passage *way) {
  const int width = made->p.width, height = made->p.height;
  *way = (passage){.sigma_px = sigma_px, .mean_px = mean_px};
  way->in_planes =
      sigma_px > UDG_GAUSSIAN_REACH / 4.0 || width < 8 * MEAN_BOX || height < 8 * MEAN_BOX;
  udg_status status = udg_plane_create_raw(settings, width, height, &way->fine);
  if (status == UDG_OK && way->in_planes)
    status = udg_plane_create(settings, width, height, &way->first);
  if (status == UDG_OK && way->in_planes)
    status = udg_plane_create(settings, width, height, &way->second);
  if (status == UDG_OK)
    status = udg_plane_create_raw(settings, width, 2 * g->size[1], &way->rows);
  if (status == UDG_OK)
    status = axes_create(settings, g, &way->fine, way->in_planes ? 0.0 : sigma_px, made->px_per_mm,
                         &way->columns, &way->lines);
  return status == UDG_OK && mean_px > 0 && !way->in_planes ? small_create(settings, made, g, way)
                                                            : status;
}

static void passage_destroy(const udg_settings *settings, passage *way) {
  udg_plane *planes[] = {&way->fine, &way->first,         &way->second,
                         &way->rows, &way->small_scratch, &way->small_rows};
  udg_grid_axis *axes[] = {&way->columns, &way->lines, &way->small_columns, &way->small_lines};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(settings, planes[i]);
  for (size_t i = 0; i < sizeof axes / sizeof *axes; i++)
    udg_grid_axis_destroy(settings, axes[i]);
  udg_buffer_destroy(settings, &way->small);
  udg_memory_drop(settings, way->means);
}

static void planes_take(passage *way) {
  size_t count = (size_t)way->fine.width * (size_t)way->fine.height;
  udg_plane_blur(&way->fine, way->sigma_px, &way->first);
  if (!(way->mean_px > 0))
    return;
  memcpy(way->first.v, way->fine.v, count * sizeof *way->fine.v);
  udg_rescale_mean(&way->first, way->mean_px, &way->second);
  for (size_t i = 0; i < count; i++)
    way->fine.v[i] -= way->first.v[i];
}

/* Rows of the column's mean. */
static udg_status mean_take(const udg_settings *settings, passage *way) {
  const udg_plane *fine = &way->fine;
  udg_status status = udg_rescale_box(settings, udg_photo_of(fine), 0, 0, fine->width, fine->height,
                                      MEAN_BOX, &way->small);
  if (status != UDG_OK)
    return status;
  /* Means of boxes are blurred by them. */
  double blur = fmax(way->sigma_px * way->sigma_px - (MEAN_BOX * MEAN_BOX - 1) / 12.0, 0.0);
  udg_plane_blur(&way->small.plane, sqrt(blur) / MEAN_BOX, &way->small_scratch);
  udg_rescale_mean(&way->small.plane, way->mean_px / MEAN_BOX, &way->small_scratch);
  udg_grid_rows(&way->small_lines, &way->small.plane, &way->small_rows);
  return UDG_OK;
}

static void patch_take(passage *way, const grid *g, int place, udg_column column,
                       udg_patch_set *set) {
  udg_patch *patch = &set->patches[place];
  udg_grid_samples(&way->columns, &way->rows, g->x[place], g->y[place], patch->count, g->samples);
  if (way->means)
    udg_grid_samples(&way->small_columns, &way->small_rows, g->x[place], g->y[place], patch->count,
                     way->means);
  for (int i = 0; i < patch->count; i++) {
    const udg_grid_sample none = {0.0f, 0.0f, 0.0f}, *mean = way->means ? &way->means[i] : &none;
    size_t at = (size_t)i * (size_t)set->column_stride + (size_t)column;
    patch->t[at] = g->samples[i].value - mean->value;
    patch->t_x[at] = g->samples[i].slope_x - mean->slope_x;
    patch->t_y[at] = g->samples[i].slope_y - mean->slope_y;
  }
}

static udg_status column_take(const udg_settings *settings, const udg_template *made,
                              udg_column column, passage *way, const grid *g, udg_patch_set *set) {
  udg_status status = UDG_OK;
  if (udg_stop_wanted(settings))
    return UDG_ERROR_CANCELLED;
  udg_template_column(made, column, &way->fine);
  if (way->means)
    status = mean_take(settings, way);
  else if (way->in_planes)
    planes_take(way);
  udg_grid_rows(&way->lines, &way->fine, &way->rows);
  for (int p = 0; p < set->patch_count && status == UDG_OK; p++)
    patch_take(way, g, p, column, set);
  return status;
}

static udg_status columns_take(const udg_settings *settings, const udg_template *made, grid *g,
                               double sigma_px, double mean_px, udg_patch_set *set) {
  passage way;
  udg_status status = passage_create(settings, made, g, sigma_px, mean_px, &way);
  for (int column = UDG_COLUMN_P; column < UDG_COLUMN_COUNT && status == UDG_OK; column++)
    status = column_take(settings, made, (udg_column)column, &way, g, set);
  passage_destroy(settings, &way);
  return status;
}

static udg_patch_set set_of(const udg_template *made, double px_per_mm) {
  udg_patch_set set = {.patch_count = made->place_count,
                       .column_count = UDG_COLUMN_COUNT,
                       .column_stride = UDG_COLUMNS_MAX, /* whole vectors of four */
                       .background_count = UDG_COLUMN_P,
                       .px_per_mm = px_per_mm};
  for (int i = 0; i < 2; i++) {
    set.centre_mm[i] = made->centre_mm[i];
    for (int p = 0; p < set.patch_count; p++)
      set.patches[p].centre_mm[i] = made->place_mm[p][i];
  }
  set.radius_mm = hypot(made->half_size_mm[0], made->half_size_mm[1]);
  return set;
}

udg_status udg_template_patches(const udg_settings *settings, const udg_template *made,
                                double px_per_mm, double sigma_mm, double mean_mm,
                                udg_patch_set *set, udg_message *message) {
  int counts[UDG_PLACES_MAX];
  grid g;
  *set = set_of(made, px_per_mm);
  udg_status status = grid_create(settings, made, px_per_mm, &g);
  if (status == UDG_OK) {
    grid_walk(made, &g, set, counts);
    status = patches_create(settings, counts, set, &g);
  }
  if (status == UDG_OK) {
    grid_walk(made, &g, set, counts);
    background_fill(set);
    status = columns_take(settings, made, &g, sigma_mm * made->px_per_mm, mean_mm * made->px_per_mm,
                          set);
  }
  grid_destroy(settings, &g);
  if (status != UDG_OK) {
    udg_patch_set_destroy(settings, set);
    return udg_fail(message, status,
                    status == UDG_ERROR_CANCELLED  ? "cancelled while the date was drawn"
                    : status == UDG_ERROR_ARGUMENT ? "the date has too many pixels"
                                                   : "no memory for the date's columns");
  }
  return UDG_OK;
}
