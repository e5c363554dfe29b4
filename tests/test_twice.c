/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Dates punched into the die, drawn by the generator: one digit punched twice, all of them
 * displaced alike, none. The truth is the generator's. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "made_markers.h"
#include "make.h"
#include "stats.h"
#include "twice.h"

/* Digits of the reference "karrow". */
static const double KARROW_MM = 1.7;
enum { EACH = 6 };

static int by_value(const void *a, const void *b) {
  double x = *(const double *)a, y = *(const double *)b;
  return (x > y) - (x < y);
}

static void draw(ti_class cls, uint64_t seed, udg_twice_seen seen[EACH], ti_scene scenes[EACH]) {
  static made m;
  ti_options options;
  assert_int_equal(made_open(&m, "karrow"), 0);
  ti_options_defaults(&options);
  options.digit_px[0] = 50;
  options.digit_px[1] = 110;
  options.strength[0] = 0.45;
  options.class_fixed = (int)cls;
  options.date_fixed = 0;
  made_markers *k = made_markers_open(&m, 0);
  for (int i = 0; i < EACH; i++) {
    udg_plane grey = {0};
    ti_rng rng = ti_rng_create(seed, (uint64_t)i, 79);
    assert_int_equal(ti_make_scene(&m.shapes, m.reference, &options, seed, i, 0, &scenes[i]),
                     UDG_OK);
    made_displace(&scenes[i], ti_rng_range(&rng, 0.09, 0.14));
    made_picture(&m, &options, &scenes[i], &grey);
    made_twice_look(k, &scenes[i], &grey, &rng, &seen[i]);
    assert_int_equal(seen[i].digits, 4);
    udg_plane_destroy(&m.settings, &grey);
  }
  made_markers_close(k);
  made_close(&m);
}

static void images_set_twice_are_told_apart(void **state) {
  (void)state;
  static udg_twice_seen clean[EACH], again[EACH], doubled[EACH];
  static ti_scene scenes[EACH];
  double with[EACH], without[EACH];
  int place = 0, found = 0, near = 0;
  draw(TI_CLEAN, 51, clean, scenes);
  draw(TI_REPUNCHED, 52, again, scenes);
  for (int i = 0; i < EACH; i++) {
    place += again[i].one_place == scenes[i].coin.under.place;
    found += again[i].one > 0.02;
  }
  draw(TI_DOUBLED, 53, doubled, scenes);
  for (int i = 0; i < EACH; i++) {
    assert_true(clean[i].one < 0.02);
    with[i] = doubled[i].all;
    without[i] = clean[i].all;
    near += hypot(doubled[i].all_shift_mm[0] - scenes[i].coin.doubling.dx,
                  doubled[i].all_shift_mm[1] - scenes[i].coin.doubling.dy) < 0.06 * KARROW_MM;
  }
  qsort(with, EACH, sizeof *with, by_value);
  qsort(without, EACH, sizeof *without, by_value);
  double auc = udg_auc(with, EACH, without, EACH);
  if (place < EACH - 1 || found < EACH - 1 || near < EACH - 1 || auc < 0.95)
    fail_msg("of %d: the digit right in %d, told in %d; displacement right in %d, AUC %.3f", EACH,
             place, found, near, auc);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(images_set_twice_are_told_apart),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
