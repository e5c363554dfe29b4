/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Square parts of a photo, turned upright. */
#ifndef CROP_H
#define CROP_H

#include <stdint.h>

#include <underdigit/underdigit.h>

/* `side_px` squared grey pixels of the square of `side_mm` about a place of the date plane, seen
 * through `map` (by rows).  0, or -1 when nothing of it lies in the photo or memory is short. */
int crop_square(const udg_image *image, const double map[9], const double centre_mm[2],
                double side_mm, int side_px, uint8_t *pixels);

/* The same about a marker, with some room. */
int crop_marker(const udg_image *image, const udg_result *result, const udg_marker_finding *marker,
                int side_px, uint8_t *pixels);

#endif
