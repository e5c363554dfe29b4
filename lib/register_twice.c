/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "register_twice.h"

#include <math.h>
#include <string.h>

#include "rescale.h"
#include "spline.h"
#include "template.h"

/* Resolution of the patches, px to a digit's height: of the search, and of the last fit where the
 * photo is no more than so many times coarser; of the raster that their columns are drawn on, px to
 * one of theirs; and the patches' blur, px of theirs. */
enum { COARSE, FINE, LEVELS };
static const double PATCH_PX[LEVELS] = {24.0, 64.0}, OVERSAMPLING_MAX = 1.5;
static const double RASTER = 2.0, BLUR_PX = 0.75;
/* Field around the outlines that is fitted, digit heights: the second image lies there. */
static const double MARGIN_SHARE = 0.2;
/* Of the window beyond that, digit heights: the pose moves. */
static const double WINDOW_MORE = 0.4;
/* Guesses: so many directions, displacements in digit heights in turn, height of the second image
 * over the first's, and the share of the displacement by which the first stands back. */
enum { DIRECTIONS = 8, RINGS = 2 };
static const double RING[RINGS] = {0.06, 0.11}, SHARE = 0.6, BACK = 0.5;
/* The best guess must gain this much to be followed. */
static const double GAIN_LEAST = 0.03;
/* Then so many rounds of steps of this length, digit heights, halved when none betters it; the
 * share goes by so much more. */
enum { ROUNDS = 6 };
static const double STEP = 0.03, SHARE_STEPS = 3.0, SHARE_LOW = 0.15, SHARE_HIGH = 0.95;
static const double STOP_PX = 0.03;

/* What is supposed of the second image, and the pose that suits it. */
typedef struct guess {
  double shift_mm[2], share, gain;
  udg_align_pose pose;
} guess;

/* The date once, and room for it twice. */
typedef struct level {
  int ready;
  udg_template once, twin;
  udg_plane height;
} level;

struct udg_register_twice {
  udg_settings settings;
  const udg_reference *reference;
  size_t date_index;
  level levels[LEVELS]; /* of that date */
  udg_aligner *aligner;
  int aligner_pixels;
  udg_buffer window, scratch;
};

udg_status udg_register_twice_create(const udg_settings *settings, const udg_reference *reference,
                                     udg_register_twice **state, udg_message *message) {
  udg_register_twice *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for dates set twice");
  made->settings = *settings;
  made->reference = reference;
  *state = made;
  return UDG_OK;
}

static void level_drop(udg_register_twice *state, int number) {
  level *l = &state->levels[number];
  if (!l->ready)
    return;
  udg_template_destroy(&state->settings, &l->once);
  udg_template_destroy(&state->settings, &l->twin);
  udg_plane_destroy(&state->settings, &l->height);
  l->ready = 0;
}

static void levels_drop(udg_register_twice *state) {
  for (int i = 0; i < LEVELS; i++)
    level_drop(state, i);
}

void udg_register_twice_destroy(udg_register_twice *state) {
  if (!state)
    return;
  const udg_settings settings = state->settings;
  levels_drop(state);
  udg_aligner_destroy(state->aligner);
  udg_buffer_destroy(&settings, &state->window);
  udg_buffer_destroy(&settings, &state->scratch);
  udg_memory_drop(&settings, state);
}

static udg_status level_get(udg_register_twice *state, int number, udg_message *message) {
  const udg_settings *settings = &state->settings;
  level *l = &state->levels[number];
  if (l->ready)
    return UDG_OK;
  udg_status status =
      udg_template_create_at(settings, state->reference, state->date_index,
                             RASTER * PATCH_PX[number], MARGIN_SHARE, &l->once, message);
  if (status != UDG_OK)
    return status;
  status = udg_template_twin(settings, &l->once, &l->twin, &l->height, message);
  if (status != UDG_OK) {
    udg_template_destroy(settings, &l->once);
    return status;
  }
  l->ready = 1;
  return UDG_OK;
}

