/* SPDX-License-Identifier: GPL-2.0-or-later */
/* hub REFERENCE DATE COINS SEED [LOW HIGH]: draws coins of each class in turn (clean, underdigit,
 * doubled), whole ones where the reference has a design, looks at the hub at the true pose, and
 * prints a line for each: class, displacement in digit heights, strength, log ratio of all, of
 * the rest, of the legend, lead of the earlier digit, digit found, digit drawn. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "make.h"
#include "made_markers.h"

int main(int argc, char **argv) {
  static const int classes[] = {TI_CLEAN, TI_UNDERDIGIT, TI_DOUBLED};
  made m;
  ti_options options;
  if (argc < 5 || made_open(&m, argv[1]) != 0) {
    fputs("usage: hub REFERENCE DATE COINS SEED [LOW HIGH]\n", stderr);
    return 2;
  }
  ti_options_defaults(&options);
  options.whole = m.reference->design_count > 0;
  options.digit_px[0] = 40;
  for (size_t i = 0; i < m.reference->date_count; i++)
    if (strcmp(m.reference->dates[i].text, argv[2]) == 0)
      options.date_fixed = (int)i;
  double low = argc > 6 ? atof(argv[5]) : 0.1, high = argc > 6 ? atof(argv[6]) : 0.16;
  made_markers *k = made_markers_open(&m, (size_t)options.date_fixed);
  for (int i = 0; i < atoi(argv[3]); i++) {
    ti_scene scene;
    udg_plane grey = {0};
    udg_hub_finding hub;
    ti_rng rng = ti_rng_create((uint64_t)atol(argv[4]), (uint64_t)i, 78);
    options.class_fixed = classes[i % 3];
    if (ti_make_scene(&m.shapes, m.reference, &options, (uint64_t)atol(argv[4]), i, 0, &scene) !=
        UDG_OK)
      return 1;
    made_displace(&scene, ti_rng_range(&rng, low, high));
    made_picture(&m, &options, &scene, &grey);
    made_hub_look(k, &scene, &grey, &rng, &hub);
    const ti_coin *c = &scene.coin;
    printf("%s %.3f %.2f %.2f %.2f %.2f %.2f %c %c %.0f\n", ti_class_names[c->cls],
           c->has_doubling ? hypot(c->doubling.dx, c->doubling.dy) / scene.date->height_mm : 0.0,
           c->doubling_strength, hub.log_ratio, hub.rest_log_ratio, hub.legend_log_ratio,
           hub.digit_lead, hub.digit ? hub.digit : '-', c->has_under ? c->under.digit : '-',
           scene.camera.digit_px);
    fflush(stdout);
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
  made_close(&m);
  return 0;
}
