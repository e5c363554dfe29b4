/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "find.h"

#include <math.h>
#include <string.h>

#include "find_internal.h"

/* From one searched scale to the next: half a step moves the end of a date two
 * heights from the middle by 2 height 0.07 = 1.4 px at 10 px, half a stroke. */
static const double SCALE_STEP = 1.14;
/* The window may hang out of the photo by this share of its pixels. */
static const double OUTSIDE_MAX = 0.15;
/* Highest digits in the copy in which edges are looked for. */
static const double EDGE_HEIGHT_PX = 48;
udg_status udg_find_create(const udg_settings *settings, const udg_reference *reference,
                           udg_fft *fft, udg_find_state **state, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_find_state *made = udg_memory_get(&resolved, 1, sizeof *made);
  udg_find_model **models =
      udg_memory_get(&resolved, reference->date_count + 1, sizeof(udg_find_model *));
  if (!made || !models) {
    udg_memory_drop(&resolved, made);
    udg_memory_drop(&resolved, models);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date stage");
  }
  made->settings = resolved;
  made->reference = reference;
  made->fft = fft;
  made->models = models;
  *state = made;
  return UDG_OK;
}

static void tiles_drop(udg_find_state *state) {
  const udg_settings *settings = &state->settings;
  udg_memory_drop(settings, state->tile_pixels);
  udg_memory_drop(settings, state->tile_score);
  udg_memory_drop(settings, state->product);
  for (int c = 0; c < UDG_FIND_CHANNELS; c++) {
    udg_memory_drop(settings, state->spectrum[c]);
    udg_memory_drop(settings, state->tile_share[c]);
    state->spectrum[c] = NULL;
    state->tile_share[c] = NULL;
  }
  state->tile_pixels = state->tile_score = NULL;
  state->product = NULL;
  state->tile_room = 0;
}

void udg_find_destroy(udg_find_state *state) {
  if (!state)
    return;
  udg_settings settings = state->settings;
  for (size_t i = 0; i < state->reference->date_count; i++)
    if (state->models[i]) {
      udg_find_model_destroy(&settings, state->models[i]);
      udg_memory_drop(&settings, state->models[i]);
    }
  udg_memory_drop(&settings, state->models);
  udg_aligner_destroy(state->aligner);
  for (int i = 0; i < UDG_FIND_MIPS; i++) {
    udg_buffer_destroy(&settings, &state->mips[i]);
    udg_buffer_destroy(&settings, &state->edges[i]);
  }
  for (int c = 0; c < UDG_FIND_CHANNELS; c++)
    udg_buffer_destroy(&settings, &state->flat[c]);
  udg_buffer_destroy(&settings, &state->first);
  udg_buffer_destroy(&settings, &state->second);
  udg_buffer_destroy(&settings, &state->window);
  tiles_drop(state);
  udg_memory_drop(&settings, state);
}

static udg_status tiles_size(udg_find_state *state, const udg_fft_plan *plan) {
  const udg_settings *settings = &state->settings;
  size_t count = (size_t)plan->width * (size_t)plan->height;
  if (count <= state->tile_room)
    return UDG_OK;
  tiles_drop(state);
  state->tile_pixels = udg_memory_get(settings, count, sizeof(float));
  state->tile_score = udg_memory_get(settings, count, sizeof(float));
  /* A spectrum of any plan of at most `count` pixels fits into count of them. */
  state->product = udg_memory_get(settings, count, sizeof(udg_complex));
  int complete = state->tile_pixels && state->tile_score && state->product;
  for (int c = 0; c < UDG_FIND_CHANNELS; c++) {
    state->spectrum[c] = udg_memory_get(settings, count, sizeof(udg_complex));
    state->tile_share[c] = udg_memory_get(settings, count, sizeof(float));
    complete = complete && state->spectrum[c] && state->tile_share[c];
  }
  if (!complete)
    return UDG_ERROR_MEMORY;
  state->tile_room = count;
  return UDG_OK;
}

