/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "known.h"

#include <math.h>

#include "marker.h"

/* Where the second impression of the hub has a point of the first. */
static void again(const ti_scene *scene, const double at[2], double to[2]) {
  const ti_coin *c = &scene->coin;
  double cs = cos(c->doubling.turn_rad), sn = sin(c->doubling.turn_rad);
  double x = at[0] - c->hub_about_mm[0], y = at[1] - c->hub_about_mm[1];
  to[0] = c->hub_about_mm[0] + cs * x - sn * y + c->doubling.dx;
  to[1] = c->hub_about_mm[1] + sn * x + cs * y + c->doubling.dy;
}

void ti_hub_again(const ti_scene *scene, int place, ti_offset *offset) {
  const udg_place *nominal = &scene->date->places[place];
  const ti_coin *c = &scene->coin;
  double at[2] = {nominal->centre_mm[0] + offset->dx, nominal->centre_mm[1] + offset->dy}, to[2];
  if (!scene->reference->design_count) { /* the date alone is known: it moves as one */
    offset->dx += c->doubling.dx;
    offset->dy += c->doubling.dy;
  } else {
    again(scene, at, to);
    offset->dx += to[0] - at[0];
    offset->dy += to[1] - at[1];
  }
  offset->turn_rad += c->doubling.turn_rad;
}

static int has(const ti_scene *scene, size_t marker) {
  return marker < 64 && (scene->coin.markers >> marker & 1);
}

static int is_of(const udg_marker *marker, size_t item) {
  for (int k = 0; k < marker->of_count; k++)
    if ((size_t)marker->of[k] == item)
      return 1;
  return 0;
}

/* One item of the design with what is broken away of it, and its second images. */
static void stamp_item(const ti_shapes *shapes, const ti_scene *scene, size_t item, double height,
                       ti_field *field) {
  const udg_reference *ref = scene->reference;
  const udg_design_item *it = &ref->design[item];
  const ti_coin *c = &scene->coin;
  ti_stamp stamp = {.centre_mm = {it->at_mm[0], it->at_mm[1]},
                    .turn_rad = it->turn_rad,
                    .profile = c->profile,
                    .bevel_mm = c->bevel_mm,
                    .height_mm = height * c->relief_mm};
  for (size_t k = 0; k < ref->marker_count; k++) {
    const udg_marker *m = &ref->markers[k];
    if (!has(scene, k) || !is_of(m, item))
      continue;
    if (m->kind == UDG_MARKER_MISSING) {
      stamp.less = &shapes->markers[k];
      stamp.less_centre_mm[0] = m->at_mm[0];
      stamp.less_centre_mm[1] = m->at_mm[1];
      stamp.less_turn_rad = m->turn_rad;
    }
    if (m->kind == UDG_MARKER_DOUBLED) {
      ti_stamp second = stamp;
      second.less = NULL;
      second.height_mm *= m->relief;
      second.centre_mm[0] += m->shift_mm[0];
      second.centre_mm[1] += m->shift_mm[1];
      ti_field_stamp(field, &shapes->design[item], &second, NULL);
    }
  }
  ti_field_stamp(field, &shapes->design[item], &stamp, NULL);
  if (scene->in_hub && c->has_doubling) {
    stamp.less = NULL;
    stamp.height_mm *= fmin(0.99, c->doubling_strength);
    again(scene, it->at_mm, stamp.centre_mm);
    stamp.turn_rad += c->doubling.turn_rad;
    ti_field_stamp(field, &shapes->design[item], &stamp, NULL);
  }
}

static void stamp_marker(const ti_shapes *shapes, const ti_scene *scene, size_t index,
                         double height, ti_field *field) {
  const udg_marker *m = &scene->reference->markers[index];
  const ti_coin *c = &scene->coin;
  ti_stamp stamp = {.centre_mm = {m->at_mm[0], m->at_mm[1]},
                    .turn_rad = m->turn_rad,
                    .profile = c->profile,
                    .bevel_mm = fmin(c->bevel_mm, 0.5 * m->narrow_mm),
                    .height_mm = height * m->relief * c->relief_mm};
  if (m->disc[2] > 0) {
    double cs = cos(m->turn_rad), sn = sin(m->turn_rad);
    stamp.disc = m->disc;
    stamp.centre_mm[0] -= cs * m->disc[0] - sn * m->disc[1];
    stamp.centre_mm[1] -= sn * m->disc[0] + cs * m->disc[1];
  }
  ti_field_stamp(field, &shapes->markers[index], &stamp, NULL);
}

void ti_known_stamp(const ti_shapes *shapes, const ti_scene *scene, double height,
                    ti_field *field) {
  const udg_reference *ref = scene->reference;
  for (size_t k = 0; k < ref->design_count; k++)
    stamp_item(shapes, scene, k, height, field);
  for (size_t k = 0; k < ref->marker_count; k++) {
    udg_marker_kind kind = ref->markers[k].kind;
    if (has(scene, k) && kind != UDG_MARKER_MISSING && kind != UDG_MARKER_DOUBLED)
      stamp_marker(shapes, scene, k, height, field);
  }
}
