/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "template.h"

#include <math.h>
#include <string.h>

#include "four.h"
#include "relief.h"
#include "rescale.h"

/* Pixels of the fine raster to a digit's height: a shoulder of a tenth of the
 * height is then a dozen pixels wide. */
#define FINE_HEIGHT_PX 128.0
#define RASTER_SIDE_MAX 4096.0

/* Field beside the strokes that is fitted, as a share of the digit's height:
 * enough to know the field's level and the foot's shadow. */
static const double MARGIN_SHARE = 0.12;
/* Spread of the foot band, in bevels. */
static const double FOOT_SPREAD = 0.5;

static void box_grow(double low[2], double high[2], double x, double y) {
  low[0] = fmin(low[0], x);
  low[1] = fmin(low[1], y);
  high[0] = fmax(high[0], x);
  high[1] = fmax(high[1], y);
}

static void box_of(const udg_reference *reference, const udg_date *date, double low[2],
                   double high[2]) {
  low[0] = low[1] = INFINITY;
  high[0] = high[1] = -INFINITY;
  for (int i = 0; i < date->place_count; i++) {
    const udg_place *place = &date->places[i];
    const udg_outline *outline = &reference->digits[place->digit - '0'];
    double c = cos(place->turn_rad), s = sin(place->turn_rad);
    for (size_t k = 0; k < outline->point_count; k++) {
      double x = outline->points[2 * k], y = outline->points[2 * k + 1];
      box_grow(low, high, place->centre_mm[0] + c * x - s * y, place->centre_mm[1] + s * x + c * y);
    }
  }
}

static udg_status planes_create(const udg_settings *settings, udg_template *made,
                                udg_message *message) {
  double w = ceil(2 * (made->half_size_mm[0] + 2 * made->margin_mm) * made->px_per_mm);
  double h = ceil(2 * (made->half_size_mm[1] + 2 * made->margin_mm) * made->px_per_mm);
  if (!(w <= RASTER_SIDE_MAX && h <= RASTER_SIDE_MAX))
    return udg_fail(message, UDG_ERROR_REFERENCE,
                    "the date is %.3g x %.3g mm: too large for digits of %.3g mm",
                    2 * made->half_size_mm[0], 2 * made->half_size_mm[1], made->height_mm);
  made->origin_px[0] = w / 2 - made->centre_mm[0] * made->px_per_mm;
  made->origin_px[1] = h / 2 - made->centre_mm[1] * made->px_per_mm;
  udg_plane *planes[] = {&made->distance, &made->owner, &made->p, &made->q};
  for (int i = 0; i < 4; i++)
    if (udg_plane_create(settings, (int)w, (int)h, planes[i]) != UDG_OK)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's relief");
  return UDG_OK;
}

/* Distances beyond so many bevels do not show: the top is flat, the foot's band has ended, stretch
 * and skew have faded to 1e-5. */
static const double FAR_BEVELS = 4;
static const double FAR_PX = 4; /* for slopes and normals at the margin's end */

