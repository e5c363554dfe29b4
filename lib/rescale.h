/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Smaller copies of a photo, free of aliasing. */
#ifndef UDG_RESCALE_H
#define UDG_RESCALE_H

#include "photo.h"
#include "pose.h"

/* A plane whose storage is kept and only grows. */
typedef struct udg_buffer {
  udg_plane plane;
  size_t room; /* floats */
} udg_buffer;

udg_status udg_buffer_size(const udg_settings *settings, udg_buffer *buffer, int width, int height);
void udg_buffer_destroy(const udg_settings *settings, udg_buffer *buffer);

/* Means of k x k pixels of the source's box from (x, y); what is left over at
 * the right and below is dropped; k is at most 512.  `out` gets (width / k) x (height / k). */
udg_status udg_rescale_box(const udg_settings *settings, udg_photo source, int x, int y, int width,
                           int height, int k, udg_buffer *out);

/* The same of the whole of it, by means of `first`^2 pixels and then means of `second`^2 of those.
 */
udg_status udg_rescale_boxes(const udg_settings *settings, udg_photo source, int first, int second,
                             udg_buffer *scratch, udg_buffer *out);

/* Scales by `factor` (about 0.4 to 1.2; beyond that use boxes first): blurred to
 * the new sampling, then cubic.  The pixel at X of `out` shows X / factor.
 * `first` and `second` are scratch; `first` may be the source itself. */
udg_status udg_rescale_smooth(const udg_settings *settings, const udg_plane *source, double factor,
                              udg_buffer *out, udg_buffer *first, udg_buffer *second);

/* About a Gaussian mean of s.d. sigma_px, by two passes of a running box each
 * way: cost does not grow with sigma.  Edges mirrored by repeating the rim. */
void udg_rescale_mean(udg_plane *plane, double sigma_px, udg_plane *scratch);

/* The part of a photo around a date-plane box (centre and half size in mm, seen
 * through date_to_photo), reduced so that a mm has at most about
 * `px_per_mm` pixels, and blurred to that sampling.  `to_window` receives the
 * map photo -> window.  An empty part gives ARGUMENT. */
udg_status udg_rescale_window(const udg_settings *settings, udg_photo photo,
                              const udg_homography *date_to_photo, const double centre_mm[2],
                              const double half_mm[2], double px_per_mm, udg_buffer *window,
                              udg_buffer *scratch, udg_homography *to_window);

#endif
