/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "trace.h"

#include <math.h>
#include <string.h>

#include "relief.h"

int udg_digit_symmetric(char digit) {
  return digit == '0' || digit == '1' || digit == '8';
}

static const double HALF_DIGIT = 0.62; /* centre to farthest corner across, digit heights */
static const int FOOT_PX = 8;          /* what light and whitening add around it */
/* Beyond what a trace asks of its distances, what their blur before they are turned into directions
 * reaches (udg_edge_direction()). */
static const double BLUR_REACH_PX = 6;

typedef struct workspace {
  udg_plane distance, cosine, sine, rim, scratch;
} workspace;

static udg_status workspace_create(const udg_settings *settings, int size, workspace *work) {
  memset(work, 0, sizeof *work);
  udg_plane *planes[] = {&work->distance, &work->cosine, &work->sine, &work->rim, &work->scratch};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    if (udg_plane_create(settings, size, size, planes[i]) != UDG_OK)
      return UDG_ERROR_MEMORY;
  return UDG_OK;
}

static void workspace_destroy(const udg_settings *settings, workspace *work) {
  udg_plane *planes[] = {&work->distance, &work->cosine, &work->sine, &work->rim, &work->scratch};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(settings, planes[i]);
}

/* Fills the trace from the planes in `work`. */
static udg_status fill(udg_trace_bank *bank, const workspace *work, double bevel_px,
                       udg_trace *trace) {
  const double pi = acos(-1.0);
  size_t count = (size_t)bank->size * (size_t)bank->size;
  int pixels = 0, support = 0, tops = 0;
  for (size_t i = 0; i < count; i++) {
    double x = (double)work->distance.v[i] / bevel_px;
    pixels += x > UDG_LIGHT_X_LOW && x < UDG_LIGHT_X_HIGH;
    support += work->distance.v[i] > -UDG_TRACE_SUPPORT_PX;
    tops += x >= UDG_LIGHT_X_HIGH;
  }
  trace->pixels = udg_memory_get(&bank->settings, (size_t)pixels + 1, sizeof *trace->pixels);
  trace->support_at =
      udg_memory_get(&bank->settings, (size_t)support + 1, sizeof *trace->support_at);
  trace->top_at = udg_memory_get(&bank->settings, (size_t)tops + 1, sizeof *trace->top_at);
  if (!trace->pixels || !trace->support_at || !trace->top_at)
    return UDG_ERROR_MEMORY;
  for (size_t i = 0; i < count; i++) {
    double x = (double)work->distance.v[i] / bevel_px;
    if (work->distance.v[i] > -UDG_TRACE_SUPPORT_PX)
      trace->support_at[trace->support_count++] = (int32_t)i;
    if (x >= UDG_LIGHT_X_HIGH)
      trace->top_at[trace->top_count++] = (int32_t)i;
    if (x <= UDG_LIGHT_X_LOW || x >= UDG_LIGHT_X_HIGH)
      continue;
    double phi = atan2((double)work->sine.v[i], (double)work->cosine.v[i]);
    double turn = phi * UDG_LIGHT_ANGLES / (2.0 * pi);
    int angle = (int)floor(turn + 0.5);
    udg_edge_pixel *pixel = &trace->pixels[trace->pixel_count++];
    pixel->at = (int32_t)i;
    pixel->rim = work->rim.v[i];
    pixel->angle = (uint8_t)((angle + UDG_LIGHT_ANGLES) % UDG_LIGHT_ANGLES);
    pixel->step = (uint8_t)floor(
        (x - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) * (UDG_LIGHT_STEPS - 1) + 0.5);
  }
  return UDG_OK;
}

/* Spectra of the supports, by pairs of traces. */
static udg_status supports_make(udg_trace_bank *bank) {
  size_t count = (size_t)bank->size * (size_t)bank->size;
  int pairs = udg_trace_pair_count(bank);
  bank->supports = udg_memory_get(&bank->settings, (size_t)pairs + 1, sizeof *bank->supports);
  if (!bank->supports)
    return UDG_ERROR_MEMORY;
  for (int i = 0; i < bank->trace_count; i++) {
    const udg_trace *trace = &bank->traces[i];
    udg_complex **pair = &bank->supports[i / 2];
    if (!*pair && !(*pair = udg_memory_get(&bank->settings, count, sizeof **pair)))
      return UDG_ERROR_MEMORY;
    for (int k = 0; k < trace->support_count; k++)
      *(i % 2 ? &(*pair)[trace->support_at[k]].im : &(*pair)[trace->support_at[k]].re) = 1.0f;
    if (i % 2 || i + 1 == bank->trace_count)
      udg_fft_pair_forward(bank->plan, *pair);
  }
  return UDG_OK;
}

