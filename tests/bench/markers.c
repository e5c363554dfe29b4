/* SPDX-License-Identifier: GPL-2.0-or-later */
/* markers REFERENCE DATE COINS SEED [COIN_PX_LOW COIN_PX_HIGH]: draws whole coins that have each
 * marker by a toss, looks for them at the true pose, and prints a line for each marker: id,
 * whether it is there, log ratio, power, answer, coin's diameter in pixels. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_markers.h"
#include "marker.h"

static int has(const ti_scene *scene, const udg_marker_finding *f) {
  const udg_reference *ref = scene->reference;
  for (size_t i = 0; i < ref->marker_count && i < 64; i++)
    if (strcmp(ref->markers[i].id, f->id) == 0 &&
        strcmp(ref->expected[ref->markers[i].expected_index].id, f->die) == 0)
      return (int)(scene->coin.markers >> i & 1);
  return 0;
}

int main(int argc, char **argv) {
  made m;
  ti_options options;
  if (argc < 5 || made_open(&m, argv[1]) != 0) {
    fputs("usage: markers REFERENCE DATE COINS SEED [COIN_PX_LOW COIN_PX_HIGH]\n", stderr);
    return 2;
  }
  ti_options_defaults(&options);
  options.whole = 1;
  options.markers = TI_MARKERS_HALF;
  for (size_t i = 0; i < m.reference->date_count; i++)
    if (strcmp(m.reference->dates[i].text, argv[2]) == 0)
      options.date_fixed = (int)i;
  if (argc > 6) {
    options.coin_px[0] = atof(argv[5]);
    options.coin_px[1] = atof(argv[6]);
  }
  made_markers *k = made_markers_open(&m, (size_t)options.date_fixed);
  static udg_result result;
  for (int i = 0; i < atoi(argv[3]); i++) {
    ti_scene scene;
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create((uint64_t)atol(argv[4]), (uint64_t)i, 77);
    made_draw(&m, &options, (uint64_t)atol(argv[4]), i, &scene, &grey);
    made_markers_look(k, &scene, &grey, &rng, &result);
    double coin = m.reference->diameter_mm * scene.camera.digit_px / scene.date->height_mm;
    for (int f = 0; f < result.marker_count; f++)
      printf("%s %d %.3f %.2f %d %.0f %d\n", result.markers[f].id, has(&scene, &result.markers[f]),
             result.markers[f].log_ratio, result.markers[f].power, (int)result.markers[f].answer,
             coin, i);
    fflush(stdout);
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
  made_close(&m);
  return 0;
}
