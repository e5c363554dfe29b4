/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a die or a coin gets in its life. */
#include <math.h>

#include "design.h"
#include "field.h"

enum { STREAM_DAMAGE = 3 };

/* Damage lies on the coin, not in the photo: drawn over the date and what is
 * around it, so that another photo of the coin shows the same. */
typedef struct extent {
  double x0, y0, wide, high, share; /* share: times the area of the close-up */
} extent;

static extent damage_extent(const ti_scene *scene) {
  double h = scene->date->height_mm, w = h * scene->date->place_count;
  if (scene->has_design) { /* all over the coin */
    double d = ti_design_diameter(scene->reference), origin[2];
    ti_design_date_origin(scene->reference, origin);
    return (extent){-origin[0] - d / 2, -origin[1] - d / 2, d, d, 0.4 * d * d / ((w + h) * 2 * h)};
  }
  extent e = {-w / 2 - 3 * h, -4 * h, w + 6 * h, 7 * h, 0};
  e.share = e.wide * e.high / ((w + h) * 2 * h);
  return e;
}

/* A crack: a raised line that wanders and tapers. */
static void crack(const ti_scene *scene, const ti_mark *m, const ti_field *f, udg_plane *raised) {
  ti_rng rng = ti_rng_create(m->wander, 0, 0);
  double at[2] = {m->x, m->y}, angle = m->angle_rad, step = 0.06, drift = 0;
  /* Both ways from the middle, so that it crosses where the mark says. */
  for (int side = 0; side < 2; side++) {
    double p[2] = {at[0], at[1]}, gone = 0, along = angle + side * 3.141592653589793;
    drift = 0;
    while (gone < m->length / 2) {
      drift = 0.9 * drift + 0.14 * ti_rng_normal(&rng);
      along += 0.35 * drift;
      double q[2] = {p[0] + step * cos(along), p[1] + step * sin(along)};
      double taper = sqrt(1 - gone / (m->length / 2)), width = 0.5 * m->width;
      width *= (0.35 + 0.65 * taper) * ti_rng_range(&rng, 0.75, 1.2);
      ti_field_ridge(f, raised, p, q, width,
                     m->height * scene->coin.relief_mm * (0.3 + 0.7 * taper));
      p[0] = q[0];
      p[1] = q[1];
      gone += step;
    }
  }
}

/* A chip: an uneven knob that fills up to its height. */
static void chip(const ti_scene *scene, const ti_mark *m, ti_field *f) {
  ti_rng rng = ti_rng_create(m->wander, 1, 0);
  double wave[6], ppm = f->px_per_mm, long_side = ti_rng_range(&rng, 1.0, 1.8);
  for (int k = 0; k < 6; k++)
    wave[k] = 0.08 * ti_rng_normal(&rng);
  double c = cos(m->angle_rad), s = sin(m->angle_rad), reach = 2.2 * m->radius * long_side;
  int x0 = (int)fmax(0, floor((m->x - reach - f->x0_mm) * ppm));
  int y0 = (int)fmax(0, floor((m->y - reach - f->y0_mm) * ppm));
  int x1 = (int)fmin(f->h.width - 1, ceil((m->x + reach - f->x0_mm) * ppm));
  int y1 = (int)fmin(f->h.height - 1, ceil((m->y + reach - f->y0_mm) * ppm));
  for (int j = y0; j <= y1; j++) {
    float *row = udg_plane_row(&f->h, j);
    for (int i = x0; i <= x1; i++) {
      double dx = f->x0_mm + i / ppm - m->x, dy = f->y0_mm + j / ppm - m->y;
      double u = (c * dx + s * dy) / long_side, v = -s * dx + c * dy, a = atan2(v, u);
      double r = m->radius;
      for (int k = 0; k < 3; k++)
        r *= 1 + wave[2 * k] * cos((k + 2) * a) + wave[2 * k + 1] * sin((k + 2) * a);
      double d = r - hypot(u, v);
      double rise = ti_profile_rise(TI_PROFILE_ROUND, d, 0.7 * m->radius);
      float h = (float)(m->height * scene->coin.relief_mm * rise);
      if (h > row[i])
        row[i] = h;
    }
  }
}

udg_status ti_marks_raise(const udg_settings *settings, const ti_scene *scene, ti_field *field) {
  udg_plane raised = {0};
  for (int k = 0; k < scene->coin.mark_count; k++) {
    const ti_mark *m = &scene->coin.marks[k];
    if (m->kind == TI_CHIP)
      chip(scene, m, field);
    if (m->kind != TI_CRACK)
      continue;
    udg_status status = UDG_OK;
    if (!raised.v)
      status = udg_plane_create(settings, field->h.width, field->h.height, &raised);
    if (status != UDG_OK)
      return status;
    crack(scene, m, field, &raised);
  }
  if (raised.v) {
    size_t count = (size_t)raised.width * (size_t)raised.height;
    for (size_t k = 0; k < count; k++)
      field->h.v[k] += raised.v[k];
  }
  udg_plane_destroy(settings, &raised);
  return UDG_OK;
}

