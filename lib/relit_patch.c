/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relit_patch.h"

#include <math.h>
#include <string.h>

#include "relief.h"

/* Half a digit's patch, and the field beside its strokes that is fitted, digit heights. */
static const double REACH = 1.1, MARGIN = 0.3;
static const double FAR_PX = 40.0;

static double date_height(const udg_look *look) {
  return look->scene.reference->dates[look->scene.date_index].height_mm;
}

udg_status udg_relit_patch_create(udg_look *look, double fine, udg_relit_patch *patch,
                                  udg_message *message) {
  const udg_settings *settings = &look->settings;
  *patch = (udg_relit_patch){.look = look, .fine = fine};
  udg_status status = udg_relit_create(settings, UDG_LOOK_SIDE_MAX, &patch->relit, message);
  udg_plane *planes[] = {&patch->own, &patch->other, &patch->mask, &patch->height, &patch->held};
  for (int k = 0; k < 5 && status == UDG_OK; k++)
    if (udg_plane_create(settings, UDG_LOOK_SIDE_MAX, UDG_LOOK_SIDE_MAX, planes[k]) != UDG_OK)
      status = udg_fail(message, UDG_ERROR_MEMORY, "no memory for a patch");
  if (status != UDG_OK)
    udg_relit_patch_destroy(patch);
  return status;
}

void udg_relit_patch_destroy(udg_relit_patch *patch) {
  const udg_settings *settings = &patch->look->settings;
  udg_plane *planes[] = {&patch->own, &patch->other, &patch->mask, &patch->height, &patch->held};
  for (int k = 0; k < 5; k++)
    udg_plane_destroy(settings, planes[k]);
  for (int p = 0; p < UDG_PLACES_MAX; p++) {
    udg_memory_drop(settings, patch->kept[p].planes);
    patch->kept[p] = (udg_relit_kept){0};
  }
  udg_relit_destroy(patch->relit);
  patch->relit = NULL;
}

static double field_level(const udg_look *look) {
  return look->scene.light->coefficient[UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT + UDG_LIGHT_COVERS];
}

/* Patch and mask of an outline: its pixels are those that no other outline is nearer to. */
static udg_status open_outline(udg_relit_patch *patch, const udg_outline *outline,
                               const udg_look_spot *spot, double turn_rad, double reach_mm,
                               int *usable, udg_message *message) {
  udg_look *look = patch->look;
  udg_message quiet;
  patch->opened++;
  double most = (0.5 * UDG_LOOK_SIDE_MAX - 1.0) / reach_mm, margin_mm = MARGIN * date_height(look);
  patch->px_per_mm = fmin(patch->fine / date_height(look), most);
  udg_status status = udg_look_patch_make(look, spot, reach_mm, patch->px_per_mm, &quiet);
  *usable = status == UDG_OK && look->patch.usable_share >= UDG_LOOK_USABLE_LEAST;
  if (status == UDG_ERROR_ARGUMENT)
    return UDG_OK;
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for a patch");
  int size = look->patch.size;
  udg_plane *planes[] = {&patch->own, &patch->other, &patch->mask, &patch->height, &patch->held};
  for (int k = 0; k < 5; k++)
    planes[k]->width = planes[k]->height = size;
  status = udg_relief_distance_within(&look->settings, outline, patch->px_per_mm, turn_rad,
                                      0.5 * size, 0.5 * size, FAR_PX, &patch->own, message);
  udg_relit_hold(&look->patch.grey, field_level(look), &patch->held);
  float margin = (float)(-margin_mm * patch->px_per_mm);
  for (int i = 0; i < size * size && status == UDG_OK; i++)
    patch->mask.v[i] = look->patch.usable.v[i] > 0.0f && patch->own.v[i] > margin &&
                               patch->own.v[i] >= look->patch.base.v[i] - 0.5f
                           ? 1.0f
                           : 0.0f;
  return status;
}

/* The planes of an open patch, its size into all of them. */
static void planes_of(udg_relit_patch *patch, int size, udg_plane *planes[UDG_RELIT_KEPT_PLANES]) {
  udg_look_patch *seen = &patch->look->patch;
  udg_plane *all[UDG_RELIT_KEPT_PLANES] = {&seen->residual, &seen->usable, &seen->grey, &seen->base,
                                           &patch->own,     &patch->mask,  &patch->held};
  for (int k = 0; k < UDG_RELIT_KEPT_PLANES; k++) {
    planes[k] = all[k];
    planes[k]->width = planes[k]->height = size;
  }
}

