/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A line across the teeth of the rim.  The rim is rolled out into a strip; teeth come again
 * every pitch, so the mean of the neighbours one and two pitches away to both sides is what
 * they look like here, lamps included, and what is left is not of the teeth. */
#include <math.h>
#include <string.h>

#include "marker_look.h"

enum { COLUMNS_MAX = 8192 };
/* Teeth stand between these radii, shares of the coin's. */
static const double RIM_FROM = 0.72;
/* Pitches looked for, mm. */
static const double PITCH_LEAST_MM = 0.2, PITCH_MOST_MM = 1.8;
/* Residuals are cut here, s.d. */
static const float CUT_SD = 4.0f;

typedef struct strip {
  int columns, rows;
  double px_per_mm, top_mm; /* radius of the upper edge */
  double pitch_px;
} strip;

int udg_look_is_rim(const udg_look *look, const udg_marker *marker) {
  const udg_reference *reference = look->scene.reference;
  return marker->clock > 0.0 && reference->diameter_mm > 0.0 &&
         marker->kind != UDG_MARKER_DOUBLED && marker->of_count == 0 &&
         marker->radius_mm > RIM_FROM * 0.5 * reference->diameter_mm;
}

static void coin_point(const udg_reference *reference, double angle, double radius, double mm[2]) {
  mm[0] = radius * sin(angle) - reference->date_origin_mm[0];
  mm[1] = -radius * cos(angle) - reference->date_origin_mm[1];
}

static udg_status roll_out(udg_look *look, strip *s, udg_message *message) {
  const udg_photo photo = look->scene.photo;
  udg_status status = udg_buffer_size(&look->settings, &look->strip, s->columns, s->rows);
  if (status == UDG_OK)
    status = udg_buffer_size(&look->settings, &look->strip_usable, s->columns, s->rows);
  if (status == UDG_OK)
    status = udg_buffer_size(&look->settings, &look->strip_scratch, s->columns, s->rows);
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for the rim's strip");
  const double turn = 2.0 * acos(-1.0);
  for (int j = 0; j < s->rows; j++) {
    float *grey = udg_plane_row(&look->strip.plane, j);
    float *usable = udg_plane_row(&look->strip_usable.plane, j);
    for (int i = 0; i < s->columns; i++) {
      double mm[2], p[2];
      coin_point(look->scene.reference, turn * (i + 0.5) / s->columns,
                 s->top_mm - (j + 0.5) / s->px_per_mm, mm);
      udg_homography_apply(&look->coin_to_photo, mm[0], mm[1], &p[0], &p[1]);
      int inside =
          p[0] >= 1.0 && p[1] >= 1.0 && p[0] <= photo.width - 1.0 && p[1] <= photo.height - 1.0;
      grey[i] = inside ? udg_photo_sample(photo, 1, p[0], p[1]) : 0.0f;
      usable[i] = inside ? 1.0f : 0.0f;
    }
  }
  return UDG_OK;
}

static int wrap(int i, int columns) {
  return (i % columns + columns) % columns;
}

/* Correlation of the strip with itself `lag` columns on, over what is usable. */
static double agreement(const udg_look *look, const strip *s, int lag) {
  double xy = 0.0, xx = 0.0;
  for (int j = 0; j < s->rows; j += 2) {
    const float *row = udg_plane_row(&look->strip_scratch.plane, j);
    const float *usable = udg_plane_row(&look->strip_usable.plane, j);
    for (int i = 0; i < s->columns; i++) {
      int k = i + lag < s->columns ? i + lag : i + lag - s->columns;
      if (usable[i] > 0.0f && usable[k] > 0.0f) {
        xy += (double)row[i] * (double)row[k];
        xx += (double)row[i] * (double)row[i];
      }
    }
  }
  return xx > 0.0 ? xy / xx : 0.0;
}

/* Less the mean of two millimetres to both sides, row by row: what light does slowly. */
static void flatten(udg_look *look, const strip *s) {
  int half = (int)fmin(s->px_per_mm, s->columns / 4.0);
  for (int j = 0; j < s->rows; j++) {
    const float *grey = udg_plane_row(&look->strip.plane, j);
    float *flat = udg_plane_row(&look->strip_scratch.plane, j);
    double sum = 0.0;
    for (int i = -half; i <= half; i++)
      sum += (double)grey[wrap(i, s->columns)];
    for (int i = 0; i < s->columns; i++) {
      flat[i] = grey[i] - (float)(sum / (2 * half + 1));
      sum +=
          (double)grey[wrap(i + half + 1, s->columns)] - (double)grey[wrap(i - half, s->columns)];
    }
  }
}

