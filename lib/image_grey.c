/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Grey pixels of a photo, or of a part, for whoever shows or compares it. */
#include <math.h>

#include "image_internal.h"

/* Share of pixel `index` that [low, high) covers, both at least one pixel wide
 * in all but rounding. */
static double covered(double low, double high, long index) {
  double from = fmax(low, (double)index), to = fmin(high, (double)index + 1);
  return to > from ? to - from : 0;
}

static long clamp_index(long index, uint32_t size) {
  return index < 0 ? 0 : index >= (long)size ? (long)size - 1 : index;
}

/* Mean over the rectangle, in pixels of `grey`. */
static double box_mean(const udg_image *image, const double box[4]) {
  double sum = 0, area = 0;
  for (long y = (long)floor(box[1]); (double)y < box[3]; y++) {
    double tall = covered(box[1], box[3], y);
    const uint8_t *row = image->grey + (size_t)clamp_index(y, image->height) * image->width;
    for (long x = (long)floor(box[0]); (double)x < box[2]; x++) {
      double share = tall * covered(box[0], box[2], x);
      sum += share * row[clamp_index(x, image->width)];
      area += share;
    }
  }
  return area > 0 ? sum / area : 0;
}

udg_status udg_image_grey(const udg_image *image, const double part[4], uint32_t width,
                          uint32_t height, uint8_t *pixels) {
  if (!image || !pixels || width == 0 || height == 0)
    return UDG_ERROR_ARGUMENT;
  const double whole[4] = {0, 0, image->stored_width, image->stored_height};
  const double *p = part ? part : whole;
  const double far = 1e6; /* pixels: beyond this no part shows anything, and long is safe */
  for (int i = 0; i < 4; i++)
    if (!(fabs(p[i]) < far))
      return UDG_ERROR_ARGUMENT;
  if (!(p[2] > p[0] && p[3] > p[1]))
    return UDG_ERROR_ARGUMENT;
  double step_x = (p[2] - p[0]) / image->scale / width;
  double step_y = (p[3] - p[1]) / image->scale / height;
  for (uint32_t y = 0; y < height; y++)
    for (uint32_t x = 0; x < width; x++) {
      double left = p[0] / image->scale + step_x * x, top = p[1] / image->scale + step_y * y;
      const double box[4] = {left, top, left + step_x, top + step_y};
      pixels[(size_t)y * width + x] = (uint8_t)(box_mean(image, box) + 0.5);
    }
  return UDG_OK;
}
