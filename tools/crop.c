/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "crop.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* A marker's crop is so many times as wide as the marker, but at least a millimetre and a half. */
static const double room = 2.6, least_mm = 1.6;

static void apply(const double m[9], double x, double y, double p[2]) {
  double w = m[6] * x + m[7] * y + m[8];
  p[0] = (m[0] * x + m[1] * y + m[2]) / w;
  p[1] = (m[3] * x + m[4] * y + m[5]) / w;
}

/* Bounding box in the photo, cut to it; 0 when nothing is left. */
static int box_of(const udg_image *image, const double map[9], const double centre[2], double side,
                  double box[4]) {
  double limit[2] = {udg_image_width(image), udg_image_height(image)};
  box[0] = box[1] = INFINITY;
  box[2] = box[3] = -INFINITY;
  for (int k = 0; k < 4; k++) {
    double p[2];
    apply(map, centre[0] + side * ((k & 1) - 0.5), centre[1] + side * ((k >> 1) - 0.5), p);
    for (int axis = 0; axis < 2; axis++) {
      box[axis] = fmin(box[axis], p[axis] - 1);
      box[axis + 2] = fmax(box[axis + 2], p[axis] + 1);
    }
  }
  for (int axis = 0; axis < 2; axis++) {
    box[axis] = fmax(box[axis], 0);
    box[axis + 2] = fmin(box[axis + 2], limit[axis]);
  }
  return box[2] - box[0] >= 1 && box[3] - box[1] >= 1;
}

static double level(const uint8_t *pixels, int width, int height, double x, double y) {
  x = fmin(fmax(x - 0.5, 0), width - 1.0);
  y = fmin(fmax(y - 0.5, 0), height - 1.0);
  int i = (int)x, j = (int)y, right = i + 1 < width ? 1 : 0, below = j + 1 < height ? width : 0;
  const uint8_t *p = pixels + (size_t)j * (size_t)width + i;
  double u = x - i, v = y - j;
  return (1 - v) * ((1 - u) * p[0] + u * p[right]) +
         v * ((1 - u) * p[below] + u * p[below + right]);
}

int crop_square(const udg_image *image, const double map[9], const double centre_mm[2],
                double side_mm, int side_px, uint8_t *pixels) {
  double box[4];
  if (!box_of(image, map, centre_mm, side_mm, box))
    return -1;
  /* Means of no fewer pixels than the crop shows, so that nothing aliases. */
  double scale = fmin(1.0, 1.5 * side_px / fmax(box[2] - box[0], box[3] - box[1]));
  int width = (int)fmax(1, floor((box[2] - box[0]) * scale));
  int height = (int)fmax(1, floor((box[3] - box[1]) * scale));
  uint8_t *part = malloc((size_t)width * (size_t)height);
  if (!part || udg_image_grey(image, box, (uint32_t)width, (uint32_t)height, part) != UDG_OK) {
    free(part);
    return -1;
  }
  for (int j = 0; j < side_px; j++)
    for (int i = 0; i < side_px; i++) {
      double p[2];
      apply(map, centre_mm[0] + side_mm * ((i + 0.5) / side_px - 0.5),
            centre_mm[1] + side_mm * ((j + 0.5) / side_px - 0.5), p);
      int inside = p[0] >= box[0] && p[1] >= box[1] && p[0] <= box[2] && p[1] <= box[3];
      double x = (p[0] - box[0]) * width / (box[2] - box[0]);
      double y = (p[1] - box[1]) * height / (box[3] - box[1]);
      pixels[(size_t)j * (size_t)side_px + (size_t)i] =
          inside ? (uint8_t)lround(level(part, width, height, x, y)) : 235;
    }
  free(part);
  return 0;
}

int crop_marker(const udg_image *image, const udg_result *result, const udg_marker_finding *marker,
                int side_px, uint8_t *pixels) {
  double side = fmax(room * 2 * marker->reach_mm, least_mm);
  if (marker->kind == UDG_MARKER_DOUBLED) /* all its letters are in its reach */
    side = 2.4 * marker->reach_mm;
  /* The map that the marker was found by: photo_px is where the place lies. */
  double map[9], at[2];
  memcpy(map, result->coin_to_photo, sizeof map);
  apply(map, marker->at_mm[0], marker->at_mm[1], at);
  for (int k = 0; k < 3; k++) { /* shifted so that both agree */
    map[k] += (marker->photo_px[0] - at[0]) * map[6 + k];
    map[3 + k] += (marker->photo_px[1] - at[1]) * map[6 + k];
  }
  return crop_square(image, map, marker->at_mm, side, side_px, pixels);
}
