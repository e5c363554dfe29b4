/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "knob.h"

#include <math.h>
#include <string.h>

#include "score_internal.h"

static const double SHOULDER = 0.7, SHOULDER_LEAST_PX = 1.5;
/* A knob's middle has no direction, within so many px. */
static const double RIDGE_PX = 1.5;
/* Dents of coins and chips of dies, a twentieth to a sixth of a digit's height. */
enum { RADII = 4 };
static const double RADIUS_PX[RADII] = {2.0, 3.5, 5.5, 8.0};
static const double APART_PX = 8.0;
static const double OPEN_LEAST =
    0.02; /* of a knob's energy: less is covered, or out of the photo */

void udg_knob_draw(const udg_light *light, double radius_px, double middle, int size,
                   float *window) {
  const double pi = acos(-1.0), bevel = fmax(SHOULDER * radius_px, SHOULDER_LEAST_PX);
  const double steps_per_x = (UDG_LIGHT_STEPS - 1) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW);
  for (int j = 0; j < size; j++)
    for (int i = 0; i < size; i++) {
      double dx = i + 0.5 - middle, dy = j + 0.5 - middle, off = hypot(dx, dy);
      double x = (radius_px - off) / bevel;
      float *to = &window[j * size + i];
      *to = 0.0f;
      if (x <= UDG_LIGHT_X_LOW || x >= UDG_LIGHT_X_HIGH)
        continue;
      int step = (int)floor((x - UDG_LIGHT_X_LOW) * steps_per_x + 0.5);
      int angle = (int)floor(atan2(-dy, -dx) * UDG_LIGHT_ANGLES / (2.0 * pi) + 0.5);
      angle = (angle + UDG_LIGHT_ANGLES) % UDG_LIGHT_ANGLES;
      float rim = (float)fmin(1.0, off / RIDGE_PX);
      *to = rim * (UDG_DRAW_ODD * light->odd[step][angle] +
                   UDG_DRAW_EVEN * light->even[step][angle]) +
            UDG_DRAW_EVEN * light->flat[step];
    }
}

/* Energy of the map's knob at each offset, raised or sunk, where it is more than `most` has. */
static void take_most(const udg_score *score, double whole, float *most) {
  size_t count = (size_t)score->map_side * (size_t)score->map_side;
  float least = (float)fmax(OPEN_LEAST * whole, 1e-9);
  for (size_t i = 0; i < count; i++) {
    float matched = score->map[UDG_MAP_NUMERATOR][i];
    most[i] = fmaxf(most[i], matched * matched / fmaxf(score->map[UDG_MAP_NORM][i], least));
  }
}

static double sum_of_two(const udg_score *score, float *most) {
  int side = score->map_side;
  double sum = 0.0;
  for (int n = 0; n < 2; n++) {
    int best = 0;
    for (int i = 1; i < side * side; i++)
      if (most[i] > most[best])
        best = i;
    sum += (double)most[best];
    for (int i = 0; i < side * side; i++)
      if (hypot(i % side - best % side, i / side - best / side) < APART_PX)
        most[i] = 0.0f;
  }
  return sum;
}

void udg_knob_two(udg_score *score, const udg_light *light, const udg_trace_bank *bank,
                  const int *windows, int count, double *energies) {
  const size_t offsets = (size_t)score->map_side * (size_t)score->map_side;
  float *most = score->whole; /* room for more than all offsets of as many windows */
  score->looked_at = NULL;
  memset(most, 0, sizeof *most * offsets * (size_t)count);
  for (int n = 0; n < RADII; n += 2) {
    double whole[2];
    udg_knob_draw(light, RADIUS_PX[n], 0.5 * bank->size, bank->size, score->trace);
    udg_knob_draw(light, RADIUS_PX[n + 1], 0.5 * bank->size, bank->size, score->work);
    udg_score_draw_windows(score, bank, whole);
    for (int k = 0; k < count; k++) {
      udg_score_correlate(score, bank, 0, windows[k]);
      for (int second = 0; second < 2; second++) {
        udg_score_take(score, bank, second);
        take_most(score, whole[second], most + (size_t)k * offsets);
      }
    }
  }
  for (int k = 0; k < count; k++)
    energies[k] = sum_of_two(score, most + (size_t)k * offsets);
}
