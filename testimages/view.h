/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The photographer's side of a picture: lamps, camera, what is done to it. */
#ifndef TI_VIEW_H
#define TI_VIEW_H

#include "scene.h"

#define TI_METAL_COUNT 7

typedef struct ti_metal {
  const char *name;
  double colour[3]; /* linear reflectance, red green blue */
  double toned[3];  /* factor where the toning is full */
} ti_metal;

extern const ti_metal ti_metals[TI_METAL_COUNT];

void ti_view_draw(ti_rng *rng, const ti_options *options, ti_scene *scene);
/* Lays coins on one table, under the lamps and the camera of the first. */
void ti_view_lay(ti_rng *rng, const ti_options *options, int count, ti_scene *scenes);

/* Turn of the camera's axes against the coin's, by rows: photo = m coin. */
void ti_camera_axes(const ti_camera *camera, double m[9]);

#endif
