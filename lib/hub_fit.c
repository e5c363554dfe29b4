/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "hub_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "relief.h"
#include "wider.h"

/* Resolution of a digit's patch, px to its height: a step between cells is a pixel. */
static const double FINE = 28.0;
/* The largest displacement looked at, digit heights. */
static const double MOST = 0.2;
/* Heights of the second image as shares of the first, and the share of the displacement by which
 * the first stands back from where it was found: the higher the second, the more it draws the
 * registration to itself. */
static const double SECOND[UDG_HUB_STRENGTHS] = {0.35, 0.7, 0.8};
static const double BACK[UDG_HUB_STRENGTHS] = {0.0, 0.0, 0.5};
/* Softness: blur by photo, strike and wear, px of the patch; width of the shoulder over the
 * reference's. */
static const double BLUR_PX[UDG_HUB_BLURS] = {0.3, 0.6, 1.0, 1.5, 2.1};
static const double BEVEL[UDG_HUB_BEVELS] = {0.5, 0.65, 0.8, 1.0, 1.2};

static void cells_make(double least, udg_hub_cells *cells) {
  int most = (int)ceil(MOST * FINE);
  for (int y = -most; y <= most; y++)
    for (int x = -most; x <= most; x++) {
      double r = hypot(x, y) / FINE;
      if (r < least || r > MOST || cells->count == UDG_HUB_CELLS_MAX)
        continue;
      cells->dx[cells->count] = x;
      cells->dy[cells->count++] = y;
    }
}

static double date_height(const udg_look *look) {
  return look->scene.reference->dates[look->scene.date_index].height_mm;
}

udg_status udg_hub_fit_create(udg_look *look, double least, int strengths, udg_hub_fit *fit,
                              udg_message *message) {
  const udg_settings *settings = &look->settings;
  *fit = (udg_hub_fit){.step_mm = date_height(look) / FINE, .strengths = strengths};
  cells_make(least, &fit->cells);
  udg_status status = udg_relit_patch_create(look, FINE, &fit->at, message);
  if (status != UDG_OK)
    return status;
  const udg_look_scene *scene = &look->scene;
  size_t size = sizeof(udg_relit_sums), cells = (size_t)fit->cells.count;
  size_t places = (size_t)scene->reference->dates[scene->date_index].place_count;
  fit->soft_sums = udg_memory_get(settings, UDG_HUB_SOFTS * UDG_PLACES_MAX, size);
  fit->twice = udg_memory_get(settings, UDG_HUB_STRENGTHS * places * cells, size);
  fit->known = udg_memory_get(settings, 2 * UDG_HUB_STRENGTHS * places, cells);
  for (int k = 0; k < 2 && status == UDG_OK; k++)
    status = udg_plane_create(settings, UDG_LOOK_SIDE_MAX, UDG_LOOK_SIDE_MAX,
                              k ? &fit->other_profile : &fit->profile);
  if (status != UDG_OK || !fit->soft_sums || !fit->twice || !fit->known) {
    udg_hub_fit_destroy(fit);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the hub");
  }
  fit->wanted = fit->known + UDG_HUB_STRENGTHS * places * cells;
  fit->table_size = UDG_HUB_STRENGTHS * places * cells;
  return UDG_OK;
}

void udg_hub_fit_destroy(udg_hub_fit *fit) {
  const udg_settings *settings = &fit->at.look->settings;
  udg_memory_drop(settings, fit->soft_sums);
  udg_memory_drop(settings, fit->twice);
  udg_memory_drop(settings, fit->known);
  udg_plane_destroy(settings, &fit->profile);
  udg_plane_destroy(settings, &fit->other_profile);
  udg_relit_patch_destroy(&fit->at);
}

static void profile_take(const udg_plane *distance, double bevel_px, udg_plane *profile) {
  int count = distance->width * distance->height;
  profile->width = distance->width;
  profile->height = distance->height;
  for (int i = 0; i < count; i++)
    profile->v[i] = (float)udg_relief_profile((double)distance->v[i], bevel_px);
}

/* The line y of a plane moved by `by`, whose border repeats outside. */
static void moved_line(const udg_plane *plane, int y, const int by[2], float *line) {
  const int size = plane->width, from = y - by[1], right = by[0];
  const float *own = udg_plane_row(plane, from < 0 ? 0 : from >= size ? size - 1 : from);
  const int first = right < 0 ? 0 : right < size ? right : size; /* what lies in the plane */
  const int end = right > 0 ? size : size + right > 0 ? size + right : 0;
  for (int x = 0; x < first; x++)
    line[x] = own[0];
  if (end > first)
    memcpy(line + first, own + first - right, (size_t)(end - first) * sizeof *line);
  for (int x = end > first ? end : first; x < size; x++)
    line[x] = own[size - 1];
}

