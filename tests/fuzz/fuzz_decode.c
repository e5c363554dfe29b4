/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Decodes for a target, and holds what comes back against image.h. */
#include <stdlib.h>
#include <string.h>

#include <underdigit/image.h>

#include "fuzz_image.h"

/* Blocks carry their size in front, so that what is held can be added up. */
typedef struct held {
  uint64_t now, most;
} held;

static void *take(void *user, size_t bytes) {
  held *h = user;
  uint64_t *block = malloc(bytes + 16);
  if (!block)
    return NULL;
  block[0] = bytes;
  h->now += bytes;
  if (h->now > h->most)
    h->most = h->now;
  return block + 2;
}

static void give(void *user, void *block) {
  held *h = user;
  uint64_t *first = (uint64_t *)block - 2;
  h->now -= first[0];
  free(first);
}

/* Beside a decoder's memory: the image's own, the turned copy, room for alignment. */
static uint64_t ceiling(const udg_settings *s) {
  return 2 * s->max_decode_bytes + 4096;
}

void fuzz_decode(const uint8_t choice[2], const uint8_t *bytes, size_t count) {
  held memory = {0, 0};
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.user = &memory;
  s.allocate = take;
  s.release = give;
  s.max_pixels = 1000000;
  s.max_decode_bytes = (uint64_t)1 << (12 + choice[0] % 13);
  s.useful_side_px = 1 + choice[1] % 64u;
  udg_image *image = NULL;
  udg_message message = {""};
  const udg_status status = udg_image_from_memory(&s, bytes, count, NULL, &image, &message);
  const int told = status == UDG_OK ? image && !message.text[0]
                                    : !image && strncmp(message.text, "memory: ", 8) == 0;
  if (!told || status == UDG_ERROR_INTERNAL || status == UDG_ERROR_ARGUMENT)
    abort();
  if (memory.most > ceiling(&s))
    abort();
  if (image) {
    uint8_t small[12];
    if (udg_image_grey(image, NULL, 4, 3, small) != UDG_OK)
      abort();
  }
  udg_image_destroy(image);
  if (memory.now != 0)
    abort();
}
