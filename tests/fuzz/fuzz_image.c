/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: any bytes as a photo.  The first two bytes choose limits. */
#include <stdlib.h>
#include <string.h>

#include <underdigit/image.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size < 2)
    return 0;
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.max_pixels = 1000000;
  s.max_decode_bytes = (uint64_t)1 << (12 + data[0] % 13);
  s.useful_side_px = 1 + data[1] % 64u;
  udg_image *image = NULL;
  udg_message message = {""};
  const udg_status status = udg_image_from_memory(&s, data + 2, size - 2, NULL, &image, &message);
  const int told = status == UDG_OK ? image && !message.text[0]
                                    : !image && strncmp(message.text, "memory: ", 8) == 0;
  if (!told || status == UDG_ERROR_INTERNAL || status == UDG_ERROR_ARGUMENT)
    abort();
  udg_image_destroy(image);
  return 0;
}
