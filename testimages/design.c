/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "design.h"

#include <math.h>
#include <stdlib.h>

#include "letters.h"

#define PI 3.141592653589793

double ti_design_diameter(const udg_reference *reference) {
  if (reference->diameter_mm > 0)
    return reference->diameter_mm;
  return 14 * reference->dates[0].height_mm;
}

void ti_design_date_origin(const udg_reference *reference, double origin_mm[2]) {
  origin_mm[0] = reference->date_origin_mm[0];
  origin_mm[1] = reference->date_origin_mm[1];
  if (!(reference->diameter_mm > 0)) {
    origin_mm[0] = 0;
    origin_mm[1] = 0.4 * ti_design_diameter(reference);
  }
}

static uint64_t hash(const char *name) {
  uint64_t h = UINT64_C(0xcbf29ce484222325); /* FNV-1a */
  for (; *name; name++)
    h = (h ^ (unsigned char)*name) * UINT64_C(0x100000001b3);
  return h;
}

/* A body, a row of leaves about it, small things beside: enough to be told from
 * its turned self by a correlation, and no likeness of anything. */
static void make_picture(ti_rng *rng, int other_side, ti_design *d, double relief) {
  double r = d->radius_mm * (other_side ? 0.5 : 0.36);
  int leaves = 7 + ti_rng_pick(rng, 8), small = 5 + ti_rng_pick(rng, 6);
  double lean = ti_rng_range(rng, 0, 2 * PI), bend = ti_rng_range(rng, 0.6, 1.6);
  d->knobs[d->knob_count++] = (ti_knob){0, -0.1 * r, 0.55 * r, 0.38 * r, lean, 4 * relief};
  d->knobs[d->knob_count++] = (ti_knob){
      0.3 * r * cos(lean), 0.3 * r * sin(lean) - 0.1 * r, 0.3 * r, 0.26 * r, lean + 1, 5 * relief};
  for (int k = 0; k < leaves; k++) {
    double a = lean + 2 * PI * 0.8 * k / leaves, far = r * ti_rng_range(rng, 0.75, 1.0);
    d->knobs[d->knob_count++] =
        (ti_knob){far * cos(a), far * sin(a), 0.24 * r, r * ti_rng_range(rng, 0.05, 0.1),
                  a + bend,     2 * relief};
  }
  for (int k = 0; k < small && d->knob_count < TI_KNOBS_MAX; k++)
    d->knobs[d->knob_count++] =
        (ti_knob){r * ti_rng_range(rng, -0.8, 0.8),  r * ti_rng_range(rng, -0.8, 0.8),
                  r * ti_rng_range(rng, 0.06, 0.22), r * ti_rng_range(rng, 0.03, 0.08),
                  ti_rng_range(rng, 0, PI),          relief * ti_rng_range(rng, 1, 3)};
}

void ti_design_make(const udg_reference *reference, int other_side, ti_design *design) {
  double relief = reference->relief_mm, origin[2];
  ti_rng rng = ti_rng_create(hash(reference->name), (uint64_t)other_side, 0);
  *design = (ti_design){.radius_mm = 0.5 * ti_design_diameter(reference)};
  ti_design_date_origin(reference, origin);
  design->centre_mm[0] = -origin[0];
  design->centre_mm[1] = -origin[1];
  design->rim_mm = ti_rng_range(&rng, 0.045, 0.06) * design->radius_mm;
  design->rim_height_mm = 1.5 * relief;
  design->teeth = 60 + ti_rng_pick(&rng, 50);
  design->teeth_to_mm = design->radius_mm - design->rim_mm - 0.06;
  design->teeth_from_mm = design->teeth_to_mm - ti_rng_range(&rng, 0.4, 0.6);
  design->teeth_height_mm = relief;
  design->letter_mm = 0.115 * design->radius_mm;
  design->legend_mm = design->teeth_from_mm - 0.35 - design->letter_mm;
  design->stroke_mm = 0.13 * design->letter_mm;
  design->letter_height_mm = relief;
  design->legend = reference->name;
  make_picture(&rng, other_side, design, relief);
}

static float *at(ti_field *f, int x, int y) {
  return udg_plane_row(&f->h, y) + x;
}

static void stamp_rim(const ti_design *d, ti_field *f) {
  double soft = 0.12, inner = d->radius_mm - d->rim_mm, tooth = 2 * PI / d->teeth;
  for (int j = 0; j < f->h.height; j++)
    for (int i = 0; i < f->h.width; i++) {
      double x = f->x0_mm + i / f->px_per_mm - d->centre_mm[0];
      double y = f->y0_mm + j / f->px_per_mm - d->centre_mm[1], r2 = x * x + y * y;
      if (r2 < (d->teeth_from_mm - soft) * (d->teeth_from_mm - soft))
        continue;
      double r = sqrt(r2);
      double rise = ti_profile_rise(TI_PROFILE_SMOOTH, r - inner, soft) -
                    2 * ti_profile_rise(TI_PROFILE_SMOOTH, r - d->radius_mm + soft, 1.2 * soft);
      double h = d->rim_height_mm * rise;
      if (r < d->teeth_to_mm + soft) {
        double a = fabs(remainder(atan2(y, x), tooth)) * r, half = 0.3 * tooth * r;
        double depth = fmin(half - a, fmin(r - d->teeth_from_mm, d->teeth_to_mm - r));
        h = fmax(h, d->teeth_height_mm * ti_profile_rise(TI_PROFILE_SMOOTH, depth, 0.09));
      }
      float *out = at(f, i, j);
      /* The edge falls below the field, so it is not joined by the maximum. */
      if (h > *out || r > d->radius_mm - soft)
        *out = (float)h;
    }
}

