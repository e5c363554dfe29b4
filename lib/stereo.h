/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Relief from pictures of one design under many unknown lamps.
 *
 * With the pictures x_i laid on each other, x_i = l_i . (p, q) + m to first order in the
 * slopes: their two strongest components about the mean span the slopes.  Of all pairs in
 * that span, slopes of a surface are the one without curl, dq/dx = dp/dy, up to a factor
 * (Belhumeur, Kriegman & Yuille, Int. J. Computer Vision 35(1), 1999, in the limit of low
 * relief).  The surface follows by least squares in the frequency domain (Frankot &
 * Chellappa, IEEE PAMI 10(4), 1988).  Its sign stays open. */
#ifndef UDG_STEREO_H
#define UDG_STEREO_H

#include "fft.h"
#include "plane.h"

/*   pictures  `count` (3 or more) planes of one size, each about 0, made less their mean
 *             on return
 *   height    that size; receives the surface, in units of its own
 * ARGUMENT when the pictures do not differ in their light. */
udg_status udg_stereo_height(const udg_settings *settings, udg_fft *fft, udg_plane *pictures,
                             size_t count, udg_plane *height, udg_message *message);

/* Eigenvectors of a symmetric n x n matrix by Jacobi's rotations, for small n: values in
 * rising order, vector k in column k of `vectors`.  `matrix` is used up. */
void udg_symmetric_eigen(double *matrix, int n, double *values, double *vectors);

#endif
