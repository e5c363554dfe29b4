/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Defaults, and settings of callers compiled against another version. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base.h"

static void *allocate_malloc(void *user, size_t bytes) {
  (void)user;
  return malloc(bytes);
}

static void release_free(void *user, void *block) {
  (void)user;
  free(block);
}

static udg_settings defaults(void) {
  const udg_settings d = {
      .struct_size = sizeof d,
      .allocate = allocate_malloc,
      .release = release_free,
      .max_file_bytes = UINT64_C(256) << 20,
      .max_side_px = 20000,
      .max_pixels = 120000000,
      .max_decode_bytes = UINT64_C(512) << 20,
      .max_scans = 100,
      .useful_side_px = 2400,
      .digit_height_min_px = 20.0,
      .digit_height_max_px = 250.0,
      .turn_max_deg = 30.0,
      .flag_p_value = 0.005,
      .min_power = 0.5,
  };
  return d;
}

void udg_settings_default(udg_settings *settings, size_t struct_size) {
  if (!settings || struct_size < sizeof settings->struct_size)
    return;
  const udg_settings d = defaults();
  memset(settings, 0, struct_size);
  memcpy(settings, &d, struct_size < sizeof d ? struct_size : sizeof d);
  settings->struct_size = struct_size;
}

/* Hooks that only make sense in pairs. */
static void complete_hooks(udg_settings *s, const udg_settings *d) {
  if (!s->allocate || !s->release) {
    s->allocate = d->allocate;
    s->release = d->release;
  }
  if (!s->planner_lock || !s->planner_unlock) {
    s->planner_lock = NULL;
    s->planner_unlock = NULL;
  }
}

/* A limit of 0 would refuse everything: it stands for the default. */
static void complete_limits(udg_settings *s, const udg_settings *d) {
  if (s->max_file_bytes == 0)
    s->max_file_bytes = d->max_file_bytes;
  if (s->max_side_px == 0)
    s->max_side_px = d->max_side_px;
  if (s->max_pixels == 0)
    s->max_pixels = d->max_pixels;
  if (s->max_decode_bytes == 0)
    s->max_decode_bytes = d->max_decode_bytes;
  if (s->max_scans == 0)
    s->max_scans = d->max_scans;
  if (s->useful_side_px == 0)
    s->useful_side_px = d->useful_side_px;
}

/* Negated comparisons, so that NaN falls to the default as well. */
static void complete_numbers(udg_settings *s, const udg_settings *d) {
  if (!(s->digit_height_min_px > 0.0))
    s->digit_height_min_px = d->digit_height_min_px;
  if (!(s->digit_height_max_px > 0.0 && isfinite(s->digit_height_max_px)))
    s->digit_height_max_px = d->digit_height_max_px;
  if (!(s->digit_height_min_px <= s->digit_height_max_px)) {
    s->digit_height_min_px = d->digit_height_min_px;
    s->digit_height_max_px = d->digit_height_max_px;
  }
  if (!(s->turn_max_deg >= 0.0))
    s->turn_max_deg = d->turn_max_deg;
  s->turn_max_deg = fmin(s->turn_max_deg, 180.0);
  if (!(s->flag_p_value >= 0.0 && s->flag_p_value <= 1.0))
    s->flag_p_value = d->flag_p_value;
  if (!(s->min_power >= 0.0 && s->min_power <= 1.0))
    s->min_power = d->min_power;
  if (!(s->max_milliseconds >= 0.0))
    s->max_milliseconds = d->max_milliseconds;
}

void udg_settings_resolve(udg_settings *settings, const udg_settings *given) {
  const udg_settings d = defaults();
  udg_settings s = d;
  if (given) {
    const size_t known = given->struct_size;
    memcpy(&s, given, known < sizeof s ? known : sizeof s);
    s.struct_size = sizeof s;
  }
  complete_hooks(&s, &d);
  complete_limits(&s, &d);
  complete_numbers(&s, &d);
  *settings = s;
}
