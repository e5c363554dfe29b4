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
  float scale; /* 1 / (width height) */
  void *forward, *inverse;
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
/* Two real planes at a time, one as the real and one as the imaginary part: cheaper than two
 * real transforms.  Spectra are whole, `height` rows of `width`; everything is in place. */
typedef struct udg_fft_pair_plan {
  int width, height;
  int rows;    /* so many of its rows udg_fft_pair_inverse_rows() gives */
  float scale; /* 1 / (width height) */
  void *forward[2], *inverse[2];
  udg_complex *scratch;
  void *columns, *few; /* the passes of an inverse down the columns and along a few rows */
} udg_fft_pair_plan;

/* As udg_fft_plan_get(). 1 <= rows <= height. */
udg_status udg_fft_pair_plan_get(udg_fft *fft, int width, int height, int rows,
                                 const udg_fft_pair_plan **plan, udg_message *message);

/* All buffers come from udg_memory_get (aligned for vectors).
 * Forward: width x height pixels -> half_width x height spectrum, no factor. */
void udg_fft_forward(const udg_fft_plan *plan, float *pixels, udg_complex *spectrum);
/* Inverse of forward times width height; the spectrum is destroyed. */
void udg_fft_inverse(const udg_fft_plan *plan, udg_complex *spectrum, float *pixels);

/* product = image conj(kernel) / (width height): after udg_fft_inverse() this is
 * sum over u of kernel(u) image(x + u), circular.  `product` may be `image`. */
void udg_fft_correlate(const udg_fft_plan *plan, const udg_complex *image,
                       const udg_complex *kernel, udg_complex *product);

/* As udg_fft_forward() and udg_fft_inverse(). */
void udg_fft_pair_forward(const udg_fft_pair_plan *plan, udg_complex *data);
void udg_fft_pair_inverse(const udg_fft_pair_plan *plan, udg_complex *data);
/* Only the first rows come out; the others are left without a meaning. */
void udg_fft_pair_inverse_rows(const udg_fft_pair_plan *plan, udg_complex *data);

/* As udg_fft_correlate(), with the spectrum of one real image and those of a pair of kernels: the
 * inverse has the first kernel's correlation as its real part, and less the second's as its
 * imaginary part. */
void udg_fft_pair_correlate(const udg_fft_pair_plan *plan, const udg_complex *image,
                            const udg_complex *kernels, udg_complex *product);

#endif
