/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "residual.h"

#include <math.h>
#include <string.h>

/* s.d. of the Gaussian whose local mean counts as ground (toning, falling off
 * of the light), digit heights. */
static const double GROUND_SIGMA = 0.25;
static const float FIELD_FROM_PX = -5.0f; /* farther out than this only field is seen */
/* No trace changes the level by more than the present digits' own edges do;
 * what is brighter still is a highlight or a scratch and is cut there. */
static const double CUT_SHARE = 1.3;
static const double FIELD_CUT = 3.5; /* robust s.d.: dents must not pass for texture */
/* Misfit floor under the spectrum: shares of its peak and mean, and levels^2. */
static const double FLOOR_PEAK = 0.02, FLOOR_MEAN = 0.05, FLOOR_LEVEL = 0.3;
/* Bands of distance to the present digits in which variance is measured, px. */
static const float BANDS[] = {-300.0f, -12.0f, -8.0f, -6.0f, -4.5f, -3.2f, -2.2f, -1.0f};
/* A stroke, 0.15 of the digit's height wide, and its shadow make one period. */
static const double STROKE_PERIOD_SHARE = 0.33;
/* With less of the field quiet all of it must do. */
static const double QUIET_MIN_SHARE = 0.2;
enum { QUIET_ROUNDS = 3 };
enum { BAND_COUNT = sizeof BANDS / sizeof *BANDS - 1, PAD = 16 };

double udg_residual_stroke_gain(const udg_residual *residual) {
  return udg_residual_whitening(residual, 1.0 / (STROKE_PERIOD_SHARE * UDG_UPRIGHT_DIGIT_PX));
}

udg_status udg_residual_create(const udg_settings *settings, const udg_upright *upright,
                               udg_fft *fft, udg_residual **residual, udg_message *message) {
  udg_residual *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the residual");
  made->settings = *settings;
  udg_plane *planes[] = {&made->clean, &made->white,  &made->weight, &made->mask,
                         &made->first, &made->second, &made->mean,   &made->variance};
  udg_status status = UDG_OK;
  for (size_t i = 0; i < sizeof planes / sizeof *planes && status == UDG_OK; i++)
    status = udg_plane_create(settings, upright->width, upright->height, planes[i]);
  int width = udg_fft_good_size(upright->width + PAD);
  int height = udg_fft_good_size(upright->height + PAD);
  if (status == UDG_OK)
    status = udg_plane_create(settings, width, height, &made->padded);
  if (status == UDG_OK)
    status = udg_fft_plan_get(fft, width, height, &made->plan, message);
  if (status == UDG_OK) {
    made->frequency = udg_memory_get(settings, (size_t)made->plan->half_width * (size_t)height,
                                     sizeof *made->frequency);
    if (!made->frequency)
      status = UDG_ERROR_MEMORY;
  }
  if (status != UDG_OK) {
    udg_residual_destroy(made);
    return udg_fail(message, status, "no memory for the residual");
  }
  *residual = made;
  return UDG_OK;
}

void udg_residual_destroy(udg_residual *residual) {
  if (!residual)
    return;
  udg_settings settings = residual->settings;
  udg_plane *planes[] = {&residual->clean,  &residual->white, &residual->weight,
                         &residual->mask,   &residual->first, &residual->second,
                         &residual->padded, &residual->mean,  &residual->variance};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(&settings, planes[i]);
  udg_memory_drop(&settings, residual->frequency);
  udg_memory_drop(&settings, residual);
}

/* Median of `count` values, which are moved about; 0 without any. */
static double median(float *values, size_t count) {
  if (count == 0)
    return 0.0;
  return (double)udg_values_select(values, count, count / 2);
}

/* Whether plain coins differ little there, so that it tells of the metal's texture. */
static int is_quiet(const udg_residual *residual, size_t i) {
  return !residual->appearance || (double)residual->variance.v[i] <= residual->quiet_to;
}

/* Robust s.d. about 0 of a plane's pixels whose distance lies in [from, to). */
static double spread(const udg_residual *residual, const udg_upright *upright,
                     const udg_plane *plane, float from, float to, float *scratch, size_t *used) {
  size_t count = (size_t)upright->width * (size_t)upright->height, n = 0;
  for (size_t i = 0; i < count; i++) {
    float d = upright->distance.v[i];
    if (residual->mask.v[i] > 0.0f && d >= from && d < to && is_quiet(residual, i))
      scratch[n++] = fabsf(plane->v[i]);
  }
  *used = n;
  return 1.4826 * median(scratch, n);
}

