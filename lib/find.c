/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "find.h"

#include <math.h>
#include <string.h>

#include "find_internal.h"

/* Highest digits in the copy in which edges are looked for. */
static const double EDGE_HEIGHT_PX = 48;
/* Larger photos are searched in means of whole pixels each way: digits of a hundredth of such a
 * photo's side are on no close-up, and copies of its every size would take room. */
static const double SEARCHED_PX = 2e6;

udg_status udg_find_create(const udg_settings *settings, const udg_reference *reference,
                           udg_find_state **state, udg_message *message) {
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
  made->models = models;
  made->pool.room = UDG_FIND_POOL;
  made->coarse.room = UDG_FIND_COARSE;
  *state = made;
  return UDG_OK;
}

void udg_find_lend(udg_find_state *state, udg_templates *templates) {
  state->templates = templates;
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
  udg_templates_destroy(state->own);
  udg_aligner_destroy(state->aligner);
  for (int i = 0; i < UDG_FIND_MIPS; i++) {
    udg_buffer_destroy(&settings, &state->mips[i]);
    udg_buffer_destroy(&settings, &state->edges[i]);
  }
  for (int c = 0; c < UDG_FIND_CHANNELS; c++) {
    udg_buffer_destroy(&settings, &state->flat[c]);
    udg_buffer_destroy(&settings, &state->padded[c]);
    udg_buffer_destroy(&settings, &state->share[c]);
  }
  udg_buffer_destroy(&settings, &state->score);
  udg_memory_drop(&settings, state->offset);
  udg_buffer_destroy(&settings, &state->first);
  udg_buffer_destroy(&settings, &state->second);
  udg_buffer_destroy(&settings, &state->window);
  udg_memory_drop(&settings, state);
}

static udg_status model_get(udg_find_state *state, size_t date_index, udg_find_model **model,
                            udg_message *message) {
  const udg_settings *settings = &state->settings;
  if (!state->models[date_index]) {
    const udg_template *shape;
    udg_status status = UDG_OK;
    if (!state->templates && !state->own)
      status = udg_templates_create(settings, state->reference, &state->own, message);
    if (status == UDG_OK)
      status = udg_templates_get(state->templates ? state->templates : state->own, date_index,
                                 &shape, message);
    if (status != UDG_OK)
      return status;
    udg_find_model *made = udg_memory_get(settings, 1, sizeof *made);
    if (!made)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's kernels");
    status = udg_find_model_create(settings, shape, made, message);
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
  return UDG_OK;
}

/* Root of the gradient's length along one line of pixels, between those above and below: an edge
 * lit hard then counts little more than one lit softly, and its direction and sign not at all. */
static void edges_of_line(const float *above, const float *line, const float *below, int width,
                          float *edges) {
  for (int x = 0; x < width; x++) {
    float gx = line[x + 1 < width ? x + 1 : x] - line[x > 0 ? x - 1 : x];
    float gy = below[x] - above[x];
    edges[x] = 8 * sqrtf(sqrtf(gx * gx + gy * gy));
  }
}

/* Density of the source's edges, at half its size. */
static udg_status edges_make(udg_find_state *state, udg_photo source, udg_buffer *edges) {
  const int width = source.width, height = source.height;
  udg_status status = udg_buffer_size(&state->settings, edges, width / 2, height / 2);
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->first, width, 6);
  if (status != UDG_OK)
    return status;
  const udg_plane *scratch = &state->first.plane;
  float *two[2] = {udg_plane_row(scratch, 4), udg_plane_row(scratch, 5)};
  for (int j = 0; j < height / 2; j++) {
    const float *lines[4];
    for (int k = 0; k < 4; k++) {
      int y = 2 * j - 1 + k;
      y = y < 0 ? 0 : y >= height ? height - 1 : y;
      lines[k] = udg_photo_line(source, 0, y, width, udg_plane_row(scratch, k));
    }
    for (int k = 0; k < 2; k++)
      edges_of_line(lines[k], lines[k + 1], lines[k + 2], width, two[k]);
    float *to = udg_plane_row(&edges->plane, j);
    for (int i = 0; i < width / 2; i++)
      to[i] = 0.25f * (two[0][2 * i] + two[0][2 * i + 1] + two[1][2 * i] + two[1][2 * i + 1]);
  }
  return UDG_OK;
}

/* Halved copies of the photo, or of means of state->box pixels of it; the photo itself, mips[0], is
 * copied when it is asked for. */
static udg_status mips_make(udg_find_state *state, udg_photo grey) {
  udg_photo last = grey;
  udg_status status = UDG_OK;
  state->photo = grey;
  state->mip_count = 1;
  const int shorter = grey.width < grey.height ? grey.width : grey.height;
  const int wanted = (int)ceil(sqrt((double)grey.width * grey.height / SEARCHED_PX));
  const int most = shorter / PHOTO_SIDE_MIN; /* of a long strip as much is left */
  state->box = wanted < most ? wanted : most > 1 ? most : 1;
  state->photo_copied = state->box > 1;
  if (state->photo_copied) {
    status = udg_rescale_box(&state->settings, grey, 0, 0, grey.width, grey.height, state->box,
                             &state->mips[0]);
    last = udg_photo_of(&state->mips[0].plane);
  }
  if (status == UDG_OK)
    status = edges_make(state, last, &state->edges[0]);
  while (status == UDG_OK && state->mip_count < UDG_FIND_MIPS && last.width >= 8 &&
         last.height >= 8) {
    udg_buffer *next = &state->mips[state->mip_count];
    status = udg_rescale_box(&state->settings, last, 0, 0, last.width, last.height, 2, next);
    last = udg_photo_of(&next->plane);
    if (status == UDG_OK)
      status = edges_make(state, last, &state->edges[state->mip_count]);
    state->mip_count++;
  }
  return status;
}

