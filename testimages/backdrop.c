/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The table that whole coins lie on. */
#include <math.h>

#include "canvas.h"

#define PI 3.141592653589793

enum { SEED_CLOTH = 106 };

/* How thick coins are: how far their shadows fall. */
#define THICKNESS_MM 1.5

static double weave(const ti_backdrop *b, double x, double y, double rough) {
  double p = 2 * PI / b->pitch_mm;
  switch (b->cloth) {
  case TI_WEAVE:
    return 1 + 0.22 * sin(p * x) * sin(p * y) + 0.08 * rough;
  case TI_GRAIN:
    return 1 + 0.2 * sin(0.6 * p * (y + 0.25 * sin(0.3 * x)) + 1.5 * rough);
  case TI_SPECKLE:
    return 1 + 0.09 * rough;
  case TI_PLAIN:
  case TI_CLOTH_COUNT:
    break;
  }
  return 1;
}

/* Darkens the table where the coin keeps a lamp off, and round its foot. */
static void cast(const ti_scene *s, udg_plane *lit) {
  double scale = s->camera.digit_px / s->date->height_mm, r, centre[2];
  r = 0.5 * ti_design_diameter(s->reference) * scale;
  udg_homography_apply(&s->camera.date_to_photo, s->camera.middle_mm[0], s->camera.middle_mm[1],
                       &centre[0], &centre[1]);
  double total = s->light.ambient;
  for (int k = 0; k < s->light.lamp_count; k++)
    total += 3 / PI * s->light.lamps[k].power * sin(s->light.lamps[k].elevation_rad);
  for (int k = -1; k < s->light.lamp_count; k++) {
    const ti_lamp *lamp = k < 0 ? NULL : &s->light.lamps[k];
    double far = 0, soft = 0.7 * THICKNESS_MM * scale, x = centre[0], y = centre[1], share = 0.45;
    if (lamp && !lamp->ring) {
      far = THICKNESS_MM * scale / tan(lamp->elevation_rad);
      soft = fmax(2, far * lamp->size_rad);
      share = 0.9 * 3 / PI * lamp->power * sin(lamp->elevation_rad) / total;
    } else if (lamp)
      continue;
    x -= lamp ? far * cos(lamp->azimuth_rad) : 0;
    y -= lamp ? far * sin(lamp->azimuth_rad) : 0;
    int x0 = (int)fmax(0, x - r - soft), x1 = (int)fmin(lit->width - 1, x + r + soft);
    int y0 = (int)fmax(0, y - r - soft), y1 = (int)fmin(lit->height - 1, y + r + soft);
    for (int j = y0; j <= y1; j++)
      for (int i = x0; i <= x1; i++) {
        double t = (r + soft - hypot(i + 0.5 - x, j + 0.5 - y)) / (2 * soft);
        t = t < 0 ? 0 : t > 1 ? 1 : t;
        udg_plane_row(lit, j)[i] *= (float)(1 - share * t * t * (3 - 2 * t));
      }
  }
}

static void glare(ti_canvas *canvas, const ti_backdrop *b, double level) {
  int w = canvas->cover.width, h = canvas->cover.height;
  double c = cos(b->glare_turn_rad), s = sin(b->glare_turn_rad), wide = b->glare_wide * (w + h);
  for (int y = 0; y < h; y++)
    for (int x = 0; x < w; x++) {
      double dx = x - b->glare_at[0] * w, dy = y - b->glare_at[1] * h;
      double across = (c * dx + s * dy) / wide, along = (c * dy - s * dx) / (8 * wide);
      double add = level * b->glare * exp(-across * across - along * along);
      if (add > 0.004 * level)
        for (int k = 0; k < canvas->channels; k++)
          udg_plane_row(&canvas->rgb[k], y)[x] += (float)add;
    }
}

static udg_status texture(const udg_settings *settings, const ti_scene *s, ti_field *flat,
                          udg_plane *uneven, udg_plane *rough) {
  int w = s->camera.width, h = s->camera.height;
  double ppm = s->camera.digit_px / s->date->height_mm;
  *flat = (ti_field){ppm, 0, 0, {0}};
  udg_status status = udg_plane_create(settings, w, h, uneven);
  if (status == UDG_OK)
    status = udg_plane_create(settings, w, h, rough);
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, flat, uneven, 6, 0.5 * s->backdrop.uneven,
                                ti_scene_noise(s, SEED_CLOTH));
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, flat, rough, fmax(0.25, 2 / ppm), 1,
                                ti_scene_noise(s, SEED_CLOTH + 10));
  return status;
}

udg_status ti_backdrop_draw(ti_canvas *canvas, const ti_scene *scenes, int count) {
  const udg_settings *settings = &canvas->settings;
  const ti_scene *s = &scenes[0];
  udg_plane lit = {0}, uneven = {0}, rough = {0};
  ti_field flat;
  udg_status status = udg_plane_create(settings, s->camera.width, s->camera.height, &lit);
  if (status == UDG_OK)
    status = texture(settings, s, &flat, &uneven, &rough);
  if (status == UDG_OK) {
    double light = s->light.ambient, colour[3];
    float own[3];
    for (int k = 0; k < s->light.lamp_count; k++)
      light += 3 / PI * s->light.lamps[k].power * sin(s->light.lamps[k].elevation_rad);
    for (int c = 0; c < 3; c++)
      colour[c] = light * s->backdrop.colour[c] * s->post.white[c];
    ti_canvas_colour(canvas, colour, own);
    for (size_t k = 0; k < (size_t)lit.width * (size_t)lit.height; k++)
      lit.v[k] = 1;
    for (int k = 0; k < count; k++)
      cast(&scenes[k], &lit);
    for (int y = 0; y < lit.height; y++)
      for (int x = 0; x < lit.width; x++) {
        size_t k = (size_t)y * (size_t)lit.width + (size_t)x;
        double at = (1 + uneven.v[k]) * lit.v[k] *
                    weave(&s->backdrop, x / flat.px_per_mm, y / flat.px_per_mm, rough.v[k]);
        float free = fmaxf(0, 1 - canvas->cover.v[k]);
        for (int c = 0; c < canvas->channels; c++)
          canvas->rgb[c].v[k] += free * own[c] * (float)fmax(at, 0.05);
      }
    if (s->backdrop.glare > 0)
      glare(canvas, &s->backdrop, 0.4 * light);
  }
  udg_plane_destroy(settings, &lit);
  udg_plane_destroy(settings, &uneven);
  udg_plane_destroy(settings, &rough);
  return status;
}
