/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: any bytes as the sidecar of a learned reference.  The checksum is put right
 * first, or no mutation would come past it; what can be read is packed to the same bytes. */
#include <stdlib.h>
#include <string.h>

#include "appearance.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { CRC_AT = 8, SEALED_FROM = 12 };

static void reseal(uint8_t *bytes, size_t count) {
  const uint32_t crc = udg_crc32(bytes + SEALED_FROM, count - SEALED_FROM);
  for (int i = 0; i < 4; i++)
    bytes[CRC_AT + i] = (uint8_t)(crc >> (8 * i));
}

static void check_same(const udg_settings *settings, const udg_appearance *all, size_t dates,
                       const uint8_t *bytes, size_t count) {
  uint8_t *again = NULL;
  size_t again_count = 0;
  if (udg_appearance_pack(settings, all, dates, &again, &again_count, NULL) != UDG_OK ||
      again_count != count)
    abort();
  for (size_t i = 0; i < count; i++)
    if (again[i] != bytes[i])
      abort();
  udg_memory_drop(settings, again);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  udg_settings settings;
  udg_appearance *all = NULL;
  udg_message message = {""};
  size_t dates = 0;
  uint8_t *bytes = malloc(size ? size : 1);
  if (!bytes)
    return 0;
  memcpy(bytes, data, size);
  if (size > SEALED_FROM)
    reseal(bytes, size);
  udg_settings_default(&settings, sizeof settings);
  const udg_status status =
      udg_appearance_unpack(&settings, bytes, size, "fuzz", &all, &dates, &message);
  if (status == UDG_OK ? !all || dates == 0 : all || dates != 0 || !message.text[0])
    abort();
  if (status == UDG_OK)
    check_same(&settings, all, dates, bytes, size);
  for (size_t i = 0; i < dates; i++)
    udg_appearance_destroy(&settings, &all[i]);
  udg_memory_drop(&settings, all);
  free(bytes);
  return 0;
}
