/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "register.h"

#include <math.h>
#include <string.h>

#include "rescale.h"
#include "spline.h"

#define LEVELS 2

/* Digit heights of the levels, patch px. */
static const double LEVEL_PX[LEVELS] = {32, 64};
/* A level finer than this times the photo shows nothing new. */
static const double OVERSAMPLING_MAX = 1.5;
static const double PATCH_BLUR_PX = 0.75;

/* Contraction by a tilt of t is t^2 / 2, half of it in each shear: 0.006 for the
 * 9 degrees that a hand-held close-up hardly passes. */
static const double SHEAR_SD = 0.006;
/* Tilt over distance: 0.15 rad at 150 mm. */
static const double PERSPECTIVE_SD = 0.001;
/* What is left of a photo is dirt, grain and shadow, alike over many pixels, and
 * weighs against the digits' slack accordingly. */
static const double CORRELATION_PX = 60;

/* Candidates as good as this share of the best are registered too, and the one
 * that then explains most is kept. */
#define TRIED_MAX 3
static const double TRIED_SHARE = 0.75;

typedef struct register_model {
  udg_template shape; /* without its planes, which the templates have */
  size_t date_index;
  udg_patch_set levels[LEVELS];
} register_model;

struct udg_register_state {
  udg_settings settings;
  const udg_reference *reference;
  udg_templates *templates; /* lent, or */
  udg_templates *own;
  register_model **models; /* by date, NULL until asked for */
  udg_aligner *aligner;
  int aligner_pixels;
  udg_buffer window, scratch;
};

udg_status udg_register_create(const udg_settings *settings, const udg_reference *reference,
                               udg_register_state **state, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_register_state *made = udg_memory_get(&resolved, 1, sizeof *made);
  register_model **models =
      udg_memory_get(&resolved, reference->date_count + 1, sizeof(register_model *));
  if (!made || !models) {
    udg_memory_drop(&resolved, made);
    udg_memory_drop(&resolved, models);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the register stage");
  }
  made->settings = resolved;
  made->reference = reference;
  made->models = models;
  *state = made;
  return UDG_OK;
}

static void model_drop(const udg_settings *settings, register_model *model) {
  if (!model)
    return;
  for (int i = 0; i < LEVELS; i++)
    udg_patch_set_destroy(settings, &model->levels[i]);
  udg_memory_drop(settings, model);
}

void udg_register_lend(udg_register_state *state, udg_templates *templates) {
  state->templates = templates;
}

void udg_register_destroy(udg_register_state *state) {
  if (!state)
    return;
  udg_settings settings = state->settings;
  for (size_t i = 0; i < state->reference->date_count; i++)
    model_drop(&settings, state->models[i]);
  udg_memory_drop(&settings, state->models);
  udg_templates_destroy(state->own);
  udg_aligner_destroy(state->aligner);
  udg_buffer_destroy(&settings, &state->window);
  udg_buffer_destroy(&settings, &state->scratch);
  udg_memory_drop(&settings, state);
}

static udg_status template_get(udg_register_state *state, size_t date_index,
                               const udg_template **shape, udg_message *message) {
  udg_status status = UDG_OK;
  if (!state->templates && !state->own)
    status = udg_templates_create(&state->settings, state->reference, &state->own, message);
  return status == UDG_OK ? udg_templates_get(state->templates ? state->templates : state->own,
                                              date_index, shape, message)
                          : status;
}

/* A level that is to be used. */
static udg_status level_get(udg_register_state *state, register_model *model, int level,
                            udg_message *message) {
  udg_patch_set *set = &model->levels[level];
  double px_per_mm = LEVEL_PX[level] / model->shape.height_mm;
  udg_status status = UDG_OK;
  const udg_template *shape;
  if (set->patch_count == 0) {
    status = template_get(state, model->date_index, &shape, message);
    if (status == UDG_OK)
      status = udg_template_patches(&state->settings, shape, px_per_mm, PATCH_BLUR_PX / px_per_mm,
                                    0, set, message);
  }
  if (status != UDG_OK)
    return status;
  int pixels = udg_patch_set_pixels(set);
  if (pixels > state->aligner_pixels) {
    udg_aligner_destroy(state->aligner);
    state->aligner = NULL;
    state->aligner_pixels = 0;
    if (udg_aligner_create(&state->settings, pixels, &state->aligner) != UDG_OK)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory to align the date");
    state->aligner_pixels = pixels;
  }
  return UDG_OK;
}

