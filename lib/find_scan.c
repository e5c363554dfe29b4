/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Innermost loops of the date stage: a date's kernels at every centre of a box. */
#include <math.h>
#include <string.h>

#include "eight.h"
#include "find_internal.h"
#include "wider.h"

/* Two vectors of eight centres, `apart` from each other in the copy: a kernel's value serves
 * both. */
enum { LANES = UDG_FIND_LANES };
_Static_assert((int)LANES == (int)UDG_EIGHT && UDG_FIND_KERNELS == 3, "written out for these");

/* Adds the energy that the kernels explain, times `share`; the second vector's results lie
 * `apart_out` behind the first's. */
UDG_WIDER
static void eights_explained(const float *centre, ptrdiff_t apart, const int32_t *offset,
                             const float *values, int count, const float *share,
                             ptrdiff_t apart_out, float *score) {
  udg_eight a0 = {0}, a1 = {0}, b0 = {0}, b1 = {0}, c0 = {0}, c1 = {0}, first, second, part;
  for (int i = 0; i < count; i++, values += UDG_FIND_KERNELS) {
    const float *at = centre + offset[i];
    memcpy(&first, at, sizeof first);
    memcpy(&second, at + apart, sizeof second);
    a0 += UDG_EIGHT_ALL(values[0]) * first;
    a1 += UDG_EIGHT_ALL(values[0]) * second;
    b0 += UDG_EIGHT_ALL(values[1]) * first;
    b1 += UDG_EIGHT_ALL(values[1]) * second;
    c0 += UDG_EIGHT_ALL(values[2]) * first;
    c1 += UDG_EIGHT_ALL(values[2]) * second;
  }
  memcpy(&part, share, sizeof part);
  memcpy(&first, score, sizeof first);
  first += (a0 * a0 + b0 * b0 + c0 * c0) * part;
  memcpy(score, &first, sizeof first);
  memcpy(&part, share + apart_out, sizeof part);
  memcpy(&second, score + apart_out, sizeof second);
  second += (a1 * a1 + b1 * b1 + c1 * c1) * part;
  memcpy(score + apart_out, &second, sizeof second);
}

/* Energy in the window. */
UDG_WIDER
static void eights_energy(const float *centre, ptrdiff_t apart, const int32_t *offset, int count,
                          ptrdiff_t apart_out, float *energy) {
  udg_eight a = {0}, b = {0}, first, second;
  for (int i = 0; i < count; i++) {
    const float *at = centre + offset[i];
    memcpy(&first, at, sizeof first);
    memcpy(&second, at + apart, sizeof second);
    a += first * first;
    b += second * second;
  }
  memcpy(energy, &a, sizeof a);
  memcpy(energy + apart_out, &b, sizeof b);
}

#ifdef UDG_SIXTEEN
/* The same with both in one. */
typedef float sixteen __attribute__((vector_size(2 * LANES * sizeof(float))));
#define SIXTEEN(x) ((sixteen){UDG_EIGHT_TIMES(x), UDG_EIGHT_TIMES(x)})