static udg_status aligner_get(udg_register_twice *state, int pixels, udg_message *message) {
  if (pixels <= state->aligner_pixels)
    return UDG_OK;
  udg_aligner_destroy(state->aligner);
  state->aligner = NULL;
  state->aligner_pixels = 0;
  if (udg_aligner_create(&state->settings, pixels, &state->aligner) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to align the date set twice");
  state->aligner_pixels = pixels;
  return UDG_OK;
}

/* Pose and light that suit a template best, in the window; the share of the variance they leave. */
static udg_status fit(udg_register_twice *state, int number, const udg_template *shape,
                      udg_align_pose *pose, double *rest, udg_message *message) {
  const udg_settings *settings = &state->settings;
  udg_patch_set set;
  udg_align_result result;
  const double px_per_mm = PATCH_PX[number] / shape->height_mm;
  if (udg_stop_wanted(settings))
    return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while a date set twice was fitted");
  udg_status status =
      udg_template_patches(settings, shape, px_per_mm, BLUR_PX / px_per_mm, 0, &set, message);
  if (status != UDG_OK)
    return status;
  status = aligner_get(state, udg_patch_set_pixels(&set), message);
  if (status == UDG_OK) {
    udg_align_settings how = udg_register_settings(&state->reference->dates[state->date_index]);
    how.stop_px = STOP_PX;
    udg_align_run(state->aligner, &set, &state->window.plane, &how, pose, &result);
    *rest = fmax(1.0 - result.explained, 1e-3);
  }
  udg_patch_set_destroy(settings, &set);
  return status;
}

static udg_status fit_twice(udg_register_twice *state, int number, guess *g, double *rest,
                            udg_message *message) {
  level *l = &state->levels[number];
  udg_status status = udg_template_set_twice(&state->settings, &l->once, g->shift_mm, g->share,
                                             &l->twin, &l->height);
  if (status != UDG_OK)
    return udg_fail(message, status, "a date set twice could not be drawn");
  return fit(state, number, &l->twin, &g->pose, rest, message);
}

/* What a guess gains over `once`, the variance that the date set once leaves. */
static udg_status guess_try(udg_register_twice *state, double once, guess *g,
                            udg_message *message) {
  double rest = 1.0;
  udg_status status = fit_twice(state, COARSE, g, &rest, message);
  g->gain = log(once / rest);
  return status;
}

/* The best of the guesses all round. */
static udg_status guess_round(udg_register_twice *state, double once, const udg_align_pose *start,
                              guess *best, udg_message *message) {
  const double pi = acos(-1.0), height = state->levels[COARSE].once.height_mm;
  *best = (guess){.gain = -HUGE_VAL};
  for (int i = 0; i < DIRECTIONS * RINGS; i++) {
    const int direction = i / RINGS, ring = i % RINGS;
    const double angle = 2.0 * pi * (direction + (double)ring / RINGS) / DIRECTIONS;
    const double away = RING[ring] * height;
    guess g = {.shift_mm = {away * cos(angle), away * sin(angle)}, .share = SHARE, .pose = *start};
    const udg_homography back =
        udg_homography_similarity(1.0, 0.0, -BACK * g.shift_mm[0], -BACK * g.shift_mm[1]);
    g.pose.date_to_photo = udg_homography_after(&start->date_to_photo, &back);
    udg_status status = guess_try(state, once, &g, message);
    if (status != UDG_OK)
      return status;
    if (g.gain > best->gain)
      *best = g;
  }
  return UDG_OK;
}

/* Neighbour number `n` of a guess: a step either way along x, y and the share. */
static guess neighbour(const guess *from, int n, double step_mm, double share_step) {
  guess g = *from;
  const int way = n % 2 ? 1 : -1;
  if (n < 4)
    g.shift_mm[n / 2] += way * step_mm;
  else
    g.share = fmin(fmax(g.share + way * share_step, SHARE_LOW), SHARE_HIGH);
  return g;
}

static udg_status better(udg_register_twice *state, double once, guess *best,
                         udg_message *message) {
  enum { NEIGHBOURS = 6 };
  double step = STEP;
  for (int round = 0; round < ROUNDS; round++) {
    guess top = *best;
    for (int n = 0; n < NEIGHBOURS; n++) {
      guess g = neighbour(best, n, step * state->levels[COARSE].once.height_mm, SHARE_STEPS * step);
      udg_status status = guess_try(state, once, &g, message);
      if (status != UDG_OK)
        return status;
      if (g.gain > top.gain)
        top = g;
    }
    if (top.gain > best->gain)
      *best = top;
    else
      step *= 0.5;
  }
  return UDG_OK;
}

/* The photo around the date, at the patches' resolution; `from_window` receives the way back. */
static udg_status window_take(udg_register_twice *state, int number, udg_photo grey,
                              const udg_homography *date_to_photo, udg_homography *to_window,
                              udg_homography *from_window, udg_message *message) {
  const udg_template *shape = &state->levels[number].once;
  double half[2];
  for (int i = 0; i < 2; i++)
    half[i] = shape->half_size_mm[i] + shape->margin_mm + WINDOW_MORE * shape->height_mm;
  udg_status status = udg_rescale_window(&state->settings, grey, date_to_photo, shape->centre_mm,
                                         half, PATCH_PX[number] / shape->height_mm, &state->window,
                                         &state->scratch, to_window);
  if (status == UDG_ERROR_MEMORY)
    return udg_fail(message, status, "no memory to look at a date set twice");
  if (status != UDG_OK || !udg_homography_invert(to_window, from_window))
    return UDG_ERROR_ARGUMENT; /* not in the photo */
  udg_spline_prepare(&state->window.plane);
  return UDG_OK;
}

/* The last fit; `best->pose` goes to the photo before and after. */
static udg_status polish(udg_register_twice *state, udg_photo grey, guess *best,
                         udg_message *message) {
  udg_homography to, from;
  double rest;
  udg_status status = level_get(state, FINE, message);
  if (status == UDG_OK)
    status = window_take(state, FINE, grey, &best->pose.date_to_photo, &to, &from, message);
  if (status != UDG_OK)
    return status == UDG_ERROR_ARGUMENT ? UDG_OK : status;
  best->pose.date_to_photo = udg_homography_after(&to, &best->pose.date_to_photo);
  status = fit_twice(state, FINE, best, &rest, message);
  best->pose.date_to_photo = udg_homography_after(&from, &best->pose.date_to_photo);
  return status;
}

static void pose_fill(const guess *best, const udg_registration *once, udg_twice_pose *pose) {
  udg_registration *to = &pose->registration;
  pose->found = 1;
  memcpy(pose->shift_mm, best->shift_mm, sizeof pose->shift_mm);
  pose->share = best->share;
  pose->gain = best->gain;
  *to = *once;
  to->date_to_photo = best->pose.date_to_photo;
  for (int i = 0; i < 9; i++)
    to->date_to_photo.m[i] /= to->date_to_photo.m[8];
  memcpy(to->place_offset_mm, best->pose.offset_mm, sizeof to->place_offset_mm);
  memcpy(to->place_turn_rad, best->pose.turn_rad, sizeof to->place_turn_rad);
}

/* The date once, then twice, in the window: `best` goes to it, where a second image gains enough.
 */
static udg_status search(udg_register_twice *state, const udg_align_pose *start, guess *best,
                         udg_message *message) {
  udg_align_pose own = *start;
  double once = 1.0;
  udg_status status = fit(state, COARSE, &state->levels[COARSE].once, &own, &once, message);
  if (status == UDG_OK)
    status = guess_round(state, once, start, best, message);
  return status != UDG_OK || best->gain < GAIN_LEAST ? status : better(state, once, best, message);
}

udg_status udg_register_twice_run(udg_register_twice *state, udg_photo grey, size_t date_index,
                                  const udg_registration *once, udg_twice_pose *pose,
                                  udg_message *message) {
  udg_homography to, from;
  pose->found = 0;
  if (state->date_index != date_index)
    levels_drop(state);
  state->date_index = date_index;
  udg_status status = level_get(state, COARSE, message);
  if (status == UDG_OK)
    status = window_take(state, COARSE, grey, &once->date_to_photo, &to, &from, message);
  if (status != UDG_OK)
    return status == UDG_ERROR_ARGUMENT ? UDG_OK : status;
  udg_align_pose start = {.date_to_photo = udg_homography_after(&to, &once->date_to_photo)};
  memcpy(start.offset_mm, once->place_offset_mm, sizeof start.offset_mm);
  memcpy(start.turn_rad, once->place_turn_rad, sizeof start.turn_rad);
  guess best;
  status = search(state, &start, &best, message);
  if (status != UDG_OK || best.gain < GAIN_LEAST)
    return status;
  best.pose.date_to_photo = udg_homography_after(&from, &best.pose.date_to_photo);
  if (PATCH_PX[FINE] <= OVERSAMPLING_MAX * once->digit_height_px) {
    status = polish(state, grey, &best, message);
    level_drop(state, FINE); /* several megabytes, seldom asked for */
  }
  if (status == UDG_OK)
    pose_fill(&best, once, pose);
  return status;
}
