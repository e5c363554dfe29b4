/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "picture.h"

#include <math.h>

/* Fewest samples a millimetre that show a shoulder of 0.1 mm as one. */
#define LEAST_PX_PER_MM 45.0

udg_status ti_picture_field(const udg_settings *settings, const ti_scene *scene, ti_field *field) {
  const ti_camera *cam = &scene->camera;
  udg_homography back;
  if (!udg_homography_invert(&cam->date_to_photo, &back))
    return UDG_ERROR_INTERNAL;
  double x_low = INFINITY, x_high = -INFINITY, y_low = INFINITY, y_high = -INFINITY;
  for (int k = 0; k < 4; k++) {
    double x, y;
    udg_homography_apply(&back, k & 1 ? cam->width : 0, k & 2 ? cam->height : 0, &x, &y);
    x_low = fmin(x_low, x);
    x_high = fmax(x_high, x);
    y_low = fmin(y_low, y);
    y_high = fmax(y_high, y);
  }
  double edge = 0.15, ppm = 1.4 * cam->digit_px / scene->date->height_mm;
  ppm = fmax(ppm, LEAST_PX_PER_MM);
  *field = (ti_field){.px_per_mm = ppm, .x0_mm = x_low - edge, .y0_mm = y_low - edge};
  int w = (int)ceil((x_high - x_low + 2 * edge) * ppm) + 2;
  int h = (int)ceil((y_high - y_low + 2 * edge) * ppm) + 2;
  return udg_plane_create(settings, w, h, &field->h);
}

udg_status ti_picture_draw(const ti_shapes *shapes, const ti_options *options, ti_scene *scene,
                           ti_pixels *pixels) {
  const udg_settings *settings = &shapes->settings;
  ti_field field = {0};
  udg_plane radiance = {0};
  udg_status status = ti_picture_field(settings, scene, &field);
  if (status == UDG_OK)
    status = ti_relief_build(shapes, scene, &field);
  if (status == UDG_OK && options->ideal) {
    status = ti_shade_linear(settings, scene, &field, options->ideal_contrast, &radiance);
    if (status == UDG_OK)
      status = ti_post_ideal(settings, scene, &field, &radiance, pixels);
  } else if (status == UDG_OK) {
    status = ti_shade(settings, scene, &field, &radiance);
    if (status == UDG_OK)
      status = ti_post_develop(settings, scene, &field, &radiance, pixels);
  }
  udg_plane_destroy(settings, &field.h);
  udg_plane_destroy(settings, &radiance);
  return status;
}
