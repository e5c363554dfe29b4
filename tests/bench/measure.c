/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Noise, blur and clipping of whole photos, and what measuring them costs:
 *   measure PHOTO... */
#include <stdio.h>

#include "image_internal.h"
#include "measure.h"

static int measure(const char *path) {
  udg_settings settings;
  udg_message message;
  udg_image *image = NULL;
  udg_plane plane = {0};
  udg_settings_resolve(&settings, NULL);
  if (udg_image_from_file(&settings, path, &image, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 1;
  }
  if (udg_plane_create(&settings, (int)image->width, (int)image->height, &plane) != UDG_OK) {
    udg_image_destroy(image);
    return 1;
  }
  for (size_t i = 0; i < (size_t)image->width * (size_t)image->height; i++)
    plane.v[i] = (float)image->grey[i];
  udg_box box = {0, 0, plane.width, plane.height};
  udg_noise noise;
  udg_blur blur;
  double start_ms = udg_clock_ms();
  udg_measure_noise(&plane, &box, &noise);
  double noise_ms = udg_clock_ms() - start_ms;
  udg_measure_blur(&plane, &box, noise.sigma, &blur);
  double blur_ms = udg_clock_ms() - start_ms - noise_ms;
  udg_clipped clipped = udg_measure_clipped(&plane, &box);
  printf("%s %dx%d noise %.3f coarse %.3f whole %.3f blur %.3f +- %.3f (%d edges, rough %.3f) "
         "bright %.4f dark "
         "%.4f  %.2f + %.2f ms\n",
         path, plane.width, plane.height, noise.sigma, noise.coarse, noise.whole, blur.sigma_px,
         blur.error_px, blur.edges, blur.rough_px, clipped.bright, clipped.dark, noise_ms, blur_ms);
  udg_plane_destroy(&settings, &plane);
  udg_image_destroy(image);
  return 0;
}

int main(int argc, char **argv) {
  int failed = 0;
  for (int i = 1; i < argc; i++)
    failed |= measure(argv[i]);
  return failed;
}
