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
  if (scene->has_design) { /* no more than the coin */
    double r = 0.5 * ti_design_diameter(scene->reference);
    x_low = fmax(x_low, cam->middle_mm[0] - r);
    x_high = fmin(x_high, cam->middle_mm[0] + r);
    y_low = fmax(y_low, cam->middle_mm[1] - r);
    y_high = fmin(y_high, cam->middle_mm[1] + r);
  }
  /* Theory is tested on shading that sampling has not smoothed. */
  double edge = 0.15, dense = scene->ideal ? 4 : 1.4;
  double ppm = dense * cam->digit_px / scene->date->height_mm;
  ppm = fmax(ppm, LEAST_PX_PER_MM);
  *field = (ti_field){.px_per_mm = ppm, .x0_mm = x_low - edge, .y0_mm = y_low - edge};
  int w = (int)ceil((x_high - x_low + 2 * edge) * ppm) + 2;
  int h = (int)ceil((y_high - y_low + 2 * edge) * ppm) + 2;
  return udg_plane_create(settings, w, h, &field->h);
}

static udg_status draw_ideal(const ti_shapes *shapes, const ti_options *options, ti_scene *scene,
                             ti_pixels *pixels) {
  const udg_settings *settings = &shapes->settings;
  ti_field field = {0};
  udg_plane levels = {0};
  udg_status status = ti_picture_field(settings, scene, &field);
  if (status == UDG_OK)
    status = ti_relief_build(shapes, scene, &field);
  if (status == UDG_OK)
    status = ti_shade_linear(settings, scene, &field, options->ideal_contrast, &levels);
  if (status == UDG_OK)
    status = ti_post_ideal(settings, scene, &field, &levels, pixels);
  udg_plane_destroy(settings, &field.h);
  udg_plane_destroy(settings, &levels);
  return status;
}

static udg_status draw_coin(const ti_shapes *shapes, ti_scene *scene, ti_canvas *canvas) {
  const udg_settings *settings = &shapes->settings;
  ti_field field = {0};
  udg_plane radiance = {0};
  udg_status status = ti_picture_field(settings, scene, &field);
  if (status == UDG_OK)
    status = ti_relief_build(shapes, scene, &field);
  if (status == UDG_OK)
    status = ti_shade(settings, scene, &field, &radiance);
  if (status == UDG_OK)
    status = ti_canvas_add(canvas, scene, &field, &radiance);
  udg_plane_destroy(settings, &field.h);
  udg_plane_destroy(settings, &radiance);
  return status;
}

udg_status ti_picture_draw(const ti_shapes *shapes, const ti_options *options, ti_scene *scenes,
                           int count, ti_pixels *pixels) {
  const ti_camera *cam = &scenes[0].camera;
  ti_canvas canvas;
  if (options->ideal)
    return draw_ideal(shapes, options, &scenes[0], pixels);
  udg_status status = ti_canvas_create(&shapes->settings, cam->width, cam->height,
                                       scenes[0].post.grey ? 1 : 3, &canvas);
  if (status != UDG_OK)
    return status;
  for (int k = 0; k < count && status == UDG_OK; k++)
    status = draw_coin(shapes, &scenes[k], &canvas);
  if (status == UDG_OK && scenes[0].has_design)
    status = ti_backdrop_draw(&canvas, scenes, count);
  if (status == UDG_OK)
    status = ti_post_develop(&scenes[0], &canvas, pixels);
  ti_canvas_destroy(&canvas);
  return status;
}
