/* SPDX-License-Identifier: GPL-2.0-or-later */
/* One inspection: the dates tried, the best one told; views for drawing. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "adequacy.h"
#include "image_internal.h"
#include "name.h"
#include "pipeline.h"

/* Below this share of explained variance, or with a lead over the next best spot
 * (share times 1 - runner_up) below this, the date is not taken for found. */
static const double SCORE_MIN = 0.15, LEAD_MIN = 0.08;

static void stage_done(udg_result *result, const char *name, double *since) {
  double now = udg_clock_ms();
  if (result->stage_count < UDG_STAGES_MAX) {
    result->stage_name[result->stage_count] = name;
    result->stage_ms[result->stage_count++] = now - *since;
  }
  *since = now;
}

static void __attribute__((format(printf, 2, 3)))
undecided(udg_result *result, const char *format, ...) {
  char why[UDG_REASON_BYTES];
  va_list arguments;
  va_start(arguments, format);
  vsnprintf(why, sizeof why, format, arguments);
  va_end(arguments);
  result->judged = 0;
  result->verdict = UDG_VERDICT_UNDECIDED;
  result->p_value = 1.0;
  udg_result_reason(result, "%s", why);
}

/* Registration in the terms of the result: photo px as stored. */
static void tell_registration(const udg_registration *r, double scale, udg_result *result) {
  udg_homography enlarge = udg_homography_similarity(scale, 0.0, 0.0, 0.0);
  udg_homography h = udg_homography_after(&enlarge, &r->date_to_photo);
  for (int i = 0; i < 9; i++)
    result->date_to_photo[i] = h.m[i] / h.m[8];
  result->registration_rms_px = 0.0;
  for (int i = 0; i < 16; i++) {
    int lengths = (i / 4 < 2) + (i % 4 < 2);
    result->registration_covariance[i] = r->covariance[i] * pow(scale, lengths);
  }
  result->registration_rms_px =
      sqrt(0.5 * (result->registration_covariance[0] + result->registration_covariance[5]));
  result->registration_runner_up = r->runner_up;
  result->place_count = r->place_count;
  for (int i = 0; i < r->place_count; i++) {
    for (int axis = 0; axis < 2; axis++)
      result->place_offset_mm[i][axis] = r->place_offset_mm[i][axis];
    result->place_turn_deg[i] = r->place_turn_rad[i] * 180.0 / acos(-1.0);
  }
  result->adequacy.digit_height_px = r->digit_height_px * scale;
  result->adequacy.clipped_share = r->clipped;
}

static void tell_limits(const udg_light *light, udg_result *result) {
  const udg_adequacy *a = &result->adequacy;
  if (a->digit_height_px < 30.0)
    udg_result_limit(result, "the digits are only %.0f pixels high", a->digit_height_px);
  if (light->directional_share < 0.15)
    udg_result_limit(result, "the light comes from straight above or all around: slopes leave "
                             "little shading");
  if (a->clipped_share > 0.15)
    udg_result_limit(result, "%.0f %% of the date is blown out", 100.0 * a->clipped_share);
  if (a->jpeg_quality > 0 && a->jpeg_quality < 50)
    udg_result_limit(result, "strong JPEG compression (quality %d)", a->jpeg_quality);
  if (a->blur_px > 0.06 * a->digit_height_px)
    udg_result_limit(result, "the photo is blurred");
  if (a->power_strong >= 0.5 && a->power_weak < 0.5)
    udg_result_limit(result, "a weak trace could be missed");
}

static void tell_coin(const udg_inspector *inspector, double scale, udg_result *result) {
  const udg_coin_result *rims = &inspector->rims;
  result->coin_count = rims->sure_count;
  if (inspector->coin < 0)
    return;
  const udg_ellipse *rim = &rims->coins[inspector->coin];
  result->coin_index = rims->sure_count > 0 ? udg_pipeline_coin_number(rims, inspector->coin) : 1;
  if (rims->sure_count == 0) /* doubtful until a date was found on it */
    result->coin_count = 1;
  for (int i = 0; i < 2; i++) {
    result->coin_centre_px[i] = scale * rim->centre[i];
    result->coin_diameter_px[i] = 2.0 * scale * rim->semi[i];
  }
  if (inspector->found.count == 0)
    return;
  /* Both ellipse and date are drawn together by the tilt: equal areas compare. */
  double px_per_mm = udg_homography_scale(&inspector->registration.date_to_photo, 0.0, 0.0);
  if (px_per_mm > 0.0)
    result->coin_diameter_mm = 2.0 * sqrt(rim->semi[0] * rim->semi[1]) / px_per_mm;
}

