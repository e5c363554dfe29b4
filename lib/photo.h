/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Grey levels of a whole photo, as they are stored or through a table: four times less than
 * floats.  A stage cuts out of it what it needs. */
#ifndef UDG_PHOTO_H
#define UDG_PHOTO_H

#include "plane.h"

/* Borrows its pixels; passed by value. */
typedef struct udg_photo {
  int width, height;
  const float *v;      /* rows of `width`, or NULL and */
  const uint8_t *grey; /* rows of `width`, which show */
  const float *level;  /* one of 256 levels each */
} udg_photo;

static inline udg_photo udg_photo_of(const udg_plane *plane) {
  return (udg_photo){.width = plane->width, .height = plane->height, .v = plane->v};
}

/* `count` pixels of row y from x on, all inside, into `line` or where they are. */
static inline const float *udg_photo_line(udg_photo photo, int x, int y, int count, float *line) {
  size_t at = (size_t)y * (size_t)photo.width + (size_t)x;
  if (photo.v)
    return photo.v + at;
  for (int i = 0; i < count; i++)
    line[i] = photo.level[photo.grey[at + (size_t)i]];
  return line;
}

/* As udg_plane_sample() of a copy by means of k x k pixels, whatever is left over at the right and
 * below dropped; (x, y) px of the copy, inside. */
float udg_photo_sample(udg_photo photo, int k, double x, double y);

#endif
