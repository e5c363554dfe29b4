/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Light on the relief: from heights and lamps to brightness. */
#include <math.h>
#include <string.h>

#include "lamp.h"
#include "picture.h"

enum { SEED_TONE = 103, SEED_DIRT = 104, COARSE = 4, HALF = 2 };

/* Mean of factor x factor samples; the rest at the right and low edge is left out. */
static udg_status shrink(const udg_settings *settings, const udg_plane *full, int factor,
                         udg_plane *small) {
  int w = full->width / factor, h = full->height / factor;
  udg_status status = udg_plane_create(settings, w, h, small);
  if (status != UDG_OK)
    return status;
  float scale = 1.0f / (float)(factor * factor);
  for (int y = 0; y < h; y++) {
    float *out = udg_plane_row(small, y);
    for (int j = 0; j < factor; j++) {
      const float *in = udg_plane_row(full, y * factor + j);
      for (int x = 0; x < w; x++)
        for (int i = 0; i < factor; i++)
          out[x] += scale * in[x * factor + i];
    }
  }
  return UDG_OK;
}

/* A row of the full plane from a shrunken one, bilinear; `line` holds a row of the
 * small plane.  Beyond the outermost centres the value stays. */
static void enlarge_row(const udg_plane *small, int factor, int y, int width, float *line,
                        float *out) {
  float at = ((float)y + 0.5f) / (float)factor - 0.5f, limit = (float)(small->height - 1);
  at = at < 0 ? 0 : at > limit ? limit : at;
  int j = (int)at, below = j + 1 < small->height ? j + 1 : j;
  float fy = at - (float)j;
  const float *a = udg_plane_row(small, j), *b = udg_plane_row(small, below);
  for (int i = 0; i < small->width; i++)
    line[i] = a[i] + fy * (b[i] - a[i]);
  /* Sample x = factor i + factor / 2 + k lies (k + 1/2) / factor past the centre of i. */
  int first = factor / 2, last = factor * (small->width - 1) + first;
  for (int x = 0; x < first && x < width; x++)
    out[x] = line[0];
  for (int i = 0; i + 1 < small->width; i++) {
    float *o = out + factor * i + first, step = (line[i + 1] - line[i]) / (float)factor;
    for (int k = 0; k < factor; k++)
      o[k] = line[i] + ((float)k + 0.5f) * step;
  }
  for (int x = last; x < width; x++)
    out[x] = line[small->width - 1];
}

/* Share of a lamp that is seen over the relief: the steepest rise on the way to
 * the lamp against the lamp's elevation, soft by its size. */
static udg_status cast_shadow(const udg_settings *settings, const ti_field *field,
                              const udg_plane *half, const double l[3], double size,
                              double relief_mm, udg_plane *seen) {
  udg_status status = udg_plane_create(settings, half->width, half->height, seen);
  if (status != UDG_OK)
    return status;
  double level = hypot(l[0], l[1]), elevation = atan2(l[2], level), ppm = field->px_per_mm / HALF;
  float low = (float)tan(fmax(0.05, elevation - 0.25 * size));
  float high = (float)tan(fmin(1.5, elevation + 0.25 * size));
  double far_px = fmin(0.6, 1.1 * relief_mm / low) * ppm;
  enum { STEPS = 8 };
  int dx[STEPS], dy[STEPS];
  float per_mm[STEPS];
  for (int k = 0; k < STEPS; k++) {
    double d = fmax(1.0, far_px * (k + 1) * (k + 1) / (STEPS * STEPS)) + k * 0.3;
    dx[k] = (int)lround(d * l[0] / level);
    dy[k] = (int)lround(d * l[1] / level);
    per_mm[k] = (float)(ppm / fmax(0.5, hypot(dx[k], dy[k])));
  }
  for (int y = 0; y < half->height; y++) {
    float *out = udg_plane_row(seen, y);
    const float *here = udg_plane_row(half, y);
    for (int k = 0; k < STEPS; k++) {
      int v = y + dy[k] < 0 ? 0 : y + dy[k] >= half->height ? half->height - 1 : y + dy[k];
      const float *there = udg_plane_row(half, v);
      int from = dx[k] < 0 ? -dx[k] : 0, to = half->width - (dx[k] > 0 ? dx[k] : 0);
      for (int x = from; x < to; x++) {
        float rise = (there[x + dx[k]] - here[x]) * per_mm[k];
        out[x] = rise > out[x] ? rise : out[x];
      }
    }
    float scale = 1 / (high - low);
    for (int x = 0; x < half->width; x++) {
      float t = (high - out[x]) * scale;
      t = t < 0 ? 0 : t > 1 ? 1 : t;
      out[x] = t * t * (3 - 2 * t);
    }
  }
  return UDG_OK;
}

