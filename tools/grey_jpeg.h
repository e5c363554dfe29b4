/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Grey pixels into JPEG bytes. */
#ifndef GREY_JPEG_H
#define GREY_JPEG_H

#include <stddef.h>
#include <stdint.h>

/* `pixels`: height rows of width.  malloc()ed bytes, NULL: no memory. */
unsigned char *grey_jpeg(const uint8_t *pixels, int width, int height, int quality, size_t *bytes);

#endif
