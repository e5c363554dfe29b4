/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "upright.h"

#include <math.h>
#include <string.h>

#include "appearance.h"
#include "eight.h"
#include "relief.h"
#include "wider.h"

/* Room around the digits' centres, in digit heights: a trace sits up to 0.4 off
 * and is half a height from its centre to its edge; the rest is field to learn
 * the ground's texture from. */
static const double MARGIN_X = 1.1, MARGIN_Y = 1.25;

static void box_of(const udg_date *date, double low[2], double high[2]) {
  for (int axis = 0; axis < 2; axis++) {
    low[axis] = high[axis] = date->places[0].centre_mm[axis];
    for (int i = 1; i < date->place_count; i++) {
      low[axis] = fmin(low[axis], date->places[i].centre_mm[axis]);
      high[axis] = fmax(high[axis], date->places[i].centre_mm[axis]);
    }
    double margin = (axis ? MARGIN_Y : MARGIN_X) * date->height_mm;
    low[axis] -= margin;
    high[axis] += margin;
  }
}

/* Where the coin's face was learned, the date may be so large that rim and table come into
 * view, which are no field. */
static const double COIN_SHARE = 0.90;
/* There the ground is known no farther from the digits, and no trace reaches beyond. */
static const float DESIGN_REACH_PX = -24.0f;

static void place_coin(const udg_reference *reference, size_t date_index, udg_upright *upright) {
  const udg_appearance *known = udg_reference_appearance(reference, date_index);
  if (!known || !known->face.v || !(reference->diameter_mm > 0.0))
    return;
  for (int axis = 0; axis < 2; axis++)
    upright->coin_px[axis] =
        upright->origin_px[axis] - upright->px_per_mm * reference->date_origin_mm[axis];
  upright->coin_radius_px = COIN_SHARE * 0.5 * reference->diameter_mm * upright->px_per_mm;
}

udg_status udg_upright_create(const udg_settings *settings, const udg_reference *reference,
                              size_t date_index, udg_upright *upright, udg_message *message) {
  const udg_date *date = &reference->dates[date_index];
  memset(upright, 0, sizeof *upright);
  upright->settings = *settings;
  upright->reference = reference;
  upright->date = date;
  upright->px_per_mm = UDG_UPRIGHT_DIGIT_PX / date->height_mm;
  upright->bevel_px = reference->bevel_mm * upright->px_per_mm;
  double low[2], high[2];
  box_of(date, low, high);
  double width = ceil((high[0] - low[0]) * upright->px_per_mm);
  double height = ceil((high[1] - low[1]) * upright->px_per_mm);
  if (width > 4096 || height > 4096)
    return udg_fail(message, UDG_ERROR_LIMIT,
                    "%s: date %s is spread over more than 85 digit heights", reference->name,
                    date->text);
  upright->width = (int)width;
  upright->height = (int)height;
  upright->origin_px[0] = -low[0] * upright->px_per_mm;
  upright->origin_px[1] = -low[1] * upright->px_per_mm;
  place_coin(reference, date_index, upright);
  udg_plane *planes[] = {&upright->grey,  &upright->usable, &upright->distance,
                         &upright->owner, &upright->cosine, &upright->sine,
                         &upright->rim,   &upright->part,   &upright->scratch};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++) {
    if (udg_plane_create(settings, upright->width, upright->height, planes[i]) != UDG_OK) {
      udg_upright_destroy(upright);
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the upright date");
    }
  }
  return UDG_OK;
}

void udg_upright_destroy(udg_upright *upright) {
  udg_plane *planes[] = {&upright->grey,  &upright->usable, &upright->distance,
                         &upright->owner, &upright->cosine, &upright->sine,
                         &upright->rim,   &upright->part,   &upright->scratch};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(&upright->settings, planes[i]);
  udg_buffer_destroy(&upright->settings, &upright->window);
  udg_buffer_destroy(&upright->settings, &upright->window_scratch);
}

/* One row's slopes, and how steep they are; its pixels' neighbours to both sides begin at `left`
 * and `right`. */
UDG_WIDER
static void slopes_take(const float *left, const float *right, const float *above,
                        const float *below, int count, float *restrict slope_x,
                        float *restrict slope_y, float *restrict steepness) {
  for (int x = 0; x < count; x++) {
    float gx = 0.5f * (right[x] - left[x]), gy = 0.5f * (below[x] - above[x]);
    slope_x[x] = gx;
    slope_y[x] = gy;
    steepness[x] = sqrtf(gx * gx + gy * gy);
  }
}

/* Slopes of `count` pixels, at most eight, over their steepness, which is cut at 1. */
static inline void eight_directions(float *slope_x, float *slope_y, float *steepness,
                                    size_t count) {
  const udg_eight one = UDG_EIGHT_ALL(1.0f), none = UDG_EIGHT_ALL(0.0f);
  udg_eight c = none, s = none, steep = none;
  memcpy(&c, slope_x, count * sizeof *slope_x);
  memcpy(&s, slope_y, count * sizeof *slope_y);
  memcpy(&steep, steepness, count * sizeof *steepness);
  const udg_eight_truth slopes = steep > UDG_EIGHT_ALL(1e-6f), soft = steep < one;
  const udg_eight inverse = one / steep, scale = UDG_EIGHT_CHOOSE(slopes, inverse, none);
  c *= scale;
  s *= scale;
  steep = UDG_EIGHT_CHOOSE(soft, steep, one);
  memcpy(slope_x, &c, count * sizeof *slope_x);
  memcpy(slope_y, &s, count * sizeof *slope_y);
  memcpy(steepness, &steep, count * sizeof *steepness);
}

