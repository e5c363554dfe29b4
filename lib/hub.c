/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "hub.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "relief.h"

enum { SIDE = 7, CELLS = SIDE * SIDE, DECOYS = 48, ITEMS_MAX = 16, TURNS = 5, WAYS = 7 };

/* Displacements looked at: up to STEP (SIDE - 1) / 2 each way, digit heights; what is nearer
 * than LEAST can be the softness of an edge. */
static const double STEP = 0.06, LEAST = 0.05;
/* Turns of the hub between its two impressions, rad. */
static const double TURN_STEP = 0.005;
static const double REACH_PX = 40.0;
/* From z to log ratio, by drawn coins with and without (tests/bench/hub.c). */
static const double Z_EVEN = 1.7, Z_SLOPE = 1.6, LOG_RATIO_MAX = 9.0;
static const double LEGEND_SLOPE = 0.6, LEGEND_EVEN = 1.0, LEGEND_LEAST = -1.5, LEGEND_MOST = 3.0;

int udg_hub_has(const udg_reference *reference, size_t date_index) {
  return reference->date_in_hub_since > 0 &&
         atol(reference->dates[date_index].text) >= reference->date_in_hub_since;
}

/* What shows twice: a digit of the date or an item of the design. */
typedef struct thing {
  const udg_outline *outline;
  double at_mm[2], turn_rad, reach_mm;
} thing;

static thing digit_at(const udg_look *look, int place, char digit) {
  const udg_look_scene *scene = &look->scene;
  const udg_date *date = &scene->reference->dates[scene->date_index];
  const udg_place *p = &date->places[place];
  const udg_outline *outline = &scene->reference->digits[digit - '0'];
  return (thing){outline,
                 {p->centre_mm[0] + scene->registration->place_offset_mm[place][0],
                  p->centre_mm[1] + scene->registration->place_offset_mm[place][1]},
                 p->turn_rad + scene->registration->place_turn_rad[place],
                 0.5 *
                     hypot(outline->high[0] - outline->low[0], outline->high[1] - outline->low[1])};
}

/* The second image of `t`, moved by `u`, joined to what is there: look->mark is the change. */
static udg_status draw_second(udg_look *look, const thing *t, const double u[2],
                              udg_message *message) {
  udg_look_patch *patch = &look->patch;
  int size = patch->size, count = size * size;
  udg_plane with = {size, size, look->scratch[4].v}, image = {size, size, look->scratch[6].v};
  double at[2];
  for (int axis = 0; axis < 2; axis++)
    at[axis] = 0.5 * size + patch->px_per_mm * (t->at_mm[axis] + u[axis] - patch->spot.at_mm[axis]);
  udg_status status =
      udg_relief_distance_within(&look->settings, t->outline, patch->px_per_mm, t->turn_rad, at[0],
                                 at[1], REACH_PX, &with, message);
  if (status != UDG_OK)
    return status;
  for (int i = 0; i < count; i++)
    with.v[i] = fmaxf(with.v[i], patch->base.v[i]);
  look->mark.width = look->mark.height = size;
  udg_look_draw(look, &with, look->scene.reference->bevel_mm * patch->px_per_mm, 0.0, &look->mark);
  for (int i = 0; i < count; i++)
    look->mark.v[i] -= image.v[i];
  return UDG_OK;
}

