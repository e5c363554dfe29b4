/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "fft.h"

#include <fftw3.h>
#include <pthread.h>

/* FFTW's planner is the only part of it that is not thread-safe. */
static pthread_mutex_t planner_mutex = PTHREAD_MUTEX_INITIALIZER;

typedef struct plan_node {
  udg_fft_plan plan;
  struct plan_node *next;
} plan_node;

struct udg_fft {
  udg_settings settings;
  plan_node *first;
};

static void planner_enter(const udg_settings *settings) {
  if (settings->planner_lock && settings->planner_unlock)
    settings->planner_lock(settings->user);
  else
    pthread_mutex_lock(&planner_mutex);
}

static void planner_leave(const udg_settings *settings) {
  if (settings->planner_lock && settings->planner_unlock)
    settings->planner_unlock(settings->user);
  else
    pthread_mutex_unlock(&planner_mutex);
}

udg_status udg_fft_create(const udg_settings *settings, udg_fft **fft, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_fft *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for transforms");
  made->settings = resolved;
  *fft = made;
  return UDG_OK;
}

static void node_drop(const udg_settings *settings, plan_node *node) {
  planner_enter(settings);
  if (node->plan.forward)
    fftwf_destroy_plan((fftwf_plan)node->plan.forward);
  if (node->plan.inverse)
    fftwf_destroy_plan((fftwf_plan)node->plan.inverse);
  if (node->plan.columns)
    fftwf_destroy_plan((fftwf_plan)node->plan.columns);
  planner_leave(settings);
  udg_memory_drop(settings, node);
}

void udg_fft_destroy(udg_fft *fft) {
  if (!fft)
    return;
  udg_settings settings = fft->settings;
  for (plan_node *node = fft->first, *next; node; node = next) {
    next = node->next;
    node_drop(&settings, node);
  }
  udg_memory_drop(&settings, fft);
}

int udg_fft_good_size(int n) {
  for (int size = n < 2 ? 2 : n + (n & 1);; size += 2) {
    int rest = size;
    static const int primes[] = {2, 3, 5, 7};
    for (int i = 0; i < 4; i++)
      while (rest % primes[i] == 0)
        rest /= primes[i];
    if (rest == 1)
      return size;
  }
}

/* Down all columns first, then along the few rows that are asked for. */
static void plan_few_rows(udg_fft_plan *plan, float *pixels, fftwf_complex *spectrum) {
  int half = plan->half_width;
  plan->columns = fftwf_plan_many_dft(1, &plan->height, half, spectrum, NULL, half, 1, spectrum,
                                      NULL, half, 1, FFTW_BACKWARD, FFTW_ESTIMATE);
  plan->inverse = fftwf_plan_many_dft_c2r(1, &plan->width, plan->rows, spectrum, NULL, 1, half,
                                          pixels, NULL, 1, plan->width, FFTW_ESTIMATE);
}

/* FFTW_ESTIMATE: a measured plan could differ from run to run, and with it the
 * last bits of every score. */
static udg_status plan_make(udg_fft *fft, int width, int height, int rows, udg_fft_plan *plan,
                            udg_message *message) {
  int half_width = width / 2 + 1;
  *plan = (udg_fft_plan){.width = width, .height = height, .half_width = half_width, .rows = rows};
  plan->scale = 1.0f / ((float)width * (float)height);
  size_t spectrum_count = (size_t)half_width * (size_t)height;
  float *pixels = udg_memory_get(&fft->settings, (size_t)width * (size_t)height, sizeof *pixels);
  udg_complex *spectrum = udg_memory_get(&fft->settings, spectrum_count, sizeof *spectrum);
  udg_status status = UDG_OK;
  if (pixels && spectrum) {
    fftwf_complex *complex_side = (fftwf_complex *)(void *)spectrum;
    planner_enter(&fft->settings);
    plan->forward = fftwf_plan_dft_r2c_2d(height, width, pixels, complex_side, FFTW_ESTIMATE);
    if (rows < height)
      plan_few_rows(plan, pixels, complex_side);
    else
      plan->inverse = fftwf_plan_dft_c2r_2d(height, width, complex_side, pixels, FFTW_ESTIMATE);
    planner_leave(&fft->settings);
  }
  if (!plan->forward || !plan->inverse || (rows < height && !plan->columns))
    status =
        udg_fail(message, UDG_ERROR_MEMORY, "no memory to plan a %d x %d transform", width, height);
  udg_memory_drop(&fft->settings, spectrum);
  udg_memory_drop(&fft->settings, pixels);
  return status;
}

udg_status udg_fft_plan_get(udg_fft *fft, int width, int height, const udg_fft_plan **plan,
                            udg_message *message) {
  return udg_fft_plan_get_rows(fft, width, height, height, plan, message);
}

udg_status udg_fft_plan_get_rows(udg_fft *fft, int width, int height, int rows,
                                 const udg_fft_plan **plan, udg_message *message) {
  for (plan_node *node = fft->first; node; node = node->next)
    if (node->plan.width == width && node->plan.height == height && node->plan.rows == rows) {
      *plan = &node->plan;
      return UDG_OK;
    }
  if (width < 1 || height < 1 || rows < 1 || rows > height)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "transform of %d x %d, %d rows", width, height,
                    rows);
  plan_node *node = udg_memory_get(&fft->settings, 1, sizeof *node);
  if (!node)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a transform");
  udg_status status = plan_make(fft, width, height, rows, &node->plan, message);
  if (status != UDG_OK) {
    node_drop(&fft->settings, node);
    return status;
  }
  node->next = fft->first;
  fft->first = node;
  *plan = &node->plan;
  return UDG_OK;
}

void udg_fft_forward(const udg_fft_plan *plan, float *pixels, udg_complex *spectrum) {
  fftwf_execute_dft_r2c((fftwf_plan)plan->forward, pixels, (fftwf_complex *)(void *)spectrum);
}

void udg_fft_inverse(const udg_fft_plan *plan, udg_complex *spectrum, float *pixels) {
  if (plan->columns)
    fftwf_execute_dft((fftwf_plan)plan->columns, (fftwf_complex *)(void *)spectrum,
                      (fftwf_complex *)(void *)spectrum);
  fftwf_execute_dft_c2r((fftwf_plan)plan->inverse, (fftwf_complex *)(void *)spectrum, pixels);
}

void udg_fft_correlate(const udg_fft_plan *plan, const udg_complex *image,
                       const udg_complex *kernel, udg_complex *product) {
  size_t count = (size_t)plan->half_width * (size_t)plan->height;
  float scale = plan->scale;
  for (size_t i = 0; i < count; i++) {
    udg_complex a = image[i], b = kernel[i];
    product[i].re = scale * (a.re * b.re + a.im * b.im);
    product[i].im = scale * (a.im * b.re - a.re * b.im);
  }
}
