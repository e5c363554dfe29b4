/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Camera and development: blur, perspective, exposure, tone curve, noise, sharpening. */
#include <math.h>
#include <stdlib.h>

#include "picture.h"
#include "view.h"

enum { STREAM_NOISE = 4, SEED_DRIFT = 105 };

/* Samples of the field for each pixel of the photo. */
static double density(const ti_scene *scene, const ti_field *field) {
  return field->px_per_mm * scene->date->height_mm / scene->camera.digit_px;
}

static udg_status blur_optics(const udg_settings *settings, const ti_scene *scene,
                              const ti_field *field, udg_plane *radiance) {
  udg_plane scratch = {0};
  udg_status status = udg_plane_create(settings, radiance->width, radiance->height, &scratch);
  if (status != UDG_OK)
    return status;
  /* A pixel takes in its square: standard deviation 1 / sqrt 12. */
  double sigma = sqrt(scene->post.blur_px * scene->post.blur_px + 1.0 / 12);
  udg_plane_blur(radiance, sigma * density(scene, field), &scratch);
  udg_plane_destroy(settings, &scratch);
  return UDG_OK;
}

/* Value at each pixel centre of the photo. */
static udg_status project(const udg_settings *settings, const ti_scene *scene,
                          const ti_field *field, const udg_plane *radiance, udg_plane *photo) {
  const ti_camera *cam = &scene->camera;
  udg_homography back;
  if (!udg_homography_invert(&cam->date_to_photo, &back))
    return UDG_ERROR_INTERNAL;
  udg_status status = udg_plane_create(settings, cam->width, cam->height, photo);
  if (status != UDG_OK)
    return status;
  double ppm = field->px_per_mm, right = radiance->width - 1.001, low = radiance->height - 1.001;
  for (int y = 0; y < cam->height; y++) {
    float *out = udg_plane_row(photo, y);
    for (int x = 0; x < cam->width; x++) {
      double u, v;
      udg_homography_apply(&back, x + 0.5, y + 0.5, &u, &v);
      u = fmax(0, fmin(right, (u - field->x0_mm) * ppm));
      v = fmax(0, fmin(low, (v - field->y0_mm) * ppm));
      int i = (int)u, j = (int)v;
      float fx = (float)(u - i), fy = (float)(v - j);
      const float *a = udg_plane_row(radiance, j) + i, *b = a + radiance->width;
      float top = a[0] + fx * (a[1] - a[0]), under = b[0] + fx * (b[1] - b[0]);
      out[x] = top + fy * (under - top);
    }
  }
  return UDG_OK;
}

static int by_value(const void *a, const void *b) {
  float d = *(const float *)a - *(const float *)b;
  return (d > 0) - (d < 0);
}

/* Exposure as a camera finds it: the mean, with highlights held down, comes to a
 * middle grey. */