/* Nearest outline wins: max of the signed distances. */
static udg_status distances_take(const udg_settings *settings, const udg_reference *reference,
                                 const udg_date *date, udg_template *made, udg_message *message) {
  udg_plane one = {0};
  udg_status status = UDG_OK;
  size_t count = (size_t)made->distance.width * (size_t)made->distance.height;
  double far_mm = fmax(FAR_BEVELS * made->bevel_mm, made->margin_mm);
  if (udg_plane_create(settings, made->distance.width, made->distance.height, &one) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's relief");
  for (int i = 0; i < date->place_count && status == UDG_OK; i++) {
    const udg_place *place = &date->places[i];
    status = udg_relief_distance_within(settings, &reference->digits[place->digit - '0'],
                                        made->px_per_mm, place->turn_rad,
                                        made->origin_px[0] + made->px_per_mm * place->centre_mm[0],
                                        made->origin_px[1] + made->px_per_mm * place->centre_mm[1],
                                        far_mm * made->px_per_mm + FAR_PX, &one, message);
    for (size_t k = 0; k < count && status == UDG_OK; k++) {
      float d = one.v[k] / (float)made->px_per_mm;
      if (i == 0 || d > made->distance.v[k]) {
        made->distance.v[k] = d;
        made->owner.v[k] = (float)i;
      }
    }
  }
  udg_plane_destroy(settings, &one);
  return status;
}

/* Smoothstep's steepest slope is 1.5 / bevel. */
static void slopes_take(const udg_plane *height, udg_template *made) {
  const int w = height->width, h = height->height;
  float factor = (float)(made->px_per_mm * made->bevel_mm / 1.5 / 2);
  for (int y = 1; y + 1 < h; y++) {
    const float *v = udg_plane_row(height, y);
    float *p = udg_plane_row(&made->p, y), *q = udg_plane_row(&made->q, y);
    for (int x = 1; x + 1 < w; x++) {
      p[x] = factor * (v[x + 1] - v[x - 1]);
      q[x] = factor * (v[x + w] - v[x - w]);
    }
  }
}

static udg_status relief_take(const udg_settings *settings, udg_template *made,
                              udg_message *message) {
  udg_plane height = {0};
  const int w = made->distance.width, h = made->distance.height;
  if (udg_plane_create(settings, w, h, &height) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's relief");
  for (int i = 0; i < w * h; i++)
    height.v[i] = (float)udg_relief_profile((double)made->distance.v[i], made->bevel_mm);
  slopes_take(&height, made);
  udg_plane_destroy(settings, &height);
  return UDG_OK;
}

udg_status udg_template_create(const udg_settings *settings, const udg_reference *reference,
                               size_t date_index, udg_template *made, udg_message *message) {
  return udg_template_create_at(settings, reference, date_index, FINE_HEIGHT_PX, MARGIN_SHARE, made,
                                message);
}

udg_status udg_template_create_at(const udg_settings *settings, const udg_reference *reference,
                                  size_t date_index, double height_px, double margin_share,
                                  udg_template *made, udg_message *message) {
  const udg_date *date = &reference->dates[date_index];
  double low[2], high[2];
  box_of(reference, date, low, high);
  *made = (udg_template){0};
  made->height_mm = date->height_mm;
  made->px_per_mm = height_px / date->height_mm;
  /* A shoulder thinner than two fine pixels would be a staircase. */
  made->bevel_mm = fmax(reference->bevel_mm, 2 / made->px_per_mm);
  made->margin_mm = margin_share * date->height_mm;
  made->place_count = date->place_count;
  for (int i = 0; i < 2; i++) {
    made->centre_mm[i] = (low[i] + high[i]) / 2;
    made->half_size_mm[i] = (high[i] - low[i]) / 2;
    for (int p = 0; p < date->place_count; p++)
      made->place_mm[p][i] = date->places[p].centre_mm[i];
  }
  udg_status status = planes_create(settings, made, message);
  if (status == UDG_OK)
    status = distances_take(settings, reference, date, made, message);
  if (status == UDG_OK)
    status = relief_take(settings, made, message);
  if (status != UDG_OK)
    udg_template_destroy(settings, made);
  return status;
}

udg_status udg_template_twin(const udg_settings *settings, const udg_template *once,
                             udg_template *twin, udg_plane *height, udg_message *message) {
  *twin = *once;
  udg_plane *planes[] = {&twin->distance, &twin->owner, &twin->p, &twin->q, height};
  udg_status status = UDG_OK;
  for (int i = 0; i < 5; i++)
    *planes[i] = (udg_plane){0};
  for (int i = 0; i < 5 && status == UDG_OK; i++)
    status = udg_plane_create(settings, once->p.width, once->p.height, planes[i]);
  if (status == UDG_OK) {
    memcpy(twin->owner.v, once->owner.v,
           (size_t)once->p.width * (size_t)once->p.height * sizeof *twin->owner.v);
    return UDG_OK;
  }
  udg_template_destroy(settings, twin);
  udg_plane_destroy(settings, height);
  return udg_fail(message, status, "no memory for the date set twice");
}

void udg_template_set_twice(const udg_template *once, const double shift_mm[2], double share,
                            udg_template *twin, udg_plane *height) {
  const int w = once->p.width, h = once->p.height;
  const double by[2] = {shift_mm[0] * once->px_per_mm, shift_mm[1] * once->px_per_mm};
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      size_t i = (size_t)y * (size_t)w + (size_t)x;
      double first = (double)once->distance.v[i];
      double second = (double)udg_plane_sample(&once->distance, x + 0.5 - by[0], y + 0.5 - by[1]);
      twin->distance.v[i] = (float)fmax(first, second);
      height->v[i] = (float)fmax(udg_relief_profile(first, once->bevel_mm),
                                 share * udg_relief_profile(second, once->bevel_mm));
    }
  slopes_take(height, twin);
}

void udg_template_destroy(const udg_settings *settings, udg_template *made) {
  udg_plane_destroy(settings, &made->distance);
  udg_plane_destroy(settings, &made->owner);
  udg_plane_destroy(settings, &made->p);
  udg_plane_destroy(settings, &made->q);
}

struct udg_templates {
  udg_settings settings;
  const udg_reference *reference;
  udg_template *of; /* by date; without planes until asked for */
};

udg_status udg_templates_create(const udg_settings *settings, const udg_reference *reference,
                                udg_templates **templates, udg_message *message) {
  udg_templates *made = udg_memory_get(settings, 1, sizeof *made);
  udg_template *of = udg_memory_get(settings, reference->date_count + 1, sizeof *of);
  if (!made || !of) {
    udg_memory_drop(settings, made);
    udg_memory_drop(settings, of);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the dates' reliefs");
  }
  *made = (udg_templates){*settings, reference, of};
  *templates = made;
  return UDG_OK;
}

void udg_templates_rest(udg_templates *templates) {
  for (size_t i = 0; i < templates->reference->date_count; i++)
    udg_template_destroy(&templates->settings, &templates->of[i]);
}

void udg_templates_destroy(udg_templates *templates) {
  if (!templates)
    return;
  udg_settings settings = templates->settings;
  udg_templates_rest(templates);
  udg_memory_drop(&settings, templates->of);
  udg_memory_drop(&settings, templates);
}

udg_status udg_templates_get(udg_templates *templates, size_t date_index, const udg_template **made,
                             udg_message *message) {
  udg_template *own = &templates->of[date_index];
  udg_status status = UDG_OK;
  if (!own->p.v)
    status =
        udg_template_create(&templates->settings, templates->reference, date_index, own, message);
  *made = own;
  return status;
}

static float column_value(const udg_template *made, udg_column column, size_t i) {
  float p = made->p.v[i], q = made->q.v[i], s = p * p + q * q;
  double d = (double)made->distance.v[i], band;
  switch (column) {
  case UDG_COLUMN_P:
    return p;
  case UDG_COLUMN_Q:
    return q;
  case UDG_COLUMN_SQUARE:
    return s;
  case UDG_COLUMN_ACROSS:
    return p * p - q * q;
  case UDG_COLUMN_DIAGONAL:
    return 2 * p * q;
  case UDG_COLUMN_TOP:
    return (float)udg_relief_profile(d, made->bevel_mm);
  case UDG_COLUMN_FOOT:
    band = d / (FOOT_SPREAD * made->bevel_mm);
    return (float)exp(-0.5 * band * band);
  case UDG_COLUMN_CUBE_P:
    return p * s;
  case UDG_COLUMN_CUBE_Q:
    return q * s;
  case UDG_COLUMN_TREFOIL_P:
    return p * (p * p - 3 * q * q);
  case UDG_COLUMN_TREFOIL_Q:
    return q * (3 * p * p - q * q);
  case UDG_COLUMN_FIFTH_P:
    return p * s * s;
  case UDG_COLUMN_FIFTH_Q:
    return q * s * s;
  case UDG_COLUMN_FOURTH_ACROSS:
    return s * (p * p - q * q);
  case UDG_COLUMN_FOURTH_DIAGONAL:
    return 2 * p * q * s;
  case UDG_COLUMN_FOURTH:
    return s * s;
  case UDG_COLUMN_LEVEL:
  case UDG_COLUMN_RAMP_X:
  case UDG_COLUMN_RAMP_Y:
  case UDG_COLUMN_COUNT:
    break;
  }
  return 0;
}

void udg_template_column(const udg_template *made, udg_column column, udg_plane *plane) {
  size_t count = (size_t)made->p.width * (size_t)made->p.height;
  for (size_t i = 0; i < count; i++) {
    /* Most of the field lies where the distance is cut off. */
    int as_before = i > 0 && made->distance.v[i] == made->distance.v[i - 1] &&
                    made->p.v[i] == made->p.v[i - 1] && made->q.v[i] == made->q.v[i - 1];
    plane->v[i] = as_before ? plane->v[i - 1] : column_value(made, column, i);
  }
}

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
  *set = (udg_patch_set){0};
}

