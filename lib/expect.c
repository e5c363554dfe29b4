/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "expect.h"

#include <math.h>
#include <string.h>

/* So near (px) what is seen belongs to the digit and moves with it; beyond the
 * second distance it is the die's. */
static const float WITH_DIGIT_PX = -8.0f, WITH_DIE_PX = -16.0f;
/* A photo whose edges hardly show: its terms would be noise over noise. */
static const double PEAK_MIN_LEVELS = 4.0;

udg_status udg_appearance_create(const udg_settings *settings, const udg_upright *upright,
                                 udg_appearance *made, udg_message *message) {
  memset(made, 0, sizeof *made);
  memcpy(made->date, upright->date->text, sizeof made->date);
  made->px_per_mm = upright->px_per_mm;
  made->origin_px[0] = upright->origin_px[0];
  made->origin_px[1] = upright->origin_px[1];
  for (int i = 0; i < UDG_APPEARANCE_PLANES; i++) {
    if (udg_plane_create(settings, upright->width, upright->height, &made->plane[i]) != UDG_OK) {
      udg_appearance_destroy(settings, made);
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the learned appearance");
    }
  }
  return UDG_OK;
}

double udg_appearance_terms(const udg_light *light, double term[UDG_APPEARANCE_TERMS]) {
  const double pi = acos(-1.0);
  double scale = fmax(light->peak, PEAK_MIN_LEVELS);
  double a = 0.0, b = 0.0, flat = 0.0;
  int steps = 0;
  for (int i = 0; i < UDG_LIGHT_STEPS; i++) {
    double x =
        UDG_LIGHT_X_LOW + (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) * i / (double)(UDG_LIGHT_STEPS - 1);
    if (x <= 0.0 || x >= 1.0)
      continue;
    for (int n = 0; n < UDG_LIGHT_ANGLES; n++) {
      double phi = 2.0 * pi * n / UDG_LIGHT_ANGLES;
      a += (double)light->odd[i][n] * cos(phi) * 2.0 / UDG_LIGHT_ANGLES;
      b += (double)light->odd[i][n] * sin(phi) * 2.0 / UDG_LIGHT_ANGLES;
    }
    flat += (double)light->flat[i];
    steps++;
  }
  term[UDG_APPEARANCE_P] = a / (steps * scale);
  term[UDG_APPEARANCE_Q] = b / (steps * scale);
  term[UDG_APPEARANCE_FLAT] = flat / (steps * scale);
  term[UDG_APPEARANCE_MEAN] = 1.0;
  return scale;
}

void udg_appearance_spot(const udg_appearance *appearance, const udg_upright *upright, int x, int y,
                         double spot_px[2]) {
  size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
  float d = upright->distance.v[at];
  double u = x + 0.5, v = y + 0.5, share = 0.0;
  if (d > WITH_DIE_PX)
    share = fmin((double)((d - WITH_DIE_PX) / (WITH_DIGIT_PX - WITH_DIE_PX)), 1.0);
  double mm[2] = {(u - upright->origin_px[0]) / upright->px_per_mm,
                  (v - upright->origin_px[1]) / upright->px_per_mm};
  if (share > 0.0) {
    int owner = (int)upright->owner.v[at];
    const udg_place *place = &upright->date->places[owner];
    double turn = upright->place_turn_rad[owner] - place->turn_rad;
    double ru = (u - upright->place_px[owner][0]) / upright->px_per_mm;
    double rv = (v - upright->place_px[owner][1]) / upright->px_per_mm;
    double with[2] = {place->centre_mm[0] + cos(turn) * ru + sin(turn) * rv,
                      place->centre_mm[1] - sin(turn) * ru + cos(turn) * rv};
    for (int axis = 0; axis < 2; axis++)
      mm[axis] += share * (with[axis] - mm[axis]);
  }
  for (int axis = 0; axis < 2; axis++)
    spot_px[axis] = appearance->origin_px[axis] + appearance->px_per_mm * mm[axis];
}

void udg_appearance_expect(const udg_appearance *appearance, const udg_upright *upright,
                           const udg_light *light, udg_plane *mean, udg_plane *variance) {
  double term[UDG_APPEARANCE_TERMS];
  double scale = udg_appearance_terms(light, term);
  const udg_plane *first = &appearance->plane[0];
  for (int y = 0; y < upright->height; y++) {
    for (int x = 0; x < upright->width; x++) {
      double spot[2], sum = 0.0, v = 0.0;
      udg_appearance_spot(appearance, upright, x, y, spot);
      if (spot[0] >= 0.0 && spot[1] >= 0.0 && spot[0] <= first->width && spot[1] <= first->height) {
        for (int k = 0; k < UDG_APPEARANCE_TERMS; k++)
          sum += term[k] * (double)udg_plane_sample(&appearance->plane[k], spot[0], spot[1]);
        v = (double)udg_plane_sample(&appearance->plane[UDG_APPEARANCE_VARIANCE], spot[0], spot[1]);
      }
      udg_plane_row(mean, y)[x] = (float)(scale * sum);
      udg_plane_row(variance, y)[x] = (float)(scale * scale * fmax(v, 0.0));
    }
  }
}
