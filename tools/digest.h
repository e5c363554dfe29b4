/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Photos told apart: by their bytes, and by what they look like. */
#ifndef DIGEST_H
#define DIGEST_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/image.h>

enum { DIGEST_TEXT_BYTES = 65 };

/* SHA-256 in hexadecimal. */
void digest_sha256(const void *bytes, size_t count, char text[DIGEST_TEXT_BYTES]);

/* Difference hash: the photo shrunk to 9 x 8 means; bit 8 y + x is 1 where the
 * mean at (x, y) is brighter than its right neighbour.  0, or -1. */
int digest_dhash(const udg_image *image, uint64_t *hash);

#endif
