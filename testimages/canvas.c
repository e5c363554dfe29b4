/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "canvas.h"

#include <math.h>

#include "view.h"

enum { SEED_DRIFT = 105, DRIFT = 8 };

udg_status ti_canvas_create(const udg_settings *settings, int width, int height, int channels,
                            ti_canvas *canvas) {
  *canvas = (ti_canvas){.settings = *settings, .channels = channels};
  udg_status status = udg_plane_create(settings, width, height, &canvas->cover);
  for (int c = 0; c < channels && status == UDG_OK; c++)
    status = udg_plane_create(settings, width, height, &canvas->rgb[c]);
  if (status != UDG_OK)
    ti_canvas_destroy(canvas);
  return status;
}

void ti_canvas_destroy(ti_canvas *canvas) {
  for (int c = 0; c < 3; c++)
    udg_plane_destroy(&canvas->settings, &canvas->rgb[c]);
  udg_plane_destroy(&canvas->settings, &canvas->cover);
}

void ti_canvas_colour(const ti_canvas *canvas, const double colour[3], float out[3]) {
  static const double luma[3] = {0.2126, 0.7152, 0.0722};
  double grey = 0;
  for (int c = 0; c < 3; c++) {
    grey += luma[c] * colour[c];
    out[c] = (float)colour[c];
  }
  if (canvas->channels == 1)
    out[0] = (float)grey;
}

static udg_status blur_optics(const udg_settings *settings, const ti_scene *scene,
                              const ti_field *field, udg_plane *plane) {
  udg_plane scratch = {0};
  udg_status status = udg_plane_create(settings, plane->width, plane->height, &scratch);
  if (status != UDG_OK)
    return status;
  /* A pixel takes in its square: standard deviation 1 / sqrt 12. */
  double sigma = sqrt(scene->post.blur_px * scene->post.blur_px + 1.0 / 12);
  double density = field->px_per_mm * scene->date->height_mm / scene->camera.digit_px;
  udg_plane_blur(plane, sigma * density, &scratch);
  udg_plane_destroy(settings, &scratch);
  return UDG_OK;
}

static float bilinear(const udg_plane *plane, double u, double v) {
  double right = plane->width - 1.001, bottom = plane->height - 1.001;
  u = u < 0 ? 0 : u > right ? right : u;
  v = v < 0 ? 0 : v > bottom ? bottom : v;
  int i = (int)u, j = (int)v;
  float fx = (float)(u - i), fy = (float)(v - j);
  const float *a = udg_plane_row(plane, j) + i, *b = a + plane->width;
  float top = a[0] + fx * (a[1] - a[0]), low = b[0] + fx * (b[1] - b[0]);
  return top + fy * (low - top);
}

udg_status ti_canvas_project(const udg_settings *settings, const ti_scene *scene,
                             const ti_field *field, const udg_plane *plane, udg_plane *photo) {
  const ti_camera *cam = &scene->camera;
  udg_homography back;
  if (!udg_homography_invert(&cam->date_to_photo, &back))
    return UDG_ERROR_INTERNAL;
  udg_status status = udg_plane_create(settings, cam->width, cam->height, photo);
  if (status != UDG_OK)
    return status;
  for (int y = 0; y < cam->height; y++) {
    float *out = udg_plane_row(photo, y);
    for (int x = 0; x < cam->width; x++) {
      double u, v;
      udg_homography_apply(&back, x + 0.5, y + 0.5, &u, &v);
      out[x] = bilinear(plane, (u - field->x0_mm) * field->px_per_mm,
                        (v - field->y0_mm) * field->px_per_mm);
    }
  }
  return UDG_OK;
}

/* Part of the photo that the field can be seen in. */
typedef struct window {
  int x0, y0, x1, y1;
} window;