static double meter(const udg_plane *photo) {
  enum { PROBES = 2048 };
  float probe[PROBES];
  size_t count = (size_t)photo->width * (size_t)photo->height;
  int n = count < PROBES ? (int)count : PROBES;
  for (int k = 0; k < n; k++)
    probe[k] = photo->v[(size_t)k * count / (size_t)n];
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

/* Three encoded planes, or one when the picture is grey, with noise, up to white. */
static udg_status expose(const udg_settings *settings, const ti_scene *scene,
                         const udg_plane *photo, const udg_plane *tone, udg_plane planes[3]) {
  const ti_post *post = &scene->post;
  const ti_metal *metal = &ti_metals[scene->coin.metal];
  static const double luma[3] = {0.2126, 0.7152, 0.0722};
  float curve[CURVE + 2], colour[3], toned[3];
  int count = post->grey ? 1 : 3;
  double level = 0, exposure = meter(photo) * post->exposure;
  make_curve(post->gamma, curve);
  for (int c = 0; c < 3; c++)
    level += luma[c] * metal->colour[c];
  for (int c = 0; c < 3; c++) {
    double own = post->grey ? 1 : metal->colour[c] / level * post->white[c];
    colour[c] = (float)(exposure * own);
    toned[c] = (float)(post->grey ? 0 : scene->coin.tone * (metal->toned[c] / metal->toned[1] - 1));
    udg_status status = UDG_OK;
    if (c < count)
      status = udg_plane_create(settings, photo->width, photo->height, &planes[c]);
    if (status != UDG_OK)
      return status;
  }
  ti_rng rng = ti_rng_create(scene->stream, (uint64_t)scene->index,
                             STREAM_NOISE + 16 * (uint64_t)scene->view);
  float common = (float)(0.93 * post->noise), own = (float)(0.5 * post->noise);
  size_t pixels = (size_t)photo->width * (size_t)photo->height;
  for (size_t k = 0; k < pixels; k++) {
    float shared = common * ti_rng_fast_normal(&rng);
    for (int c = 0; c < count; c++) {
      float v = look_curve(curve, photo->v[k] * colour[c] * (1 + toned[c] * tone->v[k]));
      v += shared + own * ti_rng_fast_normal(&rng);
      planes[c].v[k] = v < 0 ? 0 : v > 1 ? 1 : v;
    }
  }
  return UDG_OK;
}

/* Unsharp mask on the mean of the channels, as phones do. */
static udg_status sharpen(const udg_settings *settings, double amount, int count,
                          udg_plane planes[3]) {
  udg_plane soft = {0}, scratch = {0};
  int w = planes[0].width, h = planes[0].height;
  udg_status status = udg_plane_create(settings, w, h, &soft);
  if (status == UDG_OK)
    status = udg_plane_create(settings, w, h, &scratch);
  if (status == UDG_OK) {
    size_t pixels = (size_t)w * (size_t)h;
    float share = 1.0f / (float)count, much = (float)amount;
    for (size_t k = 0; k < pixels; k++)
      for (int c = 0; c < count; c++)
        soft.v[k] += share * planes[c].v[k];
    udg_plane mean = {0};
    status = udg_plane_create(settings, w, h, &mean);
    if (status == UDG_OK) {
      for (size_t k = 0; k < pixels; k++)
        mean.v[k] = soft.v[k];
      udg_plane_blur(&soft, 1.0, &scratch);
      for (size_t k = 0; k < pixels; k++)
        for (int c = 0; c < count; c++)
          planes[c].v[k] += much * (mean.v[k] - soft.v[k]);
    }
    udg_plane_destroy(settings, &mean);
  }
  udg_plane_destroy(settings, &soft);
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

/* Where the toning is, on the photo; the same patches that shade.c darkens are
 * not needed, a colour drifts by its own. */
static udg_status drift(const udg_settings *settings, const ti_scene *scene, udg_plane *tone) {
  const ti_camera *cam = &scene->camera;
  double ppm = cam->digit_px / scene->date->height_mm;
  ti_field flat = {ppm, -0.5 * cam->width / ppm, -0.5 * cam->height / ppm, {0}};
  udg_status status = udg_plane_create(settings, cam->width, cam->height, tone);
  if (status == UDG_OK)
    status = ti_plane_add_noise(settings, &flat, tone, 1.2, 0.5, ti_scene_noise(scene, SEED_DRIFT));
  return status;
}

udg_status ti_post_develop(const udg_settings *settings, const ti_scene *scene,
                           const ti_field *field, udg_plane *radiance, ti_pixels *pixels) {
  udg_plane photo = {0}, tone = {0}, planes[3] = {{0}, {0}, {0}};
  int count = scene->post.grey ? 1 : 3;
  udg_status status = blur_optics(settings, scene, field, radiance);
  if (status == UDG_OK)
    status = project(settings, scene, field, radiance, &photo);
  if (status == UDG_OK)
    status = drift(settings, scene, &tone);
  if (status == UDG_OK)
    status = expose(settings, scene, &photo, &tone, planes);
  if (status == UDG_OK && scene->post.sharpen > 0)
    status = sharpen(settings, scene->post.sharpen, count, planes);
  if (status == UDG_OK)
    status = quantise(settings, count, planes, 255, pixels);
  udg_plane_destroy(settings, &photo);
  udg_plane_destroy(settings, &tone);
  for (int c = 0; c < 3; c++)
    udg_plane_destroy(settings, &planes[c]);
  return status;
}

udg_status ti_post_ideal(const udg_settings *settings, const ti_scene *scene, const ti_field *field,
                         const udg_plane *levels, ti_pixels *pixels) {
  udg_plane photo = {0};
  udg_status status = project(settings, scene, field, levels, &photo);
  if (status == UDG_OK) {
    ti_rng rng = ti_rng_create(scene->stream, (uint64_t)scene->index,
                               STREAM_NOISE + 16 * (uint64_t)scene->view);
    double sigma = 255 * scene->post.noise;
    size_t total = (size_t)photo.width * (size_t)photo.height;
    for (size_t k = 0; k < total && sigma > 0; k++)
      photo.v[k] += (float)(sigma * ti_rng_normal(&rng));
    status = quantise(settings, 1, &photo, 1, pixels);
  }
  udg_plane_destroy(settings, &photo);
  return status;
}
