/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The coin's surface about the date, in the order in which it comes about:
 * punches into the die, cracks, strike, wear, damage, grain. */
#include <math.h>

#include "design.h"
#include "field.h"
#include "known.h"

enum { SEED_GRAIN = 101, SEED_WAVES = 102 };

static ti_stamp stamp_at(const ti_scene *scene, int place, const ti_offset *offset, double strength,
                         double polish) {
  const ti_coin *c = &scene->coin;
  ti_stamp stamp = {.profile = c->profile,
                    .bevel_mm = c->bevel_mm,
                    .height_mm = strength * c->relief_mm,
                    .floor_mm = 0.6 * polish * c->relief_mm};
  ti_scene_place(scene, place, offset, stamp.centre_mm, &stamp.turn_rad);
  return stamp;
}

static const ti_shape *shape_of(const ti_shapes *shapes, char digit) {
  return &shapes->digits[digit - '0'];
}

static void stamp_present(const ti_shapes *shapes, const ti_scene *scene, ti_field *field) {
  for (int k = 0; k < scene->date->place_count; k++) {
    ti_stamp stamp = stamp_at(scene, k, &scene->coin.digits[k], 1, 0);
    ti_field_stamp(field, shape_of(shapes, scene->date->text[k]), &stamp, NULL);
  }
}

static void stamp_doubling(const ti_shapes *shapes, const ti_scene *scene, ti_field *field) {
  const ti_coin *c = &scene->coin;
  for (int k = 0; k < scene->date->place_count; k++) {
    if (c->has_under && c->under.place == k)
      continue; /* the earlier hub had another digit there */
    ti_offset o = {c->digits[k].dx, c->digits[k].dy, c->digits[k].turn_rad};
    ti_hub_again(scene, k, &o);
    ti_stamp stamp = stamp_at(scene, k, &o, c->doubling_strength, 0);
    ti_field_stamp(field, shape_of(shapes, scene->date->text[k]), &stamp, NULL);
  }
}

static void stamp_fragment(const ti_shapes *shapes, const ti_scene *scene, ti_field *field) {
  const ti_coin *c = &scene->coin;
  double cs = cos(c->fragment.turn_rad), sn = sin(c->fragment.turn_rad);
  /* The kept part's middle, not the digit's, goes to the fragment's place. */
  ti_stamp stamp = {.turn_rad = c->fragment.turn_rad,
                    .profile = c->profile,
                    .bevel_mm = c->bevel_mm,
                    .height_mm = c->fragment_strength * c->relief_mm,
                    .disc = c->fragment_cut};
  stamp.centre_mm[0] = c->fragment.dx - (cs * c->fragment_cut[0] - sn * c->fragment_cut[1]);
  stamp.centre_mm[1] = c->fragment.dy - (sn * c->fragment_cut[0] + cs * c->fragment_cut[1]);
  ti_field_stamp(field, shape_of(shapes, c->fragment_digit), &stamp, NULL);
}

static void stamp_trace(const ti_shapes *shapes, const ti_scene *scene, ti_field *field,
                        ti_stamp_area *area) {
  const ti_trace *t = &scene->coin.under;
  ti_offset o = t->offset;
  if (scene->coin.has_doubling && scene->reference->design_count) {
    o = (ti_offset){0, 0, 0};
    ti_hub_again(scene, t->place, &o);
  }
  ti_stamp stamp = stamp_at(scene, t->place, &o, t->strength, t->polish);
  ti_field_stamp(field, shape_of(shapes, t->digit), &stamp, area);
}

udg_status ti_relief_visible(const ti_shapes *shapes, ti_scene *scene) {
  const udg_place *place = &scene->date->places[scene->coin.under.place];
  double half = 1.3 * scene->date->height_mm;
  ti_field field = {
      .px_per_mm = 50, .x0_mm = place->centre_mm[0] - half, .y0_mm = place->centre_mm[1] - half};
  int size = (int)(2 * half * field.px_per_mm);
  udg_status status = udg_plane_create(&shapes->settings, size, size, &field.h);
  if (status != UDG_OK)
    return status;
  ti_stamp_area area;
  stamp_present(shapes, scene, &field);
  stamp_trace(shapes, scene, &field, &area);
  scene->visible_area_mm2 = area.visible_mm2;
  scene->visible_share = area.whole_mm2 > 0 ? area.visible_mm2 / area.whole_mm2 : 0;
  udg_plane_destroy(&shapes->settings, &field.h);
  return UDG_OK;
}

/* Metal that does not reach the bottom of the die: the high points are low and round, while the
 * foot of every shoulder is where it is. `before`: what was there already, NULL for nothing. */
static void leave_unfilled(const ti_coin *c, const udg_plane *before, ti_field *field) {
  for (int y = 0; y < field->h.height; y++) {
    float *row = udg_plane_row(&field->h, y);
    double dy = field->y0_mm + y / field->px_per_mm - c->fill_at_mm[1];
    for (int x = 0; x < field->h.width; x++) {
      if (before && row[x] <= udg_plane_row(before, y)[x])
        continue;
      double dx = field->x0_mm + x / field->px_per_mm - c->fill_at_mm[0];
      double away = fmin(fmax(hypot(dx, dy) / c->fill_reach_mm - 1, 0), 1);
      double up = fmin((double)row[x] / c->relief_mm, 1);
      double t = fmax(up - c->fill_from, 0) / (1 - c->fill_from);
      row[x] -= (float)((1 - c->fill) * (1 - away) * c->relief_mm * t * t * (3 - 2 * t));
    }
  }
}

