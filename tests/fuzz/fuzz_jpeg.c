/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: JPEG files behind their start-of-image marker. */
#include <stdlib.h>
#include <string.h>

#include "fuzz_image.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size < 2)
    return 0;
  uint8_t *bytes = malloc(size + 1);
  if (!bytes)
    return 0;
  memcpy(bytes, "\xff\xd8\xff", 3);
  memcpy(bytes + 3, data + 2, size - 2);
  fuzz_decode(data, bytes, size + 1);
  free(bytes);
  return 0;
}
