/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Transforms of square windows of one size, two real ones at a time: what the score stage does a
 * thousand times a photo.  FFTW's plans for that size, made without measuring, take four times as
 * many instructions. */
#ifndef UDG_WINDOW_FFT_H
#define UDG_WINDOW_FFT_H

#include "fft.h"

enum { UDG_WINDOW_SIDE = 112 };

/* Floats of scratch; from udg_memory_get(). */
enum { UDG_WINDOW_SCRATCH = 2 * UDG_WINDOW_SIDE * UDG_WINDOW_SIDE };

/* In place, no factor.  The spectrum lies transposed: row by row of the frequency across. */
void udg_window_forward(udg_complex *data, float *scratch);
/* Inverse of forward times the number of pixels. */
void udg_window_inverse(udg_complex *data, float *scratch);
/* Only pixels (x, y) with x, y < `side` come out, in rows as long as before; the others are left
 * without a meaning. */
void udg_window_inverse_part(udg_complex *data, int side, float *scratch);

#endif