/* The same for what is stamped later. */
static udg_status keep_before(const udg_settings *settings, const ti_coin *c, const ti_field *field,
                              udg_plane *before) {
  if (!(c->fill < 1))
    return UDG_OK;
  udg_status status = udg_plane_create(settings, field->h.width, field->h.height, before);
  size_t count = (size_t)field->h.width * (size_t)field->h.height;
  for (size_t k = 0; k < count && status == UDG_OK; k++)
    before->v[k] = field->h.v[k];
  return status;
}

/* Wear takes the tops: soft minimum of the height and a cap. */
static void wear_tops(ti_field *field, double relief_mm, double wear) {
  float cap = (float)(relief_mm * (1 - 0.5 * wear)), soft = (float)(0.2 * relief_mm);
  size_t count = (size_t)field->h.width * (size_t)field->h.height;
  for (size_t k = 0; k < count; k++) {
    float h = field->h.v[k], t = (h - cap + soft) / (2 * soft);
    if (t >= 1)
      h = cap;
    else if (t > 0)
      h -= soft * t * t;
    field->h.v[k] = h;
  }
}

static void stamp_design(const ti_shapes *shapes, const ti_scene *scene, ti_field *field) {
  const ti_coin *c = &scene->coin;
  ti_design design;
  ti_offset none = {0, 0, 0};
  ti_design_make(scene->reference, c->other_side, &design);
  /* What stands higher than the date wears sooner. */
  ti_field worn = *field;
  double low = 1 - 0.35 * c->wear;
  design.rim_height_mm *= low;
  design.letter_height_mm *= low;
  design.teeth_height_mm *= low;
  for (int k = 0; k < design.knob_count; k++)
    design.knobs[k].height_mm *= low;
  if (scene->reference->design_count && !c->other_side)
    design.legend = ""; /* the reference's own outlines stand there */
  if (c->has_doubling && scene->in_hub && !c->other_side)
    ti_design_stamp(&design, &c->doubling, fmin(0.99, c->doubling_strength), &worn);
  ti_design_stamp(&design, &none, 1, &worn);
  if (c->has_rim_cut && !c->other_side)
    ti_design_rim_cut(&design, c->rim_cut_clock, c->relief_mm, &worn);
  if (!c->other_side)
    ti_known_stamp(shapes, scene, low, &worn);
}

static void stamp_date(const ti_shapes *shapes, const ti_scene *scene, ti_field *field) {
  const ti_coin *c = &scene->coin;
  stamp_present(shapes, scene, field);
  if (c->has_doubling)
    stamp_doubling(shapes, scene, field);
  if (c->has_under)
    stamp_trace(shapes, scene, field, NULL);
  if (c->has_fragment)
    stamp_fragment(shapes, scene, field);
}

/* Metal flows in the strike and with wear: edges become round. */
static udg_status soften(const udg_settings *settings, const ti_coin *c, ti_field *field) {
  double soft_mm = c->strike_mm + 0.045 * c->wear;
  udg_plane scratch = {0};
  if (soft_mm == 0)
    return UDG_OK;
  udg_status status = udg_plane_create(settings, field->h.width, field->h.height, &scratch);
  if (status == UDG_OK)
    udg_plane_blur(&field->h, soft_mm * field->px_per_mm, &scratch);
  udg_plane_destroy(settings, &scratch);
  return status;
}

udg_status ti_relief_build(const ti_shapes *shapes, ti_scene *scene, ti_field *field) {
  const udg_settings *settings = &shapes->settings;
  const ti_coin *c = &scene->coin;
  udg_plane before = {0};
  udg_status status = UDG_OK;
  if (!c->other_side) {
    stamp_date(shapes, scene, field);
    status = ti_marks_raise(settings, scene, field);
  }
  if (status == UDG_OK && c->fill < 1)
    leave_unfilled(c, NULL, field);
  if (status == UDG_OK && c->wear > 0)
    wear_tops(field, c->relief_mm, c->wear);
  if (status == UDG_OK)
    status = keep_before(settings, c, field, &before);
  if (scene->has_design)
    stamp_design(shapes, scene, field);
  else if (!c->other_side)
    ti_known_stamp(shapes, scene, 1, field);
  if (status == UDG_OK && before.v)
    leave_unfilled(c, &before, field);
  udg_plane_destroy(settings, &before);
  if (status == UDG_OK)
    status = soften(settings, c, field);
  if (status == UDG_OK && (c->dents || c->hairlines || c->mark_count))
    status = ti_marks_cut(settings, scene, field);
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, field, &field->h, c->grain_size_mm, c->grain_mm,
                                ti_scene_noise(scene, SEED_GRAIN));
  if (status == UDG_OK && c->grain_mm > 0) /* the field is never quite flat */
    status = ti_plane_add_noise(settings, field, &field->h, 0.9, 0.006,
                                ti_scene_noise(scene, SEED_WAVES));
  return status;
}