static udg_status model_get(udg_register_state *state, size_t date_index, register_model **model,
                            udg_message *message) {
  register_model **own = &state->models[date_index];
  if (!*own) {
    const udg_template *shape;
    udg_status status = template_get(state, date_index, &shape, message);
    if (status != UDG_OK)
      return status;
    register_model *made = udg_memory_get(&state->settings, 1, sizeof *made);
    if (!made)
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the date's columns");
    made->shape = *shape;
    made->shape.distance.v = made->shape.owner.v = made->shape.p.v = made->shape.q.v = NULL;
    made->shape.foot.v = NULL;
    made->date_index = date_index;
    *own = made;
  }
  *model = *own;
  return UDG_OK;
}

/* One level: window, fit, pose back in the photo's pixels. */
static udg_status level_run(udg_register_state *state, const udg_template *shape,
                            const udg_patch_set *set, udg_photo grey, const udg_align_settings *how,
                            udg_align_pose *pose, udg_align_result *fit) {
  double half[2];
  for (int i = 0; i < 2; i++)
    half[i] = shape->half_size_mm[i] + shape->margin_mm + 0.3 * shape->height_mm;
  udg_homography to_window, from_window;
  udg_status status =
      udg_rescale_window(&state->settings, grey, &pose->date_to_photo, shape->centre_mm, half,
                         set->px_per_mm, &state->window, &state->scratch, &to_window);
  if (status != UDG_OK)
    return status;
  pose->date_to_photo = udg_homography_after(&to_window, &pose->date_to_photo);
  udg_spline_prepare(&state->window.plane);
  udg_align_run(state->aligner, set, &state->window.plane, how, pose, fit);
  if (!udg_homography_invert(&to_window, &from_window))
    return UDG_ERROR_INTERNAL;
  pose->date_to_photo = udg_homography_after(&from_window, &pose->date_to_photo);
  return UDG_OK;
}

static void covariance_fill(const udg_align_result *fit, double px_per_mm, udg_registration *out) {
  for (int i = 0; i < 4; i++)
    for (int j = 0; j < 4; j++)
      out->covariance[4 * i + j] =
          fit->covariance[i][j] * (i < 2 ? px_per_mm : 1) * (j < 2 ? px_per_mm : 1);
}

static void registration_fill(const udg_template *shape, const udg_align_pose *pose,
                              const udg_align_result *fit, udg_registration *out) {
  double scale =
      udg_homography_scale(&pose->date_to_photo, shape->centre_mm[0], shape->centre_mm[1]);
  out->date_to_photo = pose->date_to_photo;
  for (int i = 0; i < 9; i++)
    out->date_to_photo.m[i] /= pose->date_to_photo.m[8];
  out->place_count = shape->place_count;
  memcpy(out->place_offset_mm, pose->offset_mm, sizeof out->place_offset_mm);
  memcpy(out->place_turn_rad, pose->turn_rad, sizeof out->place_turn_rad);
  memcpy(out->place_covariance, fit->place_covariance, sizeof out->place_covariance);
  covariance_fill(fit, scale, out);
  out->undetermined = fit->undetermined & 15u;
  memcpy(out->swell_mm, pose->swell_mm, sizeof out->swell_mm);
  out->rms = fit->rms;
  out->noise = fit->sigma;
  out->score = fit->explained * fit->inside;
  out->digit_height_px = shape->height_mm * scale;
  out->clipped = fit->clipped;
  out->inside = fit->inside;
  memcpy(out->light, fit->light, sizeof out->light);
  /* A slope that rises along +x turns its face to -x: light from there makes
   * bright what falls away from it. */
  out->light_azimuth_rad = atan2(-fit->light[UDG_COLUMN_Q], -fit->light[UDG_COLUMN_P]);
}

