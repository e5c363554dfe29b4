/* SPDX-License-Identifier: GPL-2.0-or-later */
/* strike REFERENCE DATE COINS SEED [PROFILE [LOW HIGH]]: draws plain coins of any wear, every
 * second one struck so that the metal fills LOW to HIGH (0.45 to 0.65) of the die near the date,
 * the others fully; looks at the true pose, and prints a line for each region: fill and wear drawn,
 * region, fill found, its interval, answer, wear found; then what that comes to for the date.
 * PROFILE is the shoulder's (smooth, as the reference has it; any: as in listings). */
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
#include "stats.h"

enum { KEPT = 2000 };

static double weak[KEPT], full[KEPT];
static size_t weak_count, full_count;
static int within, all, answers[2][3];

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static void count(const ti_coin *c, const udg_strike_finding *f) {
  int is_weak = c->fill < 1;
  if (is_weak && weak_count < KEPT)
    weak[weak_count++] = f->full;
  if (!is_weak && full_count < KEPT)
    full[full_count++] = f->full;
  all++;
  within += f->full_interval[0] <= c->fill && c->fill <= f->full_interval[1] + 1e-9;
  answers[is_weak][f->answer]++;
}

static void tell(void) {
  qsort(weak, weak_count, sizeof *weak, by_value);
  qsort(full, full_count, sizeof *full, by_value);
  if (weak_count && full_count)
    printf("# date: %zu full, %zu weak, AUC %.3f, interval holds the truth for %.2f\n", full_count,
           weak_count, udg_auc(full, full_count, weak, weak_count), (double)within / all);
  for (int w = 0; w < 2; w++)
    printf("# struck %s: called full %d, weak %d, cannot tell %d\n", w ? "weakly" : "fully",
           answers[w][UDG_STRIKE_FULL], answers[w][UDG_STRIKE_WEAK],
           answers[w][UDG_STRIKE_CANNOT_TELL]);
}

int main(int argc, char **argv) {
  static udg_result result;
  made m;
  ti_options options;
  if (argc < 5 || made_open(&m, argv[1]) != 0) {
    fputs("usage: strike REFERENCE DATE COINS SEED [PROFILE [LOW HIGH]]\n", stderr);
    return 2;
  }
  ti_options_defaults(&options);
  options.whole = m.reference->design_count > 0;
  options.digit_px[0] = 40;
  options.class_fixed = TI_CLEAN;
  options.profile = TI_PROFILE_SMOOTH;
  for (int p = 0; p < TI_PROFILE_COUNT && argc > 5; p++)
    if (strcmp(argv[5], ti_profile_names[p]) == 0)
      options.profile = p;
  if (argc > 5 && strcmp(argv[5], "any") == 0)
    options.profile = -1;
  for (size_t i = 0; i < m.reference->date_count; i++)
    if (strcmp(m.reference->dates[i].text, argv[2]) == 0)
      options.date_fixed = (int)i;
  made_markers *k = made_markers_open(&m, (size_t)options.date_fixed);
  for (int i = 0; i < atoi(argv[3]); i++) {
    ti_scene scene;
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create((uint64_t)atol(argv[4]), (uint64_t)i, 79);
    options.strike[0] = i % 2 ? 1 : argc > 7 ? atof(argv[6]) : 0.45;
    options.strike[1] = i % 2 ? 1 : argc > 7 ? atof(argv[7]) : 0.65;
    made_draw(&m, &options, (uint64_t)atol(argv[4]), i, &scene, &grey);
    made_strike_look(k, &scene, &grey, &rng, &result);
    for (int r = 0; r < result.strike_count; r++) {
      const udg_strike_finding *f = &result.strikes[r];
      printf("%.2f %.2f %s %.2f %.2f %.2f %d %.2f %.2f %.0f\n", scene.coin.fill, scene.coin.wear,
             f->region, f->full, f->full_interval[0], f->full_interval[1], (int)f->answer,
             result.wear, scene.coin.bevel_mm / m.reference->bevel_mm, scene.camera.digit_px);
    }
    count(&scene.coin, &result.strikes[0]);
    fflush(stdout);
    udg_plane_destroy(&m.settings, &grey);
  }
  tell();
  made_markers_close(k);
  made_close(&m);
  return 0;
}