/* Gradient of the distance; shorter than 1 on the middle of a stroke. */
static void normal_take(const udg_template *made, double x, double y, float *n_x, float *n_y) {
  const udg_plane *d = &made->distance;
  const float half = (float)(made->px_per_mm / 4);
  *n_x = half * (udg_plane_sample(d, x + 2, y) - udg_plane_sample(d, x - 2, y));
  *n_y = half * (udg_plane_sample(d, x, y + 2) - udg_plane_sample(d, x, y - 2));
}

/* z runs from -1 at the foot of the shoulder to 1 at its top; beyond, stretch
 * and skew fade. */
static void swells_take(const udg_template *made, double d, udg_patch *patch, int i) {
  double z = 2 * d / made->bevel_mm - 1, fade = exp(-z * z / 4);
  patch->swell[0][i] = 1;
  patch->swell[1][i] = (float)(-z * fade);
  patch->swell[2][i] = (float)(z * z * fade);
}

/* Walks the patch pixels of a grid of px_per_mm; counts them in `counts`, and
 * with patches that have storage also writes where they lie. */
static void grid_walk(const udg_template *made, double px_per_mm, udg_patch_set *set,
                      int counts[UDG_PLACES_MAX]) {
  double half[2];
  for (int i = 0; i < 2; i++)
    half[i] = ceil((made->half_size_mm[i] + made->margin_mm) * px_per_mm);
  for (int p = 0; p < UDG_PLACES_MAX; p++)
    counts[p] = 0;
  for (double j = -half[1]; j <= half[1]; j++)
    for (double i = -half[0]; i <= half[0]; i++) {
      double x = made->centre_mm[0] + i / px_per_mm, y = made->centre_mm[1] + j / px_per_mm;
      double fx = made->origin_px[0] + made->px_per_mm * x;
      double fy = made->origin_px[1] + made->px_per_mm * y;
      if (!(fx >= 2 && fx < made->p.width - 2 && fy >= 2 && fy < made->p.height - 2))
        continue;
      size_t at = (size_t)fy * (size_t)made->p.width + (size_t)fx;
      if ((double)made->distance.v[at] < -made->margin_mm)
        continue;
      int place = (int)made->owner.v[at];
      udg_patch *patch = &set->patches[place];
      if (patch->u) {
        normal_take(made, fx, fy, &patch->n_x[counts[place]], &patch->n_y[counts[place]]);
        swells_take(made, (double)made->distance.v[at], patch, counts[place]);
        patch->u[counts[place]] = (float)(x - made->place_mm[place][0]);
        patch->v[counts[place]] = (float)(y - made->place_mm[place][1]);
      }
      counts[place]++;
    }
}

