/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: PNG files behind their signature.  Checksums are put right first, or
 * hardly a mutation would come past them; an odd first byte leaves them as they are. */
#include <stdlib.h>
#include <string.h>

#include "fuzz_image.h"

static uint32_t word_at(const uint8_t *p) {
  return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

/* CRC-32 of ISO 3309, as the PNG specification's annex D computes it, bit by bit. */
static uint32_t checksum(const uint8_t *p, size_t count) {
  uint32_t crc = 0xffffffffu;
  for (size_t i = 0; i < count; i++) {
    crc ^= p[i];
    for (int bit = 0; bit < 8; bit++)
      crc = crc & 1 ? crc >> 1 ^ 0xedb88320u : crc >> 1;
  }
  return ~crc;
}

static void mend_checksums(uint8_t *bytes, size_t count) {
  size_t at = 8;
  while (count - at >= 12) {
    const size_t length = word_at(bytes + at);
    if (length > count - at - 12)
      return;
    const uint32_t crc = checksum(bytes + at + 4, length + 4);
    for (int i = 0; i < 4; i++)
      bytes[at + 8 + length + (size_t)i] = (uint8_t)(crc >> (24 - 8 * i));
    at += length + 12;
  }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  static const uint8_t signature[8] = "\x89PNG\r\n\x1a\n";
  if (size < 3)
    return 0;
  const size_t count = size - 3 + sizeof signature;
  uint8_t *bytes = malloc(count);
  if (!bytes)
    return 0;
  memcpy(bytes, signature, sizeof signature);
  memcpy(bytes + sizeof signature, data + 3, size - 3);
  if (data[2] % 2 == 0)
    mend_checksums(bytes, count);
  fuzz_decode(data, bytes, count);
  free(bytes);
  return 0;
}
