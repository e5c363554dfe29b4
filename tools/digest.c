/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The only file that knows nettle. */
#include "digest.h"

#include <nettle/sha2.h>
#include <stdio.h>

void digest_sha256(const void *bytes, size_t count, char text[DIGEST_TEXT_BYTES]) {
  struct sha256_ctx context;
  uint8_t digest[SHA256_DIGEST_SIZE];
  sha256_init(&context);
  sha256_update(&context, count, bytes);
  sha256_digest(&context, sizeof digest, digest);
  for (size_t i = 0; i < sizeof digest; i++)
    snprintf(text + 2 * i, 3, "%02x", digest[i]);
}

int digest_dhash(const udg_image *image, uint64_t *hash) {
  uint8_t means[8][9];
  if (udg_image_grey(image, NULL, 9, 8, means[0]) != UDG_OK)
    return -1;
  *hash = 0;
  for (int y = 0; y < 8; y++)
    for (int x = 0; x < 8; x++)
      *hash |= (uint64_t)(means[y][x] > means[y][x + 1]) << (8 * y + x);
  return 0;
}