static udg_status patches_create(const udg_settings *settings, const int counts[UDG_PLACES_MAX],
                                 udg_patch_set *set) {
  for (int p = 0; p < set->patch_count; p++) {
    udg_patch *patch = &set->patches[p];
    size_t count = (size_t)counts[p], cells = count * (size_t)set->column_stride;
    patch->u = udg_memory_get(settings, count + 1, (4 + UDG_SWELLS) * sizeof *patch->u);
    patch->t = udg_memory_get(settings, cells + 1, 3 * sizeof *patch->t);
    if (!patch->u || !patch->t)
      return UDG_ERROR_MEMORY;
    patch->v = patch->u + count;
    patch->n_x = patch->v + count;
    patch->n_y = patch->n_x + count;
    for (int k = 0; k < UDG_SWELLS; k++)
      patch->swell[k] = patch->n_y + (size_t)(k + 1) * count;
    patch->t_x = patch->t + cells;
    patch->t_y = patch->t_x + cells;
    patch->count = counts[p];
  }
  return UDG_OK;
}

/* Where the samples of a patch pixel lie in the fine plane: all that do not depend on the column.
 */
typedef struct sampling {
  double x, y;
  udg_cubic cubic;
} sampling;

static udg_status samplings_take(const udg_settings *settings, const udg_template *made,
                                 const udg_patch_set *set, sampling **all) {
  size_t at = 0, count = (size_t)udg_patch_set_pixels(set);
  *all = udg_memory_get(settings, count + 1, sizeof **all);
  if (!*all)
    return UDG_ERROR_MEMORY;
  for (int p = 0; p < set->patch_count; p++) {
    const udg_patch *patch = &set->patches[p];
    for (int i = 0; i < patch->count; i++) {
      sampling *s = &(*all)[at++];
      s->x = made->origin_px[0] + made->px_per_mm * (patch->centre_mm[0] + (double)patch->u[i]);
      s->y = made->origin_px[1] + made->px_per_mm * (patch->centre_mm[1] + (double)patch->v[i]);
      udg_cubic_take(s->x, s->y, &s->cubic);
    }
  }
  return UDG_OK;
}

/* The fine plane (dx, dy) px off a sample. */
static float sample_off(const udg_plane *fine, const sampling *s, int dx, int dy) {
  const udg_cubic *c = &s->cubic;
  int i = c->i + dx, j = c->j + dy;
  if (i >= 0 && j >= 0 && i + 3 < fine->width && j + 3 < fine->height)
    return udg_four_by_four(udg_plane_row(fine, j) + i, fine->width, c->wx, c->wy);
  return udg_plane_sample(fine, s->x + dx, s->y + dy);
}

