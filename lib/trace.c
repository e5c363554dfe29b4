/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "trace.h"

#include <math.h>
#include <string.h>

#include "eight.h"
#include "relief.h"
#include "wider.h"

int udg_digit_symmetric(char digit) {
  return digit == '0' || digit == '1' || digit == '8';
}

static const double HALF_DIGIT = 0.62; /* centre to farthest corner across, digit heights */
static const int FOOT_PX = 8;          /* what light and whitening add around it */
/* Beyond what a trace asks of its distances, what their blur before they are turned into directions
 * reaches (udg_edge_direction()). */
static const double BLUR_REACH_PX = 6;

typedef struct workspace {
  udg_plane distance, cosine, sine, rim, turn, scratch;
  udg_trace found; /* with room for every pixel of the window */
} workspace;

enum { PLANES = 6 };

static udg_plane *plane_of(workspace *work, int i) {
  udg_plane *planes[PLANES] = {&work->distance, &work->cosine, &work->sine,
                               &work->rim,      &work->turn,   &work->scratch};
  return planes[i];
}

/* Room for lists of so many, one behind the other. */
static udg_status lists_create(const udg_settings *settings, size_t pixels, size_t support,
                               size_t tops, udg_trace *trace) {
  const size_t bytes = pixels * sizeof *trace->pixels +
                       (support + tops) * sizeof *trace->support_at + sizeof *trace->pixels;
  trace->pixels = udg_memory_raw(settings, bytes, 1);
  if (!trace->pixels)
    return UDG_ERROR_MEMORY;
  trace->support_at = (int32_t *)(void *)(trace->pixels + pixels);
  trace->top_at = trace->support_at + support;
  return UDG_OK;
}

static udg_status workspace_create(const udg_settings *settings, int size, workspace *work) {
  const size_t count = (size_t)size * (size_t)size;
  memset(work, 0, sizeof *work);
  for (int i = 0; i < PLANES; i++)
    if (udg_plane_create_raw(settings, size, size, plane_of(work, i)) != UDG_OK)
      return UDG_ERROR_MEMORY;
  return lists_create(settings, count, count, count, &work->found);
}

static void workspace_destroy(const udg_settings *settings, workspace *work) {
  for (int i = 0; i < PLANES; i++)
    udg_plane_destroy(settings, plane_of(work, i));
  udg_memory_drop(settings, work->found.pixels);
}

/* Directions in steps of the light's tables, -ANGLES / 2 to ANGLES / 2, to 2e-4 of a step, of a
 * window, of eight pixels at least. The arctangent's polynomial: Abramowitz & Stegun, Handbook of
 * Mathematical Functions, 4.4.47. */
UDG_WIDER
static void turns_guess(const float *cosine, const float *sine, size_t count, float *turn) {
  const float pi = 3.14159265f, steps = UDG_LIGHT_ANGLES / (2.0f * pi);
  const udg_eight none = UDG_EIGHT_ALL(0.0f);
  for (size_t i = 0; i < count; i += UDG_EIGHT) {
    const size_t at = i + UDG_EIGHT <= count ? i : count - UDG_EIGHT;
    udg_eight c, s;
    memcpy(&c, cosine + at, sizeof c);
    memcpy(&s, sine + at, sizeof s);
    const udg_eight_truth west = c < none, north = s < none;
    const udg_eight x = UDG_EIGHT_CHOOSE(west, -c, c), y = UDG_EIGHT_CHOOSE(north, -s, s);
    const udg_eight_truth steep = x < y;
    const udg_eight shorter = UDG_EIGHT_CHOOSE(steep, x, y), longer = UDG_EIGHT_CHOOSE(steep, y, x);
    const udg_eight t = shorter / (longer + UDG_EIGHT_ALL(1e-30f)), t2 = t * t;
    udg_eight phi = UDG_EIGHT_ALL(0.0208351f);
    phi = phi * t2 + UDG_EIGHT_ALL(-0.0851330f);
    phi = phi * t2 + UDG_EIGHT_ALL(0.1801410f);
    phi = phi * t2 + UDG_EIGHT_ALL(-0.3302995f);
    phi = (phi * t2 + UDG_EIGHT_ALL(0.9998660f)) * t;
    phi = UDG_EIGHT_CHOOSE(steep, UDG_EIGHT_ALL(0.5f * pi) - phi, phi);
    phi = UDG_EIGHT_CHOOSE(west, UDG_EIGHT_ALL(pi) - phi, phi);
    phi = UDG_EIGHT_CHOOSE(north, -phi, phi) * UDG_EIGHT_ALL(steps);
    memcpy(turn + at, &phi, sizeof phi);
  }
}

/* The entry of the light's tables for a pixel's direction. The guess is good unless it lies
 * between two of them. */
