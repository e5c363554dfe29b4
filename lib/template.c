/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "template.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "relief.h"
#include "wider.h"

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
  if (udg_plane_create_raw(settings, made->distance.width, made->distance.height, &one) != UDG_OK)
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

/* udg_relief_profile() of many. */
UDG_WIDER
static void profiles_take(const float *restrict distance, double bevel, size_t count,
                          float *restrict profile) {
  for (size_t i = 0; i < count; i++) {
    double t = (double)distance[i] / bevel;
    t = t > 0.0 ? t : 0.0;
    t = t < 1.0 ? t : 1.0;
    profile[i] = (float)(t * t * (3.0 - 2.0 * t));
  }
}

static udg_status relief_take(const udg_settings *settings, udg_template *made,
                              udg_message *message) {
  udg_plane height = {0};
  const int w = made->distance.width, h = made->distance.height;
  if (udg_plane_create_raw(settings, w, h, &height) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's relief");
  profiles_take(made->distance.v, made->bevel_mm, (size_t)w * (size_t)h, height.v);
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
  twin->foot = (udg_plane){0};
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

/* Lines of a plane moved by a part of a pixel, as udg_plane_sample() weighs them: down first. */
typedef struct moved {
  udg_cubic by;  /* the pixels that weigh for line 0 and column 0 */
  float *around; /* a line, and its ends repeated about it */
  int more;      /* to each side */
} moved;

static void line_weigh(const udg_plane *plane, const moved *m, int y, float *restrict out) {
  const int last = plane->height - 1;
  const float *row[4];
  for (int k = 0; k < 4; k++) {
    const int from = y + m->by.j + k;
    row[k] = udg_plane_row(plane, from < 0 ? 0 : from > last ? last : from);
  }
  udg_plane_weigh_rows(row, m->by.wy, plane->width, out);
}

/* Height and distance of a line, the second image's distances in `second`. */
UDG_WIDER
static void line_raise(const float *restrict once, const float *restrict second, const float wx[4],
                       int count, double bevel, double share, float *restrict distance,
                       float *restrict height) {
  for (int x = 0; x < count; x++) {
    const double first = (double)once[x];
    const double over = (double)((second[x] * wx[0] + second[x + 1] * wx[1]) +
                                 (second[x + 2] * wx[2] + second[x + 3] * wx[3]));
    double t = first / bevel, u = over / bevel;
    t = t > 0.0 ? t : 0.0; /* udg_relief_profile() */
    u = u > 0.0 ? u : 0.0;
    t = t < 1.0 ? t : 1.0;
    u = u < 1.0 ? u : 1.0;
    const double one = t * t * (3.0 - 2.0 * t), two = share * (u * u * (3.0 - 2.0 * u));
    distance[x] = (float)(first > over ? first : over);
    height[x] = (float)(one > two ? one : two);
  }
}

udg_status udg_template_set_twice(const udg_settings *settings, const udg_template *once,
                                  const double shift_mm[2], double share, udg_template *twin,
                                  udg_plane *height) {
  const int w = once->p.width, h = once->p.height;
  const double by[2] = {shift_mm[0] * once->px_per_mm, shift_mm[1] * once->px_per_mm};
  moved m;
  if (!(fabs(by[0]) < w - 6) || !(fabs(by[1]) < h - 6))
    return UDG_ERROR_ARGUMENT;
  udg_cubic_take(0.5 - fmod(by[0], 1.0) + 2.0, 0.5 - fmod(by[1], 1.0) + 2.0, &m.by);
  m.by.i += -2 - (int)by[0];
  m.by.j += -2 - (int)by[1];
  m.more = abs(m.by.i) + 4;
  m.around = udg_memory_get(settings, (size_t)w + 2 * (size_t)m.more, sizeof *m.around);
  if (!m.around)
    return UDG_ERROR_MEMORY;
  float *line = m.around + m.more;
  for (int y = 0; y < h; y++) {
    line_weigh(&once->distance, &m, y, line);
    for (int k = 1; k <= m.more; k++) {
      line[-k] = line[0];
      line[w - 1 + k] = line[w - 1];
    }
    line_raise(udg_plane_row(&once->distance, y), line + m.by.i, m.by.wx, w, once->bevel_mm, share,
               udg_plane_row(&twin->distance, y), udg_plane_row(height, y));
  }
  udg_memory_drop(settings, m.around);
  slopes_take(height, twin);
  return UDG_OK;
}

void udg_template_destroy(const udg_settings *settings, udg_template *made) {
  udg_plane_destroy(settings, &made->distance);
  udg_plane_destroy(settings, &made->owner);
  udg_plane_destroy(settings, &made->p);
  udg_plane_destroy(settings, &made->q);
  udg_plane_destroy(settings, &made->foot);
}

/* Beyond so many of its spreads the foot's band is below 1e-12. */
static const double FOOT_ENDS = 7.5;

static void foot_take(const udg_template *made, float *to) {
  const size_t count = (size_t)made->p.width * (size_t)made->p.height;
  const float *d = made->distance.v;
  for (size_t i = 0; i < count; i++) {
    const double band = (double)d[i] / (FOOT_SPREAD * made->bevel_mm);
    if (i > 0 && d[i] == d[i - 1]) /* most of the field lies where the distance is cut off */
      to[i] = to[i - 1];
    else
      to[i] = fabs(band) < FOOT_ENDS ? (float)exp(-0.5 * band * band) : 0.0f;
  }
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
  if (status == UDG_OK && !own->foot.v) {
    status = udg_plane_create_raw(&templates->settings, own->p.width, own->p.height, &own->foot);
    if (status != UDG_OK)
      return udg_fail(message, status, "no memory for the date's relief");
    foot_take(own, own->foot.v);
  }
  *made = own;
  return status;
}

/* Columns that are a polynomial of the slopes. */
#define SLOPES_TAKE(value)                                                                         \
  for (size_t i = 0; i < count; i++) {                                                             \
    float p = from_p[i], q = from_q[i], s = p * p + q * q;                                         \
    (void)s;                                                                                       \
    to[i] = (value);                                                                               \
  }                                                                                                \
  break

UDG_WIDER
static void slopes_column(const float *restrict from_p, const float *restrict from_q,
                          udg_column column, size_t count, float *restrict to) {
  switch (column) {
  case UDG_COLUMN_P:
    SLOPES_TAKE(p);
  case UDG_COLUMN_Q:
    SLOPES_TAKE(q);
  case UDG_COLUMN_SQUARE:
    SLOPES_TAKE(s);
  case UDG_COLUMN_ACROSS:
    SLOPES_TAKE(p * p - q * q);
  case UDG_COLUMN_DIAGONAL:
    SLOPES_TAKE(2 * p * q);
  case UDG_COLUMN_CUBE_P:
    SLOPES_TAKE(p * s);
  case UDG_COLUMN_CUBE_Q:
    SLOPES_TAKE(q * s);
  case UDG_COLUMN_TREFOIL_P:
    SLOPES_TAKE(p * (p * p - 3 * q * q));
  case UDG_COLUMN_TREFOIL_Q:
    SLOPES_TAKE(q * (3 * p * p - q * q));
  case UDG_COLUMN_FIFTH_P:
    SLOPES_TAKE(p * s * s);
  case UDG_COLUMN_FIFTH_Q:
    SLOPES_TAKE(q * s * s);
  case UDG_COLUMN_FOURTH_ACROSS:
    SLOPES_TAKE(s * (p * p - q * q));
  case UDG_COLUMN_FOURTH_DIAGONAL:
    SLOPES_TAKE(2 * p * q * s);
  case UDG_COLUMN_FOURTH:
    SLOPES_TAKE(s * s);
  case UDG_COLUMN_TOP:
  case UDG_COLUMN_FOOT:
  case UDG_COLUMN_LEVEL:
  case UDG_COLUMN_RAMP_X:
  case UDG_COLUMN_RAMP_Y:
  case UDG_COLUMN_COUNT:
    break;
  }
}

void udg_template_column(const udg_template *made, udg_column column, udg_plane *plane) {
  const size_t count = (size_t)made->p.width * (size_t)made->p.height;
  if (column == UDG_COLUMN_TOP)
    profiles_take(made->distance.v, made->bevel_mm, count, plane->v);
  else if (column == UDG_COLUMN_FOOT && made->foot.v)
    memcpy(plane->v, made->foot.v, count * sizeof *plane->v);
  else if (column == UDG_COLUMN_FOOT)
    foot_take(made, plane->v);
  else
    slopes_column(made->p.v, made->q.v, column, count, plane->v);
}