/* Residual over its standard deviation, open pixels only. */
static udg_status fill_residual_view(udg_inspector *inspector, const udg_date_work *work) {
  const udg_upright *u = &work->upright;
  udg_plane *view = &inspector->view_residual;
  if (view->width != u->width || view->height != u->height) {
    udg_plane_destroy(&inspector->settings, view);
    udg_status status = udg_plane_create(&inspector->settings, u->width, u->height, view);
    if (status != UDG_OK)
      return status;
  }
  size_t count = (size_t)u->width * (size_t)u->height;
  float scale = (float)(1.0 / fmax(work->residual->noise, 0.5));
  for (size_t i = 0; i < count; i++)
    view->v[i] = work->residual->clean.v[i] * scale;
  return UDG_OK;
}

/* The date's stages once it is registered. */
static udg_status judge(udg_inspector *inspector, size_t date_index, udg_result *result,
                        double *clock, udg_message *message) {
  udg_status status = udg_pipeline_score(inspector, date_index, message);
  stage_done(result, "score", clock);
  if (status == UDG_ERROR_ARGUMENT) {
    undecided(result, "too little of the date can be seen");
    return UDG_OK;
  }
  if (status != UDG_OK)
    return status;
  const udg_date_work *work = &inspector->dates[date_index];
  status = fill_residual_view(inspector, work);
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for the residual's picture");
  result->light_azimuth_deg = work->light->azimuth_rad * 180.0 / acos(-1.0);
  result->light_directional_share = work->light->directional_share;
  udg_name_power(work->score, &result->adequacy);
  status = udg_pipeline_twice(inspector, date_index, message);
  if (status != UDG_OK)
    return status;
  udg_name(&inspector->settings, inspector->reference, &work->upright, work->score, result);
  status = udg_pipeline_markers(inspector, date_index, result, message);
  if (status != UDG_OK)
    return status;
  tell_limits(work->light, result);
  inspector->shown = (int)date_index;
  stage_done(result, "name", clock);
  return UDG_OK;
}

static void begin(const udg_inspector *inspector, const udg_image *image, udg_result *result) {
  memset(result, 0, sizeof *result);
  snprintf(result->reference, sizeof result->reference, "%s", inspector->reference->name);
  result->adequacy.jpeg_quality = image->jpeg_quality;
  result->p_value = 1.0;
}

/* `coin` 0: the one whose date is found most surely, or the close-up. */
static udg_status inspect(udg_inspector *inspector, const udg_image *image, int coin,
                          const char *date, udg_result *result, udg_message *message) {
  double clock = udg_clock_ms();
  size_t date_index = 0;
  inspector->shown = -1;
  begin(inspector, image, result);
  udg_status status = udg_pipeline_prepare(inspector, message);
  if (status == UDG_OK)
    status = udg_pipeline_take(inspector, image, message);
  stage_done(result, "take", &clock);
  if (status == UDG_OK)
    status = coin > 0 ? udg_pipeline_locate_coin(inspector, date, coin, &date_index, message)
                      : udg_pipeline_locate_best(inspector, date, &date_index, message);
  stage_done(result, "register", &clock);
  if (status != UDG_OK)
    return status;
  const udg_registration *r = &inspector->registration;
  tell_coin(inspector, image->scale, result);
  snprintf(result->date, sizeof result->date, "%s", inspector->reference->dates[date_index].text);
  if (inspector->found.count == 0) {
    undecided(result, "%s", udg_pipeline_no_date(inspector));
  } else {
    tell_registration(r, image->scale, result);
    udg_buffer window = {0};
    status = udg_adequacy_measure(&inspector->settings, &inspector->reference->dates[date_index],
                                  inspector->grey, &r->date_to_photo, image->scale, &window,
                                  &result->adequacy);
    udg_buffer_destroy(&inspector->settings, &window);
    if (status != UDG_OK)
      return udg_fail(message, status, "no memory to measure the photo");
    int lost = r->score < SCORE_MIN || udg_registration_lead(r) < LEAD_MIN;
    if (inspector->certainty < 0.0 && lost)
      undecided(result, "no date was found for certain");
    else
      status = judge(inspector, date_index, result, &clock, message);
    udg_homography far;
    udg_coin_of_date(inspector->reference, &inspector->rims, &r->date_to_photo, &far);
    udg_homography enlarge = udg_homography_similarity(image->scale, 0.0, 0.0, 0.0);
    far = udg_homography_after(&enlarge, &far);
    for (int i = 0; i < 9; i++)
      result->coin_to_photo[i] = far.m[i] / far.m[8];
    for (int i = 0; i < result->marker_count; i++)
      for (int axis = 0; axis < 2; axis++)
        result->markers[i].photo_px[axis] *= image->scale;
  }
  return status;
}