/* Pitch of the teeth in columns: the first strong peak of the self-correlation, made finer at
 * its fifth repetition.  Without teeth some pitch comes out, and the mean of the neighbours
 * is then a mean of the ground about it. */
static void find_pitch(udg_look *look, strip *s) {
  enum { LAGS = 600 };
  double value[LAGS];
  int low = (int)fmax(2.0, PITCH_LEAST_MM * s->px_per_mm);
  int high = (int)fmin(LAGS - 1.0, PITCH_MOST_MM * s->px_per_mm), best = low, chosen = 0;
  flatten(look, s);
  for (int lag = low - 1; lag <= high && lag < LAGS; lag++)
    value[lag] = agreement(look, s, lag);
  double most = 0.0;
  for (int lag = low; lag < high; lag++)
    if (value[lag] > value[lag - 1] && value[lag] >= value[lag + 1])
      most = fmax(most, value[lag]);
  for (int lag = low; lag < high && !chosen; lag++)
    if (value[lag] > value[lag - 1] && value[lag] >= value[lag + 1] && value[lag] > 0.7 * most) {
      best = lag;
      chosen = 1;
    }
  int fifth = 5 * best, at = fifth;
  double top = -1.0;
  for (int lag = fifth - 3; lag <= fifth + 3 && fifth + 3 < s->columns; lag++) {
    double a = agreement(look, s, lag);
    if (a > top) {
      top = a;
      at = lag;
    }
  }
  s->pitch_px = at / 5.0;
}

/* Grey `shift` columns on, between columns; 0 in `weight` where there is none. */
static float neighbour(const udg_look *look, const strip *s, int j, double at, float *weight) {
  int i = (int)floor(at);
  float part = (float)(at - i);
  int a = wrap(i, s->columns), b = wrap(i + 1, s->columns);
  const float *row = udg_plane_row(&look->strip.plane, j);
  const float *usable = udg_plane_row(&look->strip_usable.plane, j);
  *weight = usable[a] > 0.0f && usable[b] > 0.0f ? 1.0f : 0.0f;
  return *weight * (row[a] + part * (row[b] - row[a]));
}

/* Leaves the residual in strip_scratch. */
static void take_teeth(udg_look *look, const strip *s) {
  size_t count = (size_t)s->columns * (size_t)s->rows;
  udg_plane *residual = &look->strip_scratch.plane;
  for (int j = 0; j < s->rows; j++)
    for (int i = 0; i < s->columns; i++) {
      float sum = 0.0f, weight = 0.0f, w;
      for (int k = -2; k <= 2; k++)
        if (k != 0) {
          sum += neighbour(look, s, j, i + k * s->pitch_px, &w);
          weight += w;
        }
      size_t at = (size_t)j * (size_t)s->columns + (size_t)i;
      int good = weight > 0.0f && look->strip_usable.plane.v[at] > 0.0f;
      residual->v[at] = good ? look->strip.plane.v[at] - sum / weight : 0.0f;
    }
  /* The strip's own grey is not needed any more. */
  for (size_t i = 0; i < count; i++)
    look->strip.plane.v[i] = fabsf(residual->v[i]);
  look->sd = fmax(1.4826 * (double)udg_values_select(look->strip.plane.v, count, count / 2), 0.5);
  float cut = CUT_SD * (float)look->sd;
  for (size_t i = 0; i < count; i++)
    residual->v[i] = fmaxf(-cut, fminf(cut, residual->v[i]));
}

/* The strip about an angle as a patch whose upward direction is outwards. */
static void cut_out(udg_look *look, const strip *s, double angle, double turn_rad) {
  udg_look_patch *patch = &look->patch;
  const double turn = 2.0 * acos(-1.0);
  int left = (int)floor(angle / turn * s->columns) - patch->size / 2;
  int top = (s->rows - patch->size) / 2;
  double usable = 0.0;
  patch->spot = (udg_look_spot){.turn_rad = turn_rad, .item = -1};
  coin_point(look->scene.reference, angle, s->top_mm - 0.5 * s->rows / s->px_per_mm,
             patch->spot.at_mm);
  for (int j = 0; j < patch->size; j++)
    for (int i = 0; i < patch->size; i++) {
      size_t to = (size_t)j * (size_t)patch->size + (size_t)i;
      int row = j + top;
      size_t from = (size_t)(row < 0          ? 0
                             : row >= s->rows ? s->rows - 1
                                              : row) *
                        (size_t)s->columns +
                    (size_t)wrap(i + left, s->columns);
      patch->residual.v[to] = look->strip_scratch.plane.v[from];
      patch->usable.v[to] = look->strip_usable.plane.v[from];
      patch->base.v[to] = -1000.0f;
      usable += (double)patch->usable.v[to];
    }
  patch->usable_share = usable / ((double)patch->size * patch->size);
}

