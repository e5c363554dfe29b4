/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "photo.h"

float udg_photo_sample(udg_photo photo, double x, double y) {
  float around[4][4];
  const udg_plane part = {.width = 4, .height = 4, .v = around[0]};
  const int first[2] = {(int)(x + 0.5) - 2, (int)(y + 0.5) - 2};
  for (int j = 0; j < 4; j++)
    for (int i = 0; i < 4; i++) {
      int at[2] = {first[0] + i, first[1] + j};
      const int most[2] = {photo.width - 1, photo.height - 1};
      for (int k = 0; k < 2; k++)
        at[k] = at[k] < 0 ? 0 : at[k] > most[k] ? most[k] : at[k];
      float one;
      around[j][i] = *udg_photo_line(photo, at[0], at[1], 1, &one);
    }
  return udg_plane_sample(&part, x - first[0], y - first[1]);
}
