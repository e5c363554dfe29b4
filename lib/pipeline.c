/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "pipeline.h"

#include <limits.h>
#include <math.h>
#include <string.h>

#include "chip.h"
#include "crossing.h"
#include "fragment.h"
#include "hub.h"
#include "image_internal.h"
#include "name.h"
#include "strike.h"
#include "twice.h"

static int knows_a_face(const udg_reference *reference) {
  for (size_t i = 0; i < reference->appearance_count; i++)
    if (reference->appearances[i].face.v)
      return 1;
  return 0;
}

udg_status udg_inspector_create(const udg_settings *settings, const udg_reference *reference,
                                udg_inspector **inspector, udg_message *message) {
  if (!reference || !inspector)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_inspector_create: NULL argument");
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_inspector *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for an inspector");
  udg_budget_open(&made->budget, &resolved, sizeof *made + 128, &made->settings);
  made->reference = reference;
  made->shown = -1;
  udg_status status = udg_pipeline_prepare(made, message);
  if (status != UDG_OK) {
    if (made->budget.end == UDG_BUDGET_MEMORY)
      status = udg_fail(message, UDG_ERROR_LIMIT, "max_work_bytes is too little for an inspector");
    udg_inspector_destroy(made);
    return status;
  }
  *inspector = made;
  return UDG_OK;
}

udg_status udg_pipeline_prepare(udg_inspector *inspector, udg_message *message) {
  const udg_settings *settings = &inspector->settings;
  const udg_reference *reference = inspector->reference;
  const int whole_coins = reference->diameter_mm > 0.0;
  udg_status status = UDG_OK;
  if (!inspector->dates)
    inspector->dates = udg_memory_get(settings, reference->date_count, sizeof *inspector->dates);
  if (!inspector->dates)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for an inspector");
  if (!inspector->fft)
    status = udg_fft_create(settings, &inspector->fft, message);
  if (status == UDG_OK && !inspector->templates)
    status = udg_templates_create(settings, reference, &inspector->templates, message);
  if (status == UDG_OK && !inspector->find)
    status = udg_find_create(settings, reference, &inspector->find, message);
  if (status == UDG_OK && !inspector->registers)
    status = udg_register_create(settings, reference, &inspector->registers, message);
  if (status == UDG_OK) {
    udg_find_lend(inspector->find, inspector->templates);
    udg_register_lend(inspector->registers, inspector->templates);
  }
  if (status == UDG_OK && knows_a_face(reference) && !inspector->face.v) {
    status = udg_face_work_create(settings, &inspector->faces);
    if (status == UDG_OK)
      status = udg_plane_create(settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &inspector->face);
    if (status != UDG_OK) {
      udg_face_work_destroy(settings, &inspector->faces);
      udg_fail(message, status, "no memory for coins' faces");
    }
  }
  if (status == UDG_OK && whole_coins && !inspector->coins)
    status = udg_coin_create(settings, &inspector->coins, message);
  if (status == UDG_OK && whole_coins && !inspector->locator)
    status = udg_coin_locator_create(settings, reference, &inspector->locator, message);
  if (status == UDG_OK && whole_coins)
    udg_coin_locator_lend(inspector->locator, inspector->templates);
  return status;
}

static void date_work_destroy(udg_date_work *work) {
  udg_score_destroy(work->score);
  udg_trace_bank_destroy(work->bank);
  udg_trace_bank_destroy(work->turned);
  udg_residual_destroy(work->residual);
  udg_light_destroy(work->light);
  if (work->upright.grey.v)
    udg_upright_destroy(&work->upright);
  memset(work, 0, sizeof *work);
}