typedef struct covers {
  udg_plane half, coarse, shadow[TI_LAMPS_MAX], tone, dirt, line;
} covers;

static void drop_covers(const udg_settings *settings, covers *c) {
  udg_plane_destroy(settings, &c->half);
  udg_plane_destroy(settings, &c->coarse);
  udg_plane_destroy(settings, &c->tone);
  udg_plane_destroy(settings, &c->dirt);
  udg_plane_destroy(settings, &c->line);
  for (int k = 0; k < TI_LAMPS_MAX; k++)
    udg_plane_destroy(settings, &c->shadow[k]);
}

/* Heights smoothed over 0.1 mm: where they are above the surface it is a
 * crevice, seen by less of the surroundings and filled with dirt. */
static udg_status make_crevices(const udg_settings *settings, const ti_field *field, covers *c) {
  udg_plane scratch = {0};
  udg_status status = shrink(settings, &field->h, COARSE, &c->coarse);
  if (status == UDG_OK)
    status = udg_plane_create(settings, c->coarse.width, c->coarse.height, &scratch);
  if (status == UDG_OK)
    udg_plane_blur(&c->coarse, 0.1 * field->px_per_mm / COARSE, &scratch);
  udg_plane_destroy(settings, &scratch);
  return status;
}

static udg_status make_covers(const udg_settings *settings, const ti_scene *scene,
                              const ti_field *field, covers *c) {
  udg_status status = make_crevices(settings, field, c);
  if (status == UDG_OK)
    status = shrink(settings, &field->h, HALF, &c->half);
  for (int k = 0; k < scene->light.lamp_count && status == UDG_OK; k++) {
    const ti_lamp *lamp = &scene->light.lamps[k];
    double l[3];
    ti_lamp_direction(lamp, &scene->camera, l);
    if (!lamp->ring && lamp->elevation_rad < 0.95)
      status = cast_shadow(settings, field, &c->half, l, lamp->size_rad, scene->coin.relief_mm,
                           &c->shadow[k]);
  }
  ti_field coarse = {field->px_per_mm / COARSE, field->x0_mm, field->y0_mm, {0}};
  if (status == UDG_OK)
    status = udg_plane_create(settings, c->coarse.width, c->coarse.height, &c->tone);
  if (status == UDG_OK)
    status = udg_plane_create(settings, c->coarse.width, c->coarse.height, &c->dirt);
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, &coarse, &c->tone, 0.9, 0.85,
                                ti_scene_noise(scene, SEED_TONE));
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, &coarse, &c->tone, 0.25, 0.5,
                                ti_scene_noise(scene, SEED_TONE + 10));
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, &coarse, &c->dirt, 0.22, 0.5,
                                ti_scene_noise(scene, SEED_DIRT));
  if (status == UDG_OK)
    status = udg_plane_create(settings, field->h.width, 4 + TI_LAMPS_MAX, &c->line);
  return status;
}

static float clamp01(float t) {
  return t < 0 ? 0 : t > 1 ? 1 : t;
}

