/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Two-dimensional real transforms, single precision; the one owner of FFTW. */
#ifndef UDG_FFT_H
#define UDG_FFT_H

#include "base.h"

typedef struct udg_complex {
  float re, im;
} udg_complex;

/* Plans by size; belongs to one inspector.  Planning (and only that) happens
 * under the settings' planner lock, or under a lock of the library's own. */
typedef struct udg_fft udg_fft;

/* One size.  A spectrum is `height` rows of `half_width` = width / 2 + 1. */
typedef struct udg_fft_plan {
  int width, height, half_width;
  int rows;    /* so many of its rows the inverse gives: height, or the first few */
  float scale; /* 1 / (width height) */
  void *forward, *inverse;
  void *columns; /* with rows < height the inverse's first pass, down the columns */
} udg_fft_plan;

/* `settings` is copied. */
udg_status udg_fft_create(const udg_settings *settings, udg_fft **fft, udg_message *message);
void udg_fft_destroy(udg_fft *fft);

/* Smallest even 2^a 3^b 5^c 7^d that is at least n. */
int udg_fft_good_size(int n);

/* The plan of that size, made at the first call and kept until the end of
 * `fft`.  Every size is allowed, a good one is fast. */
udg_status udg_fft_plan_get(udg_fft *fft, int width, int height, const udg_fft_plan **plan,
                            udg_message *message);
/* The same with an inverse that gives only the first `rows` rows of pixels; the
 * others stay as they are. 1 <= rows <= height. */
udg_status udg_fft_plan_get_rows(udg_fft *fft, int width, int height, int rows,
                                 const udg_fft_plan **plan, udg_message *message);

/* All buffers come from udg_memory_get (aligned for vectors).
 * Forward: width x height pixels -> half_width x height spectrum, no factor. */
void udg_fft_forward(const udg_fft_plan *plan, float *pixels, udg_complex *spectrum);
/* Inverse of forward times width height; the spectrum is destroyed. */
void udg_fft_inverse(const udg_fft_plan *plan, udg_complex *spectrum, float *pixels);

/* product = image conj(kernel) / (width height): after udg_fft_inverse() this is
 * sum over u of kernel(u) image(x + u), circular.  `product` may be `image`. */
void udg_fft_correlate(const udg_fft_plan *plan, const udg_complex *image,
                       const udg_complex *kernel, udg_complex *product);

#endif