static uint8_t angle_of(const workspace *work, size_t i) {
  const float turn = work->turn.v[i] + (UDG_LIGHT_ANGLES + 0.5f);
  int angle = (int)turn;
  if (fabsf(turn - (float)angle - 0.5f) > 0.499f) {
    double phi = atan2((double)work->sine.v[i], (double)work->cosine.v[i]);
    angle = (int)floor(phi * UDG_LIGHT_ANGLES / (2.0 * acos(-1.0)) + 0.5) + UDG_LIGHT_ANGLES;
  }
  return (uint8_t)(angle % UDG_LIGHT_ANGLES);
}

/* What the planes of `work` hold, into work->found. */
static void find_pixels(workspace *work, double bevel_px) {
  const double low = UDG_LIGHT_X_LOW, range = UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW;
  const size_t count = (size_t)work->distance.width * (size_t)work->distance.height;
  const float far = fminf((float)(low * bevel_px) - 1.0f, -UDG_TRACE_SUPPORT_PX);
  udg_trace *found = &work->found;
  found->pixel_count = found->support_count = found->top_count = 0;
  turns_guess(work->cosine.v, work->sine.v, count, work->turn.v);
  for (size_t i = 0; i < count; i++) {
    const float distance = work->distance.v[i];
    if (distance <= far)
      continue;
    const double x = (double)distance / bevel_px;
    if (distance > -UDG_TRACE_SUPPORT_PX)
      found->support_at[found->support_count++] = (int32_t)i;
    if (x >= UDG_LIGHT_X_HIGH)
      found->top_at[found->top_count++] = (int32_t)i;
    if (x <= low || x >= UDG_LIGHT_X_HIGH)
      continue;
    found->pixels[found->pixel_count++] =
        (udg_edge_pixel){.at = (int32_t)i,
                         .rim = work->rim.v[i],
                         .angle = angle_of(work, i),
                         .step = (uint8_t)((x - low) / range * (UDG_LIGHT_STEPS - 1) + 0.5)};
  }
}

static udg_status lists_like(const udg_settings *settings, const udg_trace *other,
                             udg_trace *trace) {
  trace->pixel_count = other->pixel_count;
  trace->support_count = other->support_count;
  trace->top_count = other->top_count;
  return lists_create(settings, (size_t)other->pixel_count, (size_t)other->support_count,
                      (size_t)other->top_count, trace);
}

static udg_status copy_found(const udg_settings *settings, const udg_trace *found,
                             udg_trace *trace) {
  udg_status status = lists_like(settings, found, trace);
  if (status != UDG_OK)
    return status;
  memcpy(trace->pixels, found->pixels, (size_t)found->pixel_count * sizeof *found->pixels);
  memcpy(trace->support_at, found->support_at,
         (size_t)found->support_count * sizeof *found->support_at);
  memcpy(trace->top_at, found->top_at, (size_t)found->top_count * sizeof *found->top_at);
  return UDG_OK;
}

/* Indices of a window with left and right changed over, in rising order. */
static void turn_over_indices(const int32_t *from, int count, int size, int32_t *to) {
  for (int first = 0, end; first < count; first = end) {
    const int32_t row_begins = from[first] / size * size, both_ends = 2 * row_begins + size - 1;
    for (end = first + 1; end < count && from[end] < row_begins + size;)
      end++;
    for (int k = first; k < end; k++)
      to[first + end - 1 - k] = both_ends - from[k];
  }
}

static void turn_over_pixels(const udg_edge_pixel *from, int count, int size, udg_edge_pixel *to) {
  const int angles = UDG_LIGHT_ANGLES;
  for (int first = 0, end; first < count; first = end) {
    const int32_t row_begins = from[first].at / size * size, both_ends = 2 * row_begins + size - 1;
    for (end = first + 1; end < count && from[end].at < row_begins + size;)
      end++;
    for (int k = first; k < end; k++) {
      udg_edge_pixel *pixel = &to[first + end - 1 - k];
      *pixel = from[k];
      pixel->at = both_ends - from[k].at;
      pixel->angle = (uint8_t)((angles / 2 - from[k].angle + angles) % angles);
    }
  }
}

/* `other` with left and right changed over. */
static udg_status turn_over(const udg_settings *settings, const udg_trace *other, int size,
                            udg_trace *trace) {
  udg_status status = lists_like(settings, other, trace);
  if (status != UDG_OK)
    return status;
  turn_over_pixels(other->pixels, other->pixel_count, size, trace->pixels);
  turn_over_indices(other->support_at, other->support_count, size, trace->support_at);
  turn_over_indices(other->top_at, other->top_count, size, trace->top_at);
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
  udg_trace *reverse = reverse_of(bank, trace);
  udg_status status = draw(bank, reference, px_per_mm, trace, work, message);
  if (status != UDG_OK)
    return status;
  find_pixels(work, reference->bevel_mm * px_per_mm);
  status = copy_found(&bank->settings, &work->found, trace);
  return status == UDG_OK && reverse ? turn_over(&bank->settings, trace, bank->size, reverse)
                                     : status;
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
  for (int i = 0; i < bank->trace_count; i++)
    udg_memory_drop(&settings, bank->traces[i].pixels);
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
