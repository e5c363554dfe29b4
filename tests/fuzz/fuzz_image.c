/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: any bytes as a photo.  The first two bytes choose limits. */
#include "fuzz_image.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size >= 2)
    fuzz_decode(data, data + 2, size - 2);
  return 0;
}