static window seen(const ti_scene *scene, const ti_field *field, const ti_canvas *canvas) {
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  for (int k = 0; k < 4; k++) {
    double p[2], x = field->x0_mm + (k & 1 ? field->h.width / field->px_per_mm : 0);
    double y = field->y0_mm + (k & 2 ? field->h.height / field->px_per_mm : 0);
    udg_homography_apply(&scene->camera.date_to_photo, x, y, &p[0], &p[1]);
    for (int c = 0; c < 2; c++) {
      low[c] = fmin(low[c], p[c]);
      high[c] = fmax(high[c], p[c]);
    }
  }
  return (window){(int)fmax(0, floor(low[0])), (int)fmax(0, floor(low[1])),
                  (int)fmin(canvas->cover.width - 1, ceil(high[0])),
                  (int)fmin(canvas->cover.height - 1, ceil(high[1]))};
}

typedef struct layers {
  udg_plane cover, tone;
} layers;

/* Adds what the window shows; a close-up covers all of it. */
static void gather(ti_canvas *canvas, const ti_scene *scene, const ti_field *field,
                   const udg_plane *radiance, const layers *l, const udg_homography *back) {
  const ti_metal *metal = &ti_metals[scene->coin.metal];
  double colour[3];
  float own[3], drift[3];
  for (int c = 0; c < 3; c++) {
    colour[c] = metal->colour[c] * scene->post.white[c];
    drift[c] = (float)(scene->coin.tone * (metal->toned[c] / metal->toned[1] - 1));
  }
  ti_canvas_colour(canvas, colour, own);
  if (canvas->channels == 1)
    drift[0] = 0;
  window w = seen(scene, field, canvas);
  for (int y = w.y0; y <= w.y1; y++)
    for (int x = w.x0; x <= w.x1; x++) {
      double u, v;
      udg_homography_apply(back, x + 0.5, y + 0.5, &u, &v);
      u = (u - field->x0_mm) * field->px_per_mm;
      v = (v - field->y0_mm) * field->px_per_mm;
      int off = u < 0 || v < 0 || u > radiance->width - 1 || v > radiance->height - 1;
      if (scene->has_design && off)
        continue;
      float light = bilinear(radiance, u, v), tone = bilinear(&l->tone, u / DRIFT, v / DRIFT);
      for (int c = 0; c < canvas->channels; c++)
        udg_plane_row(&canvas->rgb[c], y)[x] += light * own[c] * (1 + drift[c] * tone);
      udg_plane_row(&canvas->cover, y)[x] += l->cover.v ? bilinear(&l->cover, u, v) : 1;
    }
}

/* The coin's outline, as sharp as the optics leave it; `radiance` is cut by it. */
static udg_status cut_out(const udg_settings *settings, const ti_scene *scene,
                          const ti_field *field, udg_plane *radiance, udg_plane *cover) {
  ti_design design;
  ti_design_make(scene->reference, scene->coin.other_side, &design);
  udg_status status = ti_design_cover(settings, &design, field, cover);
  if (status != UDG_OK)
    return status;
  size_t count = (size_t)cover->width * (size_t)cover->height;
  for (size_t k = 0; k < count; k++)
    radiance->v[k] *= cover->v[k];
  return blur_optics(settings, scene, field, cover);
}

udg_status ti_canvas_add(ti_canvas *canvas, const ti_scene *scene, const ti_field *field,
                         udg_plane *radiance) {
  const udg_settings *settings = &canvas->settings;
  layers l = {{0}, {0}};
  udg_homography back;
  if (!udg_homography_invert(&scene->camera.date_to_photo, &back))
    return UDG_ERROR_INTERNAL;
  ti_field coarse = {field->px_per_mm / DRIFT, field->x0_mm, field->y0_mm, {0}};
  udg_status status = UDG_OK;
  if (scene->has_design)
    status = cut_out(settings, scene, field, radiance, &l.cover);
  if (status == UDG_OK)
    status = blur_optics(settings, scene, field, radiance);
  if (status == UDG_OK)
    status = udg_plane_create(settings, radiance->width / DRIFT + 2, radiance->height / DRIFT + 2,
                              &l.tone);
  if (status == UDG_OK)
    status =
        ti_plane_add_noise(settings, &coarse, &l.tone, 1.2, 0.5, ti_scene_noise(scene, SEED_DRIFT));
  if (status == UDG_OK)
    gather(canvas, scene, field, radiance, &l, &back);
  udg_plane_destroy(settings, &l.cover);
  udg_plane_destroy(settings, &l.tone);
  return status;
}
