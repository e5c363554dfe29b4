/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Development: exposure, tone curve, noise, sharpening. */
#include <math.h>
#include <stdlib.h>

#include "picture.h"

enum { STREAM_NOISE = 4 };

static ti_rng noise_rng(const ti_scene *scene) {
  return ti_rng_create(scene->stream, (uint64_t)scene->index,
                       STREAM_NOISE + 16 * (uint64_t)scene->view);
}

static int by_value(const void *a, const void *b) {
  float d = *(const float *)a - *(const float *)b;
  return (d > 0) - (d < 0);
}

/* Exposure as a camera finds it: the mean of the coins, with highlights held
 * down, comes to a middle grey. */
static double meter(const ti_canvas *canvas) {
  enum { PROBES = 2048 };
  float probe[PROBES];
  size_t count = (size_t)canvas->cover.width * (size_t)canvas->cover.height;
  size_t step = count / PROBES + 1;
  int n = 0;
  for (size_t k = 0; k < count && n < PROBES; k += step) {
    if (canvas->cover.v[k] < 0.5f)
      continue;
    probe[n] = 0;
    for (int c = 0; c < canvas->channels; c++)
      probe[n] += canvas->rgb[c].v[k] / (float)canvas->channels;
    n++;
  }
  if (!n)
    return 1;
  qsort(probe, (size_t)n, sizeof *probe, by_value);
  double top = 3 * probe[n / 2], sum = 0;
  for (int k = 0; k < n; k++)
    sum += fmin(probe[k], top);
  return sum > 0 ? 0.34 * n / sum : 1;
}

enum { CURVE = 1024 };

/* sRGB curve (IEC 61966-2-1), then the photographer's gamma; by the square root
 * of the light, up to 1.5 times white. */
static void make_curve(double gamma, float *curve) {
  for (int k = 0; k <= CURVE + 1; k++) {
    double r = k * sqrt(1.5) / CURVE, v = r * r;
    double e = v <= 0.0031308 ? 12.92 * v : 1.055 * pow(v, 1 / 2.4) - 0.055;
    curve[k] = (float)pow(e, gamma);
  }
}

static float look_curve(const float *curve, float v) {
  v = v < 0 ? 0 : v > 1.5f ? 1.5f : v;
  float at = sqrtf(v) * (float)(CURVE / 1.2247448713915890);
  int k = (int)at;
  return curve[k] + (at - (float)k) * (curve[k + 1] - curve[k]);
}

/* Linear light to encoded values with noise, up to white, in place. */
static void expose(const ti_scene *scene, ti_canvas *canvas) {
  const ti_post *post = &scene->post;
  float curve[CURVE + 2], exposure = (float)(meter(canvas) * post->exposure);
  make_curve(post->gamma, curve);
  ti_rng rng = noise_rng(scene);
  float common = (float)(0.93 * post->noise), own = (float)(0.5 * post->noise);
  size_t pixels = (size_t)canvas->cover.width * (size_t)canvas->cover.height;
  for (size_t k = 0; k < pixels; k++) {
    float shared = common * ti_rng_fast_normal(&rng);
    for (int c = 0; c < canvas->channels; c++) {
      float v = look_curve(curve, exposure * canvas->rgb[c].v[k]);
      v += shared + own * ti_rng_fast_normal(&rng);
      canvas->rgb[c].v[k] = v < 0 ? 0 : v > 1 ? 1 : v;
    }
  }
}

/* Unsharp mask on the mean of the channels, as phones do. */
static udg_status sharpen(double amount, ti_canvas *canvas) {
  const udg_settings *settings = &canvas->settings;
  udg_plane soft = {0}, mean = {0}, scratch = {0};
  int w = canvas->cover.width, h = canvas->cover.height;
  udg_status status = udg_plane_create(settings, w, h, &soft);
  if (status == UDG_OK)
    status = udg_plane_create(settings, w, h, &mean);
  if (status == UDG_OK)
    status = udg_plane_create(settings, w, h, &scratch);
  if (status == UDG_OK) {
    size_t pixels = (size_t)w * (size_t)h;
    float share = 1.0f / (float)canvas->channels, much = (float)amount;
    for (size_t k = 0; k < pixels; k++) {
      for (int c = 0; c < canvas->channels; c++)
        mean.v[k] += share * canvas->rgb[c].v[k];
      soft.v[k] = mean.v[k];
    }
    udg_plane_blur(&soft, 1.0, &scratch);
    for (size_t k = 0; k < pixels; k++)
      for (int c = 0; c < canvas->channels; c++)
        canvas->rgb[c].v[k] += much * (mean.v[k] - soft.v[k]);
  }
  udg_plane_destroy(settings, &soft);
  udg_plane_destroy(settings, &mean);
  udg_plane_destroy(settings, &scratch);
  return status;
}

static udg_status quantise(const udg_settings *settings, int count, const udg_plane *planes,
                           float scale, ti_pixels *pixels) {
  int w = planes[0].width, h = planes[0].height;
  *pixels = (ti_pixels){w, h, count, NULL};
  size_t total = (size_t)w * (size_t)h;
  pixels->bytes = udg_memory_get(settings, total * (size_t)count, 1);
  if (!pixels->bytes)
    return UDG_ERROR_MEMORY;
  for (size_t k = 0; k < total; k++)
    for (int c = 0; c < count; c++) {
      float v = planes[c].v[k] * scale + 0.5f;
      pixels->bytes[k * (size_t)count + (size_t)c] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
    }
  return UDG_OK;
}

udg_status ti_post_develop(const ti_scene *scene, ti_canvas *canvas, ti_pixels *pixels) {
  udg_status status = UDG_OK;
  expose(scene, canvas);
  if (scene->post.sharpen > 0)
    status = sharpen(scene->post.sharpen, canvas);
  if (status == UDG_OK)
    status = quantise(&canvas->settings, canvas->channels, canvas->rgb, 255, pixels);
  return status;
}

udg_status ti_post_ideal(const udg_settings *settings, const ti_scene *scene, const ti_field *field,
                         const udg_plane *levels, ti_pixels *pixels) {
  udg_plane photo = {0};
  udg_status status = ti_canvas_project(settings, scene, field, levels, &photo);
  if (status == UDG_OK) {
    ti_rng rng = noise_rng(scene);
    double sigma = 255 * scene->post.noise;
    size_t total = (size_t)photo.width * (size_t)photo.height;
    for (size_t k = 0; k < total && sigma > 0; k++)
      photo.v[k] += (float)(sigma * ti_rng_normal(&rng));
    status = quantise(settings, 1, &photo, 1, pixels);
  }
  udg_plane_destroy(settings, &photo);
  return status;
}
