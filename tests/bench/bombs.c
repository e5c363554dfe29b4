/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Milliseconds until each file of bombs.c is refused or passed over: median and longest of
 * several rounds. */
#include <stdio.h>
#include <stdlib.h>

#include "../bombs.h"
#include "base.h"

enum { ROUNDS = 9 };

static int compare(const void *a, const void *b) {
  const double u = *(const double *)a, v = *(const double *)b;
  return (u > v) - (u < v);
}

int main(void) {
  const udg_settings s = bomb_settings();
  printf("%-20s %10s %12s %10s %10s\n", "bomb", "bytes", "unfolds to", "median ms", "longest");
  for (int i = 0; i < bomb_count; i++) {
    double ms[ROUNDS];
    test_bytes file = bombs[i].make();
    for (int k = 0; k < ROUNDS; k++) {
      udg_image *image = NULL;
      const double start = udg_clock_ms();
      udg_image_from_memory(&s, file.bytes, file.count, NULL, &image, NULL);
      ms[k] = udg_clock_ms() - start;
      udg_image_destroy(image);
    }
    qsort(ms, ROUNDS, sizeof *ms, compare);
    printf("%-20s %10zu %12llu %10.2f %10.2f\n", bombs[i].name, file.count,
           (unsigned long long)bombs[i].unfolded, ms[ROUNDS / 2], ms[ROUNDS - 1]);
    test_bytes_free(&file);
  }
  return 0;
}
