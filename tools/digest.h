/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Photos told apart: by their bytes, and by what they look like. */
#ifndef DIGEST_H
#define DIGEST_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/image.h>

enum { DIGEST_TEXT_BYTES = 65, DIGEST_LOOK_WORDS = 4 };

/* SHA-256 in hexadecimal. */
void digest_sha256(const void *bytes, size_t count, char text[DIGEST_TEXT_BYTES]);

/* Difference hash in hexadecimal: the photo shrunk to 17 x 16 means, and from the top left
 * on, row by row, a bit for each that is 1 where it is brighter than its right neighbour.
 * 0, or -1. */
int digest_dhash(const udg_image *image, char text[DIGEST_TEXT_BYTES]);

/* The same, to be compared. */
typedef struct digest_look {
  uint64_t bits[DIGEST_LOOK_WORDS];
} digest_look;

digest_look digest_look_of(const char *dhash);

/* 1 when both are of one picture, saved anew or made smaller: of the bits that either has
 * at most three of ten differ.  In different pictures two thirds do; an even background,
 * which has none, counts for nothing.  (Measured: docs/screening.md.) */
int digest_alike(const digest_look *a, const digest_look *b);

#endif
