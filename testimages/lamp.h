/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How bright a slope looks: everything here depends on the normal alone. */
#ifndef TI_LAMP_H
#define TI_LAMP_H

#include "scene.h"

/* Unit vector to the lamp in the coin's frame (x right, y down, z off the coin). */
void ti_lamp_direction(const ti_lamp *lamp, const ti_camera *camera, double l[3]);

/* Matt surface of slopes p = dh/dx, q = dh/dy: max(0, n . l),
 * n = (-p, -q, 1) / sqrt(1 + p^2 + q^2). */
double ti_lamp_lambert(const double l[3], double p, double q);
/* Its first-order part, l_z - p l_x - q l_y (Pentland, Linear shape from shading,
 * Int. J. Computer Vision 4, 1990). */
double ti_lamp_linear(const double l[3], double p, double q);

#define TI_GLARE_SIZE 192

/* Radiance by normal (n_x, n_y in [-0.97, 0.97]): one channel for each lamp, then
 * the surroundings. */
typedef struct ti_glare {
  udg_settings settings;
  float *table; /* TI_GLARE_SIZE^2 quadruples */
} ti_glare;

udg_status ti_glare_create(const udg_settings *settings, const ti_scene *scene, ti_glare *glare);
void ti_glare_destroy(ti_glare *glare);

static inline void ti_glare_look(const ti_glare *glare, float nx, float ny, float out[4]) {
  const float half = 0.5f * (TI_GLARE_SIZE - 1), to_table = half / 0.97f;
  float x = nx * to_table + half, y = ny * to_table + half, top = TI_GLARE_SIZE - 1.001f;
  x = x < 0 ? 0 : x > top ? top : x;
  y = y < 0 ? 0 : y > top ? top : y;
  int ix = (int)x, iy = (int)y;
  float fx = x - (float)ix, fy = y - (float)iy;
  const float *a = glare->table + 4 * (iy * TI_GLARE_SIZE + ix), *b = a + 4 * TI_GLARE_SIZE;
  for (int k = 0; k < 4; k++) {
    float u = a[k] + fx * (a[k + 4] - a[k]), v = b[k] + fx * (b[k + 4] - b[k]);
    out[k] = u + fy * (v - u);
  }
}

#endif
