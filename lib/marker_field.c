/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Markers in the field, beside digits and on the design, and their decoys. */
#include <math.h>
#include <string.h>

#include "marker_look.h"

enum { TRIES = 600, DIRECTIONS = 8 };
/* Decoys lie within this distance of the place, digit heights. */
static const double AROUND = 6.0;
/* As near to the present digits as the marker, within this, digit heights. */
static const double AS_NEAR = 0.25;

static const double TURN = 6.283185307179586;

udg_status udg_look_create(const udg_settings *settings, udg_look **look, udg_message *message) {
  udg_look *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for markers");
  made->settings = *settings;
  udg_plane *planes[] = {&made->patch.residual, &made->patch.usable, &made->patch.base,
                         &made->patch.grey, &made->mark};
  udg_status status = UDG_OK;
  for (int k = 0; k < 5 && status == UDG_OK; k++)
    status = udg_plane_create(settings, UDG_LOOK_SIDE_MAX, UDG_LOOK_SIDE_MAX, planes[k]);
  for (int k = 0; k < 8 && status == UDG_OK; k++)
    status = udg_plane_create(settings, UDG_LOOK_SIDE_MAX, UDG_LOOK_SIDE_MAX, &made->scratch[k]);
  if (status != UDG_OK) {
    udg_look_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for markers");
  }
  *look = made;
  return UDG_OK;
}

void udg_look_destroy(udg_look *look) {
  if (!look)
    return;
  udg_settings settings = look->settings;
  udg_plane *planes[] = {&look->patch.residual, &look->patch.usable, &look->patch.base,
                         &look->patch.grey, &look->mark};
  for (int k = 0; k < 5; k++)
    udg_plane_destroy(&settings, planes[k]);
  for (int k = 0; k < 8; k++)
    udg_plane_destroy(&settings, &look->scratch[k]);
  udg_buffer *buffers[] = {&look->window, &look->window_scratch, &look->strip, &look->strip_usable,
                           &look->strip_scratch};
  for (int k = 0; k < 5; k++)
    udg_buffer_destroy(&settings, buffers[k]);
  udg_memory_drop(&settings, look);
}

void udg_look_begin(udg_look *look, const udg_look_scene *scene) {
  /* s.d. of the far side's place, shares of the diameter: with its rim, with the date alone;
     measured on drawn coins. */
  const double by_rim = 0.012, by_date = 0.015;
  look->scene = *scene;
  look->rim = udg_coin_of_date(scene->reference, scene->rims, &scene->registration->date_to_photo,
                               &look->coin_to_photo);
  look->far_error_mm = (look->rim ? by_rim : by_date) * scene->reference->diameter_mm;
}

/* Distance to the nearest present digit's middle, digit heights. */
static double nearness(const udg_look *look, const double at_mm[2]) {
  const udg_date *date = &look->scene.reference->dates[look->scene.date_index];
  double least = HUGE_VAL;
  for (int k = 0; k < date->place_count; k++)
    least = fmin(least, hypot(at_mm[0] - date->places[k].centre_mm[0],
                              at_mm[1] - date->places[k].centre_mm[1]));
  return least / date->height_mm;
}

static double nearest_design(const udg_look *look, const double at_mm[2]) {
  const udg_reference *reference = look->scene.reference;
  double least = HUGE_VAL;
  for (size_t k = 0; k < reference->design_count; k++)
    least = fmin(least, hypot(at_mm[0] - reference->design[k].at_mm[0],
                              at_mm[1] - reference->design[k].at_mm[1]));
  return least / reference->dates[look->scene.date_index].height_mm;
}

/* Halton's points fill a square evenly: base 2 and 3. */
static double halton(int index, int base) {
  double f = 1.0, r = 0.0;
  for (; index > 0; index /= base) {
    f /= base;
    r += f * (index % base);
  }
  return r;
}

