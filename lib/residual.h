/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "subtract": photo minus lit model, the ground's toning removed, its
 * texture whitened, every pixel with its weight. */
#ifndef UDG_RESIDUAL_H
#define UDG_RESIDUAL_H

#include "expect.h"
#include "fft.h"

enum { UDG_SPECTRUM_BINS = 40 };
#define UDG_SPECTRUM_STEP 0.02 /* cycles/px: bins reach beyond the diagonal 0.707 */

/* Pixels less than this far outside the present digits are theirs, px. */
#define UDG_RESIDUAL_GUARD_PX 1.0f

typedef struct udg_residual {
  udg_plane clean;  /* levels; ground removed, cut at what an edge can do, 0 where masked */
  udg_plane white;  /* `clean` through the whitening filter: about N(0, 1) on the field */
  udg_plane weight; /* 1 / variance of `white`, 0 under the present digits and where not usable */
  double spectrum[UDG_SPECTRUM_BINS]; /* power per pixel of the field by radial frequency */
  double floor;                     /* added to the spectrum: misfit that the field does not show */
  const udg_appearance *appearance; /* what plain coins show beyond the model; NULL: not learned */
  udg_plane mean, variance;         /* of it in this photo, levels, levels^2 */
  double quiet_to; /* texture is measured where that variance is no larger, levels^2 */
  double noise;    /* robust s.d. of `clean` on the field, levels */
  udg_plane mask, first, second;
  const udg_fft_plan *plan;
  udg_plane padded;
  udg_complex *frequency;
  udg_settings settings;
} udg_residual;

/* `fft` must outlive the residual. */
udg_status udg_residual_create(const udg_settings *settings, const udg_upright *upright,
                               udg_fft *fft, udg_residual **residual, udg_message *message);
void udg_residual_destroy(udg_residual *residual);

udg_status udg_residual_make(udg_residual *residual, const udg_upright *upright,
                             const udg_light *light, udg_message *message);

/* Gain of the whitening filter for what plain coins differ by, which comes in strokes. */
double udg_residual_stroke_gain(const udg_residual *residual);
/* Gain of the whitening filter at a frequency in cycles/px. */
double udg_residual_whitening(const udg_residual *residual, double frequency);
/* What removing the ground does to a trace: 1 - exp(-2 pi^2 s^2 f^2). */
double udg_residual_highpass(double frequency);

#endif