static udg_status open_patch(udg_look *look, const thing *t, int is_item, double room_mm,
                             int *usable, udg_message *message) {
  udg_message quiet;
  udg_look_spot spot = {.at_mm = {t->at_mm[0], t->at_mm[1]}, .item = is_item ? 0 : -1};
  double photo =
      udg_homography_scale(&look->scene.registration->date_to_photo, t->at_mm[0], t->at_mm[1]);
  double reach = t->reach_mm + room_mm, fine = (0.5 * UDG_LOOK_PX_MAX - 2.0) / reach;
  udg_status status = udg_look_patch_make(look, &spot, reach, fmin(fine, 3.0 * photo), &quiet);
  *usable = status == UDG_OK && look->patch.usable_share >= UDG_LOOK_USABLE_LEAST;
  if (status == UDG_ERROR_ARGUMENT)
    return UDG_OK;
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for the hub");
  int size = look->patch.size; /* the first image alone stays in scratch 6 */
  udg_plane copy = {size, size, look->scratch[5].v}, image = {size, size, look->scratch[6].v};
  memcpy(copy.v, look->patch.base.v, sizeof(float) * (size_t)size * (size_t)size);
  udg_look_draw(look, &copy, look->scene.reference->bevel_mm * look->patch.px_per_mm, 0.0, &image);
  return UDG_OK;
}

static void cell_shift(int cell, double height_mm, double u[2]) {
  u[0] = STEP * height_mm * (cell % SIDE - SIDE / 2);
  u[1] = STEP * height_mm * (cell / SIDE - SIDE / 2);
}

/* One of the eight symmetries of the square of cells. */
static int turned_cell(int cell, int g) {
  int x = cell % SIDE - SIDE / 2, y = cell / SIDE - SIDE / 2;
  if (g & 4)
    x = -x;
  for (int k = 0; k < (g & 3); k++) {
    int t = x;
    x = -y;
    y = t;
  }
  return (y + SIDE / 2) * SIDE + x + SIDE / 2;
}

typedef struct maps {
  int count; /* digits that can be looked at */
  int place[UDG_PLACES_MAX];
  double s[UDG_PLACES_MAX][CELLS];
  double any[UDG_PLACES_MAX][CELLS]; /* the same, or an earlier digit where the hubs may differ */
} maps;

/* Scores of one digit's second image at each displacement, in the patch that is open. */
static udg_status fill_map(udg_look *look, const thing *t, double s[CELLS], udg_message *message) {
  double height = look->scene.reference->dates[look->scene.date_index].height_mm;
  for (int cell = 0; cell < CELLS; cell++) {
    double u[2];
    cell_shift(cell, height, u);
    s[cell] = 0.0;
    if (hypot(u[0], u[1]) < LEAST * height)
      continue;
    udg_status status = draw_second(look, t, u, message);
    if (status != UDG_OK)
      return status;
    s[cell] = udg_look_match_best(look, 1.0, 0.0).score;
  }
  return UDG_OK;
}

static udg_status fill_maps(udg_look *look, maps *m, udg_message *message) {
  const udg_date *date = &look->scene.reference->dates[look->scene.date_index];
  m->count = 0;
  for (int p = 0; p < date->place_count; p++) {
    thing t = digit_at(look, p, date->places[p].digit);
    int usable;
    if (look->settings.cancel && look->settings.cancel(look->settings.user))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking at the hub");
    udg_status status = open_patch(look, &t, 0, 0.3 * date->height_mm, &usable, message);
    if (status == UDG_OK && usable) {
      status = fill_map(look, &t, m->s[m->count], message);
      memcpy(m->any[m->count], m->s[m->count], sizeof m->any[0]);
    }
    int own = date->places[p].digit - '0', last = p == date->place_count - 1;
    for (int d = 0; d < own && last && status == UDG_OK && usable; d++) {
      double other[CELLS];
      if (!look->scene.reference->has_digit[d])
        continue;
      t = digit_at(look, p, (char)('0' + d));
      status = fill_map(look, &t, other, message);
      for (int cell = 0; cell < CELLS && status == UDG_OK; cell++)
        m->any[m->count][cell] = fmax(m->any[m->count][cell], other[cell]);
    }
    if (status != UDG_OK)
      return status;
    if (usable)
      m->place[m->count++] = p;
  }
  return UDG_OK;
}