/* clean = cut residual less its local mean over open pixels. */
static void remove_ground(udg_residual *residual, const udg_upright *upright,
                          const udg_light *light) {
  int learned = residual->appearance != NULL;
  if (learned)
    udg_appearance_expect(residual->appearance, upright, light, &residual->mean,
                          &residual->variance);
  size_t count = (size_t)upright->width * (size_t)upright->height, n = 0;
  float *values = residual->first.v;
  for (size_t i = 0; i < count; i++) {
    int open = upright->usable.v[i] > 0.0f && upright->distance.v[i] < -UDG_RESIDUAL_GUARD_PX;
    residual->mask.v[i] = open ? 1.0f : 0.0f;
    residual->clean.v[i] = upright->grey.v[i] - light->model.v[i];
    if (learned)
      residual->clean.v[i] -= residual->mean.v[i];
    if (udg_upright_blown(upright, i)) /* where the model is brighter still, they agree */
      residual->clean.v[i] = fmaxf(residual->clean.v[i], 0.0f);
    if (open && upright->distance.v[i] < FIELD_FROM_PX)
      values[n++] = residual->clean.v[i];
  }
  float middle = (float)median(values, n);
  for (size_t i = 0; i < count; i++)
    residual->clean.v[i] -= middle;
  double field = spread(residual, upright, &residual->clean, -1e9f, FIELD_FROM_PX, values, &n);
  float cut = (float)(CUT_SHARE * light->peak + 2.0 * (field + 0.3));
  for (size_t i = 0; i < count; i++) {
    residual->clean.v[i] = fminf(fmaxf(residual->clean.v[i], -cut), cut) * residual->mask.v[i];
    residual->first.v[i] = residual->clean.v[i];
    residual->second.v[i] = residual->mask.v[i];
  }
  double sigma = GROUND_SIGMA * UDG_UPRIGHT_DIGIT_PX;
  udg_plane_blur(&residual->first, sigma, &residual->white);
  udg_plane_blur(&residual->second, sigma, &residual->white);
  for (size_t i = 0; i < count; i++)
    residual->clean.v[i] =
        (residual->clean.v[i] - residual->first.v[i] / (residual->second.v[i] + 0.05f)) *
        residual->mask.v[i];
}

static double radius_of(const udg_fft_plan *plan, int x, int y) {
  double fx = (double)x / plan->width;
  double fy = (double)(y <= plan->height / 2 ? y : y - plan->height) / plan->height;
  return sqrt(fx * fx + fy * fy);
}

static void transform(udg_residual *residual, const udg_plane *plane) {
  memset(residual->padded.v, 0,
         sizeof(float) * (size_t)residual->padded.width * (size_t)residual->padded.height);
  for (int y = 0; y < plane->height; y++)
    memcpy(udg_plane_row(&residual->padded, y), udg_plane_row(plane, y),
           sizeof(float) * (size_t)plane->width);
  udg_fft_forward(residual->plan, residual->padded.v, residual->frequency);
}

/* Means over rings, holes filled from the neighbour, smoothed by 1 2 1. */
static void ring_means(udg_residual *residual, double pixels) {
  const udg_fft_plan *plan = residual->plan;
  double sum[UDG_SPECTRUM_BINS] = {0.0}, number[UDG_SPECTRUM_BINS] = {0.0};
  for (int y = 0; y < plan->height; y++) {
    for (int x = 0; x < plan->half_width; x++) {
      const udg_complex *c = residual->frequency + (size_t)y * (size_t)plan->half_width + x;
      int bin = (int)(radius_of(plan, x, y) / UDG_SPECTRUM_STEP);
      if (bin >= UDG_SPECTRUM_BINS)
        continue;
      sum[bin] += (double)c->re * (double)c->re + (double)c->im * (double)c->im;
      number[bin] += 1.0;
    }
  }
  double ring[UDG_SPECTRUM_BINS];
  for (int i = 0; i < UDG_SPECTRUM_BINS; i++)
    ring[i] = number[i] > 0.0 ? sum[i] / (number[i] * pixels) : i > 0 ? ring[i - 1] : 0.0;
  for (int i = 0; i < UDG_SPECTRUM_BINS; i++) {
    double before = ring[i > 0 ? i - 1 : i];
    double after = ring[i + 1 < UDG_SPECTRUM_BINS ? i + 1 : i];
    residual->spectrum[i] = 0.25 * before + 0.5 * ring[i] + 0.25 * after;
  }
}

