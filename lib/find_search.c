/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Search of the date stage: all sizes, turns and places coarsely, then finely near the best. */
#include <math.h>

#include "find_internal.h"

/* The window may hang out of the photo by this share of its pixels. */
static const double OUTSIDE_MAX = 0.15;
/* Near a coarse spot one turn is tried at each size; those beside it only where that has such a
 * share of the score of the last spot kept. */
static const double HOPELESS = 0.6;
/* Side of the fine search about a coarse spot, centres. */
enum { NEAR_SIDE = UDG_FIND_LANES };

/* The window's box at (x, y) lies in the scaled copy but for OUTSIDE_MAX. */
static int window_inside(const udg_template *shape, const udg_plane *flat, double px_per_mm,
                         double turn, double x, double y) {
  double w = 2 * shape->half_size_mm[0] * px_per_mm;
  double h = 2 * shape->half_size_mm[1] * px_per_mm;
  double c = fabs(cos(turn)), s = fabs(sin(turn));
  double ex = (w * c + h * s) / 2, ey = (w * s + h * c) / 2;
  double out_x = fmax(0, ex - x) + fmax(0, x + ex - flat->width);
  double out_y = fmax(0, ey - y) + fmax(0, y + ey - flat->height);
  return out_x / (2 * ex) + out_y / (2 * ey) <= OUTSIDE_MAX;
}

/* Where centres may lie at any of the turns, window_inside(), and one more to each side for
 * their maxima; 0 when nowhere. */
static int centres_take(const udg_template *shape, const udg_find_level *level,
                        const udg_plane *flat, udg_find_box *box) {
  double px_per_mm = level->height_px / shape->height_mm;
  double w = shape->half_size_mm[0] * px_per_mm, h = shape->half_size_mm[1] * px_per_mm;
  double turn = fabs(level->turns[0].turn_rad), c = cos(turn), s = sin(turn);
  /* Extents rise and fall once over the turns: the least is at one of the ends. */
  double least[2] = {fmin(w, w * c + h * s), fmin(h, w * s + h * c)};
  int size[2] = {flat->width, flat->height};
  box->narrow = 0;
  for (int i = 0; i < 2; i++) {
    int margin = (int)floor(fmax((1 - 2 * OUTSIDE_MAX) * least[i] - 0.5, 0));
    box->low[i] = margin > 0 ? margin - 1 : 0;
    box->end[i] = size[i] - box->low[i];
    if (box->end[i] - box->low[i] < 3)
      return 0;
  }
  return 1;
}

/* The part of `box` near (x, y); 0 when there is too little of it. */
static int box_about(const udg_find_box *box, double x, double y, udg_find_box *part) {
  double at[2] = {x, y};
  part->narrow = 1;
  for (int i = 0; i < 2; i++) {
    int low = (int)floor(at[i] + 0.5) - NEAR_SIDE / 2, end = low + NEAR_SIDE;
    part->low[i] = low > box->low[i] ? low : box->low[i];
    part->end[i] = end < box->end[i] ? end : box->end[i];
    if (part->end[i] - part->low[i] < 3)
      return 0;
  }
  return 1;
}

/* Local maxima of state->score inside the box join the pool. */
static void peaks_take(const udg_find_state *state, const udg_template *shape,
                       const udg_find_level *level, double turn_rad, double factor,
                       const udg_find_box *box, udg_find_pool *pool) {
  const udg_plane *score = &state->score.plane;
  double px_per_mm = level->height_px / shape->height_mm;
  for (int y = 1; y + 1 < box->end[1] - box->low[1]; y++)
    for (int x = 1; x + 1 < box->end[0] - box->low[0]; x++) {
      const float *at = udg_plane_row(score, y) + x;
      if (pool->count == pool->room && (double)*at <= pool->spots[pool->room - 1].score)
        continue;
      if (*at < at[-1] || *at < at[1] || *at < at[-score->width] || *at < at[score->width])
        continue;
      double px = box->low[0] + x + 0.5, py = box->low[1] + y + 0.5;
      if (!window_inside(shape, &state->flat[0].plane, px_per_mm, turn_rad, px, py))
        continue;
      udg_find_pooled found = {.x = px / factor,
                               .y = py / factor,
                               .height_px = level->height_px / factor,
                               .turn_rad = turn_rad,
                               .score = (double)*at};
      udg_find_pool_add(pool, &found);
    }
}