/* A cut with a burr thrown up on both sides. */
static void groove(const ti_field *f, udg_plane *cut, udg_plane *burr, const double a[2],
                   const double b[2], double width, double depth) {
  ti_field_ridge(f, cut, a, b, 0.5 * width, 1.25 * depth);
  ti_field_ridge(f, burr, a, b, 0.95 * width, 0.25 * depth);
}

static void scratch(const ti_scene *scene, const ti_mark *m, const ti_field *f, udg_plane *cut,
                    udg_plane *burr) {
  double dx = 0.5 * m->length * cos(m->angle_rad), dy = 0.5 * m->length * sin(m->angle_rad);
  double full = m->height * scene->coin.relief_mm;
  enum { PIECES = 24 };
  for (int k = 0; k < PIECES; k++) {
    double t = 2.0 * k / PIECES - 1, u = 2.0 * (k + 1) / PIECES - 1, mid = 0.5 * (t + u);
    double a[2] = {m->x + t * dx, m->y + t * dy}, b[2] = {m->x + u * dx, m->y + u * dy};
    double lift = sqrt(sqrt(1 - mid * mid)); /* runs out at both ends */
    groove(f, cut, burr, a, b, m->width * (0.4 + 0.6 * lift), full * lift);
  }
}

static void dent(ti_rng *rng, const extent *e, const ti_field *f, udg_plane *cut, udg_plane *burr) {
  double p[2] = {e->x0 + ti_rng_unit(rng) * e->wide, e->y0 + ti_rng_unit(rng) * e->high};
  double r = ti_rng_log_range(rng, 0.03, 0.15), depth = r * ti_rng_range(rng, 0.08, 0.35);
  double turn = ti_rng_range(rng, 0, 6.283185307179586), length = r * ti_rng_range(rng, 0, 0.8);
  double q[2] = {p[0] + length * cos(turn), p[1] + length * sin(turn)};
  ti_field_ridge(f, cut, p, q, r, 1.2 * depth);
  ti_field_ridge(f, burr, p, q, 1.5 * r, 0.2 * depth);
}

static void hairline(ti_rng *rng, const extent *e, const ti_field *f, udg_plane *cut) {
  double x = e->x0 + ti_rng_unit(rng) * e->wide;
  double y = e->y0 + ti_rng_unit(rng) * e->high;
  double angle = ti_rng_range(rng, 0, 3.141592653589793), length = ti_rng_log_range(rng, 0.4, 4.0);
  double width = ti_rng_range(rng, 0.012, 0.03), depth = width * ti_rng_range(rng, 0.08, 0.3);
  double bend = 0.04 * ti_rng_normal(rng);
  for (int k = 0; k < 6; k++) {
    double next[2] = {x + length / 6 * cos(angle), y + length / 6 * sin(angle)};
    double at[2] = {x, y};
    ti_field_ridge(f, cut, at, next, 0.5 * width, depth);
    x = next[0];
    y = next[1];
    angle += bend;
  }
}

udg_status ti_marks_cut(const udg_settings *settings, const ti_scene *scene, ti_field *field) {
  udg_plane cut = {0}, burr = {0};
  udg_status status = udg_plane_create(settings, field->h.width, field->h.height, &cut);
  if (status == UDG_OK)
    status = udg_plane_create(settings, field->h.width, field->h.height, &burr);
  if (status == UDG_OK) {
    ti_rng rng = ti_rng_create(scene->stream, (uint64_t)scene->index, STREAM_DAMAGE);
    extent e = damage_extent(scene);
    for (int k = 0; k < (int)(scene->coin.dents * e.share); k++)
      dent(&rng, &e, field, &cut, &burr);
    for (int k = 0; k < (int)(scene->coin.hairlines * e.share); k++)
      hairline(&rng, &e, field, &cut);
    for (int k = 0; k < scene->coin.mark_count; k++)
      if (scene->coin.marks[k].kind == TI_SCRATCH)
        scratch(scene, &scene->coin.marks[k], field, &cut, &burr);
    size_t count = (size_t)cut.width * (size_t)cut.height;
    for (size_t k = 0; k < count; k++)
      field->h.v[k] += burr.v[k] - cut.v[k];
  }
  udg_plane_destroy(settings, &cut);
  udg_plane_destroy(settings, &burr);
  return status;
}