/* Power spectrum of the field around the date. */
static void measure_texture(udg_residual *residual, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height, pixels;
  residual->quiet_to = HUGE_VAL;
  residual->noise =
      spread(residual, upright, &residual->clean, -1e9f, FIELD_FROM_PX, residual->first.v, &pixels);
  const size_t all = pixels;
  for (int round = 0; residual->appearance && round < QUIET_ROUNDS; round++) {
    const double before = residual->quiet_to;
    size_t quiet;
    residual->quiet_to = residual->noise * residual->noise;
    double noise = spread(residual, upright, &residual->clean, -1e9f, FIELD_FROM_PX,
                          residual->first.v, &quiet);
    if ((double)quiet < QUIET_MIN_SHARE * (double)all) {
      residual->quiet_to = before; /* hardly any bare field would be left */
      break;
    }
    residual->noise = noise;
    pixels = quiet;
  }
  float cut = (float)(FIELD_CUT * residual->noise);
  for (size_t i = 0; i < count; i++) {
    int field = residual->mask.v[i] > 0.0f && upright->distance.v[i] < FIELD_FROM_PX &&
                is_quiet(residual, i);
    residual->first.v[i] = field ? fminf(fmaxf(residual->clean.v[i], -cut), cut) : 0.0f;
  }
  transform(residual, &residual->first);
  ring_means(residual, pixels > 0 ? (double)pixels : 1.0);
  double peak = 0.0, mean = 0.0;
  for (int i = 0; i < UDG_SPECTRUM_BINS; i++) {
    peak = fmax(peak, residual->spectrum[i]);
    mean += residual->spectrum[i] / UDG_SPECTRUM_BINS;
  }
  residual->floor = FLOOR_PEAK * peak + FLOOR_MEAN * mean + FLOOR_LEVEL;
}

double udg_residual_whitening(const udg_residual *residual, double frequency) {
  double at = frequency / UDG_SPECTRUM_STEP - 0.5;
  int bin = at > 0.0 ? (int)at : 0;
  if (bin > UDG_SPECTRUM_BINS - 2)
    bin = UDG_SPECTRUM_BINS - 2;
  double part = fmin(fmax(at - bin, 0.0), 1.0);
  double power =
      residual->spectrum[bin] + part * (residual->spectrum[bin + 1] - residual->spectrum[bin]);
  return 1.0 / sqrt(power + residual->floor);
}

double udg_residual_highpass(double frequency) {
  double s = GROUND_SIGMA * UDG_UPRIGHT_DIGIT_PX, pi = acos(-1.0);
  return 1.0 - exp(-2.0 * pi * pi * s * s * frequency * frequency);
}

static void whiten(udg_residual *residual) {
  const udg_fft_plan *plan = residual->plan;
  transform(residual, &residual->clean);
  for (int y = 0; y < plan->height; y++) {
    for (int x = 0; x < plan->half_width; x++) {
      udg_complex *c = residual->frequency + (size_t)y * (size_t)plan->half_width + x;
      float gain =
          (float)(udg_residual_whitening(residual, radius_of(plan, x, y)) * (double)plan->scale);
      c->re *= gain;
      c->im *= gain;
    }
  }
  udg_fft_inverse(plan, residual->frequency, residual->padded.v);
  for (int y = 0; y < residual->white.height; y++)
    memcpy(udg_plane_row(&residual->white, y), udg_plane_row(&residual->padded, y),
           sizeof(float) * (size_t)residual->white.width);
}

/* Variance of `white` by distance to the present digits: their misfit grows
 * towards them, whatever its cause. */
static void weigh(udg_residual *residual, const udg_upright *upright) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  double at[BAND_COUNT], variance[BAND_COUNT], gain = udg_residual_stroke_gain(residual);
  int bands = 0;
  for (int b = 0; b < BAND_COUNT; b++) {
    size_t n;
    double s =
        spread(residual, upright, &residual->white, BANDS[b], BANDS[b + 1], residual->first.v, &n);
    if (n < 30)
      continue;
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
      double v = fmin((double)residual->first.v[i], 3.0 * s);
      sum += v * v;
    }
    at[bands] = fmax(0.5 * (double)(BANDS[b] + BANDS[b + 1]), -16.0);
    variance[bands++] = fmax(sum / (double)n, 0.3);
  }
  for (size_t i = 0; i < count; i++) {
    double v = bands > 0 ? variance[0] : 1.0, d = (double)upright->distance.v[i];
    for (int b = 1; b < bands && d > at[b - 1]; b++) {
      double part = fmin((d - at[b - 1]) / (at[b] - at[b - 1]), 1.0);
      v = variance[b - 1] + part * (variance[b] - variance[b - 1]);
    }
    if (residual->appearance)
      v += gain * gain * (double)residual->variance.v[i];
#ifdef UDG_WITHOUT_WEIGHTS /* to measure what they are worth: docs/accuracy.md */
    v = 1.0;
#endif
    residual->weight.v[i] = (float)((double)residual->mask.v[i] / v);
  }
}

udg_status udg_residual_make(udg_residual *residual, const udg_upright *upright,
                             const udg_light *light, udg_message *message) {
  (void)message;
  remove_ground(residual, upright, light);
  measure_texture(residual, upright);
  whiten(residual);
  weigh(residual, upright);
  return UDG_OK;
}
