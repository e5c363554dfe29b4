/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "adequacy.h"

#include <math.h>

/* Digit heights from a digit's centre to the edge of the box: half a height is
 * the digit itself. */
static const double REACH = 1.0;

static int to_int(double v) {
  return (int)fmin(fmax(v, -1e6), 1e6);
}

udg_box udg_adequacy_box(const udg_date *date, const udg_homography *date_to_photo) {
  double low[2] = {INFINITY, INFINITY}, high[2] = {-INFINITY, -INFINITY};
  double reach = REACH * date->height_mm;
  for (int i = 0; i < 4 * date->place_count; i++) {
    const double *centre = date->places[i / 4].centre_mm;
    double at[2];
    udg_homography_apply(date_to_photo, centre[0] + (i % 2 ? reach : -reach),
                         centre[1] + (i / 2 % 2 ? reach : -reach), &at[0], &at[1]);
    for (int axis = 0; axis < 2; axis++) {
      low[axis] = fmin(low[axis], at[axis]);
      high[axis] = fmax(high[axis], at[axis]);
    }
  }
  return (udg_box){to_int(floor(low[0])), to_int(floor(low[1])), to_int(ceil(high[0])),
                   to_int(ceil(high[1]))};
}

/* Pixels about the date that what is measured there may look at. */
enum { AROUND = 64 };

udg_status udg_adequacy_measure(const udg_settings *settings, const udg_date *date, udg_photo grey,
                                const udg_homography *date_to_photo, double scale,
                                udg_buffer *window, udg_adequacy *adequacy) {
  udg_box box = udg_adequacy_box(date, date_to_photo);
  udg_noise noise = {0};
  udg_blur blur = {0};
  int left = box.left > AROUND ? box.left - AROUND : 0;
  int top = box.top > AROUND ? box.top - AROUND : 0;
  int right = box.right < grey.width - AROUND ? box.right + AROUND : grey.width;
  int bottom = box.bottom < grey.height - AROUND ? box.bottom + AROUND : grey.height;
  if (right > left && bottom > top) {
    udg_status status =
        udg_rescale_box(settings, grey, left, top, right - left, bottom - top, 1, window);
    if (status != UDG_OK)
      return status;
    box = (udg_box){box.left - left, box.top - top, box.right - left, box.bottom - top};
    udg_measure_noise(&window->plane, &box, &noise);
    udg_measure_blur(&window->plane, &box, noise.sigma, &blur);
  }
  adequacy->noise = noise.sigma;
  adequacy->blur_px = scale * (blur.edges > 0 ? blur.sigma_px : blur.rough_px);
  return UDG_OK;
}