/* A copy of the outline, left and right changed over. */
static udg_status mirror(const udg_settings *settings, const udg_outline *outline,
                         udg_outline *mirrored) {
  *mirrored = *outline;
  mirrored->points = udg_memory_get(settings, 2 * outline->point_count, sizeof(double));
  if (!mirrored->points)
    return UDG_ERROR_MEMORY;
  for (size_t i = 0; i < outline->point_count; i++) {
    mirrored->points[2 * i] = -outline->points[2 * i];
    mirrored->points[2 * i + 1] = outline->points[2 * i + 1];
  }
  mirrored->low[0] = -outline->high[0];
  mirrored->high[0] = -outline->low[0];
  return UDG_OK;
}

static int known_turn(const udg_trace_bank *bank, double turn_rad) {
  for (int i = 0; i < bank->trace_count; i++)
    if (fabs(bank->traces[i].turn_rad - turn_rad) < 1e-6)
      return 1;
  return 0;
}

/* Names a turn's traces, which are drawn later. */
static void add_traces(udg_trace_bank *bank, const udg_reference *reference, double turn_rad,
                       int decoys) {
  for (int digit = 0; digit < 10; digit++)
    for (int mirrored = 0; mirrored <= decoys && reference->has_digit[digit]; mirrored++) {
      if (mirrored && udg_digit_symmetric((char)('0' + digit)))
        continue;
      udg_trace *trace = &bank->traces[bank->trace_count++];
      trace->digit = (char)('0' + digit);
      trace->mirrored = mirrored;
      trace->turn_rad = turn_rad;
    }
}

/* The planes of a trace. */
static udg_status draw(udg_trace_bank *bank, const udg_reference *reference, double px_per_mm,
                       const udg_trace *trace, workspace *work, udg_message *message) {
  const udg_outline *outline = &reference->digits[trace->digit - '0'];
  double middle = 0.5 * bank->size, bevel_px = reference->bevel_mm * px_per_mm;
  double reach_px = BLUR_REACH_PX + fmax(UDG_LIGHT_X_HIGH * bevel_px,
                                         fmax(-UDG_LIGHT_X_LOW * bevel_px, UDG_TRACE_SUPPORT_PX));
  udg_outline flipped = {0};
  udg_status status = UDG_OK;
  if (udg_stop_wanted(&bank->settings))
    return UDG_ERROR_CANCELLED;
  if (trace->mirrored) {
    status = mirror(&bank->settings, outline, &flipped);
    outline = &flipped;
  }
  if (status == UDG_OK)
    status = udg_relief_distance_within(&bank->settings, outline, px_per_mm, trace->turn_rad,
                                        middle, middle, reach_px, &work->distance, message);
  udg_memory_drop(&bank->settings, flipped.points);
  if (status == UDG_OK)
    udg_edge_direction(&work->distance, &work->cosine, &work->sine, &work->rim, &work->scratch);
  return status;
}

/* Left and right changed over in the planes of `work`. */
static void turn_over(workspace *work) {
  udg_plane *planes[] = {&work->distance, &work->cosine, &work->sine, &work->rim};
  for (int i = 0; i < 4; i++)
    for (int y = 0; y < planes[i]->height; y++) {
      float *row = udg_plane_row(planes[i], y), sign = planes[i] == &work->cosine ? -1.0f : 1.0f;
      for (int low = 0, high = planes[i]->width - 1; low <= high; low++, high--) {
        float first = sign * row[low];
        row[low] = sign * row[high];
        row[high] = first;
      }
    }
}

/* The same digit turned over: as the digit is mirrored that is turned the other way. */
static udg_trace *reverse_of(udg_trace_bank *bank, const udg_trace *trace) {
  for (int i = 0; i < bank->trace_count; i++) {
    udg_trace *other = &bank->traces[i];
    if (other->digit == trace->digit && other->mirrored && !trace->mirrored && !other->pixels &&
        fabs(other->turn_rad + trace->turn_rad) < 1e-9)
      return other;
  }
  return NULL;
}

/* A trace, and the one that is its reverse. */
static udg_status draw_both(udg_trace_bank *bank, const udg_reference *reference, double px_per_mm,
                            udg_trace *trace, workspace *work, udg_message *message) {
  const double bevel_px = reference->bevel_mm * px_per_mm;
  udg_trace *reverse = reverse_of(bank, trace);
  udg_status status = draw(bank, reference, px_per_mm, trace, work, message);
  if (status == UDG_OK)
    status = fill(bank, work, bevel_px, trace);
  if (status != UDG_OK || !reverse)
    return status;
  turn_over(work);
  return fill(bank, work, bevel_px, reverse);
}