/* Another place that a marker could as well be at; 0: this try gives none. */
static int field_decoy(const udg_look *look, const udg_marker *marker, int index, double reach_mm,
                       udg_look_spot *spot) {
  const udg_reference *reference = look->scene.reference;
  double height = reference->dates[look->scene.date_index].height_mm;
  double near = nearness(look, marker->at_mm), wide = 2.0 * AROUND * height;
  *spot = (udg_look_spot){.turn_rad = marker->turn_rad, .item = -1};
  for (int axis = 0; axis < 2; axis++) {
    double middle = near < 1.5 ? 0.0 : marker->at_mm[axis]; /* about the date, or about it */
    double span = near < 1.5 && axis == 1 ? 4.0 * height : wide;
    spot->at_mm[axis] = middle + span * (halton(index, axis ? 3 : 2) - 0.5);
    if (near < 1.5 && axis == 1)
      spot->at_mm[axis] -= 0.5 * height;
  }
  double off = hypot(spot->at_mm[0] - marker->at_mm[0], spot->at_mm[1] - marker->at_mm[1]);
  double x = spot->at_mm[0] + reference->date_origin_mm[0];
  double y = spot->at_mm[1] + reference->date_origin_mm[1];
  double here = nearness(look, spot->at_mm);
  if (off < 2.0 * marker->tolerance_mm + 2.0 * marker->extent_mm)
    return 0;
  if (near < 1.5 ? fabs(here - near) > AS_NEAR : here < 1.2)
    return 0;
  if (nearest_design(look, spot->at_mm) < 1.0)
    return 0;
  return !(reference->diameter_mm > 0.0) || hypot(x, y) + reach_mm < 0.43 * reference->diameter_mm;
}

/* The same part or second image about other letters, or about this one another way. */
static int design_decoy(const udg_look *look, const udg_marker *marker, int index, int own,
                        udg_look_spot *spot) {
  const udg_reference *reference = look->scene.reference;
  int item = index / DIRECTIONS, way = index % DIRECTIONS;
  if (item >= (int)reference->design_count)
    return -1;
  int is_own = 0;
  for (int k = 0; k < marker->of_count; k++)
    is_own |= marker->of[k] == item;
  if (is_own && (way < 2 || way == DIRECTIONS - 1))
    return 0;
  double a = TURN * way / DIRECTIONS, c = cos(a), s = sin(a);
  const udg_design_item *to = &reference->design[item], *from = &reference->design[own];
  *spot = (udg_look_spot){.item = item};
  if (marker->kind == UDG_MARKER_DOUBLED) {
    memcpy(spot->at_mm, to->at_mm, sizeof spot->at_mm);
    spot->shift_mm[0] = c * marker->shift_mm[0] - s * marker->shift_mm[1];
    spot->shift_mm[1] = s * marker->shift_mm[0] + c * marker->shift_mm[1];
    return 1;
  }
  double x = marker->at_mm[0] - from->at_mm[0], y = marker->at_mm[1] - from->at_mm[1];
  spot->at_mm[0] = to->at_mm[0] + c * x - s * y;
  spot->at_mm[1] = to->at_mm[1] + s * x + c * y;
  spot->turn_rad = marker->turn_rad + a;
  return 1;
}

/* Best over the turns that the tolerance allows; long things only. */
static udg_status match_here(udg_look *look, const udg_marker *marker, double reach_px, double gain,
                             udg_look_match *best, udg_message *message) {
  int turns = look->patch.spot.item < 0 && marker->kind != UDG_MARKER_SPOT ? 1 : 0;
  *best = (udg_look_match){0.0, {0.0, 0.0}};
  for (int t = -turns; t <= turns; t++) {
    /* The one that is added stands as the reference says; its drawing must be the last. */
    int order = turns ? (t == turns ? 0 : t == 0 ? 1 : t) : 0;
    udg_status status = udg_look_mark_make(look, marker, order * marker->tolerance_rad, message);
    if (status != UDG_OK)
      return status;
    udg_look_match m = udg_look_match_best(look, reach_px, gain);
    if (m.score > best->score)
      *best = m;
  }
  return UDG_OK;
}

typedef struct view_of {
  double reach_mm, px_per_mm, search_px;
} view_of;