udg_align_settings udg_register_settings(const udg_date *date) {
  double height = date->height_mm;
  return (udg_align_settings){
      .global_count = 10,
      .places_free = 1,
      .slack_mm = date->slack_mm,
      .slack_rad = date->slack_rad,
      .shear_sd = SHEAR_SD,
      .perspective_sd = PERSPECTIVE_SD,
      .swell_sd = {UDG_SWELL_SHARE * height, UDG_SWELL_SHARE * height, UDG_SWELL_SHARE * height},
      .clip_level = 250,
      .tukey = 4.685,
      .noise_floor = 1,
      .correlation_px = CORRELATION_PX,
      .iterations_max = 10,
      .stop_px = 0.02,
      .step_max_px = 1.5};
}

/* On so many levels. */
static udg_status candidate_register(udg_register_state *state, register_model *model,
                                     udg_photo grey, const udg_date *date,
                                     const udg_candidate *candidate, int levels,
                                     udg_registration *out) {
  udg_align_pose pose = {.date_to_photo = candidate->date_to_photo};
  udg_align_result fit = {0};
  udg_align_settings how = udg_register_settings(date);
  udg_status status = UDG_OK;
  for (int i = 0; i < levels && status == UDG_OK; i++) {
    if (i > 0 && LEVEL_PX[i] > OVERSAMPLING_MAX * candidate->digit_height_px)
      break;
    if (udg_stop_wanted(&state->settings))
      return UDG_ERROR_CANCELLED;
    status = level_get(state, model, i, NULL);
    if (status == UDG_OK)
      status = level_run(state, &model->shape, &model->levels[i], grey, &how, &pose, &fit);
  }
  if (status == UDG_OK)
    registration_fill(&model->shape, &pose, &fit, out);
  return status;
}

static int ended(udg_status status) {
  return status == UDG_ERROR_MEMORY || status == UDG_ERROR_CANCELLED;
}

static udg_status end(udg_status status, udg_message *message) {
  return udg_fail(message, status,
                  status == UDG_ERROR_MEMORY ? "no memory to register the date"
                                             : "cancelled while registering the date");
}

udg_status udg_register_try(udg_register_state *state, udg_photo grey, size_t date_index,
                            const udg_candidate *candidate, double *score, udg_message *message) {
  register_model *model = NULL;
  udg_registration one = {0};
  *score = 0;
  if (date_index >= state->reference->date_count)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "nothing to register");
  udg_status status = model_get(state, date_index, &model, message);
  if (status != UDG_OK)
    return status;
  status = candidate_register(state, model, grey, &state->reference->dates[date_index], candidate,
                              1, &one);
  if (ended(status))
    return end(status, message);
  if (status == UDG_OK)
    *score = one.score;
  return UDG_OK;
}

udg_status udg_register(udg_register_state *state, udg_photo grey, size_t date_index,
                        const udg_find_result *found, udg_registration *registration,
                        udg_message *message) {
  register_model *model = NULL;
  memset(registration, 0, sizeof *registration);
  if (date_index >= state->reference->date_count || found->count < 1)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "nothing to register");
  udg_status status = model_get(state, date_index, &model, message);
  if (status != UDG_OK)
    return status;
  const udg_date *date = &state->reference->dates[date_index];
  double second = 0;
  int best = -1;
  for (int i = 0; i < found->count && i < TRIED_MAX; i++) {
    udg_registration one = {0};
    if (i > 0 && found->candidates[i].score < TRIED_SHARE * found->candidates[0].score)
      break;
    status = candidate_register(state, model, grey, date, &found->candidates[i], LEVELS, &one);
    if (ended(status))
      return end(status, message);
    if (status == UDG_OK && (best < 0 || one.score > registration->score)) {
      second = best < 0 ? 0 : registration->score;
      *registration = one;
      best = i;
    } else if (status == UDG_OK) {
      second = fmax(second, one.score);
    }
  }
  if (best < 0)
    return udg_fail(message, status, "the date could not be registered");
  registration->runner_up = found->runner_up;
  if (second > 0)
    registration->runner_up = fmax(found->runner_up, second / registration->score);
  return UDG_OK;
}
