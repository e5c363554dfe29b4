/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The only file that knows nettle. */
#include "digest.h"

#include <nettle/sha2.h>
#include <stdio.h>
#include <stdlib.h>

void digest_sha256(const void *bytes, size_t count, char text[DIGEST_TEXT_BYTES]) {
  struct sha256_ctx context;
  uint8_t digest[SHA256_DIGEST_SIZE];
  sha256_init(&context);
  sha256_update(&context, count, bytes);
  sha256_digest(&context, sizeof digest, digest);
  for (size_t i = 0; i < sizeof digest; i++)
    snprintf(text + 2 * i, 3, "%02x", digest[i]);
}

int digest_dhash(const udg_image *image, char text[DIGEST_TEXT_BYTES]) {
  /* Means of FINE x FINE rounded ones: neighbours that round alike still differ. */
  enum { SIDE = 16, FINE = 4, WIDTH = (SIDE + 1) * FINE };
  uint8_t fine[SIDE * FINE * WIDTH];
  if (udg_image_grey(image, NULL, WIDTH, SIDE * FINE, fine) != UDG_OK)
    return -1;
  for (int y = 0; y < SIDE; y++) {
    int sums[SIDE + 1] = {0};
    unsigned bits = 0;
    for (int i = 0; i < FINE * WIDTH; i++)
      sums[i % WIDTH / FINE] += fine[y * FINE * WIDTH + i];
    for (int x = 0; x < SIDE; x++)
      bits = bits << 1 | (sums[x] > sums[x + 1]);
    snprintf(text + 4 * y, 5, "%04x", bits);
  }
  return 0;
}

digest_look digest_look_of(const char *dhash) {
  digest_look look = {{0}};
  for (int i = 0; i < DIGEST_LOOK_WORDS; i++) {
    char word[17];
    snprintf(word, sizeof word, "%.16s", dhash + 16 * i);
    look.bits[i] = strtoull(word, NULL, 16);
  }
  return look;
}

int digest_alike(const digest_look *a, const digest_look *b) {
  int differ = 0, either = 0;
  for (int i = 0; i < DIGEST_LOOK_WORDS; i++) {
    differ += __builtin_popcountll(a->bits[i] ^ b->bits[i]);
    either += __builtin_popcountll(a->bits[i] | b->bits[i]);
  }
  return 10 * differ <= 3 * either;
}
