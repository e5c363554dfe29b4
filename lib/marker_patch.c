/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The photo about a place, what is known of the coin there taken away. */
#include <math.h>
#include <string.h>

#include "linalg.h"
#include "marker_look.h"
#include "relief.h"

/* The fit takes every second pixel each way: plenty for nine numbers. */
enum { COLUMNS = 9, ROUNDS = 2 };
static const double REACH_PX = 40.0;
/* Residuals beyond so many s.d. are cut: a glint must not outweigh an edge. */
static const float CUT_SD = 4.0f;
/* Digit heights about the date within which the date's own map is the best there is. */
static const double NEAR_DATE = 3.0;

static udg_plane view(const udg_plane *plane, int size) {
  return (udg_plane){size, size, plane->v};
}

/* Into the patch's px from the date plane. */
static void to_patch(const udg_look_patch *patch, const double mm[2], double px[2]) {
  double c = cos(patch->spot.turn_rad), s = sin(patch->spot.turn_rad);
  double x = mm[0] - patch->spot.at_mm[0], y = mm[1] - patch->spot.at_mm[1];
  px[0] = 0.5 * patch->size + patch->px_per_mm * (c * x + s * y);
  px[1] = 0.5 * patch->size + patch->px_per_mm * (c * y - s * x);
}

static udg_status join(udg_look *look, const udg_outline *outline, const double at_mm[2],
                       double turn_rad, udg_plane *distance, udg_message *message) {
  udg_look_patch *patch = &look->patch;
  udg_plane part = view(&look->scratch[4], patch->size);
  double at[2], reach = 0.0, far = 0.75 * patch->size;
  to_patch(patch, at_mm, at);
  for (int axis = 0; axis < 2; axis++)
    reach = fmax(reach, fmax(-outline->low[axis], outline->high[axis]));
  if (hypot(at[0] - 0.5 * patch->size, at[1] - 0.5 * patch->size) >
      far + 1.5 * reach * patch->px_per_mm)
    return UDG_OK;
  udg_status status = udg_relief_distance_within(&look->settings, outline, patch->px_per_mm,
                                                 turn_rad - patch->spot.turn_rad, at[0], at[1],
                                                 REACH_PX, &part, message);
  for (int i = 0; i < patch->size * patch->size && status == UDG_OK; i++)
    distance->v[i] = fmaxf(distance->v[i], part.v[i]);
  return status;
}

udg_status udg_look_lay(udg_look *look, int other_place, char digit, udg_plane *distance,
                        udg_message *message) {
  const udg_look_scene *scene = &look->scene;
  const udg_reference *reference = scene->reference;
  const udg_date *date = &reference->dates[scene->date_index];
  udg_look_patch *patch = &look->patch;
  udg_status status = UDG_OK;
  for (int i = 0; i < patch->size * patch->size; i++)
    distance->v[i] = (float)-REACH_PX;
  for (int k = 0; k < date->place_count && status == UDG_OK; k++) {
    const udg_place *place = &date->places[k];
    double at[2];
    for (int axis = 0; axis < 2; axis++)
      at[axis] = place->centre_mm[axis] + scene->registration->place_offset_mm[k][axis];
    char shown = k == other_place ? digit : place->digit;
    status = join(look, &reference->digits[shown - '0'], at,
                  place->turn_rad + scene->registration->place_turn_rad[k], distance, message);
  }
  for (size_t k = 0; k < reference->design_count && status == UDG_OK; k++)
    status = join(look, &reference->design[k].outline, reference->design[k].at_mm,
                  reference->design[k].turn_rad, distance, message);
  return status;
}

static udg_status sample(udg_look *look, double shift_x_px, double shift_y_px, udg_plane *grey,
                         udg_message *message) {
  udg_look_patch *patch = &look->patch;
  const udg_look_spot *spot = &patch->spot;
  const udg_photo photo = look->scene.photo;
  udg_homography to_window;
  double half = 0.75 * patch->size / patch->px_per_mm, halves[2] = {half, half};
  udg_status status =
      udg_rescale_window(&look->settings, photo, &patch->to_photo, spot->at_mm, halves,
                         patch->px_per_mm, &look->window, &look->window_scratch, &to_window);
  if (status != UDG_OK)
    return udg_fail(message, status,
                    status == UDG_ERROR_MEMORY ? "no memory for a marker"
                                               : "the marker lies outside the photo");
  udg_homography map = udg_homography_after(&to_window, &patch->to_photo);
  double c = cos(spot->turn_rad), s = sin(spot->turn_rad), usable = 0.0;
  for (int j = 0; j < patch->size; j++)
    for (int i = 0; i < patch->size; i++) {
      double u = (i + 0.5 - 0.5 * patch->size + shift_x_px) / patch->px_per_mm;
      double v = (j + 0.5 - 0.5 * patch->size + shift_y_px) / patch->px_per_mm;
      double x = spot->at_mm[0] + c * u - s * v, y = spot->at_mm[1] + s * u + c * v, p[2], w[2];
      size_t at = (size_t)j * (size_t)patch->size + (size_t)i;
      udg_homography_apply(&patch->to_photo, x, y, &p[0], &p[1]);
      udg_homography_apply(&map, x, y, &w[0], &w[1]);
      int inside =
          p[0] >= 1.0 && p[1] >= 1.0 && p[0] <= photo.width - 1.0 && p[1] <= photo.height - 1.0;
      grey->v[at] = udg_plane_sample(&look->window.plane, w[0], w[1]);
      patch->usable.v[at] = inside && grey->v[at] < (float)UDG_CLIPPED_FROM ? 1.0f : 0.0f;
      usable += (double)patch->usable.v[at];
    }
  patch->usable_share = usable / ((double)patch->size * patch->size);
  return UDG_OK;
}