static udg_status model_get(udg_find_state *state, size_t date_index, udg_find_model **model,
                            udg_message *message) {
  const udg_settings *settings = &state->settings;
  if (!state->models[date_index]) {
    udg_find_model *made = udg_memory_get(settings, 1, sizeof *made);
    if (!made)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's kernels");
    udg_status status =
        udg_find_model_create(settings, state->reference, date_index, state->fft, made, message);
    if (status != UDG_OK) {
      udg_memory_drop(settings, made);
      return status;
    }
    state->models[date_index] = made;
  }
  *model = state->models[date_index];
  int pixels = udg_patch_set_pixels(&(*model)->middle);
  if (pixels > state->aligner_pixels) {
    udg_aligner_destroy(state->aligner);
    state->aligner = NULL;
    state->aligner_pixels = 0;
    if (udg_aligner_create(settings, pixels, &state->aligner) != UDG_OK)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory to align the date");
    state->aligner_pixels = pixels;
  }
  if (tiles_size(state, (*model)->plan) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for tiles of the photo");
  return UDG_OK;
}

/* Root of the gradient's length: an edge lit hard then counts little more than
 * one lit softly, and its direction and sign not at all. */
static udg_status edges_make(udg_find_state *state, int level) {
  const udg_plane *mip = &state->mips[level].plane;
  udg_status status = udg_buffer_size(&state->settings, &state->first, mip->width, mip->height);
  if (status != UDG_OK)
    return status;
  for (int y = 0; y < mip->height; y++) {
    const float *row = udg_plane_row(mip, y);
    const float *above = udg_plane_row(mip, y > 0 ? y - 1 : y);
    const float *below = udg_plane_row(mip, y + 1 < mip->height ? y + 1 : y);
    float *to = udg_plane_row(&state->first.plane, y);
    for (int x = 0; x < mip->width; x++) {
      float gx = row[x + 1 < mip->width ? x + 1 : x] - row[x > 0 ? x - 1 : x];
      float gy = below[x] - above[x];
      to[x] = 8 * sqrtf(sqrtf(gx * gx + gy * gy));
    }
  }
  return udg_rescale_box(&state->settings, &state->first.plane, 0, 0, mip->width, mip->height, 2,
                         &state->edges[level]);
}

/* Halved copies of the photo, mips[0] the photo itself. */
static udg_status mips_make(udg_find_state *state, const udg_plane *grey) {
  udg_status status =
      udg_rescale_box(&state->settings, grey, 0, 0, grey->width, grey->height, 1, &state->mips[0]);
  state->mip_count = 1;
  if (status == UDG_OK)
    status = edges_make(state, 0);
  while (status == UDG_OK && state->mip_count < UDG_FIND_MIPS) {
    const udg_plane *last = &state->mips[state->mip_count - 1].plane;
    if (last->width < 8 || last->height < 8)
      break;
    status = udg_rescale_box(&state->settings, last, 0, 0, last->width, last->height, 2,
                             &state->mips[state->mip_count]);
    if (status == UDG_OK)
      status = edges_make(state, state->mip_count);
    state->mip_count++;
  }
  return status;
}

/* Copies a tile of a flattened copy that begins at (left, top), 0 outside, moved
 * round so that the first row of scores is the plan's first, and takes its spectrum and the energy
 * in the window around each pixel.  The window is the upright one: a turn hardly changes what it
 * holds. */
static void tile_load(udg_find_state *state, const udg_find_model *model, int channel, int left,
                      int top) {
  const udg_fft_plan *plan = model->plan;
  const udg_plane *flat = &state->flat[channel].plane;
  size_t count = (size_t)plan->width * (size_t)plan->height;
  memset(state->tile_pixels, 0, count * sizeof(float));
  int from_x = left < 0 ? -left : 0, to_x = plan->width;
  to_x = left + to_x > flat->width ? flat->width - left : to_x;
  for (int y = 0; y < plan->height; y++) {
    if (top + y < 0 || top + y >= flat->height || to_x <= from_x)
      continue;
    int row = (y - model->reach[1] + 1 + plan->height) % plan->height;
    memcpy(state->tile_pixels + (size_t)row * (size_t)plan->width + from_x,
           udg_plane_row(flat, top + y) + left + from_x, (size_t)(to_x - from_x) * sizeof(float));
  }
  udg_fft_forward(plan, state->tile_pixels, state->spectrum[channel]);
  for (size_t i = 0; i < count; i++)
    state->tile_pixels[i] *= state->tile_pixels[i];
  float *share = state->tile_share[channel];
  udg_fft_forward(plan, state->tile_pixels, state->product);
  udg_fft_correlate(plan, state->product, model->window, state->product);
  udg_fft_inverse(plan, state->product, share);
  /* Flattened contrast has a variance of about one half; a window with much
   * less lies mostly outside or on a flat patch. */
  float floor_energy = (float)(0.25 * model->window_px);
  count = (size_t)plan->width * (size_t)plan->rows;
  for (size_t i = 0; i < count; i++)
    share[i] = 1 / fmaxf(share[i], floor_energy);
}

/* Share of the window's energy that the kernels explain, added up over the
 * channels, at each pixel whose kernels lie in the tile. */
static void tile_score(udg_find_state *state, const udg_find_model *model,
                       const udg_find_turn *turn) {
  const udg_fft_plan *plan = model->plan;
  for (int c = 0; c < UDG_FIND_CHANNELS; c++)
    for (int k = udg_find_first[c]; k < udg_find_first[c + 1]; k++) {
      udg_fft_correlate(plan, state->spectrum[c], turn->kernels[k], state->product);
      udg_fft_inverse(plan, state->product, state->tile_pixels);
      for (int y = 0; y < plan->rows; y++) {
        size_t row = (size_t)y * (size_t)plan->width;
        const float *b = state->tile_pixels + row, *share = state->tile_share[c] + row;
        float *score = state->tile_score + row;
        if (k == 0)
          memset(score, 0, (size_t)plan->width * sizeof *score);
        for (int x = 0; x < plan->width; x++)
          score[x] += b[x] * b[x] * share[x];
      }
    }
}

/* The window's box at (x, y) lies in the scaled copy but for OUTSIDE_MAX. */
static int window_inside(const udg_find_model *model, const udg_plane *flat, double px_per_mm,
                         double turn, double x, double y) {
  double w = 2 * model->shape.half_size_mm[0] * px_per_mm;
  double h = 2 * model->shape.half_size_mm[1] * px_per_mm;
  double c = fabs(cos(turn)), s = fabs(sin(turn));
  double ex = (w * c + h * s) / 2, ey = (w * s + h * c) / 2;
  double out_x = fmax(0, ex - x) + fmax(0, x + ex - flat->width);
  double out_y = fmax(0, ey - y) + fmax(0, y + ey - flat->height);
  return out_x / (2 * ex) + out_y / (2 * ey) <= OUTSIDE_MAX;
}

static void tile_peaks(udg_find_state *state, const udg_find_model *model,
                       const udg_find_turn *turn, int left, int top, double factor) {
  const udg_fft_plan *plan = model->plan;
  double px_per_mm = udg_find_height_px / model->shape.height_mm;
  for (int y = 1; y + 1 < plan->rows; y++)
    for (int x = model->reach[0]; x < plan->width - model->reach[0]; x++) {
      const float *at = state->tile_score + (size_t)y * (size_t)plan->width + x;
      float score = *at;
      if (state->pool_count == UDG_FIND_POOL &&
          (double)score <= state->pool[UDG_FIND_POOL - 1].score)
        continue;
      if (score < at[-1] || score < at[1] || score < at[-plan->width] || score < at[plan->width])
        continue;
      double px = left + x + 0.5, py = top + model->reach[1] - 1 + y + 0.5;
      if (!window_inside(model, &state->flat[0].plane, px_per_mm, turn->turn_rad, px, py))
        continue;
      udg_find_pooled found = {.x = px / factor,
                               .y = py / factor,
                               .height_px = udg_find_height_px / factor,
                               .turn_rad = turn->turn_rad,
                               .score = (double)score};
      udg_find_pool_add(state, &found);
    }
}

/* Brings one channel's source, in which a digit is height_px high, to the
 * search's height and flattens it. */
static udg_status channel_make(udg_find_state *state, const udg_plane *source, double factor,
                               int channel) {
  udg_status status = udg_rescale_smooth(&state->settings, source, factor, &state->flat[channel],
                                         &state->first, &state->second);
  udg_plane *flat = &state->flat[channel].plane;
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->first, flat->width, flat->height);
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->second, flat->width, flat->height);
  if (status == UDG_OK)
    udg_find_flatten(flat, udg_find_height_px, &state->first.plane, &state->second.plane);
  return status;
}

