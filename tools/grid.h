/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The whole coin turned upright, with what one measures markers by drawn over it: clock
 * positions, radii in millimetres, and the date plane's millimetres. */
#ifndef GRID_H
#define GRID_H

#include <underdigit/underdigit.h>

/* Writes a PNG; 0, or -1 and a reason: no date found, no diameter in the reference, ... */
int grid_write(const udg_image *image, const udg_reference *reference, const udg_result *result,
               const char *photo, int width_px, const char *path, udg_message *message);

#endif