void udg_pipeline_reset(udg_inspector *inspector) {
  const udg_settings settings = inspector->settings;
  for (size_t i = 0; inspector->dates && i < inspector->reference->date_count; i++)
    date_work_destroy(&inspector->dates[i]);
  udg_memory_drop(&settings, inspector->dates);
  udg_look_destroy(inspector->look);
  udg_face_work_destroy(&settings, &inspector->faces);
  udg_plane_destroy(&settings, &inspector->face);
  udg_coin_locator_destroy(inspector->locator);
  udg_coin_destroy(inspector->coins);
  udg_register_destroy(inspector->registers);
  udg_register_twice_destroy(inspector->registers_twice);
  udg_find_destroy(inspector->find);
  udg_templates_destroy(inspector->templates);
  udg_plane_destroy(&settings, &inspector->view_residual);
  udg_fft_destroy(inspector->fft);
  const udg_budget budget = inspector->budget;
  const udg_reference *reference = inspector->reference;
  const int keep_maps = inspector->keep_maps;
  const udg_score_choice *choice = inspector->choice;
  memset(inspector, 0, sizeof *inspector);
  inspector->keep_maps = keep_maps;
  inspector->choice = choice;
  inspector->budget = budget;
  inspector->settings = settings;
  inspector->reference = reference;
  inspector->shown = -1;
}

void udg_inspector_destroy(udg_inspector *inspector) {
  if (!inspector)
    return;
  udg_pipeline_reset(inspector);
  const udg_settings host = inspector->budget.host;
  udg_memory_drop(&host, inspector);
}

/* What was learned of the residual; a face alone is none of that. */
static const udg_appearance *appearance_of(const udg_reference *reference, size_t date_index) {
  const udg_appearance *appearance = udg_reference_appearance(reference, date_index);
  return appearance && appearance->plane[0].v ? appearance : NULL;
}

static udg_status date_work_create(udg_inspector *inspector, size_t date_index, udg_date_work *work,
                                   udg_message *message) {
  const udg_settings *settings = &inspector->settings;
  udg_status status =
      udg_upright_create(settings, inspector->reference, date_index, &work->upright, message);
  if (status == UDG_OK)
    status = udg_light_create(settings, &work->upright, &work->light, message);
  if (status == UDG_OK)
    status =
        udg_residual_create(settings, &work->upright, inspector->fft, &work->residual, message);
  if (status == UDG_OK)
    work->residual->appearance = appearance_of(inspector->reference, date_index);
  if (status == UDG_OK)
    status = udg_trace_bank_create(settings, inspector->reference, date_index, inspector->fft,
                                   &work->bank, message);
  if (status == UDG_OK)
    status = udg_score_create(settings, &work->upright, work->bank, &work->score, message);
  if (status != UDG_OK) {
    date_work_destroy(work);
    return status;
  }
  work->ready = 1;
  return UDG_OK;
}

/* Levels from which on a difference to the middle grey counts by its logarithm. */
static const double EVEN_LEVELS = 15.0;

/* v = m + c asinh((g - m) / c), m the photo's median: a highlight as wide as a stroke
 * pulls the registration no longer than its edges do. Clipped pixels stay clipped. */
static void even_out(const udg_image *image, float table[256]) {
  size_t count = (size_t)image->width * (size_t)image->height, below = 0;
  size_t histogram[256] = {0};
  for (size_t i = 0; i < count; i++)
    histogram[image->grey[i]]++;
  int middle = 0;
  while (middle < 255 && (below += histogram[middle]) < (count + 1) / 2)
    middle++;
  for (int g = 0; g < 256; g++) {
    double off = (g - middle) / EVEN_LEVELS;
    table[g] = g >= UDG_CLIPPED_FROM ? 255.0f : (float)(128.0 + EVEN_LEVELS * asinh(off));
  }
}

udg_status udg_pipeline_take(udg_inspector *inspector, const udg_image *image,
                             udg_message *message) {
  if (image->width > INT_MAX || image->height > INT_MAX)
    return udg_fail(message, UDG_ERROR_LIMIT, "a photo of %u x %u pixels", image->width,
                    image->height);
  for (int g = 0; g < 256; g++)
    inspector->grey_level[g] = (float)g;
  even_out(image, inspector->even_level);
  inspector->grey = inspector->even = (udg_photo){.width = (int)image->width,
                                                  .height = (int)image->height,
                                                  .grey = image->grey,
                                                  .level = inspector->grey_level};
  inspector->even.level = inspector->even_level;
  return UDG_OK;
}