static void stamp_knob(const ti_knob *k, const double centre[2], double strength, ti_field *f) {
  double c = cos(k->turn_rad), s = sin(k->turn_rad), reach = k->half_long;
  double mx = centre[0] + k->x, my = centre[1] + k->y, ppm = f->px_per_mm;
  int x0 = (int)fmax(0, (mx - reach - f->x0_mm) * ppm);
  int y0 = (int)fmax(0, (my - reach - f->y0_mm) * ppm);
  int x1 = (int)fmin(f->h.width - 1, (mx + reach - f->x0_mm) * ppm);
  int y1 = (int)fmin(f->h.height - 1, (my + reach - f->y0_mm) * ppm);
  for (int j = y0; j <= y1; j++)
    for (int i = x0; i <= x1; i++) {
      double dx = f->x0_mm + i / ppm - mx, dy = f->y0_mm + j / ppm - my;
      double u = (c * dx + s * dy) / k->half_long, v = (c * dy - s * dx) / k->half_wide;
      double left = 1 - u * u - v * v;
      /* Between a dome and a plateau: a border that shows, a back that is round. */
      float h = left > 0 ? (float)(strength * k->height_mm * left / (left + 0.25)) : 0;
      if (h > *at(f, i, j))
        *at(f, i, j) = h;
    }
}

/* One letter: its baseline's middle at `angle` on the legend's circle, feet to the centre. */
static void stamp_letter(const ti_design *d, const char *strokes, double width, double angle,
                         const double centre[2], double strength, ti_field *f) {
  double c = cos(angle), s = sin(angle), last[2] = {0, 0};
  int joined = 0;
  while (*strokes) {
    char *end;
    double x = (strtod(strokes, &end) - width / 2) * d->letter_mm;
    double y = strtod(end + 1, &end) * d->letter_mm + d->legend_mm;
    double p[2] = {centre[0] + c * x + s * y, centre[1] + s * x - c * y};
    if (joined)
      ti_field_ridge(f, &f->h, last, p, 0.75 * d->stroke_mm, strength * d->letter_height_mm);
    last[0] = p[0];
    last[1] = p[1];
    joined = *end != ';';
    strokes = *end ? end + 1 : end;
  }
}

/* Round the top, as wide as it comes, at most 250 degrees. */
static void stamp_legend(const ti_design *d, const double centre[2], double strength, ti_field *f) {
  double total = 0, width, gap = 0.32, blank = 0.45;
  for (const char *c = d->legend; *c; c++)
    total += (ti_letter_strokes(*c, &width) ? width : blank) + gap;
  double per_unit = fmin(1.35 * d->letter_mm / d->legend_mm, 250 * PI / 180 / fmax(total, 1));
  double angle = -0.5 * total * per_unit;
  for (const char *c = d->legend; *c; c++) {
    const char *strokes = ti_letter_strokes(*c, &width);
    if (!strokes)
      width = blank;
    angle += 0.5 * (width + gap) * per_unit;
    if (strokes)
      stamp_letter(d, strokes, width, angle, centre, strength, f);
    angle += 0.5 * (width + gap) * per_unit;
  }
}

void ti_design_stamp(const ti_design *design, const ti_offset *offset, double strength,
                     ti_field *field) {
  double centre[2] = {design->centre_mm[0] + offset->dx, design->centre_mm[1] + offset->dy};
  for (int k = 0; k < design->knob_count; k++)
    stamp_knob(&design->knobs[k], centre, strength, field);
  stamp_legend(design, centre, strength, field);
  if (strength >= 1)
    stamp_rim(design, field);
}

void ti_design_rim_cut(const ti_design *design, double clock, double relief_mm, ti_field *field) {
  double a = clock * PI / 6, from = design->teeth_from_mm - 0.35, to = design->teeth_to_mm + 0.2;
  double p[2] = {design->centre_mm[0] + from * sin(a), design->centre_mm[1] - from * cos(a)};
  double q[2] = {design->centre_mm[0] + to * sin(a), design->centre_mm[1] - to * cos(a)};
  ti_field_ridge(field, &field->h, p, q, 0.17, 1.6 * relief_mm);
}

udg_status ti_design_cover(const udg_settings *settings, const ti_design *design,
                           const ti_field *field, udg_plane *cover) {
  udg_status status = udg_plane_create(settings, field->h.width, field->h.height, cover);
  if (status != UDG_OK)
    return status;
  for (int j = 0; j < cover->height; j++) {
    float *row = udg_plane_row(cover, j);
    for (int i = 0; i < cover->width; i++) {
      double x = field->x0_mm + i / field->px_per_mm - design->centre_mm[0];
      double y = field->y0_mm + j / field->px_per_mm - design->centre_mm[1];
      double inside = (design->radius_mm - hypot(x, y)) * field->px_per_mm + 0.5;
      row[i] = (float)fmax(0, fmin(1, inside));
    }
  }
  return UDG_OK;
}
