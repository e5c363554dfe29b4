/* SPDX-License-Identifier: GPL-2.0-or-later */
/* hub REFERENCE DATE COINS SEED [LOW HIGH]: draws coins of each class in turn (clean, underdigit,
 * doubled) of any strength, whole ones where the reference has a design, looks at the hub at the
 * true pose, and prints a line for each: class, displacement in digit heights (LOW to HIGH, 0.1 to
 * 0.16), strength, log ratio of all, of the rest, of the legend, lead of the earlier digit, digit
 * found, digit drawn; then areas under the curve. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "made_markers.h"
#include "make.h"
#include "stats.h"

enum { KEPT = 2000 };

typedef struct sample {
  double v[KEPT];
  size_t count;
} sample;

static void keep(sample *s, double value) {
  if (s->count < KEPT)
    s->v[s->count++] = value;
}

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static void tell(const char *name, sample *with, sample *without) {
  if (with->count == 0 || without->count == 0)
    return;
  qsort(with->v, with->count, sizeof *with->v, by_value);
  qsort(without->v, without->count, sizeof *without->v, by_value);
  printf("# %s: %zu with, %zu without, AUC %.3f\n", name, with->count, without->count,
         udg_auc(with->v, with->count, without->v, without->count));
}

static void print_coin(const ti_scene *scene, const udg_hub_finding *hub) {
  const ti_coin *c = &scene->coin;
  printf("%s %.3f %.2f %.2f %.2f %.2f %.2f %c %c %.0f\n", ti_class_names[c->cls],
         c->has_doubling ? hypot(c->doubling.dx, c->doubling.dy) / scene->date->height_mm : 0.0,
         c->doubling_strength, hub->log_ratio, hub->rest_log_ratio, hub->legend_log_ratio,
         hub->digit_lead, hub->digit ? hub->digit : '-', c->has_under ? c->under.digit : '-',
         scene->camera.digit_px);
  fflush(stdout);
}

int main(int argc, char **argv) {
  static const int classes[] = {TI_CLEAN, TI_UNDERDIGIT, TI_DOUBLED};
  static sample with[3], without;
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
    print_coin(&scene, &hub);
    if (scene.coin.has_doubling) {
      keep(&with[0], hub.log_ratio);
      keep(&with[scene.coin.has_under ? 1 : 2], hub.log_ratio);
    } else {
      keep(&without, hub.log_ratio);
    }
    udg_plane_destroy(&m.settings, &grey);
  }
  tell("set twice", &with[0], &without);
  tell("of these an earlier date", &with[1], &without);
  tell("of these the same date", &with[2], &without);
  made_markers_close(k);
  made_close(&m);
  return 0;
}
