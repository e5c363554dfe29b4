/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Any text as path data; cover and distance of what can be read must agree. */
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "relief.h"

enum { SIDE_PX = 48 };

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check_planes(const udg_settings *settings, const udg_outline *outline) {
  udg_plane cover = {0}, distance = {0};
  double extent = fmax(outline->high[0] - outline->low[0], outline->high[1] - outline->low[1]);
  double scale = 40 / extent;
  double x = 24.1 - scale * (outline->low[0] + outline->high[0]) / 2;
  double y = 23.9 - scale * (outline->low[1] + outline->high[1]) / 2;
  if (udg_plane_create(settings, SIDE_PX, SIDE_PX, &cover) != UDG_OK ||
      udg_plane_create(settings, SIDE_PX, SIDE_PX, &distance) != UDG_OK)
    abort();
  udg_status covered = udg_outline_cover(settings, outline, scale, 0, x, y, &cover, NULL);
  udg_status measured = udg_relief_distance(settings, outline, scale, 0, x, y, &distance, NULL);
  if (measured != UDG_OK || (covered != UDG_OK && covered != UDG_ERROR_ARGUMENT))
    abort();
  for (int i = 0; i < SIDE_PX * SIDE_PX && covered == UDG_OK; i++) {
    float c = cover.v[i], d = distance.v[i];
    if (!(c >= 0 && c <= 1) || !isfinite(d))
      abort();
    if ((d > 0.8f && c < 0.9f) || (d < -0.8f && c > 0.1f))
      abort();
  }
  udg_plane_destroy(settings, &cover);
  udg_plane_destroy(settings, &distance);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  udg_settings settings;
  udg_outline outline;
  udg_message message = {""};
  char *path = malloc(size + 1);
  if (!path)
    return 0;
  memcpy(path, data, size);
  path[size] = '\0';
  udg_settings_default(&settings, sizeof settings);
  udg_status status = udg_outline_from_path(&settings, path, "fuzz", &outline, &message);
  if (status == UDG_OK)
    check_planes(&settings, &outline);
  else if (!message.text[0])
    abort();
  if (status == UDG_OK)
    udg_outline_destroy(&settings, &outline);
  free(path);
  return 0;
}
