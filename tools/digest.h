/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Photos told apart: by their bytes, and by what they look like. */
#ifndef DIGEST_H
#define DIGEST_H

#include <stddef.h>

#include <underdigit/image.h>

enum { DIGEST_TEXT_BYTES = 65, DIGEST_DHASH_BITS = 256 };

/* SHA-256 in hexadecimal. */
void digest_sha256(const void *bytes, size_t count, char text[DIGEST_TEXT_BYTES]);

/* Difference hash in hexadecimal: the photo shrunk to 17 x 16 means, and from the top left
 * on, row by row, a bit for each that is 1 where it is brighter than its right neighbour.
 * 0, or -1. */
int digest_dhash(const udg_image *image, char text[DIGEST_TEXT_BYTES]);

#endif