/* A limit was reached: what was found until then is no verdict. */
static void cut_short(const udg_inspector *inspector, udg_result *result) {
  const udg_settings *host = &inspector->budget.host;
  if (inspector->budget.end == UDG_BUDGET_TIME)
    undecided(result, "the time set for one inspection was up (max_milliseconds %.0f)",
              host->max_milliseconds);
  else
    undecided(result, "it takes more memory than is set for one inspection (max_work_bytes %llu)",
              (unsigned long long)host->max_work_bytes);
  udg_result_limit(result, "the inspection was cut short by a limit of the settings");
  result->marker_count = result->die_count = result->strike_count = 0;
}

static udg_status inspect_within_limits(udg_inspector *inspector, const udg_image *image, int coin,
                                        const char *date, udg_result *result,
                                        udg_message *message) {
  udg_message fault = {""};
  double started = udg_clock_ms();
  const int held = inspector->used;
  udg_budget *budget = &inspector->budget;
  udg_budget_start(budget);
  inspector->used = 1;
  udg_status status = inspect(inspector, image, coin, date, result, &fault);
  if (status != UDG_OK && budget->end == UDG_BUDGET_MEMORY && held) {
    /* What earlier photos left behind took the room: the answer must not hang on it. */
    udg_pipeline_reset(inspector);
    budget->end = UDG_BUDGET_OPEN;
    status = inspect(inspector, image, coin, date, result, &fault);
  }
  if (status != UDG_OK && budget->end != UDG_BUDGET_OPEN) {
    cut_short(inspector, result);
    inspector->shown = -1;
    if (budget->end == UDG_BUDGET_MEMORY)
      udg_pipeline_reset(inspector);
    status = UDG_OK;
  }
  result->total_ms = udg_clock_ms() - started;
  if (status != UDG_OK && message)
    *message = fault;
  return status;
}

udg_status udg_inspect(udg_inspector *inspector, const udg_image *image, const char *date,
                       udg_result *result, udg_message *message) {
  if (!inspector || !image || !result)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_inspect: NULL argument");
  return inspect_within_limits(inspector, image, 0, date, result, message);
}

udg_status udg_inspect_coin(udg_inspector *inspector, const udg_image *image, int coin,
                            const char *date, udg_result *result, udg_message *message) {
  if (!inspector || !image || !result || coin < 1)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_inspect_coin: NULL argument or coin %d",
                    coin);
  return inspect_within_limits(inspector, image, coin, date, result, message);
}

udg_status udg_inspector_view(const udg_inspector *inspector, udg_view_kind kind, udg_view *view) {
  if (!inspector || !view || inspector->shown < 0)
    return UDG_ERROR_ARGUMENT;
  const udg_date_work *work = &inspector->dates[inspector->shown];
  const udg_upright *u = &work->upright;
  *view = (udg_view){.width = u->width,
                     .height = u->height,
                     .px_per_mm = u->px_per_mm,
                     .origin_px = {u->origin_px[0], u->origin_px[1]}};
  switch (kind) {
  case UDG_VIEW_UPRIGHT:
    view->pixels = u->grey.v;
    break;
  case UDG_VIEW_MODEL:
    view->pixels = work->light->model.v;
    break;
  case UDG_VIEW_RESIDUAL:
    view->pixels = inspector->view_residual.v;
    break;
  case UDG_VIEW_EVIDENCE:
    view->pixels = work->score->best.v;
    break;
  }
  return view->pixels ? UDG_OK : UDG_ERROR_ARGUMENT;
}