/* Largest sum over the digits but `left_out` (-1: none), each moved by its own symmetry. */
static double best_sum(const maps *m, int any, const int g[UDG_PLACES_MAX], int left_out,
                       int *cell) {
  double best = 0.0;
  for (int c = 0; c < CELLS; c++) {
    double sum = 0.0;
    for (int k = 0; k < m->count; k++)
      if (k != left_out)
        sum += (any ? m->any : m->s)[k][turned_cell(c, g ? g[k] : 0)];
    if (sum > best) {
      best = sum;
      if (cell)
        *cell = c;
    }
  }
  return best;
}

/* z of the common displacement among decoys of displacements that are not common. */
static double common_z(const maps *m, int any, int left_out, int *cell) {
  double mean = 0.0, square = 0.0;
  uint32_t state = 12345u;
  for (int d = 0; d < DECOYS; d++) {
    int g[UDG_PLACES_MAX] = {0}, same = 1;
    for (int k = 0; k < m->count; k++) {
      state = state * 1664525u + 1013904223u; /* Numerical Recipes' generator, from memory */
      g[k] = (int)(state >> 28) & 7;
      same &= g[k] == g[0];
    }
    if (same)
      g[0] = (g[0] + 2) & 7;
    double s = best_sum(m, any, g, left_out, NULL);
    mean += s / DECOYS;
    square += s * s / DECOYS;
  }
  double sd = sqrt(fmax(square - mean * mean, 0.0));
  double s = best_sum(m, any, NULL, left_out, cell);
  return (s - mean) / fmax(sd, 0.02 * m->count);
}

static double to_log_ratio(double z) {
  return fmax(-LOG_RATIO_MAX, fmin(LOG_RATIO_MAX, Z_SLOPE * (z - Z_EVEN)));
}

/* The earlier hub's own digit: which digit explains a place best, moved as the rest is. */
static udg_status other_digit(udg_look *look, const maps *m, int index, const double u[2],
                              double score[10], udg_message *message) {
  const udg_reference *reference = look->scene.reference;
  const udg_date *date = &reference->dates[look->scene.date_index];
  int place = m->place[index], usable;
  thing present = digit_at(look, place, date->places[place].digit);
  udg_status status = open_patch(look, &present, 0, 0.3 * date->height_mm, &usable, message);
  for (int d = 0; d < 10 && status == UDG_OK && usable; d++) {
    score[d] = 0.0;
    if (!reference->has_digit[d])
      continue;
    thing t = digit_at(look, place, (char)('0' + d));
    status = draw_second(look, &t, u, message);
    if (status == UDG_OK)
      score[d] = udg_look_match_best(look, 2.0, 0.0).score;
  }
  return status;
}

/* Sum over the letters moved as the hub is, its turn about the date being `turn`. */
static udg_status legend_sums(udg_look *look, const double u[2], double sums[WAYS][TURNS],
                              int *letters, udg_message *message) {
  const udg_reference *reference = look->scene.reference;
  *letters = 0;
  memset(sums, 0, sizeof(double) * WAYS * TURNS);
  for (size_t k = 0; k < reference->design_count && *letters < ITEMS_MAX; k++) {
    const udg_design_item *item = &reference->design[k];
    thing t = {&item->outline, {item->at_mm[0], item->at_mm[1]}, item->turn_rad, 0.0};
    for (int axis = 0; axis < 2; axis++)
      t.reach_mm = fmax(t.reach_mm, fmax(-t.outline->low[axis], t.outline->high[axis]));
    int usable;
    udg_status status = open_patch(look, &t, 1, hypot(u[0], u[1]) + 0.1, &usable, message);
    if (status != UDG_OK)
      return status;
    if (!usable)
      continue;
    ++*letters;
    for (int g = 0; g < WAYS; g++) /* the hub's way, and decoys turned on from it */
      for (int w = 0; w < TURNS && status == UDG_OK; w++) {
        double turn = TURN_STEP * (w - TURNS / 2), a = 2.0 * acos(-1.0) * g / WAYS;
        double c = cos(a), s = sin(a);
        double v[2] = {c * u[0] - s * u[1] - turn * t.at_mm[1],
                       s * u[0] + c * u[1] + turn * t.at_mm[0]};
        status = draw_second(look, &t, v, message);
        sums[g][w] += udg_look_match_best(look, 1.0, 0.0).score;
      }
    if (status != UDG_OK)
      return status;
  }
  return UDG_OK;
}