/* Both channels at one scale.  Edges are looked for in a copy with digits of 24
 * to 48 px, where a shoulder is still an edge. */
static udg_status channels_make(udg_find_state *state, double factor) {
  int level = 0, edge_level = 0;
  double rest = factor, edge_rest = 2 * factor;
  for (; rest <= 0.5 && level + 1 < state->mip_count; level++)
    rest *= 2;
  while (udg_find_height_px / edge_rest * 2 > EDGE_HEIGHT_PX && edge_level + 1 < state->mip_count) {
    edge_rest *= 2;
    edge_level++;
  }
  udg_status status = channel_make(state, &state->mips[level].plane, rest, 0);
  if (status == UDG_OK)
    status = channel_make(state, &state->edges[edge_level].plane, edge_rest, 1);
  return status;
}

/* Where centres may lie at any of the turns, window_inside(): low <= x < end. */
static void centres_take(const udg_find_model *model, const udg_plane *flat, int low[2],
                         int end[2]) {
  double px_per_mm = udg_find_height_px / model->shape.height_mm;
  double w = model->shape.half_size_mm[0] * px_per_mm;
  double h = model->shape.half_size_mm[1] * px_per_mm;
  double turn = fabs(model->turns[0].turn_rad), c = cos(turn), s = sin(turn);
  /* Extents rise and fall once over the turns: the least is at one of the ends. */
  double least[2] = {fmin(w, w * c + h * s), fmin(h, w * s + h * c)};
  int size[2] = {flat->width, flat->height};
  for (int i = 0; i < 2; i++) {
    double margin = fmax((1 - 2 * OUTSIDE_MAX) * least[i] - 0.5, 0);
    low[i] = (int)floor(margin);
    end[i] = size[i] - low[i];
  }
}