static inline __attribute__((always_inline)) void take(const float *at, ptrdiff_t apart,
                                                       sixteen *v) {
  udg_eight first, second;
  memcpy(&first, at, sizeof first);
  memcpy(&second, at + apart, sizeof second);
  *v = __builtin_shufflevector(first, second, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
}

static inline __attribute__((always_inline)) void put(const sixteen *v, float *at,
                                                      ptrdiff_t apart) {
  udg_eight first = __builtin_shufflevector(*v, *v, 0, 1, 2, 3, 4, 5, 6, 7);
  udg_eight second = __builtin_shufflevector(*v, *v, 8, 9, 10, 11, 12, 13, 14, 15);
  memcpy(at, &first, sizeof first);
  memcpy(at + apart, &second, sizeof second);
}

UDG_SIXTEEN
static void sixteens_explained(const float *centre, ptrdiff_t apart, const int32_t *offset,
                               const float *values, int count, const float *share,
                               ptrdiff_t apart_out, float *score) {
  sixteen a = {0}, b = {0}, c = {0}, at, part;
  for (int i = 0; i < count; i++, values += UDG_FIND_KERNELS) {
    take(centre + offset[i], apart, &at);
    a += SIXTEEN(values[0]) * at;
    b += SIXTEEN(values[1]) * at;
    c += SIXTEEN(values[2]) * at;
  }
  take(share, apart_out, &part);
  take(score, apart_out, &at);
  at += (a * a + b * b + c * c) * part;
  put(&at, score, apart_out);
}

UDG_SIXTEEN
static void sixteens_energy(const float *centre, ptrdiff_t apart, const int32_t *offset, int count,
                            ptrdiff_t apart_out, float *energy) {
  sixteen sum = {0}, at;
  for (int i = 0; i < count; i++) {
    take(centre + offset[i], apart, &at);
    sum += at * at;
  }
  put(&sum, energy, apart_out);
}
#endif

static void explained_add(const float *centre, ptrdiff_t apart, const int32_t *offset,
                          const float *values, int count, const float *share, ptrdiff_t apart_out,
                          float *score) {
#ifdef UDG_SIXTEEN
  if (udg_wider_sixteen()) {
    sixteens_explained(centre, apart, offset, values, count, share, apart_out, score);
    return;
  }
#endif
  eights_explained(centre, apart, offset, values, count, share, apart_out, score);
}

static void energy_take(const float *centre, ptrdiff_t apart, const int32_t *offset, int count,
                        ptrdiff_t apart_out, float *energy) {
#ifdef UDG_SIXTEEN
  if (udg_wider_sixteen()) {
    sixteens_energy(centre, apart, offset, count, apart_out, energy);
    return;
  }
#endif
  eights_energy(centre, apart, offset, count, apart_out, energy);
}

/* Where a turn's pixels lie in the padded copies, from their centre. */
static udg_status offsets_take(udg_find_state *state, const udg_find_turn *turn) {
  size_t count = (size_t)turn->count;
  if (count > state->offset_room) {
    udg_memory_drop(&state->settings, state->offset);
    state->offset_room = 0;
    state->offset = udg_memory_get(&state->settings, count, sizeof *state->offset);
    if (!state->offset)
      return UDG_ERROR_MEMORY;
    state->offset_room = count;
  }
  int stride = state->padded[0].plane.width;
  for (size_t i = 0; i < count; i++)
    state->offset[i] = turn->y[i] * stride + turn->x[i];
  return UDG_OK;
}

static const float *centre_at(const udg_find_state *state, const udg_find_level *level, int channel,
                              int x, int y) {
  return udg_plane_row(&state->padded[channel].plane, y + level->reach[1]) + x + level->reach[0];
}

/* How a box is walked: `step` centres of `rows` rows at a time. */
typedef struct walk {
  int width, height, step, rows;
  ptrdiff_t apart, apart_out;
} walk;

static walk walk_of(const udg_find_state *state, const udg_find_box *box) {
  int width = box->end[0] - box->low[0], height = box->end[1] - box->low[1];
  walk w = {.step = box->narrow ? LANES : 2 * LANES, .rows = box->narrow ? 2 : 1};
  w.width = (width + w.step - 1) / w.step * w.step;
  w.height = (height + w.rows - 1) / w.rows * w.rows;
  w.apart = box->narrow ? state->padded[0].plane.width : LANES;
  w.apart_out = box->narrow ? w.width : LANES;
  return w;
}

udg_status udg_find_box_energy(udg_find_state *state, const udg_find_level *level,
                               const udg_find_box *box) {
  const udg_find_turn *window = &level->upright;
  const walk w = walk_of(state, box);
  /* Flattened contrast has a variance of about one half; a window with much
   * less lies mostly outside or on a flat patch. */
  const float floor_energy = (float)(0.25 * window->count);
  udg_status status = offsets_take(state, window);
  for (int c = 0; c < UDG_FIND_CHANNELS && status == UDG_OK; c++) {
    udg_plane *share = &state->share[c].plane;
    status = udg_buffer_size(&state->settings, &state->share[c], w.width, w.height);
    if (status != UDG_OK)
      return status;
    for (int y = 0; y < w.height; y += w.rows)
      for (int x = 0; x < w.width; x += w.step)
        energy_take(centre_at(state, level, c, box->low[0] + x, box->low[1] + y), w.apart,
                    state->offset, window->count, w.apart_out, udg_plane_row(share, y) + x);
    for (size_t i = 0; i < (size_t)w.width * (size_t)w.height; i++)
      share->v[i] = 1 / fmaxf(share->v[i], floor_energy);
  }
  return status;
}

udg_status udg_find_box_score(udg_find_state *state, const udg_find_level *level,
                              const udg_find_turn *turn, const udg_find_box *box) {
  const walk w = walk_of(state, box);
  udg_plane *score = &state->score.plane;
  udg_status status = offsets_take(state, turn);
  if (status == UDG_OK)
    status = udg_buffer_size(&state->settings, &state->score, w.width, w.height);
  if (status != UDG_OK)
    return status;
  memset(score->v, 0, (size_t)w.width * (size_t)w.height * sizeof *score->v);
  for (int c = 0; c < UDG_FIND_CHANNELS; c++)
    for (int y = 0; y < w.height; y += w.rows)
      for (int x = 0; x < w.width; x += w.step)
        explained_add(centre_at(state, level, c, box->low[0] + x, box->low[1] + y), w.apart,
                      state->offset, turn->values[c], turn->count,
                      udg_plane_row(&state->share[c].plane, y) + x, w.apart_out,
                      udg_plane_row(score, y) + x);
  return UDG_OK;
}
