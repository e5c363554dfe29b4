/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a region of a photo lets one see: noise, blur, clipping.  Grey levels
 * 0-255 as the photo stores them; nothing is allocated. */
#ifndef UDG_MEASURE_H
#define UDG_MEASURE_H

#include "plane.h"

/* Pixels left <= x < right, top <= y < bottom; what lies outside the plane does
 * not count. */
typedef struct udg_box {
  int left, top, right, bottom;
} udg_box;

typedef struct udg_noise {
  double sigma;  /* s.d. of white noise that the calm parts look like, levels */
  double coarse; /* the same from means of 2 x 2 px, as s.d. of a single px: more than `sigma`
                    where JPEG or a denoiser took the finest noise away, or metal is rough */
  double whole;  /* Immerkaer's figure over the whole box, edges and all */
  int blocks;    /* of 8 x 8 px that were looked at; 0: nothing measured, all else is 0 */
} udg_noise;

/* Mask M = [1 -2 1; -2 4 -2; 1 -2 1] answers no ramp and has 36 times the variance of
 * white noise; s = sqrt(pi/2) / 6 mean |I * M| (Immerkaer, Computer Vision and Image
 * Understanding 64(2), 1996).  The mean is taken block by block and the calm blocks'
 * value is where those means are densest, so that edges do not count as noise.
 * Blocks with a clipped pixel are left out. */
void udg_measure_noise(const udg_plane *grey, const udg_box *box, udg_noise *noise);

typedef struct udg_blur {
  double sigma_px; /* of the Gaussian that blurs an ideal step alike, pixel included */
  double error_px; /* standard error of sigma_px */
  int edges;       /* that agreed on it; 0: this region cannot tell, both above are 0 */
  double rough_px; /* the same of the sharpest flanks, be they of a step or of a ridge: right
                      to a third or so; 0: not even that can be told */
} udg_blur;

/* Strongest edges of the region, one for each cell of 16 x 16 px; profile across
 * each from the pixels along it (the idea of ISO 12233's slanted edge); least
 * squares fit of a + b Phi((u - u0) / sigma); the sharpest edges that agree.
 * Edges nearer than their own width to something else, too weak for the noise, or
 * clipped tell nothing.  Relief has few steps; where
 * none stands free `rough_px` is what is left.
 *   noise_sigma  of the region, levels */
void udg_measure_blur(const udg_plane *grey, const udg_box *box, double noise_sigma,
                      udg_blur *blur);

/* Modulation 1/2 of a Gaussian: exp(-2 pi^2 s^2 f^2) = 1/2 at 0.187391 / s cycles/px. */
#define UDG_MTF50_SIGMA 0.187391
/* From 10 to 90 % of a step: 2 Phi^-1(0.9) s. */
#define UDG_RISE_SIGMA 2.563103

/* Levels from here on, and down to here, say no more than "bright" and "dark". */
#define UDG_CLIPPED_BRIGHT 250.0f
#define UDG_CLIPPED_DARK 2.0f

/* Shares of the box's pixels, 0-1; 0 for an empty box. */
typedef struct udg_clipped {
  double bright, dark;
} udg_clipped;

udg_clipped udg_measure_clipped(const udg_plane *grey, const udg_box *box);

#endif
