/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "fft.h"

#include <fftw3.h>
#include <pthread.h>

#include "wider.h"

/* FFTW's planner is the only part of it that is not thread-safe. */
static pthread_mutex_t planner_mutex = PTHREAD_MUTEX_INITIALIZER;

typedef struct plan_node {
  udg_fft_plan plan;
  struct plan_node *next;
} plan_node;

typedef struct pair_node {
  udg_fft_pair_plan plan;
  struct pair_node *next;
} pair_node;

struct udg_fft {
  udg_settings settings;
  plan_node *first;
  pair_node *first_pair;
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

static void plans_drop(const udg_settings *settings, void *const *plans, int count) {
  planner_enter(settings);
  for (int i = 0; i < count; i++)
    if (plans[i])
      fftwf_destroy_plan((fftwf_plan)plans[i]);
  planner_leave(settings);
}

static void node_drop(const udg_settings *settings, plan_node *node) {
  void *plans[] = {node->plan.forward, node->plan.inverse};
  plans_drop(settings, plans, 2);
  udg_memory_drop(settings, node);
}

static void pair_drop(const udg_settings *settings, pair_node *node) {
  udg_fft_pair_plan *plan = &node->plan;
  void *plans[] = {plan->forward[0], plan->forward[1], plan->inverse[0],
                   plan->inverse[1], plan->columns,    plan->few};
  plans_drop(settings, plans, sizeof plans / sizeof *plans);
  udg_memory_drop(settings, plan->scratch);
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
  for (pair_node *node = fft->first_pair, *next; node; node = next) {
    next = node->next;
    pair_drop(&settings, node);
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

/* FFTW_ESTIMATE: a measured plan could differ from run to run, and with it the
 * last bits of every score. */
static udg_status plan_make(udg_fft *fft, int width, int height, udg_fft_plan *plan,
                            udg_message *message) {
  int half_width = width / 2 + 1;
  *plan = (udg_fft_plan){.width = width, .height = height, .half_width = half_width};
  plan->scale = 1.0f / ((float)width * (float)height);
  size_t spectrum_count = (size_t)half_width * (size_t)height;
  float *pixels = udg_memory_get(&fft->settings, (size_t)width * (size_t)height, sizeof *pixels);
  udg_complex *spectrum = udg_memory_get(&fft->settings, spectrum_count, sizeof *spectrum);
  udg_status status = UDG_OK;
  if (pixels && spectrum) {
    fftwf_complex *complex_side = (fftwf_complex *)(void *)spectrum;
    planner_enter(&fft->settings);
    plan->forward = fftwf_plan_dft_r2c_2d(height, width, pixels, complex_side, FFTW_ESTIMATE);
    plan->inverse = fftwf_plan_dft_c2r_2d(height, width, complex_side, pixels, FFTW_ESTIMATE);
    planner_leave(&fft->settings);
  }
  if (!plan->forward || !plan->inverse)
    status =
        udg_fail(message, UDG_ERROR_MEMORY, "no memory to plan a %d x %d transform", width, height);
  udg_memory_drop(&fft->settings, spectrum);
  udg_memory_drop(&fft->settings, pixels);
  return status;
}

udg_status udg_fft_plan_get(udg_fft *fft, int width, int height, const udg_fft_plan **plan,
                            udg_message *message) {
  for (plan_node *node = fft->first; node; node = node->next)
    if (node->plan.width == width && node->plan.height == height) {
      *plan = &node->plan;
      return UDG_OK;
    }
  if (width < 1 || height < 1)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "transform of %d x %d", width, height);
  plan_node *node = udg_memory_get(&fft->settings, 1, sizeof *node);
  if (!node)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a transform");
  udg_status status = plan_make(fft, width, height, &node->plan, message);
  if (status != UDG_OK) {
    node_drop(&fft->settings, node);
    return status;
  }
  node->next = fft->first;
  fft->first = node;
  *plan = &node->plan;
  return UDG_OK;
}

/* `lines` transforms of `length` values that lie side by side, written across. */
static void *turning_pass(int length, int lines, fftwf_complex *from, fftwf_complex *to, int sign) {
  return fftwf_plan_many_dft(1, &length, lines, from, NULL, 1, length, to, NULL, lines, 1, sign,
                             FFTW_ESTIMATE);
}

/* Along the rows and along the columns, each pass turning the plane: planned without measuring,
 * this takes less than two thirds of one two-dimensional plan (112 x 112). */
static udg_status pair_make(udg_fft *fft, udg_fft_pair_plan *plan, udg_message *message) {
  int width = plan->width, height = plan->height;
  size_t count = (size_t)width * (size_t)height;
  udg_complex *data = udg_memory_get(&fft->settings, count, sizeof *data);
  plan->scratch = udg_memory_get(&fft->settings, count, sizeof *plan->scratch);
  if (data && plan->scratch) {
    fftwf_complex *d = (fftwf_complex *)(void *)data, *o = (fftwf_complex *)(void *)plan->scratch;
    planner_enter(&fft->settings);
    plan->forward[0] = turning_pass(width, height, d, o, FFTW_FORWARD);
    plan->forward[1] = turning_pass(height, width, o, d, FFTW_FORWARD);
    plan->inverse[0] = turning_pass(width, height, d, o, FFTW_BACKWARD);
    plan->inverse[1] = turning_pass(height, width, o, d, FFTW_BACKWARD);
    plan->columns = fftwf_plan_many_dft(1, &height, width, d, NULL, width, 1, o, NULL, width, 1,
                                        FFTW_BACKWARD, FFTW_ESTIMATE);
    plan->few = fftwf_plan_many_dft(1, &width, plan->rows, o, NULL, 1, width, d, NULL, 1, width,
                                    FFTW_BACKWARD, FFTW_ESTIMATE);
    planner_leave(&fft->settings);
  }
  udg_memory_drop(&fft->settings, data);
  return plan->forward[0] && plan->forward[1] && plan->inverse[0] && plan->inverse[1] &&
                 plan->columns && plan->few
             ? UDG_OK
             : udg_fail(message, UDG_ERROR_MEMORY, "no memory to plan a %d x %d transform", width,
                        height);
}

udg_status udg_fft_pair_plan_get(udg_fft *fft, int width, int height, int rows,
                                 const udg_fft_pair_plan **plan, udg_message *message) {
  for (pair_node *node = fft->first_pair; node; node = node->next)
    if (node->plan.width == width && node->plan.height == height && node->plan.rows == rows) {
      *plan = &node->plan;
      return UDG_OK;
    }
  if (width < 1 || height < 1 || rows < 1 || rows > height)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "transform of %d x %d, %d rows", width, height,
                    rows);
  pair_node *node = udg_memory_get(&fft->settings, 1, sizeof *node);
  if (!node)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a transform");
  node->plan = (udg_fft_pair_plan){.width = width,
                                   .height = height,
                                   .rows = rows,
                                   .scale = 1.0f / ((float)width * (float)height)};
  udg_status status = pair_make(fft, &node->plan, message);
  if (status != UDG_OK) {
    pair_drop(&fft->settings, node);
    return status;
  }
  node->next = fft->first_pair;
  fft->first_pair = node;
  *plan = &node->plan;
  return UDG_OK;
}

void udg_fft_forward(const udg_fft_plan *plan, float *pixels, udg_complex *spectrum) {
  fftwf_execute_dft_r2c((fftwf_plan)plan->forward, pixels, (fftwf_complex *)(void *)spectrum);
}

void udg_fft_inverse(const udg_fft_plan *plan, udg_complex *spectrum, float *pixels) {
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

static void execute(void *plan, udg_complex *from, udg_complex *to) {
  fftwf_execute_dft((fftwf_plan)plan, (fftwf_complex *)(void *)from, (fftwf_complex *)(void *)to);
}

void udg_fft_pair_forward(const udg_fft_pair_plan *plan, udg_complex *data) {
  execute(plan->forward[0], data, plan->scratch);
  execute(plan->forward[1], plan->scratch, data);
}

void udg_fft_pair_inverse(const udg_fft_pair_plan *plan, udg_complex *data) {
  execute(plan->inverse[0], data, plan->scratch);
  execute(plan->inverse[1], plan->scratch, data);
}

void udg_fft_pair_inverse_rows(const udg_fft_pair_plan *plan, udg_complex *data) {
  execute(plan->columns, data, plan->scratch);
  execute(plan->few, plan->scratch, data);
}

UDG_WIDER
static void conjugate_product(const udg_complex *restrict image, const udg_complex *restrict kernel,
                              size_t count, float scale, udg_complex *restrict product) {
  for (size_t i = 0; i < count; i++) {
    udg_complex a = image[i], b = kernel[i];
    product[i].re = scale * (a.re * b.re + a.im * b.im);
    product[i].im = scale * (a.im * b.re - a.re * b.im);
  }
}

void udg_fft_pair_correlate(const udg_fft_pair_plan *plan, const udg_complex *image,
                            const udg_complex *kernels, udg_complex *product) {
  conjugate_product(image, kernels, (size_t)plan->width * (size_t)plan->height, plan->scale,
                    product);
}
