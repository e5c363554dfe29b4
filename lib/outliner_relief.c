/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The relief that the outliner's coins share, from their pictures laid onto each other. */
#include <math.h>
#include <string.h>

#include "outliner_internal.h"
#include "stereo.h"

/* The frame: radius of the coin in it, and how much of a side it takes. */
static const double RADIUS_MIN_PX = 64.0, RADIUS_MAX_PX = 200.0, SIDE_SHARE = 2.25;
static const double GROUND_SHARE = 0.12; /* of the radius */
/* The design ends before the rim: shares of the radius. */
static const double FADE_FROM = 0.86, FADE_TO = 0.94;
/* Around the box on a close-up, share of its height. */
static const double BOX_MARGIN = 0.5;

static double frame_radius(const udg_outliner *outliner) {
  double sum = 0.0;
  for (size_t i = 0; i < outliner->count; i++) {
    const udg_outliner_entry *e = &outliner->entries[i];
    if (e->told.fate == UDG_LEARN_USED)
      sum += sqrt(e->circle.semi[0] * e->circle.semi[1]);
  }
  double mean = sum / (double)udg_outliner_used(outliner);
  return fmin(fmax(mean, RADIUS_MIN_PX), RADIUS_MAX_PX);
}

/* Towards the rim the design ends and the picture fades out. */
static void fade(udg_plane *picture, double radius_px) {
  for (int y = 0; y < picture->height; y++)
    for (int x = 0; x < picture->width; x++) {
      double r = hypot(x + 0.5 - 0.5 * picture->width, y + 0.5 - 0.5 * picture->height);
      double t = fmin(fmax((FADE_TO - r / radius_px) / (FADE_TO - FADE_FROM), 0.0), 1.0);
      udg_plane_row(picture, y)[x] *= (float)t;
    }
}

/* From 1 to 0 between half and all of the margin. */
static double faded(double beyond, double margin) {
  return fmin(fmax(2.0 - 2.0 * beyond / margin, 0.0), 1.0);
}

/* Of a close-up only the box and some way around it is kept, and nothing from beyond the
 * photo. */
static void fade_around(const udg_outliner *outliner, const udg_outliner_entry *e,
                        const udg_homography *map, double radius_px, udg_plane *picture) {
  const udg_ellipse *circle = &outliner->entries[0].circle;
  const double *box = outliner->box_px;
  double half[2], middle[2], margin = BOX_MARGIN * box[3] / circle->semi[0];
  for (int axis = 0; axis < 2; axis++) {
    half[axis] = 0.5 * box[2 + axis] / circle->semi[0];
    middle[axis] = (box[axis] + 0.5 * box[2 + axis] - circle->centre[axis]) / circle->semi[0];
  }
  for (int y = 0; y < picture->height; y++)
    for (int x = 0; x < picture->width; x++) {
      double u = (x + 0.5 - 0.5 * picture->width) / radius_px, px, py;
      double v = (y + 0.5 - 0.5 * picture->height) / radius_px;
      udg_homography_apply(map, u, v, &px, &py);
      double inside = fmin(fmin(px, e->coin.width - px), fmin(py, e->coin.height - py));
      double share = faded(fabs(u - middle[0]) - half[0], margin) *
                     faded(fabs(v - middle[1]) - half[1], margin) *
                     fmin(fmax(inside / e->circle.semi[0] / margin, 0.0), 1.0);
      udg_plane_row(picture, y)[x] *= (float)share;
    }
}

/* The used coins upright, evened out; then their common relief. */
udg_status udg_outliner_relief(udg_outliner *outliner, udg_design *design, udg_message *message) {
  const udg_settings *settings = &outliner->settings;
  size_t used = udg_outliner_used(outliner), n = 0;
  design->radius_px = frame_radius(outliner);
  int side = udg_fft_good_size((int)ceil(SIDE_SHARE * design->radius_px));
  udg_plane scratch[3] = {{0}, {0}, {0}};
  udg_plane *pictures = udg_memory_get(settings, used, sizeof *pictures);
  udg_status status = pictures ? UDG_OK : UDG_ERROR_MEMORY;
  for (int i = 0; i < 3 && status == UDG_OK; i++)
    status = udg_plane_create(settings, side, side, &scratch[i]);
  if (status == UDG_OK)
    status = udg_plane_create(settings, side, side, &design->height);
  for (size_t i = 0; i < outliner->count && status == UDG_OK; i++) {
    const udg_outliner_entry *e = &outliner->entries[i];
    if (e->told.fate != UDG_LEARN_USED)
      continue;
    udg_homography map = udg_face_map(&e->circle, e->lay_turn_rad);
    status = udg_plane_create(settings, side, side, &pictures[n]);
    if (status == UDG_OK)
      status = udg_face_lay(settings, udg_photo_of(&e->coin), &map, design->radius_px,
                            &outliner->work, &pictures[n]);
    if (status != UDG_OK)
      break;
    udg_face_even(&pictures[n], GROUND_SHARE * design->radius_px, &scratch[0], &scratch[1],
                  &scratch[2]);
    if (outliner->near)
      fade_around(outliner, e, &map, design->radius_px, &pictures[n++]);
    else
      fade(&pictures[n++], design->radius_px);
  }
  if (status != UDG_OK)
    udg_fail(message, status, "no memory to lay the photos on each other");
  else
    status = udg_stereo_height(settings, outliner->fft, pictures, n, &design->height, message);
  if (status == UDG_ERROR_ARGUMENT)
    status = UDG_ERROR_PHOTOS;
  for (size_t i = 0; pictures && i < used; i++)
    udg_plane_destroy(settings, &pictures[i]);
  for (int i = 0; i < 3; i++)
    udg_plane_destroy(settings, &scratch[i]);
  udg_memory_drop(settings, pictures);
  return status;
}