/* All turns at one scale, tile by tile. */
static udg_status scale_search(udg_find_state *state, const udg_find_model *model, double factor) {
  const udg_fft_plan *plan = model->plan;
  udg_status status = channels_make(state, factor);
  if (status != UDG_OK)
    return status;
  const udg_plane *flat = &state->flat[0].plane;
  int step_x = plan->width - 2 * model->reach[0], step_y = plan->height - 2 * model->reach[1];
  int low[2], end[2];
  centres_take(model, flat, low, end);
  for (int top = low[1] - model->reach[1]; top + model->reach[1] < end[1]; top += step_y)
    for (int left = low[0] - model->reach[0]; left + model->reach[0] < end[0]; left += step_x) {
      for (int c = 0; c < UDG_FIND_CHANNELS; c++)
        tile_load(state, model, c, left, top);
      for (int t = 0; t < model->turn_count; t++) {
        if (udg_stop_wanted(&state->settings))
          return UDG_ERROR_CANCELLED;
        tile_score(state, model, &model->turns[t]);
        tile_peaks(state, model, &model->turns[t], left, top, factor);
      }
    }
  return UDG_OK;
}

/* Every scale at which the date fits into the photo. */
static udg_status coarse_search(udg_find_state *state, const udg_find_model *model,
                                const udg_plane *grey) {
  const udg_settings *settings = &state->settings;
  double long_side = 2 * model->shape.half_size_mm[0] / model->shape.height_mm;
  double diagonal = hypot(grey->width, grey->height);
  double largest =
      fmin(fmin(settings->digit_height_max_px, diagonal / long_side), grey->height * 1.2);
  state->pool_count = 0;
  udg_status status = UDG_OK;
  for (double h = settings->digit_height_min_px; h <= largest * SCALE_STEP && status == UDG_OK;
       h *= SCALE_STEP)
    status = scale_search(state, model, udg_find_height_px / h);
  return status;
}

udg_status udg_find_date(udg_find_state *state, const udg_plane *grey, size_t date_index,
                         udg_find_result *result, udg_message *message) {
  const udg_find_wish anywhere = {NULL, NULL, 0.0};
  return udg_find_date_among(state, grey, date_index, &anywhere, result, message);
}

udg_status udg_find_date_among(udg_find_state *state, const udg_plane *grey, size_t date_index,
                               const udg_find_wish *wish, udg_find_result *result,
                               udg_message *message) {
  udg_find_model *model = NULL;
  double start = udg_clock_ms();
  memset(result, 0, sizeof *result);
  if (date_index >= state->reference->date_count)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "no date number %zu", date_index);
  if (grey->width < PHOTO_SIDE_MIN || grey->height < PHOTO_SIDE_MIN)
    return UDG_OK;
  udg_status status = model_get(state, date_index, &model, message);
  if (status != UDG_OK)
    return status;
  state->out_of_memory = state->stopped = 0;
  status = mips_make(state, grey);
  if (status == UDG_OK)
    status = coarse_search(state, model, grey);
  if (status == UDG_ERROR_CANCELLED)
    return udg_fail(message, status, "cancelled while looking for the date");
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory to look for the date");
  double searched = udg_clock_ms();
  udg_find_verify(state, model, grey, wish);
  if (state->stopped)
    return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking for the date");
  if (state->out_of_memory)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for the date");
  result->coarse_ms = searched - start;
  result->verify_ms = udg_clock_ms() - searched;
  for (int i = 0; i < state->pool_count && i < UDG_CANDIDATES_MAX; i++) {
    const udg_find_pooled *p = &state->pool[i];
    result->candidates[result->count++] =
        (udg_candidate){p->date_to_photo, p->height_px, p->turn_rad, p->score};
  }
  if (result->count > 1 && result->candidates[0].score > 0)
    result->runner_up = result->candidates[1].score / result->candidates[0].score;
  return UDG_OK;
}