/* Lit base and its slopes in x and y, ground to second order. */
static void columns_at(const udg_plane *lit, int i, int j, double column[COLUMNS]) {
  int size = lit->width;
  const float *row = udg_plane_row(lit, j);
  const float *above = udg_plane_row(lit, j > 0 ? j - 1 : j);
  const float *below = udg_plane_row(lit, j + 1 < size ? j + 1 : j);
  double u = 2.0 * (i + 0.5) / size - 1.0, v = 2.0 * (j + 0.5) / size - 1.0;
  column[0] = (double)row[i];
  column[1] = 0.5 * (double)(row[i + 1 < size ? i + 1 : i] - row[i > 0 ? i - 1 : i]);
  column[2] = 0.5 * (double)(below[i] - above[i]);
  column[3] = 1.0;
  column[4] = u;
  column[5] = v;
  column[6] = u * u;
  column[7] = u * v;
  column[8] = v * v;
}

/* Least squares, what does not fit left out round by round. */
static void subtract(udg_look *look, const udg_plane *grey, const udg_plane *lit) {
  udg_look_patch *patch = &look->patch;
  int size = patch->size, count = size * size;
  float sd = 0.0f;
  for (int round = 0; round < ROUNDS; round++) {
    double a[COLUMNS * COLUMNS] = {0}, b[COLUMNS] = {0}, column[COLUMNS];
    for (int i = 0; i < count; i++) {
      if ((i % size) % 2 || (i / size) % 2 || patch->usable.v[i] <= 0.0f ||
          (round > 0 && fabsf(patch->residual.v[i]) > 3.0f * fmaxf(sd, 0.5f)))
        continue;
      columns_at(lit, i % size, i / size, column);
      for (int k = 0; k < COLUMNS; k++) {
        b[k] += column[k] * (double)grey->v[i];
        for (int m = 0; m <= k; m++)
          a[k * COLUMNS + m] += column[k] * column[m];
      }
    }
    for (int k = 0; k < COLUMNS; k++)
      a[k * (COLUMNS + 1)] = a[k * (COLUMNS + 1)] * (1.0 + 1e-6) + 1e-3;
    if (udg_cholesky_factor(a, COLUMNS, COLUMNS, 1e-12) != 0)
      return;
    udg_cholesky_solve(a, COLUMNS, COLUMNS, b);
    for (int i = 0; i < count; i++) {
      double fit = 0.0;
      columns_at(lit, i % size, i / size, column);
      for (int k = 0; k < COLUMNS; k++)
        fit += b[k] * column[k];
      patch->residual.v[i] = grey->v[i] - (float)fit;
    }
    sd = (float)udg_look_spread(&patch->residual, &patch->usable, look->scratch[0].v);
  }
  look->sd = fmaxf(sd, 0.5f);
  float cut = CUT_SD * (float)look->sd;
  for (int i = 0; i < count; i++)
    patch->residual.v[i] =
        patch->usable.v[i] > 0.0f ? fmaxf(-cut, fminf(cut, patch->residual.v[i])) : 0.0f;
}

/* Where the design lies a little off its place: the shift that its lit image fits best. */
/* The lit image is in look->mark. */
static void settle(udg_look *look, const udg_plane *grey, double shift[2]) {
  udg_look_patch *patch = &look->patch;
  udg_plane none = view(&look->scratch[6], patch->size);
  memset(none.v, 0, sizeof(float) * (size_t)patch->size * (size_t)patch->size);
  subtract(look, grey, &none);
  look->mark.width = look->mark.height = patch->size;
  look->sd = udg_look_spread(&patch->residual, &patch->usable, look->scratch[0].v);
  udg_look_match m = udg_look_match_best(look, look->far_error_mm * patch->px_per_mm, 0.0);
  shift[0] = m.offset_px[0];
  shift[1] = m.offset_px[1];
}

udg_status udg_look_patch_make(udg_look *look, const udg_look_spot *spot, double reach_mm,
                               double px_per_mm, udg_message *message) {
  const udg_look_scene *scene = &look->scene;
  udg_look_patch *patch = &look->patch;
  int size = 2 * (int)floor(reach_mm * px_per_mm) + 1;
  patch->size = size < 9 ? 9 : size > UDG_LOOK_SIDE_MAX - 1 ? UDG_LOOK_SIDE_MAX - 1 : size;
  patch->px_per_mm = px_per_mm;
  patch->spot = *spot;
  udg_plane *planes[] = {&patch->residual, &patch->usable, &patch->base, &patch->grey};
  for (int k = 0; k < 4; k++)
    planes[k]->width = planes[k]->height = patch->size;
  double height = scene->reference->dates[scene->date_index].height_mm;
  patch->to_photo = hypot(spot->at_mm[0], spot->at_mm[1]) < NEAR_DATE * height
                        ? scene->registration->date_to_photo
                        : look->coin_to_photo;
  udg_plane lit = view(&look->mark, patch->size);
  udg_status status = sample(look, 0.0, 0.0, &patch->grey, message);
  if (status == UDG_OK)
    status = udg_look_lay(look, -1, '\0', &patch->base, message);
  if (status != UDG_OK)
    return status;
  udg_plane copy = view(&look->scratch[4], patch->size);
  memcpy(copy.v, patch->base.v, sizeof(float) * (size_t)patch->size * (size_t)patch->size);
  udg_look_draw(look, &copy, scene->reference->bevel_mm * px_per_mm, spot->turn_rad, &lit);
  if (spot->item >= 0) {
    double shift[2];
    settle(look, &patch->grey, shift);
    status = sample(look, shift[0], shift[1], &patch->grey, message);
    if (status != UDG_OK)
      return status;
  }
  subtract(look, &patch->grey, &lit);
  return UDG_OK;
}