/* One place: the marker's own, or a decoy with the marker added once more. */
static udg_status look_at(udg_look *look, const udg_marker *marker, const view_of *v,
                          const udg_look_spot *spot, int decoy, udg_look_tally *tally,
                          udg_message *message) {
  udg_look_match m;
  udg_message quiet;
  udg_status status = udg_look_patch_make(look, spot, v->reach_mm, v->px_per_mm, &quiet);
  if (status == UDG_ERROR_ARGUMENT) /* outside the photo */
    return UDG_OK;
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for a marker");
  if (look->patch.usable_share < UDG_LOOK_USABLE_LEAST)
    return UDG_OK;
  status = match_here(look, marker, v->search_px, 0.0, &m, message);
  if (status != UDG_OK)
    return status;
  if (!decoy) {
    double c = cos(spot->turn_rad), s = sin(spot->turn_rad);
    double x = m.offset_px[0] / v->px_per_mm, y = m.offset_px[1] / v->px_per_mm;
    tally->in_view++;
    tally->score += m.score;
    tally->at_mm[0] += spot->at_mm[0] + c * x - s * y;
    tally->at_mm[1] += spot->at_mm[1] + s * x + c * y;
    return UDG_OK;
  }
  int d = tally->decoys++;
  tally->decoy[d] = m.score;
  m = udg_look_match_best(look, 1.0, udg_look_gain(d));
  tally->raised[d] = fmax(tally->decoy[d], m.score);
  return UDG_OK;
}

static udg_status look_at_own(udg_look *look, const udg_marker *marker, const view_of *v,
                              udg_look_tally *tally, udg_message *message) {
  udg_look_spot spot = {.at_mm = {marker->at_mm[0], marker->at_mm[1]},
                        .turn_rad = marker->turn_rad,
                        .item = marker->of_count ? marker->of[0] : -1};
  if (marker->kind != UDG_MARKER_DOUBLED)
    return look_at(look, marker, v, &spot, 0, tally, message);
  udg_status status = UDG_OK;
  for (int k = 0; k < marker->of_count && status == UDG_OK; k++) {
    const udg_design_item *item = &look->scene.reference->design[marker->of[k]];
    spot = (udg_look_spot){.at_mm = {item->at_mm[0], item->at_mm[1]},
                           .shift_mm = {marker->shift_mm[0], marker->shift_mm[1]},
                           .item = marker->of[k]};
    status = look_at(look, marker, v, &spot, 0, tally, message);
  }
  return status;
}

udg_status udg_look_field(udg_look *look, const udg_marker *marker, udg_look_tally *tally,
                          udg_message *message) {
  const udg_look_scene *scene = &look->scene;
  int on_design = marker->of_count > 0;
  double height = scene->reference->dates[scene->date_index].height_mm;
  double far = hypot(marker->at_mm[0], marker->at_mm[1]) > 3.0 * height ? look->far_error_mm : 0.0;
  view_of v;
  /* What is part of the design is placed by the design itself. */
  double search = on_design ? 0.25 * marker->tolerance_mm : hypot(marker->tolerance_mm, far);
  if (marker->kind == UDG_MARKER_DOUBLED)
    search = fmin(search, 0.3 * marker->narrow_mm);
  v.reach_mm = udg_look_reach_mm(look, marker) + (on_design ? 0.5 * far : far);
  v.px_per_mm = udg_look_px_per_mm(look, marker, v.reach_mm);
  v.search_px = search * v.px_per_mm;
  *tally = (udg_look_tally){.units = 1.0};
  udg_status status = look_at_own(look, marker, &v, tally, message);
  if (status != UDG_OK || !tally->in_view)
    return status;
  tally->units = tally->in_view;
  tally->score /= tally->in_view;
  for (int axis = 0; axis < 2; axis++)
    tally->at_mm[axis] /= tally->in_view;
  for (int i = 0; i < TRIES && tally->decoys < UDG_LOOK_DECOYS_MAX && status == UDG_OK; i++) {
    udg_look_spot spot;
    int made = on_design ? design_decoy(look, marker, i, marker->of[0], &spot)
                         : field_decoy(look, marker, i + 1, v.reach_mm, &spot);
    if (made < 0)
      break;
    if (made)
      status = look_at(look, marker, &v, &spot, 1, tally, message);
  }
  return status;
}