UDG_WIDER
static void directions_take(float *slope_x, float *slope_y, float *steepness, size_t count) {
  size_t i = 0;
  for (; i + UDG_EIGHT <= count; i += UDG_EIGHT)
    eight_directions(slope_x + i, slope_y + i, steepness + i, UDG_EIGHT);
  if (i < count)
    eight_directions(slope_x + i, slope_y + i, steepness + i, count - i);
}

void udg_edge_direction(udg_plane *distance, udg_plane *cosine, udg_plane *sine, udg_plane *rim,
                        udg_plane *scratch) {
  const int width = distance->width, height = distance->height, last = width - 1;
  udg_plane_blur(distance, 1.0, scratch);
  for (int y = 0; y < height; y++) {
    const float *row = udg_plane_row(distance, y);
    const float *above = udg_plane_row(distance, y > 0 ? y - 1 : y);
    const float *below = udg_plane_row(distance, y + 1 < height ? y + 1 : y);
    float *c = udg_plane_row(cosine, y), *s = udg_plane_row(sine, y), *r = udg_plane_row(rim, y);
    /* At the ends the plane goes on as it is. */
    slopes_take(row, row + (last > 0), above, below, 1, c, s, r);
    if (last > 1)
      slopes_take(row, row + 2, above + 1, below + 1, last - 1, c + 1, s + 1, r + 1);
    if (last > 0)
      slopes_take(row + last - 1, row + last, above + last, below + last, 1, c + last, s + last,
                  r + last);
  }
  directions_take(cosine->v, sine->v, rim->v, (size_t)width * (size_t)height);
}

/* The present digits where the registration found them: nearest outline of all. */
static udg_status lay_digits(udg_upright *upright, const udg_registration *registration,
                             udg_message *message) {
  const udg_date *date = upright->date;
  size_t count = (size_t)upright->width * (size_t)upright->height;
  upright->place_count = date->place_count;
  for (int i = 0; i < date->place_count; i++) {
    const udg_place *place = &date->places[i];
    for (int axis = 0; axis < 2; axis++)
      upright->place_px[i][axis] =
          upright->origin_px[axis] +
          upright->px_per_mm * (place->centre_mm[axis] + registration->place_offset_mm[i][axis]);
    upright->place_turn_rad[i] = place->turn_rad + registration->place_turn_rad[i];
    udg_status status = udg_relief_distance_within(
        &upright->settings, &upright->reference->digits[place->digit - '0'], upright->px_per_mm,
        upright->place_turn_rad[i], upright->place_px[i][0], upright->place_px[i][1],
        UDG_UPRIGHT_REACH_PX, &upright->part, message);
    if (status != UDG_OK)
      return status;
    for (size_t k = 0; k < count; k++) {
      if (i == 0 || upright->part.v[k] > upright->distance.v[k]) {
        upright->distance.v[k] = upright->part.v[k];
        upright->owner.v[k] = (float)i;
      }
    }
  }
  udg_edge_direction(&upright->distance, &upright->cosine, &upright->sine, &upright->rim,
                     &upright->scratch);
  return UDG_OK;
}

udg_status udg_upright_make(udg_upright *upright, udg_photo photo,
                            const udg_registration *registration, udg_message *message) {
  double half[2] = {0.5 * upright->width / upright->px_per_mm,
                    0.5 * upright->height / upright->px_per_mm};
  double centre[2] = {half[0] - upright->origin_px[0] / upright->px_per_mm,
                      half[1] - upright->origin_px[1] / upright->px_per_mm};
  upright->zoom =
      udg_homography_scale(&registration->date_to_photo, centre[0], centre[1]) / upright->px_per_mm;
  udg_homography to_window;
  udg_status status = udg_rescale_window(&upright->settings, photo, &registration->date_to_photo,
                                         centre, half, upright->px_per_mm, &upright->window,
                                         &upright->window_scratch, &to_window);
  if (status != UDG_OK)
    return udg_fail(message, status, "%s",
                    status == UDG_ERROR_MEMORY ? "no memory for the upright date"
                                               : "the date lies outside the photo");
  udg_homography to_mm = udg_homography_similarity(1.0 / upright->px_per_mm, 0.0,
                                                   -upright->origin_px[0] / upright->px_per_mm,
                                                   -upright->origin_px[1] / upright->px_per_mm);
  udg_homography to_photo = udg_homography_after(&registration->date_to_photo, &to_mm);
  udg_homography map = udg_homography_after(&to_window, &to_photo);
  for (int y = 0; y < upright->height; y++) {
    float *grey = udg_plane_row(&upright->grey, y), *usable = udg_plane_row(&upright->usable, y);
    for (int x = 0; x < upright->width; x++) {
      double px, py, wx, wy;
      udg_homography_apply(&to_photo, x + 0.5, y + 0.5, &px, &py);
      udg_homography_apply(&map, x + 0.5, y + 0.5, &wx, &wy);
      int on_coin = upright->coin_radius_px <= 0.0 ||
                    hypot(x + 0.5 - upright->coin_px[0], y + 0.5 - upright->coin_px[1]) <=
                        upright->coin_radius_px;
      int inside =
          on_coin && px >= 1.0 && py >= 1.0 && px <= photo.width - 1.0 && py <= photo.height - 1.0;
      grey[x] = udg_plane_sample(&upright->window.plane, wx, wy);
      usable[x] = inside ? 1.0f : 0.0f;
    }
  }
  status = lay_digits(upright, registration, message);
  size_t count = (size_t)upright->width * (size_t)upright->height;
  for (size_t i = 0; upright->coin_radius_px > 0.0 && i < count; i++)
    if (upright->distance.v[i] < DESIGN_REACH_PX)
      upright->usable.v[i] = 0.0f;
  return status;
}