static udg_status legend(udg_look *look, udg_hub_finding *hub, udg_message *message) {
  double sums[WAYS][TURNS], best = 0.0, mean = 0.0, square = 0.0;
  int letters;
  udg_status status = legend_sums(look, hub->shift_mm, sums, &letters, message);
  if (status != UDG_OK || letters == 0)
    return status;
  for (int w = 0; w < TURNS; w++)
    if (sums[0][w] > best) {
      best = sums[0][w];
      hub->turn_deg = TURN_STEP * (w - TURNS / 2) * 180.0 / acos(-1.0);
    }
  for (int g = 1; g < WAYS; g++) {
    double most = 0.0;
    for (int w = 0; w < TURNS; w++)
      most = fmax(most, sums[g][w]);
    mean += most / (WAYS - 1);
    square += most * most / (WAYS - 1);
  }
  /* Few decoys tell a spread badly: never less than a letter's own share. */
  double sd = fmax(sqrt(fmax(square - mean * mean, 0.0)), 0.35 * sqrt(letters));
  hub->legend_letters = letters;
  hub->legend_log_ratio =
      fmax(LEGEND_LEAST, fmin(LEGEND_MOST, LEGEND_SLOPE * ((best - mean) / sd - LEGEND_EVEN)));
  return UDG_OK;
}

/* An earlier hub has an earlier date; the first place where it could differ from the right. */
static udg_status find_digit(udg_look *look, const maps *m, udg_hub_finding *hub,
                             udg_message *message) {
  const udg_date *date = &look->scene.reference->dates[look->scene.date_index];
  for (int k = m->count - 1; k >= 0 && m->place[k] >= date->place_count - 2; k--) {
    int cell = CELLS / 2, place = m->place[k];
    double z = common_z(m, 0, k, &cell), u[2], score[10];
    cell_shift(cell, date->height_mm, u);
    udg_status status = other_digit(look, m, k, u, score, message);
    if (status != UDG_OK)
      return status;
    int own = date->places[place].digit - '0', best = -1;
    for (int d = 0; d < own; d++)
      if (look->scene.reference->has_digit[d] && (best < 0 || score[d] > score[best]))
        best = d;
    if (best < 0)
      continue;
    double lead = score[best] - score[own];
    if (hub->place == 0 || lead > hub->digit_lead) {
      hub->place = place + 1;
      hub->digit = (char)('0' + best);
      hub->digit_lead = lead;
      hub->rest_log_ratio = to_log_ratio(z);
      memcpy(hub->rest_shift_mm, u, sizeof u);
    }
  }
  return UDG_OK;
}

udg_status udg_hub_look(udg_look *look, const udg_look_scene *scene, udg_hub_finding *hub,
                        udg_message *message) {
  const udg_date *date = &scene->reference->dates[scene->date_index];
  maps m;
  *hub = (udg_hub_finding){.applies = 0};
  udg_look_begin(look, scene);
  look->dry_foot = 1;
  udg_status status = fill_maps(look, &m, message);
  if (status != UDG_OK || m.count < 2)
    return status;
  int cell = CELLS / 2;
  hub->applies = 1;
  hub->log_ratio = to_log_ratio(common_z(&m, 1, -1, &cell));
  cell_shift(cell, date->height_mm, hub->shift_mm);
  if (m.count >= 3)
    status = find_digit(look, &m, hub, message);
  if (status == UDG_OK && scene->reference->design_count > 0)
    status = legend(look, hub, message);
  hub->log_ratio += hub->legend_log_ratio;
  hub->rest_log_ratio += hub->legend_log_ratio;
  return status;
}
