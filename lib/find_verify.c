/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Candidates of the date stage: kept apart, fitted, ranked. */
#include "find_internal.h"

#include <math.h>
#include <string.h>

#include "spline.h"

/* Candidates nearer than this (digit heights) are one: closer before they are fitted, as a
 * shoulder beside the right one may score higher there without leading to it. */
static const double SAME_PEAK = 0.3, SAME_SPOT = 0.4;
/* Restarts lie so far off, in digit heights. */
static const double RESTART_REACH = 0.06;
/* Rounds of a fit; after the first ones, candidates below this share of the best are left. */
enum { ROUNDS = 8, ROUNDS_FIRST = 2 };
static const double HOPELESS = 0.6;
#define MIDDLE_COUNT 8 /* candidates looked at in the second, finer verification */

static int pool_same(const udg_find_pooled *a, const udg_find_pooled *b, double same) {
  double near = same * fmax(a->height_px, b->height_px);
  double ratio =
      a->height_px > b->height_px ? a->height_px / b->height_px : b->height_px / a->height_px;
  double x = a->x - b->x, y = a->y - b->y;
  return x * x + y * y < near * near && ratio < 1.3 && fabs(a->turn_rad - b->turn_rad) < 0.2;
}

/* Keeps the pool sorted, best first, one entry a spot. */
static void add_apart(udg_find_pool *pool, const udg_find_pooled *found, double same) {
  for (int i = 0; i < pool->count; i++)
    if (pool_same(&pool->spots[i], found, same)) {
      if (pool->spots[i].score >= found->score)
        return;
      memmove(&pool->spots[i], &pool->spots[i + 1],
              (size_t)(pool->count - i - 1) * sizeof pool->spots[0]);
      pool->count--;
      i--;
    }
  int at = pool->count;
  while (at > 0 && pool->spots[at - 1].score < found->score)
    at--;
  if (at >= pool->room)
    return;
  int moved = pool->count < pool->room ? pool->count - at : pool->room - 1 - at;
  memmove(&pool->spots[at + 1], &pool->spots[at], (size_t)moved * sizeof pool->spots[0]);
  pool->spots[at] = *found;
  if (pool->count < pool->room)
    pool->count++;
}

void udg_find_pool_add(udg_find_pool *pool, const udg_find_pooled *found) {
  add_apart(pool, found, SAME_PEAK);
}

/* Fits a lit date as a similarity at one candidate and rescores it. */
static void verify_one(udg_find_state *state, const udg_find_model *model,
                       const udg_patch_set *patches, int columns, int rounds, udg_photo grey,
                       udg_find_pooled *candidate) {
  const udg_template *shape = &model->shape;
  udg_patch_set set = *patches;
  set.column_count = columns;
  double half[2];
  candidate->score = 0;
  if ((state->stopped = state->stopped || udg_stop_wanted(&state->settings)))
    return;
  for (int i = 0; i < 2; i++)
    half[i] = shape->half_size_mm[i] + shape->margin_mm + 0.3 * shape->height_mm;
  udg_homography to_window, from_window;
  udg_status status =
      udg_rescale_window(&state->settings, grey, &candidate->date_to_photo, shape->centre_mm, half,
                         set.px_per_mm, &state->window, &state->second, &to_window);
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->first, state->window.plane.width,
                             state->window.plane.height);
  state->out_of_memory |= status == UDG_ERROR_MEMORY;
  if (status != UDG_OK || !udg_homography_invert(&to_window, &from_window))
    return; /* a candidate outside the photo explains nothing */
  double window_px =
      candidate->height_px * udg_homography_scale(&to_window, candidate->x, candidate->y);
  udg_find_flatten(&state->window.plane, window_px, &state->first.plane, &state->second.plane);
  udg_spline_prepare(&state->window.plane);
  udg_align_settings how = {.global_count = 4,
                            .clip_level = INFINITY,
                            .noise_floor = 1e-3,
                            .correlation_px = 1,
                            .iterations_max = rounds,
                            .stop_px = 0.05,
                            .step_max_px = 1.5};
  udg_align_pose pose = {.date_to_photo =
                             udg_homography_after(&to_window, &candidate->date_to_photo)};
  udg_align_result fit;
  udg_align_run(state->aligner, &set, &state->window.plane, &how, &pose, &fit);
  candidate->date_to_photo = udg_homography_after(&from_window, &pose.date_to_photo);
  udg_homography_apply(&candidate->date_to_photo, shape->centre_mm[0], shape->centre_mm[1],
                       &candidate->x, &candidate->y);
  const double *m = candidate->date_to_photo.m;
  candidate->height_px =
      shape->height_mm *
      udg_homography_scale(&candidate->date_to_photo, shape->centre_mm[0], shape->centre_mm[1]);
  candidate->turn_rad = atan2(m[3], m[0]);
  /* What hangs out of the photo was not explained. */
  candidate->score = fit.explained * fit.inside;
}