static udg_status mip_get(udg_find_state *state, int at, const udg_plane **plane) {
  udg_status status = UDG_OK;
  *plane = &state->mips[at].plane;
  if (at > 0 || state->photo_copied)
    return UDG_OK;
  status = udg_rescale_box(&state->settings, state->photo, 0, 0, state->photo.width,
                           state->photo.height, 1, &state->mips[0]);
  state->photo_copied = status == UDG_OK;
  return status;
}

/* The flattened copy in zeros, so that kernels and whole vectors may hang out of it. */
static udg_status padded_make(udg_find_state *state, const udg_find_level *level, int channel) {
  const udg_plane *flat = &state->flat[channel].plane;
  int width = flat->width + 2 * level->reach[0] + UDG_FIND_WIDE;
  int height = flat->height + 2 * level->reach[1] + 1;
  udg_status status = udg_buffer_size(&state->settings, &state->padded[channel], width, height);
  if (status != UDG_OK)
    return status;
  udg_plane *padded = &state->padded[channel].plane;
  memset(padded->v, 0, (size_t)width * (size_t)height * sizeof *padded->v);
  for (int y = 0; y < flat->height; y++)
    memcpy(udg_plane_row(padded, y + level->reach[1]) + level->reach[0], udg_plane_row(flat, y),
           (size_t)flat->width * sizeof *flat->v);
  return UDG_OK;
}

/* Brings one channel's source, in which a digit is height_px high, to the
 * level's height and flattens it. */
static udg_status channel_make(udg_find_state *state, const udg_find_level *level,
                               const udg_plane *source, double factor, int channel) {
  udg_status status = udg_rescale_smooth(&state->settings, source, factor, &state->flat[channel],
                                         &state->first, &state->second);
  udg_plane *flat = &state->flat[channel].plane;
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->first, flat->width, flat->height);
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->second, flat->width, flat->height);
  if (status != UDG_OK)
    return status;
  udg_find_flatten(flat, level->height_px, &state->first.plane, &state->second.plane);
  return padded_make(state, level, channel);
}

/* Both channels at one scale.  Edges are looked for in a copy with digits of 24
 * to 48 px, where a shoulder is still an edge. */
udg_status udg_find_channels_make(udg_find_state *state, const udg_find_level *level,
                                  double factor) {
  int at = 0, edges_at = 0;
  double rest = factor * state->box, edge_rest = 2 * rest;
  for (; rest <= 0.5 && at + 1 < state->mip_count; at++)
    rest *= 2;
  while (level->height_px / edge_rest * 2 > EDGE_HEIGHT_PX && edges_at + 1 < state->mip_count) {
    edge_rest *= 2;
    edges_at++;
  }
  const udg_plane *mip;
  udg_status status = mip_get(state, at, &mip);
  if (status == UDG_OK)
    status = channel_make(state, level, mip, rest, 0);
  if (status == UDG_OK)
    status = channel_make(state, level, &state->edges[edges_at].plane, edge_rest, 1);
  return status;
}

udg_status udg_find_spots(udg_find_state *state, udg_photo grey, size_t date_index,
                          const udg_find_wish *wish, udg_find_pool *spots, udg_find_result *result,
                          udg_message *message) {
  udg_find_model *model = NULL;
  double start = udg_clock_ms();
  memset(result, 0, sizeof *result);
  spots->count = 0;
  if (date_index >= state->reference->date_count)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "no date number %zu", date_index);
  if (grey.width < PHOTO_SIDE_MIN || grey.height < PHOTO_SIDE_MIN)
    return UDG_OK;
  udg_status status = model_get(state, date_index, &model, message);
  if (status != UDG_OK)
    return status;
  status = mips_make(state, grey);
  if (status == UDG_OK)
    status = udg_find_search(state, model, grey);
  if (status == UDG_ERROR_CANCELLED)
    return udg_fail(message, status, "cancelled while looking for the date");
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory to look for the date");
  udg_find_place(state, model, wish);
  *spots = state->pool;
  result->coarse_ms = udg_clock_ms() - start;
  return UDG_OK;
}

udg_status udg_find_fit(udg_find_state *state, udg_photo grey, size_t date_index,
                        const udg_find_pool *spots, double rival, udg_find_result *result,
                        udg_message *message) {
  udg_find_model *model = NULL;
  double start = udg_clock_ms();
  if (spots->count == 0)
    return UDG_OK;
  udg_status status = model_get(state, date_index, &model, message);
  if (status != UDG_OK)
    return status;
  state->out_of_memory = state->stopped = 0;
  state->pool = *spots;
  udg_find_verify(state, model, grey, rival);
  if (state->stopped)
    return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking for the date");
  if (state->out_of_memory)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for the date");
  for (int i = 0; i < state->pool.count && i < UDG_CANDIDATES_MAX; i++) {
    const udg_find_pooled *p = &state->pool.spots[i];
    result->candidates[result->count++] =
        (udg_candidate){p->date_to_photo, p->height_px, p->turn_rad, p->score};
  }
  if (result->count > 1 && result->candidates[0].score > 0)
    result->runner_up = result->candidates[1].score / result->candidates[0].score;
  result->verify_ms = udg_clock_ms() - start;
  return UDG_OK;
}

udg_status udg_find_date(udg_find_state *state, udg_photo grey, size_t date_index,
                         udg_find_result *result, udg_message *message) {
  const udg_find_wish anywhere = {NULL, NULL};
  udg_find_pool spots;
  udg_status status = udg_find_spots(state, grey, date_index, &anywhere, &spots, result, message);
  return status == UDG_OK ? udg_find_fit(state, grey, date_index, &spots, 0.0, result, message)
                          : status;
}
