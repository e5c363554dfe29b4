/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "stereo.h"

#include <math.h>
#include <string.h>

/* Slopes are smoothed before their curl is asked for, px. */
static const double CURL_BLUR_PX = 1.5;
/* Waves longer than about 140 px are held down: slopes hardly tell them. */
static const double LONG_WAVE = 0.002;
enum { ROUNDS = 200, SWEEPS = 30 };

void udg_symmetric_eigen(double *matrix, int n, double *values, double *vectors) {
  for (int i = 0; i < n * n; i++)
    vectors[i] = i % (n + 1) == 0 ? 1.0 : 0.0;
  for (int sweep = 0; sweep < SWEEPS; sweep++) {
    for (int p = 0; p < n; p++)
      for (int q = p + 1; q < n; q++) {
        double off = matrix[p * n + q];
        if (off == 0.0)
          continue;
        double theta = (matrix[q * n + q] - matrix[p * n + p]) / (2.0 * off);
        double t = (theta < 0.0 ? -1.0 : 1.0) / (fabs(theta) + sqrt(theta * theta + 1.0));
        double c = 1.0 / sqrt(t * t + 1.0), s = t * c;
        for (int k = 0; k < n; k++) {
          double a = matrix[k * n + p], b = matrix[k * n + q];
          matrix[k * n + p] = c * a - s * b;
          matrix[k * n + q] = s * a + c * b;
        }
        for (int k = 0; k < n; k++) {
          double a = matrix[p * n + k], b = matrix[q * n + k];
          matrix[p * n + k] = c * a - s * b;
          matrix[q * n + k] = s * a + c * b;
          a = vectors[k * n + p];
          b = vectors[k * n + q];
          vectors[k * n + p] = c * a - s * b;
          vectors[k * n + q] = s * a + c * b;
        }
      }
  }
  for (int i = 0; i < n; i++)
    values[i] = matrix[i * n + i];
  for (int i = 0; i < n; i++) /* into rising order */
    for (int j = i + 1; j < n; j++)
      if (values[j] < values[i]) {
        double v = values[i];
        values[i] = values[j];
        values[j] = v;
        for (int k = 0; k < n; k++) {
          v = vectors[k * n + i];
          vectors[k * n + i] = vectors[k * n + j];
          vectors[k * n + j] = v;
        }
      }
}

static void take_mean_away(udg_plane *pictures, size_t count, float *mean) {
  size_t pixels = (size_t)pictures->width * (size_t)pictures->height;
  memset(mean, 0, pixels * sizeof *mean);
  for (size_t i = 0; i < count; i++)
    for (size_t k = 0; k < pixels; k++)
      mean[k] += pictures[i].v[k] / (float)count;
  for (size_t i = 0; i < count; i++)
    for (size_t k = 0; k < pixels; k++)
      pictures[i].v[k] -= mean[k];
}

static double dot(const float *a, const float *b, size_t n) {
  double sum = 0.0;
  for (size_t i = 0; i < n; i++)
    sum += (double)a[i] * (double)b[i];
  return sum;
}

/* Makes the second of a pair orthogonal to the first, both of unit length; 0 when one
 * vanishes. */
static int make_orthogonal(double *pair[2], size_t n) {
  for (int k = 0; k < 2; k++) {
    double along = 0.0, square = 0.0;
    for (size_t i = 0; k > 0 && i < n; i++)
      along += pair[0][i] * pair[1][i];
    for (size_t i = 0; i < n; i++) {
      pair[k][i] -= k > 0 ? along * pair[0][i] : 0.0;
      square += pair[k][i] * pair[k][i];
    }
    if (!(square > 1e-24))
      return 0;
    for (size_t i = 0; i < n; i++)
      pair[k][i] /= sqrt(square);
  }
  return 1;
}

/* The two strongest eigenvectors of the pictures' Gram matrix, by orthogonal iteration. */
static int strongest_pair(const double *gram, size_t n, double *pair[2], double *next[2]) {
  for (size_t i = 0; i < n; i++) {
    pair[0][i] = 1.0 + (double)((i * 7919u) % 101u) / 101.0;
    pair[1][i] = (i % 2 ? 1.0 : -1.0) + (double)((i * 104729u) % 97u) / 97.0;
  }
  if (!make_orthogonal(pair, n))
    return 0;
  for (int round = 0; round < ROUNDS; round++) {
    for (int k = 0; k < 2; k++)
      for (size_t i = 0; i < n; i++) {
        next[k][i] = 0.0;
        for (size_t j = 0; j < n; j++)
          next[k][i] += gram[i * n + j] * pair[k][j];
      }
    for (int k = 0; k < 2; k++)
      memcpy(pair[k], next[k], n * sizeof *pair[k]);
    if (!make_orthogonal(pair, n))
      return 0;
  }
  return 1;
}

static udg_status components(const udg_settings *settings, const udg_plane *pictures, size_t n,
                             udg_plane *first, udg_plane *second) {
  size_t pixels = (size_t)pictures->width * (size_t)pictures->height;
  double *block = udg_memory_get(settings, n * n + 4 * n, sizeof *block);
  if (!block)
    return UDG_ERROR_MEMORY;
  double *pair[2] = {block + n * n, block + n * n + n};
  double *next[2] = {block + n * n + 2 * n, block + n * n + 3 * n};
  double trace = 0.0;
  for (size_t i = 0; i < n; i++)
    for (size_t j = 0; j <= i; j++)
      block[i * n + j] = block[j * n + i] = dot(pictures[i].v, pictures[j].v, pixels);
  for (size_t i = 0; i < n; i++)
    trace += block[i * n + i];
  int good = trace > 0.0 && strongest_pair(block, n, pair, next);
  udg_plane *planes[2] = {first, second};
  for (int k = 0; k < 2 && good; k++) {
    memset(planes[k]->v, 0, pixels * sizeof(float));
    for (size_t i = 0; i < n; i++)
      for (size_t at = 0; at < pixels; at++)
        planes[k]->v[at] += (float)pair[k][i] * pictures[i].v[at];
  }
  udg_memory_drop(settings, block);
  return good ? UDG_OK : UDG_ERROR_ARGUMENT;
}