/* All turns and places at one size: its best spots. */
static udg_status coarse_at(udg_find_state *state, const udg_find_model *model, double height_px) {
  const udg_find_level *level = &model->coarse;
  double factor = level->height_px / height_px;
  udg_find_box box;
  state->coarse.count = 0;
  udg_status status = udg_find_channels_make(state, level, factor);
  if (status != UDG_OK || !centres_take(&model->shape, level, &state->flat[0].plane, &box))
    return status;
  status = udg_find_box_energy(state, level, &box);
  for (int t = 0; t < level->turn_count && status == UDG_OK; t++) {
    if (udg_stop_wanted(&state->settings))
      return UDG_ERROR_CANCELLED;
    status = udg_find_box_score(state, level, &level->turns[t], &box);
    if (status == UDG_OK)
      peaks_take(state, &model->shape, level, level->turns[t].turn_rad, factor, &box,
                 &state->coarse);
  }
  for (int i = 0; i < state->coarse.count && state->spot_count < UDG_FIND_SPOTS; i++) {
    const udg_find_pooled *p = &state->coarse.spots[i];
    state->spots[state->spot_count++] = (udg_find_spot){p->x, p->y, p->height_px, p->turn_rad};
  }
  return status;
}

/* One turn in a box about a coarse spot; the box's best score goes into `best`. */
static udg_status fine_turn(udg_find_state *state, const udg_find_model *model, int turn,
                            const udg_find_box *box, double factor, float *best) {
  const udg_find_level *level = &model->fine;
  udg_status status = udg_find_box_score(state, level, &level->turns[turn], box);
  if (status != UDG_OK)
    return status;
  peaks_take(state, &model->shape, level, level->turns[turn].turn_rad, factor, box, &state->pool);
  for (int y = 0; y < box->end[1] - box->low[1]; y++)
    for (int x = 0; x < box->end[0] - box->low[0]; x++)
      *best = fmaxf(*best, udg_plane_row(&state->score.plane, y)[x]);
  return UDG_OK;
}

static int nearest_turn(const udg_find_level *level, double turn_rad) {
  int nearest = 0;
  for (int t = 1; t < level->turn_count; t++)
    if (fabs(level->turns[t].turn_rad - turn_rad) < fabs(level->turns[nearest].turn_rad - turn_rad))
      nearest = t;
  return nearest;
}

/* One size near one coarse spot: its own turn, then those beside it. */
static udg_status fine_about(udg_find_state *state, const udg_find_model *model,
                             const udg_find_spot *spot, const udg_find_box *all, double factor) {
  const udg_find_level *level = &model->fine;
  const udg_find_pool *pool = &state->pool;
  udg_find_box box;
  if (!box_about(all, spot->x * factor, spot->y * factor, &box))
    return UDG_OK;
  float best = 0;
  int own = nearest_turn(level, spot->turn_rad);
  udg_status status = udg_find_box_energy(state, level, &box);
  if (status == UDG_OK)
    status = fine_turn(state, model, own, &box, factor, &best);
  if (status != UDG_OK ||
      (pool->count == pool->room && (double)best < HOPELESS * pool->spots[pool->room - 1].score))
    return status;
  for (int t = 0; t < level->turn_count && status == UDG_OK; t++)
    if (t != own && fabs(level->turns[t].turn_rad - spot->turn_rad) <= model->coarse.turn_step_rad)
      status = fine_turn(state, model, t, &box, factor, &best);
  return status;
}

/* Finely at one size, where coarse spots of about that size are. */
static udg_status fine_at(udg_find_state *state, const udg_find_model *model, double height_px) {
  const udg_find_level *level = &model->fine;
  double factor = level->height_px / height_px;
  double near = log(model->coarse.scale_step);
  udg_find_box all;
  int made = 0;
  udg_status status = UDG_OK;
  for (int i = 0; i < state->spot_count && status == UDG_OK; i++) {
    const udg_find_spot *spot = &state->spots[i];
    if (fabs(log(spot->height_px / height_px)) > near)
      continue;
    if (udg_stop_wanted(&state->settings))
      return UDG_ERROR_CANCELLED;
    if (!made) {
      status = udg_find_channels_make(state, level, factor);
      if (status != UDG_OK || !centres_take(&model->shape, level, &state->flat[0].plane, &all))
        return status;
      made = 1;
    }
    status = fine_about(state, model, spot, &all, factor);
  }
  return status;
}

udg_status udg_find_search(udg_find_state *state, const udg_find_model *model, udg_photo grey) {
  const udg_settings *settings = &state->settings;
  double long_side = 2 * model->shape.half_size_mm[0] / model->shape.height_mm;
  double diagonal = hypot(grey.width, grey.height);
  double least = settings->digit_height_min_px * state->box;
  double largest =
      fmin(fmin(settings->digit_height_max_px, diagonal / long_side), grey.height * 1.2);
  udg_status status = UDG_OK;
  state->pool.count = state->spot_count = 0;
  for (double h = least; h <= largest * model->coarse.scale_step && status == UDG_OK;
       h *= model->coarse.scale_step)
    status = coarse_at(state, model, h);
  for (double h = least; h <= largest * model->fine.scale_step && status == UDG_OK;
       h *= model->fine.scale_step)
    status = fine_at(state, model, h);
  return status;
}