static void column_sample(const udg_template *made, const udg_plane *fine, const sampling *all,
                          int column, udg_patch_set *set) {
  float slope = (float)(made->px_per_mm / 2);
  for (int p = 0; p < set->patch_count; p++) {
    udg_patch *patch = &set->patches[p];
    for (int i = 0; i < patch->count; i++, all++) {
      size_t at = (size_t)i * (size_t)set->column_stride + (size_t)column;
      patch->t[at] = sample_off(fine, all, 0, 0);
      patch->t_x[at] = slope * (sample_off(fine, all, 1, 0) - sample_off(fine, all, -1, 0));
      patch->t_y[at] = slope * (sample_off(fine, all, 0, 1) - sample_off(fine, all, 0, -1));
    }
  }
}

static void background_fill(udg_patch_set *set) {
  for (int p = 0; p < set->patch_count; p++) {
    udg_patch *patch = &set->patches[p];
    for (int i = 0; i < patch->count; i++) {
      float *t = patch->t + (size_t)i * (size_t)set->column_stride;
      t[UDG_COLUMN_LEVEL] = 1;
      t[UDG_COLUMN_RAMP_X] =
          (float)((patch->centre_mm[0] + (double)patch->u[i] - set->centre_mm[0]) / set->radius_mm);
      t[UDG_COLUMN_RAMP_Y] =
          (float)((patch->centre_mm[1] + (double)patch->v[i] - set->centre_mm[1]) / set->radius_mm);
    }
  }
}

static void mean_take(udg_plane *plane, double sigma_px, udg_plane *mean, udg_plane *scratch) {
  size_t count = (size_t)plane->width * (size_t)plane->height;
  memcpy(mean->v, plane->v, count * sizeof *mean->v);
  udg_rescale_mean(mean, sigma_px, scratch);
  for (size_t i = 0; i < count; i++)
    plane->v[i] -= mean->v[i];
}

udg_status udg_template_patches(const udg_settings *settings, const udg_template *made,
                                double px_per_mm, double sigma_mm, double mean_mm,
                                udg_patch_set *set, udg_message *message) {
  int counts[UDG_PLACES_MAX];
  udg_plane fine = {0}, scratch = {0}, mean = {0};
  sampling *samples = NULL;
  *set = (udg_patch_set){.patch_count = made->place_count,
                         .column_count = UDG_COLUMN_COUNT,
                         .column_stride = UDG_COLUMNS_MAX, /* whole vectors of four */
                         .background_count = UDG_COLUMN_P,
                         .px_per_mm = px_per_mm};
  for (int i = 0; i < 2; i++)
    set->centre_mm[i] = made->centre_mm[i];
  set->radius_mm = hypot(made->half_size_mm[0], made->half_size_mm[1]);
  for (int p = 0; p < set->patch_count; p++)
    for (int i = 0; i < 2; i++)
      set->patches[p].centre_mm[i] = made->place_mm[p][i];
  grid_walk(made, px_per_mm, set, counts);
  udg_status status = patches_create(settings, counts, set);
  if (status == UDG_OK)
    status = udg_plane_create(settings, made->p.width, made->p.height, &fine);
  if (status == UDG_OK)
    status = udg_plane_create(settings, made->p.width, made->p.height, &scratch);
  if (status == UDG_OK)
    status = udg_plane_create(settings, made->p.width, made->p.height, &mean);
  if (status == UDG_OK) {
    grid_walk(made, px_per_mm, set, counts);
    background_fill(set);
    status = samplings_take(settings, made, set, &samples);
  }
  if (status == UDG_OK) {
    for (int column = UDG_COLUMN_P; column < UDG_COLUMN_COUNT && status == UDG_OK; column++) {
      if (udg_stop_wanted(settings))
        status = UDG_ERROR_CANCELLED;
      udg_template_column(made, (udg_column)column, &fine);
      udg_plane_blur(&fine, sigma_mm * made->px_per_mm, &scratch);
      if (mean_mm > 0)
        mean_take(&fine, mean_mm * made->px_per_mm, &mean, &scratch);
      column_sample(made, &fine, samples, column, set);
    }
  }
  udg_memory_drop(settings, samples);
  udg_plane_destroy(settings, &mean);
  udg_plane_destroy(settings, &scratch);
  udg_plane_destroy(settings, &fine);
  if (status != UDG_OK) {
    udg_patch_set_destroy(settings, set);
    return udg_fail(message, status,
                    status == UDG_ERROR_CANCELLED ? "cancelled while the date was drawn"
                                                  : "no memory for the date's columns");
  }
  return UDG_OK;
}