/* At least `share` of another line. */
UDG_WIDER
static void raise_line(const float *restrict from, float share, int count, float *restrict to) {
  for (int x = 0; x < count; x++) {
    float h = share * from[x];
    to[x] = h > to[x] ? h : to[x];
  }
}

/* A profile, `share` as high and moved by whole pixels, over what is there. */
static void raise(const udg_plane *profile, const udg_part *filled, float share, const int by[2],
                  udg_plane *height) {
  const int size = profile->width;
  float line[UDG_LOOK_SIDE_MAX];
  const int within = filled->x0 + by[0] >= 0 && filled->x1 + by[0] <= size &&
                     filled->y0 + by[1] >= 0 && filled->y1 + by[1] <= size && filled->x0 > 0 &&
                     filled->y0 > 0 && filled->x1 < size && filled->y1 < size;
  for (int y = filled->y0; y < filled->y1 && within; y++)
    raise_line(udg_plane_row(profile, y) + filled->x0, share, filled->x1 - filled->x0,
               udg_plane_row(height, y + by[1]) + filled->x0 + by[0]);
  for (int y = 0; y < size && !within; y++) {
    moved_line(profile, y, by, line);
    raise_line(line, share, size, udg_plane_row(height, y));
  }
}

/* The first image, and over it the second one displaced by whole pixels. */
static void build(udg_hub_fit *fit, const udg_hub_second *second, int other) {
  const int size = fit->profile.width;
  int back[2] = {0, 0}, by[2] = {0, 0};
  const int twice = second->strength >= 0;
  for (int axis = 0; axis < 2 && twice; axis++) {
    double whole = second->shift_mm[axis] * fit->at.px_per_mm;
    int stands_back = (int)lround(BACK[second->strength] * whole);
    back[axis] = -stands_back;
    by[axis] = (int)lround(whole) - stands_back;
  }
  memset(fit->at.height.v, 0, (size_t)size * (size_t)size * sizeof *fit->at.height.v);
  raise(&fit->profile, &fit->profile_filled, 1.0f, back, &fit->at.height);
  if (twice)
    raise(other ? &fit->other_profile : &fit->profile,
          other ? &fit->other_filled : &fit->profile_filled, (float)SECOND[second->strength], by,
          &fit->at.height);
}

void udg_hub_fit_take(udg_hub_fit *fit, const udg_hub_second *second, int other, int soft,
                      udg_relit_sums *sums) {
  const udg_look *look = fit->at.look;
  double bevel_px =
      BEVEL[soft / UDG_HUB_BLURS] * look->scene.reference->bevel_mm * fit->at.px_per_mm;
  if (fit->profile_of != fit->at.opened || fit->profile_px != bevel_px) {
    profile_take(&look->patch.base, bevel_px, &fit->profile);
    fit->profile_filled = udg_plane_filled(&fit->profile);
    fit->profile_of = fit->at.opened;
    fit->profile_px = bevel_px;
  }
  if (other) {
    profile_take(&fit->at.other, bevel_px, &fit->other_profile);
    fit->other_filled = udg_plane_filled(&fit->other_profile);
  }
  build(fit, second, other);
  udg_relit_patch_take(&fit->at, BLUR_PX[soft % UDG_HUB_BLURS], sums);
}

/* Sums of all digits at the softnesses that are wanted. */
static udg_status softs_take(udg_hub_fit *fit, const udg_hub_second *second,
                             const unsigned char wanted[UDG_HUB_SOFTS], udg_message *message) {
  const udg_look_scene *scene = &fit->at.look->scene;
  const udg_date *date = &scene->reference->dates[scene->date_index];
  fit->count = 0;
  for (int p = 0; p < date->place_count; p++) {
    int usable;
    if (udg_stop_wanted(&fit->at.look->settings))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking at the hub");
    udg_status status = udg_relit_patch_digit(&fit->at, p, &usable, message);
    if (status != UDG_OK)
      return status;
    if (!usable)
      continue;
    for (int s = 0; s < UDG_HUB_SOFTS; s++)
      if (wanted[s])
        udg_hub_fit_take(fit, second, 0, s, &fit->soft_sums[s * UDG_PLACES_MAX + fit->count]);
    fit->place[fit->count++] = p;
  }
  return UDG_OK;
}

static double soft_rest(const udg_hub_fit *fit, int soft) {
  udg_relit_sums all = {0};
  for (int k = 0; k < fit->count; k++)
    udg_relit_add(&all, &fit->soft_sums[soft * UDG_PLACES_MAX + k]);
  return udg_relit_rest(&all);
}