/* Away from the places, only where something shows; and at the digits' edges. */
static udg_status look_away(udg_inspector *inspector, size_t date_index, udg_message *message) {
  udg_date_work *work = &inspector->dates[date_index];
  udg_plane scratch[2] = {work->residual->first, work->residual->second};
  udg_fragment_spot spots[UDG_SPOTS_MAX];
  int count = udg_fragment_spots(&work->upright, work->residual, scratch, spots);
  udg_status status = UDG_OK;
  udg_chip_find(work->score, &work->upright, work->light, work->residual, work->bank, scratch);
  if (count == 0)
    return UDG_OK;
  if (!work->turned)
    status = udg_trace_bank_create_turned(&inspector->settings, inspector->reference, date_index,
                                          inspector->fft, &work->turned, message);
  return status == UDG_OK
             ? udg_fragment_find(work->score, &work->upright, work->light, work->residual,
                                 work->turned, spots, count, &scratch[0], message)
             : status;
}

udg_status udg_pipeline_score(udg_inspector *inspector, size_t date_index, udg_message *message) {
  udg_date_work *work = &inspector->dates[date_index];
  udg_status status = UDG_OK;
  if (!work->ready)
    status = date_work_create(inspector, date_index, work, message);
  if (status == UDG_OK)
    status = udg_upright_make(&work->upright, inspector->grey, &inspector->registration, message);
  if (status == UDG_OK)
    status = udg_light_fit(work->light, &work->upright, message);
  if (status == UDG_OK)
    status = udg_residual_make(work->residual, &work->upright, work->light, message);
  if (status == UDG_OK) {
    work->score->keep = inspector->keep_maps;
    work->score->choice = inspector->choice;
  }
  if (status == UDG_OK)
    status = udg_stray_line(&inspector->settings, &work->upright, work->light, work->residual,
                            &work->score->line, message);
  if (status == UDG_OK)
    status = udg_score_make(work->score, &work->upright, work->light, work->residual, work->bank,
                            message);
  if (status == UDG_OK)
    udg_crossing_measure(work->score, &work->upright, work->light, work->bank);
  if (status == UDG_OK)
    status = look_away(inspector, date_index, message);
  return status;
}

static udg_look_scene scene_of(const udg_inspector *inspector, size_t date_index) {
  return (udg_look_scene){inspector->reference,
                          date_index,
                          inspector->grey,
                          &inspector->registration,
                          inspector->dates[date_index].light,
                          &inspector->rims};
}

udg_status udg_pipeline_twice(udg_inspector *inspector, size_t date_index, udg_message *message) {
  const udg_date_work *work = &inspector->dates[date_index];
  udg_status status = UDG_OK;
  if (!udg_name_asks_twice(&inspector->settings, inspector->reference, &work->upright, work->score))
    return UDG_OK;
  if (!inspector->look)
    status = udg_look_create(&inspector->settings, &inspector->look, message);
  if (status == UDG_OK && !inspector->registers_twice)
    status = udg_register_twice_create(&inspector->settings, inspector->reference,
                                       &inspector->registers_twice, message);
  udg_twice_pose pose = {.found = 0};
  if (status == UDG_OK)
    status = udg_register_twice_run(inspector->registers_twice, inspector->even, date_index,
                                    &inspector->registration, &pose, message);
  const udg_look_scene scene = scene_of(inspector, date_index);
  if (status == UDG_OK)
    status = udg_twice_look(inspector->look, &scene, &pose, &work->score->twice, message);
  return status;
}

udg_status udg_pipeline_markers(udg_inspector *inspector, size_t date_index, udg_result *result,
                                udg_message *message) {
  const udg_reference *reference = inspector->reference;
  const udg_date_work *work = &inspector->dates[date_index];
  int in_hub = udg_hub_has(reference, date_index);
  int strike = udg_strike_wanted(reference, date_index);
  udg_status status = UDG_OK;
  if (reference->marker_count == 0 && !in_hub && !strike)
    return UDG_OK;
  if (!inspector->look)
    status = udg_look_create(&inspector->settings, &inspector->look, message);
  const udg_look_scene scene = scene_of(inspector, date_index);
  if (status == UDG_OK && in_hub)
    status = udg_hub_look(inspector->look, &scene, &result->hub, message);
  if (status == UDG_OK && in_hub)
    udg_hub_name(reference, result);
  if (status == UDG_OK)
    status = udg_markers_check(inspector->look, &scene, work->score, result, message);
  if (status == UDG_OK && strike)
    status = udg_strike_look(inspector->look, &scene, result, message);
  if (status == UDG_OK && strike)
    udg_strike_words(reference, date_index, result);
  return status;
}