/* Mirrored ones last, as most of them are the reverse of another. */
static udg_status draw_traces(udg_trace_bank *bank, const udg_reference *reference,
                              double px_per_mm, udg_message *message) {
  workspace work;
  udg_status status = workspace_create(&bank->settings, bank->size, &work);
  for (int mirrored = 0; mirrored < 2; mirrored++)
    for (int i = 0; i < bank->trace_count && status == UDG_OK; i++)
      if (bank->traces[i].mirrored == mirrored && !bank->traces[i].pixels)
        status = draw_both(bank, reference, px_per_mm, &bank->traces[i], &work, message);
  workspace_destroy(&bank->settings, &work);
  return status;
}

static void fill_bank(udg_trace_bank *bank, const udg_reference *reference, const udg_date *date) {
  const double degree = acos(-1.0) / 180.0;
  for (int i = 0; i < date->place_count; i++) {
    if (known_turn(bank, date->places[i].turn_rad))
      continue;
    for (int t = 0; t < UDG_TRACE_TURNS; t++) {
      double turn = (t - UDG_TRACE_TURNS / 2) * UDG_TRACE_TURN_STEP_DEG * degree;
      add_traces(bank, reference, date->places[i].turn_rad + turn, 1);
    }
  }
}

/* As a hand turns a punch that slips. */
static void fill_turned(udg_trace_bank *bank, const udg_reference *reference) {
  const double degree = acos(-1.0) / 180.0;
  for (int t = 0; t < UDG_TURNED_TURNS; t++)
    add_traces(bank, reference, (t - UDG_TURNED_TURNS / 2) * UDG_TURNED_STEP_DEG * degree, 0);
}

static udg_status create(const udg_settings *settings, const udg_reference *reference,
                         size_t date_index, int turned, udg_fft *fft, udg_trace_bank **bank,
                         udg_message *message) {
  udg_trace_bank *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the traces");
  made->settings = *settings;
  made->reach_px = (int)(UDG_TRACE_OFFSET_MAX * UDG_UPRIGHT_DIGIT_PX);
  int half = (int)(HALF_DIGIT * UDG_UPRIGHT_DIGIT_PX) + FOOT_PX;
  made->size = udg_fft_good_size(2 * (made->reach_px + half) + 2);
  size_t most = (size_t)(turned ? 10 * UDG_TURNED_TURNS
                                : 20 * UDG_TRACE_TURNS * reference->dates[date_index].place_count);
  made->traces = udg_memory_get(settings, most, sizeof *made->traces);
  udg_status status = made->traces ? UDG_OK : UDG_ERROR_MEMORY;
  if (status == UDG_OK)
    status = udg_fft_pair_plan_get(fft, made->size, made->size, 2 * made->reach_px + 3, &made->plan,
                                   message);
  if (status == UDG_OK && turned)
    fill_turned(made, reference);
  else if (status == UDG_OK)
    fill_bank(made, reference, &reference->dates[date_index]);
  if (status == UDG_OK)
    status = draw_traces(made, reference,
                         UDG_UPRIGHT_DIGIT_PX / reference->dates[date_index].height_mm, message);
  if (status == UDG_OK && !turned)
    status = supports_make(made);
  if (status != UDG_OK) {
    udg_trace_bank_destroy(made);
    return udg_fail(message, status, "the traces of date %s could not be made",
                    reference->dates[date_index].text);
  }
  *bank = made;
  return UDG_OK;
}

udg_status udg_trace_bank_create(const udg_settings *settings, const udg_reference *reference,
                                 size_t date_index, udg_fft *fft, udg_trace_bank **bank,
                                 udg_message *message) {
  return create(settings, reference, date_index, 0, fft, bank, message);
}

udg_status udg_trace_bank_create_turned(const udg_settings *settings,
                                        const udg_reference *reference, size_t date_index,
                                        udg_fft *fft, udg_trace_bank **bank, udg_message *message) {
  return create(settings, reference, date_index, 1, fft, bank, message);
}

void udg_trace_bank_destroy(udg_trace_bank *bank) {
  if (!bank)
    return;
  udg_settings settings = bank->settings;
  for (int i = 0; i < bank->trace_count; i++) {
    udg_memory_drop(&settings, bank->traces[i].pixels);
    udg_memory_drop(&settings, bank->traces[i].support_at);
    udg_memory_drop(&settings, bank->traces[i].top_at);
  }
  for (int i = 0; bank->supports && i < udg_trace_pair_count(bank); i++)
    udg_memory_drop(&settings, bank->supports[i]);
  udg_memory_drop(&settings, bank->supports);
  udg_memory_drop(&settings, bank->traces);
  udg_memory_drop(&settings, bank);
}

void udg_trace_draw(const udg_trace *trace, const udg_light *light, float odd, float even, int size,
                    float *window) {
  memset(window, 0, sizeof(float) * (size_t)size * (size_t)size);
  for (int i = 0; i < trace->pixel_count; i++) {
    const udg_edge_pixel *p = &trace->pixels[i];
    window[p->at] =
        p->rim * (odd * light->odd[p->step][p->angle] + even * light->even[p->step][p->angle]) +
        even * light->flat[p->step];
  }
}