/* The softnesses next to one that were not taken yet; how many. */
static int softs_beside(int soft, const double rest[UDG_HUB_SOFTS],
                        unsigned char wanted[UDG_HUB_SOFTS]) {
  const int bevel = soft / UDG_HUB_BLURS, blur = soft % UDG_HUB_BLURS;
  int count = 0;
  for (int s = 0; s < UDG_HUB_SOFTS; s++) {
    wanted[s] =
        rest[s] < 0.0 && abs(s / UDG_HUB_BLURS - bevel) <= 1 && abs(s % UDG_HUB_BLURS - blur) <= 1;
    count += wanted[s];
  }
  return count;
}

udg_status udg_hub_fit_soften(udg_hub_fit *fit, const udg_hub_second *second,
                              udg_message *message) {
  double rest[UDG_HUB_SOFTS];
  unsigned char wanted[UDG_HUB_SOFTS] = {0};
  for (int s = 0; s < UDG_HUB_SOFTS; s++)
    rest[s] = -1.0; /* not taken */
  int best = UDG_HUB_SOFTS / 2, more = 1;
  wanted[best] = 1;
  for (; more; more = softs_beside(best, rest, wanted)) {
    udg_status status = softs_take(fit, second, wanted, message);
    if (status != UDG_OK)
      return status;
    for (int s = 0; s < UDG_HUB_SOFTS; s++)
      if (wanted[s])
        rest[s] = soft_rest(fit, s);
    for (int s = 0; s < UDG_HUB_SOFTS; s++)
      if (rest[s] >= 0.0 && rest[s] < rest[best])
        best = s;
  }
  fit->soft = best;
  return UDG_OK;
}

void udg_hub_fit_want(udg_hub_fit *fit, int strength, int every) {
  for (int k = 0; k < fit->count; k++)
    for (int t = 0; t < fit->strengths; t++)
      for (int c = 0; c < fit->cells.count; c++)
        if ((strength < 0 || strength == t) && fit->cells.dx[c] % every == 0 &&
            fit->cells.dy[c] % every == 0)
          fit->wanted[udg_hub_fit_at(fit, t, k, c)] = 1;
}

void udg_hub_fit_forget(udg_hub_fit *fit) {
  memset(fit->known, 0, 2 * fit->table_size);
}

int udg_hub_fit_has(const udg_hub_fit *fit, int strength, int cell) {
  int all = 1;
  for (int k = 0; k < fit->count; k++)
    all &= fit->known[udg_hub_fit_at(fit, strength, k, cell)];
  return all;
}

int udg_hub_fit_beside(const udg_hub_fit *fit, int cell, int dx, int dy) {
  for (int c = 0; c < fit->cells.count; c++)
    if (fit->cells.dx[c] == fit->cells.dx[cell] + dx &&
        fit->cells.dy[c] == fit->cells.dy[cell] + dy)
      return c;
  return -1;
}

/* What is wanted of a digit that is open. */
static void digit_table(udg_hub_fit *fit, int digit) {
  for (int t = 0; t < fit->strengths; t++)
    for (int c = 0; c < fit->cells.count; c++) {
      const int at = udg_hub_fit_at(fit, t, digit, c);
      if (!fit->wanted[at] || fit->known[at])
        continue;
      udg_hub_second second = {.strength = t};
      udg_hub_fit_shift(fit, c, second.shift_mm);
      udg_hub_fit_take(fit, &second, 0, fit->soft, &fit->twice[at]);
      fit->known[at] = 1;
    }
}

udg_status udg_hub_fit_table(udg_hub_fit *fit, udg_message *message) {
  const size_t each = fit->count > 0 ? (size_t)udg_hub_fit_at(fit, 0, 1, 0) : 0;
  for (int k = 0; k < fit->count; k++) {
    int usable;
    if (memcmp(fit->wanted + (size_t)k * each, fit->known + (size_t)k * each, each) == 0)
      continue;
    if (udg_stop_wanted(&fit->at.look->settings))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking at the hub");
    udg_status status = udg_relit_patch_digit(&fit->at, fit->place[k], &usable, message);
    if (status != UDG_OK)
      return status;
    digit_table(fit, k);
  }
  return UDG_OK;
}

void udg_hub_fit_shift(const udg_hub_fit *fit, int cell, double shift_mm[2]) {
  shift_mm[0] = fit->step_mm * fit->cells.dx[cell];
  shift_mm[1] = fit->step_mm * fit->cells.dy[cell];
}