/* p = a u1 + b u2, q = c u1 + d u2 with the least sum of (dq/dx - dp/dy)^2, a^2 + b^2 +
 * c^2 + d^2 = 1: the smallest eigenvector of the four derivatives' Gram matrix. */
static void uncurl(const udg_plane *u1, const udg_plane *u2, double mix[4]) {
  double gram[16] = {0.0}, values[4], vectors[16];
  for (int y = 1; y + 1 < u1->height; y++)
    for (int x = 1; x + 1 < u1->width; x++) {
      const udg_plane *u[2] = {u1, u2};
      double d[4];
      for (int k = 0; k < 2; k++) {
        d[k] = -(double)(udg_plane_row(u[k], y + 1)[x] - udg_plane_row(u[k], y - 1)[x]);
        d[2 + k] = (double)(udg_plane_row(u[k], y)[x + 1] - udg_plane_row(u[k], y)[x - 1]);
      }
      for (int i = 0; i < 4; i++)
        for (int j = 0; j < 4; j++)
          gram[4 * i + j] += d[i] * d[j];
    }
  udg_symmetric_eigen(gram, 4, values, vectors);
  for (int i = 0; i < 4; i++)
    mix[i] = vectors[4 * i];
}

/* H = -(i fx P + i fy Q) / (fx^2 + fy^2), frequencies in radians a pixel. */
static void integrate(const udg_fft_plan *plan, udg_complex *p, const udg_complex *q) {
  const double tau = 2.0 * acos(-1.0);
  for (int y = 0; y < plan->height; y++)
    for (int x = 0; x < plan->half_width; x++) {
      size_t at = (size_t)y * (size_t)plan->half_width + (size_t)x;
      double fx = tau * x / plan->width;
      double fy = tau * (y <= plan->height / 2 ? y : y - plan->height) / plan->height;
      double over = (double)plan->scale / (fx * fx + fy * fy + LONG_WAVE);
      double re = fx * (double)p[at].re + fy * (double)q[at].re;
      double im = fx * (double)p[at].im + fy * (double)q[at].im;
      p[at].re = (float)(im * over);
      p[at].im = (float)(-re * over);
    }
}

static udg_status surface(const udg_settings *settings, udg_fft *fft, udg_plane *p, udg_plane *q,
                          udg_plane *height, udg_message *message) {
  const udg_fft_plan *plan;
  udg_status status = udg_fft_plan_get(fft, p->width, p->height, &plan, message);
  if (status != UDG_OK)
    return status;
  size_t bins = (size_t)plan->half_width * (size_t)plan->height;
  udg_complex *spectra = udg_memory_get(settings, bins, sizeof *spectra);
  udg_complex *second = udg_memory_get(settings, bins, sizeof *second);
  if (spectra && second) {
    udg_fft_forward(plan, p->v, spectra);
    udg_fft_forward(plan, q->v, second);
    integrate(plan, spectra, second);
    udg_fft_inverse(plan, spectra, height->v);
  }
  status = spectra && second ? UDG_OK : UDG_ERROR_MEMORY;
  udg_memory_drop(settings, spectra);
  udg_memory_drop(settings, second);
  return status == UDG_OK ? status
                          : udg_fail(message, status, "no memory for the surface's spectrum");
}

udg_status udg_stereo_height(const udg_settings *settings, udg_fft *fft, udg_plane *pictures,
                             size_t count, udg_plane *height, udg_message *message) {
  udg_plane u[2] = {{0}, {0}}, smooth[2] = {{0}, {0}};
  size_t pixels = (size_t)height->width * (size_t)height->height;
  udg_status status = UDG_OK;
  for (int k = 0; k < 2 && status == UDG_OK; k++) {
    status = udg_plane_create(settings, height->width, height->height, &u[k]);
    if (status == UDG_OK)
      status = udg_plane_create(settings, height->width, height->height, &smooth[k]);
  }
  if (status == UDG_OK) {
    take_mean_away(pictures, count, height->v);
    status = components(settings, pictures, count, &u[0], &u[1]);
  }
  if (status == UDG_OK) {
    double mix[4];
    for (int k = 0; k < 2; k++) {
      memcpy(smooth[k].v, u[k].v, pixels * sizeof(float));
      udg_plane_blur(&smooth[k], CURL_BLUR_PX, height);
    }
    uncurl(&smooth[0], &smooth[1], mix);
    for (size_t i = 0; i < pixels; i++) {
      double a = (double)u[0].v[i], b = (double)u[1].v[i];
      smooth[0].v[i] = (float)(mix[0] * a + mix[1] * b);
      smooth[1].v[i] = (float)(mix[2] * a + mix[3] * b);
    }
    status = surface(settings, fft, &smooth[0], &smooth[1], height, message);
  } else {
    udg_fail(message, status, "%s",
             status == UDG_ERROR_MEMORY ? "no memory to lay the photos on each other"
                                        : "the photos do not differ in their light");
  }
  for (int k = 0; k < 2; k++) {
    udg_plane_destroy(settings, &u[k]);
    udg_plane_destroy(settings, &smooth[k]);
  }
  return status;
}
