/* SPDX-License-Identifier: GPL-2.0-or-later */
/* EXIF turn; the only file that knows libexif. */
#include <string.h>

#include <libexif/exif-data.h>
#include <libexif/exif-mem.h>

#include "image_internal.h"

/* libexif's memory hook hands nothing on to its functions, so the settings of
 * the call that this thread is in are kept beside it. */
typedef struct exif_call {
  const udg_settings *settings;
  int short_of_memory;
} exif_call;

static _Thread_local exif_call *current_call;

/* Size in front of the block: realloc needs it. */
enum { FRONT_BYTES = 64 };

static void *exif_get(ExifLong bytes) {
  unsigned char *block = udg_memory_get(current_call->settings, (size_t)bytes + FRONT_BYTES, 1);
  if (!block) {
    current_call->short_of_memory = 1;
    return NULL;
  }
  memcpy(block, &bytes, sizeof bytes);
  return block + FRONT_BYTES;
}

static void exif_drop(void *pointer) {
  if (pointer)
    udg_memory_drop(current_call->settings, (unsigned char *)pointer - FRONT_BYTES);
}

static void *exif_resize(void *pointer, ExifLong bytes) {
  void *fresh = exif_get(bytes);
  if (!fresh || !pointer)
    return fresh;
  ExifLong held;
  memcpy(&held, (unsigned char *)pointer - FRONT_BYTES, sizeof held);
  memcpy(fresh, pointer, held < bytes ? held : bytes);
  exif_drop(pointer);
  return fresh;
}

/* Tag 0x0112 of the main picture's directory (CIPA DC-008): one SHORT. */
static int find_orientation(ExifData *data) {
  const ExifEntry *entry = exif_content_get_entry(data->ifd[EXIF_IFD_0], EXIF_TAG_ORIENTATION);
  if (!entry || entry->format != EXIF_FORMAT_SHORT || entry->components < 1 || entry->size < 2)
    return 1;
  const int value = exif_get_short(entry->data, exif_data_get_byte_order(data));
  return value >= 1 && value <= 8 ? value : 1;
}

static int orientation_by(ExifMem *memory, const uint8_t *bytes, size_t byte_count) {
  ExifData *data = exif_data_new_mem(memory);
  if (!data)
    return 1;
  /* Else libexif adds the tags that it finds missing. */
  exif_data_unset_option(data, EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
  exif_data_load_data(data, bytes, (unsigned)byte_count);
  const int orientation = find_orientation(data);
  exif_data_unref(data);
  return orientation;
}

int udg_exif_orientation(const udg_settings *settings, const uint8_t *bytes, size_t byte_count) {
  static const uint8_t header[6] = "Exif\0";
  enum { MOST_BYTES = 1 << 20 }; /* a JPEG holds 64 KiB; far larger is no EXIF block */
  if (byte_count < 8 || byte_count > MOST_BYTES)
    return 1;
  /* libexif wants the header that JPEG has and PNG has not. */
  uint8_t *headed = NULL;
  if (memcmp(bytes, header, sizeof header) != 0) {
    headed = udg_memory_get(settings, byte_count + sizeof header, 1);
    if (!headed)
      return 0;
    memcpy(headed, header, sizeof header);
    memcpy(headed + sizeof header, bytes, byte_count);
    bytes = headed;
    byte_count += sizeof header;
  }
  exif_call call = {.settings = settings};
  exif_call *outer = current_call;
  current_call = &call;
  ExifMem *memory = exif_mem_new(exif_get, exif_resize, exif_drop);
  int orientation = 1;
  if (memory) {
    orientation = orientation_by(memory, bytes, byte_count);
    exif_mem_unref(memory);
  }
  current_call = outer;
  udg_memory_drop(settings, headed);
  return call.short_of_memory ? 0 : orientation;
}
