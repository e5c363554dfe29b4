/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Light that falls on the sensor: coins laid one by one, then what is behind. */
#ifndef TI_CANVAS_H
#define TI_CANVAS_H

#include "design.h"
#include "scene.h"

typedef struct ti_canvas {
  udg_settings settings;
  int channels;     /* 3, or 1 for a grey picture */
  udg_plane rgb[3]; /* linear */
  udg_plane cover;  /* share covered by coins */
} ti_canvas;

udg_status ti_canvas_create(const udg_settings *settings, int width, int height, int channels,
                            ti_canvas *canvas);
void ti_canvas_destroy(ti_canvas *canvas);

/* Linear colour as the canvas has it: three values, or one for grey. */
void ti_canvas_colour(const ti_canvas *canvas, const double colour[3], float out[3]);

/* Radiance sampled as `field`; blurred by the optics, seen through the scene's
 * camera, times the metal's colour.  `radiance` is used up. */
udg_status ti_canvas_add(ti_canvas *canvas, const ti_scene *scene, const ti_field *field,
                         udg_plane *radiance);

/* Table, shadows of the coins on it, glare of a holder. */
udg_status ti_backdrop_draw(ti_canvas *canvas, const ti_scene *scenes, int count);

/* Value of a sampled plane at each pixel centre of the photo. */
udg_status ti_canvas_project(const udg_settings *settings, const ti_scene *scene,
                             const ti_field *field, const udg_plane *plane, udg_plane *photo);

#endif
