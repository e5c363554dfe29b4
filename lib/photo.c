/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "photo.h"

static inline int within(int i, int count) {
  return i < 0 ? 0 : i < count ? i : count - 1;
}

/* Mean of k x k pixels, in the order in which udg_rescale_box() adds them up. */
static float mean_at(udg_photo photo, int k, int x, int y) {
  float sum = 0.0f;
  for (int b = 0; b < k; b++) {
    size_t at = ((size_t)y * (size_t)k + (size_t)b) * (size_t)photo.width + (size_t)x * (size_t)k;
    for (int a = 0; a < k; a++, at++)
      sum += photo.v ? photo.v[at] : photo.level[photo.grey[at]];
  }
  return k > 1 ? sum * (1.0f / ((float)k * (float)k)) : sum;
}

float udg_photo_sample(udg_photo photo, int k, double x, double y) {
  float around[4][4];
  const udg_plane part = {.width = 4, .height = 4, .v = around[0]};
  const int left = (int)(x + 0.5) - 2, top = (int)(y + 0.5) - 2;
  for (int j = 0; j < 4; j++)
    for (int i = 0; i < 4; i++)
      around[j][i] =
          mean_at(photo, k, within(left + i, photo.width / k), within(top + j, photo.height / k));
  return udg_plane_sample(&part, x - left, y - top);
}