static double reach_of(const udg_look *look, const udg_marker *marker) {
  return hypot(marker->tolerance_mm, look->far_error_mm);
}

static void tell_where(const udg_look *look, const udg_look_match *match, udg_look_tally *tally) {
  const udg_look_patch *patch = &look->patch;
  double c = cos(patch->spot.turn_rad), n = sin(patch->spot.turn_rad);
  double u = match->offset_px[0] / patch->px_per_mm, v = match->offset_px[1] / patch->px_per_mm;
  tally->score = match->score;
  tally->at_mm[0] = patch->spot.at_mm[0] + c * u - n * v;
  tally->at_mm[1] = patch->spot.at_mm[1] + n * u + c * v;
}

static udg_status look_round(udg_look *look, const udg_marker *marker, const strip *s,
                             udg_look_tally *tally, udg_message *message) {
  const double turn = 2.0 * acos(-1.0), claimed = marker->clock * turn / 12.0;
  double own_turn = marker->turn_rad - claimed;
  double reach = reach_of(look, marker), radius = marker->radius_mm;
  double clear = (2.0 * reach + marker->narrow_mm + 2.0 * s->pitch_px / s->px_per_mm) / radius;
  for (int k = -1; k < UDG_LOOK_DECOYS_MAX; k++) {
    double angle = k < 0 ? claimed : turn * k / UDG_LOOK_DECOYS_MAX;
    double off = fabs(remainder(angle - claimed, turn));
    if (k >= 0 && off < clear)
      continue;
    cut_out(look, s, angle, angle + own_turn);
    if (look->patch.usable_share < UDG_LOOK_USABLE_LEAST)
      continue;
    udg_status status = udg_look_mark_make(look, marker, 0.0, message);
    if (status != UDG_OK)
      return status;
    udg_look_match m = udg_look_match_best(look, reach * s->px_per_mm, 0.0);
    if (k < 0) {
      tally->in_view = 1;
      tell_where(look, &m, tally);
      continue;
    }
    int d = tally->decoys++;
    double gain = udg_look_gain(d);
    tally->decoy[d] = m.score;
    m = udg_look_match_best(look, 1.0, gain);
    tally->raised[d] = fmax(tally->decoy[d], m.score);
  }
  return UDG_OK;
}

udg_status udg_look_rim(udg_look *look, const udg_marker *marker, udg_look_tally *tally,
                        udg_message *message) {
  double reach_mm = udg_look_reach_mm(look, marker) + reach_of(look, marker);
  strip s = {.px_per_mm = udg_look_px_per_mm(look, marker, reach_mm)};
  *tally = (udg_look_tally){.units = 1.0};
  look->patch.size = 2 * (int)floor(reach_mm * s.px_per_mm) + 1;
  look->patch.px_per_mm = s.px_per_mm;
  s.columns = (int)fmin(COLUMNS_MAX, 2.0 * acos(-1.0) * marker->radius_mm * s.px_per_mm);
  s.rows = look->patch.size;
  if (s.columns < 4 * look->patch.size)
    return UDG_OK;
  s.top_mm = marker->radius_mm + 0.5 * s.rows / s.px_per_mm;
  udg_plane *planes[] = {&look->patch.residual, &look->patch.usable, &look->patch.base};
  for (int k = 0; k < 3; k++)
    planes[k]->width = planes[k]->height = look->patch.size;
  udg_status status = roll_out(look, &s, message);
  if (status != UDG_OK)
    return status;
  find_pitch(look, &s);
  take_teeth(look, &s);
  /* Between teeth the light that digits keep from an open field is no guide: on drawn coins
     lines across the rim are told better by their edges alone. */
  look->bare = 1;
  status = look_round(look, marker, &s, tally, message);
  look->bare = 0;
  return status;
}
