/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "lamp.h"

#include <math.h>

#include "view.h"

#define PI 3.141592653589793

static double dot(const double a[3], const double b[3]) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/* Transposed axes: from the photo's frame into the coin's. */
static void to_coin(const double m[9], const double v[3], double out[3]) {
  for (int k = 0; k < 3; k++)
    out[k] = m[k] * v[0] + m[3 + k] * v[1] + m[6 + k] * v[2];
}

static void aim(double azimuth, double elevation, const ti_camera *camera, double l[3]) {
  double m[9],
      v[3] = {cos(elevation) * cos(azimuth), cos(elevation) * sin(azimuth), sin(elevation)};
  ti_camera_axes(camera, m);
  to_coin(m, v, l);
}

void ti_lamp_direction(const ti_lamp *lamp, const ti_camera *camera, double l[3]) {
  aim(lamp->azimuth_rad, lamp->elevation_rad, camera, l);
}

double ti_lamp_lambert(const double l[3], double p, double q) {
  return fmax(0, ti_lamp_linear(l, p, q) / sqrt(1 + p * p + q * q));
}

double ti_lamp_linear(const double l[3], double p, double q) {
  return l[2] - p * l[0] - q * l[1];
}

/* Lobe of a rough mirror times n . l: GGX with the height-correlated Smith term
 * (Walter et al., Microfacet models for refraction through rough surfaces, EGSR
 * 2007; Heitz, J. Computer Graphics Techniques 3(2), 2014). */
static double lobe(const double n[3], const double l[3], const double v[3], double alpha2) {
  double nl = dot(n, l), nv = fmax(dot(n, v), 0.02);
  if (nl <= 0)
    return 0;
  double h[3] = {l[0] + v[0], l[1] + v[1], l[2] + v[2]};
  double nh = dot(n, h) / sqrt(dot(h, h));
  double d = nh * nh * (alpha2 - 1) + 1;
  double smith =
      nl * sqrt(nv * nv * (1 - alpha2) + alpha2) + nv * sqrt(nl * nl * (1 - alpha2) + alpha2);
  return alpha2 / (PI * d * d) * 0.5 / smith * nl;
}

/* One lamp, or one of a ring.  A large lamp widens the lobe and softens the
 * edge of its own shadow on the slope. */
static double lamp_radiance(const ti_coin *coin, const double n[3], const double l[3],
                            const double v[3], double size) {
  double alpha = coin->rough * coin->rough, alpha2 = alpha * alpha + size * size / 16;
  double nl = dot(n, l), soft = 0.5 * size * 0.5;
  double matt = nl > soft ? nl : nl < -soft ? 0 : (nl + soft) * (nl + soft) / (4 * soft);
  return coin->diffuse * matt / PI + (1 - coin->diffuse) * lobe(n, l, v, fmin(alpha2, 0.6));
}

static double surroundings(const ti_scene *scene, const double glow[TI_GLOW_MAX][3],
                           const double n[3], const double v[3]) {
  const ti_coin *c = &scene->coin;
  double nv = dot(n, v), r[3];
  for (int k = 0; k < 3; k++)
    r[k] = 2 * nv * n[k] - v[k];
  double mirrored = 0.45;
  for (int k = 0; k < TI_GLOW_MAX; k++) {
    double near = 0.5 * (1 + dot(r, glow[k]));
    mirrored += 0.5 * scene->light.glow[k][2] * near * near * near * near;
  }
  double wide = 0.3 + c->rough, off = acos(fmax(-1, fmin(1, dot(r, v))));
  mirrored *= 1 - scene->light.camera_shade * exp(-off * off / (wide * wide));
  mirrored *= r[2] > 0 ? 1 : fmax(0.15, 1 + 2 * r[2]); /* the coin itself is seen */
  double matt = 0.5 * (1 + n[2]);
  return scene->light.ambient * (c->diffuse * matt + (1 - c->diffuse) * mirrored);
}

enum { RING = 12 };

udg_status ti_glare_create(const udg_settings *settings, const ti_scene *scene, ti_glare *glare) {
  const ti_light *light = &scene->light;
  glare->settings = *settings;
  glare->table = udg_memory_get(settings, 4 * TI_GLARE_SIZE * TI_GLARE_SIZE, sizeof(float));
  if (!glare->table)
    return UDG_ERROR_MEMORY;
  double l[TI_LAMPS_MAX][RING][3], glow[TI_GLOW_MAX][3], m[9], v[3], up[3] = {0, 0, 1};
  ti_camera_axes(&scene->camera, m);
  to_coin(m, up, v);
  for (int k = 0; k < light->lamp_count; k++)
    for (int j = 0; j < RING; j++)
      aim(light->lamps[k].azimuth_rad + 2 * PI * j / RING, light->lamps[k].elevation_rad,
          &scene->camera, l[k][j]);
  for (int k = 0; k < TI_GLOW_MAX; k++)
    aim(light->glow[k][0], light->glow[k][1], &scene->camera, glow[k]);
  for (int y = 0; y < TI_GLARE_SIZE; y++)
    for (int x = 0; x < TI_GLARE_SIZE; x++) {
      double n[3] = {0.97 * (2.0 * x / (TI_GLARE_SIZE - 1) - 1),
                     0.97 * (2.0 * y / (TI_GLARE_SIZE - 1) - 1), 0};
      double flat = hypot(n[0], n[1]);
      if (flat > 0.97) { /* steeper than any slope of a coin */
        n[0] *= 0.97 / flat;
        n[1] *= 0.97 / flat;
      }
      n[2] = sqrt(1 - n[0] * n[0] - n[1] * n[1]);
      float *out = glare->table + 4 * (y * TI_GLARE_SIZE + x);
      for (int k = 0; k < light->lamp_count; k++) {
        const ti_lamp *lamp = &light->lamps[k];
        int count = lamp->ring ? RING : 1;
        double sum = 0;
        for (int j = 0; j < count; j++)
          sum += lamp_radiance(&scene->coin, n, l[k][j], v, lamp->size_rad);
        out[k] = (float)(3 * lamp->power * sum / count);
      }
      out[3] = (float)surroundings(scene, glow, n, v);
    }
  return UDG_OK;
}

void ti_glare_destroy(ti_glare *glare) {
  udg_memory_drop(&glare->settings, glare->table);
  glare->table = NULL;
}