static void shade_row(const ti_scene *scene, const ti_field *field, const ti_glare *glare,
                      covers *c, int y, float *out) {
  const ti_coin *coin = &scene->coin;
  int w = field->h.width, h = field->h.height, lamps = scene->light.lamp_count;
  const float *here = udg_plane_row(&field->h, y);
  const float *above = udg_plane_row(&field->h, y ? y - 1 : 0);
  const float *below = udg_plane_row(&field->h, y + 1 < h ? y + 1 : y);
  float *smooth = udg_plane_row(&c->line, 0), *tone = udg_plane_row(&c->line, 1);
  float *dirt = udg_plane_row(&c->line, 2), *shadow = udg_plane_row(&c->line, 3);
  float *line = udg_plane_row(&c->line, 3 + TI_LAMPS_MAX);
  enlarge_row(&c->coarse, COARSE, y, w, line, smooth);
  enlarge_row(&c->tone, COARSE, y, w, line, tone);
  enlarge_row(&c->dirt, COARSE, y, w, line, dirt);
  for (int k = 0; k < TI_LAMPS_MAX; k++)
    if (c->shadow[k].v)
      enlarge_row(&c->shadow[k], HALF, y, w, line, shadow + k * w);
  float half_ppm = (float)(0.5 * field->px_per_mm), per_relief = (float)(1 / coin->relief_mm);
  float much_tone = (float)coin->tone, much_dirt = (float)coin->dirt;
  for (int x = 0; x < w; x++) {
    float p = (here[x + 1 < w ? x + 1 : x] - here[x ? x - 1 : 0]) * half_ppm;
    float q = (below[x] - above[x]) * half_ppm;
    float to_unit = 1 / sqrtf(1 + p * p + q * q), lit[4];
    ti_glare_look(glare, -p * to_unit, -q * to_unit, lit);
    float crevice = (smooth[x] - here[x]) * per_relief;
    float sum = lit[3] * (1 - 0.9f * clamp01(crevice));
    for (int k = 0; k < lamps; k++)
      sum += lit[k] * (c->shadow[k].v ? shadow[k * w + x] : 1);
    float dark = clamp01(3.2f * crevice * (1 + 0.8f * dirt[x]) - 0.1f);
    float patch = clamp01(0.5f + 0.45f * tone[x]);
    out[x] = sum * (1 - 0.85f * much_dirt * dark) * (1 - 0.4f * much_tone * patch);
  }
}

udg_status ti_shade(const udg_settings *settings, const ti_scene *scene, const ti_field *field,
                    udg_plane *radiance) {
  covers c;
  ti_glare glare = {0};
  memset(&c, 0, sizeof c);
  udg_status status = make_covers(settings, scene, field, &c);
  if (status == UDG_OK)
    status = ti_glare_create(settings, scene, &glare);
  if (status == UDG_OK)
    status = udg_plane_create(settings, field->h.width, field->h.height, radiance);
  if (status == UDG_OK)
    for (int y = 0; y < field->h.height; y++)
      shade_row(scene, field, &glare, &c, y, udg_plane_row(radiance, y));
  ti_glare_destroy(&glare);
  drop_covers(settings, &c);
  return status;
}

udg_status ti_shade_linear(const udg_settings *settings, const ti_scene *scene,
                           const ti_field *field, double contrast, udg_plane *radiance) {
  int w = field->h.width, h = field->h.height;
  udg_status status = udg_plane_create(settings, w, h, radiance);
  if (status != UDG_OK)
    return status;
  double l[3], low = 0, high = 0, flat, half_ppm = 0.5 * field->px_per_mm;
  ti_lamp_direction(&scene->light.lamps[0], &scene->camera, l);
  flat = ti_lamp_linear(l, 0, 0);
  for (int y = 0; y < h; y++) {
    const float *here = udg_plane_row(&field->h, y);
    const float *above = udg_plane_row(&field->h, y ? y - 1 : 0);
    const float *below = udg_plane_row(&field->h, y + 1 < h ? y + 1 : y);
    float *out = udg_plane_row(radiance, y);
    for (int x = 0; x < w; x++) {
      double p = (here[x + 1 < w ? x + 1 : x] - here[x ? x - 1 : 0]) * half_ppm;
      double q = (below[x] - above[x]) * half_ppm;
      double v = ti_lamp_linear(l, p, q) - flat;
      out[x] = (float)v;
      if (x && y && x + 1 < w && y + 1 < h) { /* there slopes are one-sided */
        low = fmin(low, v);
        high = fmax(high, v);
      }
    }
  }
  /* `contrast` from the darkest to the brightest slope; a lamp straight above
   * leaves all flat, and a flat plane stays so. */
  double gain = high - low > 1e-9 ? contrast / (high - low) : 0;
  for (size_t k = 0; k < (size_t)w * (size_t)h; k++)
    radiance->v[k] = (float)(128 + gain * radiance->v[k]);
  return UDG_OK;
}
