/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "one_coin.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Digits punched one by one sit their own way on every die.  Of 270 pairs of drawn photos of one
 * coin in different light none differs by more than 0.0175 of the digit's height; where each
 * digit strays by 0.018, six in ten pairs of different coins differ by more than this. */
static const double APART = 0.025;
/* A rim found at its inner or outer edge differs by less. */
static const double SIZE_APART = 0.08;

double udg_one_coin_apart(const udg_date *date, const udg_result *a, const udg_result *b) {
  int n = date->place_count;
  double at[2] = {0.0, 0.0}, off[2] = {0.0, 0.0};
  if (n < 3 || a->place_count != n || b->place_count != n)
    return 0.0;
  for (int p = 0; p < n; p++)
    for (int axis = 0; axis < 2; axis++) {
      at[axis] += date->places[p].centre_mm[axis] / n;
      off[axis] += (a->place_offset_mm[p][axis] - b->place_offset_mm[p][axis]) / n;
    }
  /* Offsets d against places z, both about their means, as complex numbers: d = k z + rest with
   * k = sum conj(z) d / sum |z|^2, a small turn and change of size. */
  double square = 0.0, along = 0.0, across = 0.0, all = 0.0;
  for (int p = 0; p < n; p++) {
    double x = date->places[p].centre_mm[0] - at[0], y = date->places[p].centre_mm[1] - at[1];
    double dx = a->place_offset_mm[p][0] - b->place_offset_mm[p][0] - off[0];
    double dy = a->place_offset_mm[p][1] - b->place_offset_mm[p][1] - off[1];
    square += x * x + y * y;
    along += x * dx + y * dy;
    across += x * dy - y * dx;
    all += dx * dx + dy * dy;
  }
  double rest = square > 0.0 ? all - (along * along + across * across) / square : 0.0;
  return sqrt(fmax(rest, 0.0) / (2 * n - 4)) / date->height_mm;
}

static const udg_date *date_of(const udg_reference *reference, const char *text) {
  for (size_t i = 0; i < reference->date_count; i++)
    if (strcmp(reference->dates[i].text, text) == 0)
      return &reference->dates[i];
  return NULL;
}

/* 0: photos i and k cannot be of one coin. */
static int pair(const udg_reference *reference, const udg_result *each, int i, int k, char *why) {
  const udg_result *a = &each[i], *b = &each[k];
  const udg_date *date = date_of(reference, a->date);
  if (strcmp(a->date, b->date) != 0) {
    snprintf(why, UDG_REASON_BYTES,
             "photo %d reads as %s, photo %d as %s: not one coin, or one is misread", i + 1,
             a->date, k + 1, b->date);
    return 0;
  }
  if (a->coin_diameter_mm > 0.0 && b->coin_diameter_mm > 0.0 &&
      fabs(log(a->coin_diameter_mm / b->coin_diameter_mm)) > SIZE_APART) {
    snprintf(why, UDG_REASON_BYTES,
             "by its date the coin of photo %d is %.1f mm across, that of photo %d %.1f: not one "
             "coin, or one is misread",
             i + 1, a->coin_diameter_mm, k + 1, b->coin_diameter_mm);
    return 0;
  }
  double apart = date ? udg_one_coin_apart(date, a, b) : 0.0;
  if (apart <= APART)
    return 1;
  snprintf(why, UDG_REASON_BYTES,
           "the digits sit differently in photo %d and photo %d, by %.1f %% of their height: not "
           "one coin, or one is misread",
           i + 1, k + 1, 100.0 * apart);
  return 0;
}

int udg_one_coin(const udg_reference *reference, const udg_result *each, int count, char *why) {
  for (int i = 0; i < count; i++)
    for (int k = i + 1; k < count; k++)
      if (each[i].judged && each[k].judged && !pair(reference, each, i, k, why))
        return 0;
  return 1;
}