static udg_status keep(udg_relit_patch *patch, int usable, udg_relit_kept *kept) {
  const udg_look_patch *seen = &patch->look->patch;
  const size_t count = (size_t)seen->size * (size_t)seen->size;
  kept->usable = usable;
  kept->px_per_mm = patch->px_per_mm;
  kept->usable_share = seen->usable_share;
  kept->spot = seen->spot;
  kept->to_photo = seen->to_photo;
  kept->size = seen->size;
  if (usable) {
    udg_plane *planes[UDG_RELIT_KEPT_PLANES];
    kept->planes =
        udg_memory_get(&patch->look->settings, count, UDG_RELIT_KEPT_PLANES * sizeof *kept->planes);
    if (!kept->planes)
      return UDG_ERROR_MEMORY;
    planes_of(patch, seen->size, planes);
    for (int k = 0; k < UDG_RELIT_KEPT_PLANES; k++)
      memcpy(kept->planes + (size_t)k * count, planes[k]->v, count * sizeof *kept->planes);
  }
  kept->known = 1;
  return UDG_OK;
}

static void bring_back(udg_relit_patch *patch, const udg_relit_kept *kept) {
  udg_look_patch *seen = &patch->look->patch;
  const size_t count = (size_t)kept->size * (size_t)kept->size;
  udg_plane *planes[UDG_RELIT_KEPT_PLANES];
  patch->opened++;
  patch->px_per_mm = seen->px_per_mm = kept->px_per_mm;
  seen->usable_share = kept->usable_share;
  seen->spot = kept->spot;
  seen->to_photo = kept->to_photo;
  seen->size = patch->height.width = patch->height.height = patch->other.width =
      patch->other.height = kept->size;
  planes_of(patch, kept->size, planes);
  for (int k = 0; k < UDG_RELIT_KEPT_PLANES; k++)
    memcpy(planes[k]->v, kept->planes + (size_t)k * count, count * sizeof *kept->planes);
}

udg_status udg_relit_patch_digit(udg_relit_patch *patch, int place, int *usable,
                                 udg_message *message) {
  udg_relit_kept *kept = &patch->kept[place];
  if (kept->known) {
    *usable = kept->usable;
    if (kept->usable)
      bring_back(patch, kept);
    return UDG_OK;
  }
  const udg_look_scene *scene = &patch->look->scene;
  const udg_date *date = &scene->reference->dates[scene->date_index];
  const udg_place *p = &date->places[place];
  udg_look_spot spot = {.item = -1};
  for (int axis = 0; axis < 2; axis++)
    spot.at_mm[axis] = p->centre_mm[axis] + scene->registration->place_offset_mm[place][axis];
  udg_status status = open_outline(patch, &scene->reference->digits[p->digit - '0'], &spot,
                                   p->turn_rad + scene->registration->place_turn_rad[place],
                                   REACH * date->height_mm, usable, message);
  if (status == UDG_OK && keep(patch, *usable, kept) != UDG_OK)
    status = udg_fail(message, UDG_ERROR_MEMORY, "no memory for a patch");
  return status;
}

udg_status udg_relit_patch_item(udg_relit_patch *patch, int item, int *usable,
                                udg_message *message) {
  const udg_design_item *it = &patch->look->scene.reference->design[item];
  udg_look_spot spot = {.at_mm = {it->at_mm[0], it->at_mm[1]}, .item = item};
  double reach = 0.0;
  for (int axis = 0; axis < 2; axis++)
    reach = fmax(reach, fmax(-it->outline.low[axis], it->outline.high[axis]));
  return open_outline(patch, &it->outline, &spot, it->turn_rad,
                      reach + MARGIN * date_height(patch->look), usable, message);
}

void udg_relit_patch_take(udg_relit_patch *patch, double blur_px, udg_relit_sums *sums) {
  const udg_look *look = patch->look;
  const udg_reference *reference = look->scene.reference;
  double finer = patch->px_per_mm * date_height(look) / patch->fine;
  const udg_relit_view view = {.grey = &patch->held,
                               .mask = &patch->mask,
                               .bevel_px = reference->bevel_mm * patch->px_per_mm,
                               .relief_px = reference->relief_mm * patch->px_per_mm,
                               .blur_px = blur_px * finer,
                               .azimuth_rad = look->scene.light->azimuth_rad};
  udg_relit_take(patch->relit, &view, &patch->height, sums);
}