/* Candidates that moved onto the same spot become one again. */
static void pool_merge(udg_find_state *state) {
  udg_find_pooled copy[UDG_FIND_POOL];
  udg_find_pool *pool = &state->pool;
  int count = pool->count;
  memcpy(copy, pool->spots, sizeof copy);
  pool->count = 0;
  for (int i = 0; i < count; i++)
    add_apart(pool, &copy[i], SAME_SPOT);
}

/* Under a hard lamp a shoulder can be taken for its neighbour, less than a
 * shoulder's width off: a minimum of its own, out of which Gauss-Newton does not
 * come.  Other starts around the candidate do. */
static void restart(udg_find_state *state, const udg_find_model *model, udg_photo grey,
                    udg_find_pooled *candidate) {
  static const int at[8][2] = {{1, 0}, {-1, 0},  {0, 1},  {0, -1},
                               {1, 1}, {-1, -1}, {1, -1}, {-1, 1}};
  const udg_find_pooled first = *candidate;
  double reach = RESTART_REACH * model->shape.height_mm;
  for (int i = 0; i < 8; i++) {
    udg_find_pooled trial = first;
    udg_homography moved = udg_homography_similarity(1, 0, reach * at[i][0], reach * at[i][1]);
    trial.date_to_photo = udg_homography_after(&first.date_to_photo, &moved);
    verify_one(state, model, &model->middle, UDG_COLUMN_COUNT, ROUNDS, grey, &trial);
    if (trial.score > candidate->score)
      *candidate = trial;
  }
}

static udg_candidate candidate_of(const udg_find_pooled *p) {
  return (udg_candidate){p->date_to_photo, p->height_px, p->turn_rad, p->score};
}

void udg_find_place(udg_find_state *state, const udg_find_model *model, const udg_find_wish *wish) {
  const udg_template *shape = &model->shape;
  udg_homography to_centre =
      udg_homography_similarity(1, 0, -shape->centre_mm[0], -shape->centre_mm[1]);
  int kept = 0;
  for (int i = 0; i < state->pool.count; i++) {
    udg_find_pooled *p = &state->pool.spots[i];
    udg_homography turned =
        udg_homography_similarity(p->height_px / shape->height_mm, p->turn_rad, p->x, p->y);
    p->date_to_photo = udg_homography_after(&turned, &to_centre);
    udg_candidate candidate = candidate_of(p);
    if (!wish->keep || wish->keep(wish->user, &candidate))
      state->pool.spots[kept++] = *p;
  }
  state->pool.count = kept;
}

/* All of the pool on the coarse copy: a few rounds tell which go on. */
static void fit_coarsely(udg_find_state *state, const udg_find_model *model, udg_photo grey,
                         double rival) {
  double best = rival;
  for (int i = 0; i < state->pool.count; i++) {
    verify_one(state, model, &model->rough, UDG_COLUMN_CUBE_P, ROUNDS_FIRST, grey,
               &state->pool.spots[i]);
    best = fmax(best, state->pool.spots[i].score);
  }
  for (int i = 0; i < state->pool.count; i++)
    if (state->pool.spots[i].score >= HOPELESS * best)
      verify_one(state, model, &model->rough, UDG_COLUMN_CUBE_P, ROUNDS - ROUNDS_FIRST, grey,
                 &state->pool.spots[i]);
}

void udg_find_verify(udg_find_state *state, const udg_find_model *model, udg_photo grey,
                     double rival) {
  fit_coarsely(state, model, grey, rival);
  pool_merge(state);
  if (state->pool.count > MIDDLE_COUNT)
    state->pool.count = MIDDLE_COUNT;
  for (int i = 0; i < state->pool.count; i++)
    if (state->pool.spots[i].score >= HOPELESS * rival)
      verify_one(state, model, &model->middle, UDG_COLUMN_COUNT, ROUNDS, grey,
                 &state->pool.spots[i]);
  pool_merge(state);
  if (state->pool.count > 0 && state->pool.spots[0].score >= HOPELESS * rival)
    restart(state, model, grey, &state->pool.spots[0]);
}
