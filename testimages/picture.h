/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From heights to the pixels of a file. */
#ifndef TI_PICTURE_H
#define TI_PICTURE_H

#include <stdint.h>

#include "canvas.h"
#include "field.h"
#include "scene.h"

/* Light that leaves the surface: `radiance` over the same rectangle as `field`. */
udg_status ti_shade(const udg_settings *settings, const ti_scene *scene, const ti_field *field,
                    udg_plane *radiance);
/* The first-order shading of theory, times `gain` in grey levels, about 128. */
udg_status ti_shade_linear(const udg_settings *settings, const ti_scene *scene,
                           const ti_field *field, double contrast, udg_plane *radiance);

/* 8-bit picture, rows of width * channels bytes. */
typedef struct ti_pixels {
  int width, height, channels;
  uint8_t *bytes; /* from udg_memory_get */
} ti_pixels;

/* Rectangle of the date plane that the photo shows, with an edge, as an empty field. */
udg_status ti_picture_field(const udg_settings *settings, const ti_scene *scene, ti_field *field);

/* All of it: relief, light, camera, post; `count` coins in one photo.  `options`
 * for the ideal mode. */
udg_status ti_picture_draw(const ti_shapes *shapes, const ti_options *options, ti_scene *scenes,
                           int count, ti_pixels *pixels);

/* Exposure, curve, noise, sharpening; the canvas is used up. */
udg_status ti_post_develop(const ti_scene *scene, ti_canvas *canvas, ti_pixels *pixels);
/* Grey levels as they are, white noise, rounding. */
udg_status ti_post_ideal(const udg_settings *settings, const ti_scene *scene, const ti_field *field,
                         const udg_plane *levels, ti_pixels *pixels);

/* 0 when good, else the message is filled. */
udg_status ti_save_jpeg(const char *path, const ti_pixels *pixels, int quality,
                        udg_message *message);
udg_status ti_save_png(const char *path, const ti_pixels *pixels, udg_message *message);

#endif
