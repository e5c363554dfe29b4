/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Inside of a decoded photo. */
#ifndef UDG_IMAGE_INTERNAL_H
#define UDG_IMAGE_INTERNAL_H

#include <underdigit/image.h>

#include "base.h"

struct udg_image {
  udg_settings settings;                /* hooks for release */
  uint32_t stored_width, stored_height; /* upright, before scaled decoding */
  uint32_t width, height;               /* of `grey`, upright */
  double scale;                         /* stored px per grey px: 1, 2, 4 or 8 */
  uint8_t *grey;                        /* sRGB-encoded luma, height rows of width */
  int jpeg_quality;                     /* 0: not a JPEG */
};

/* Decoders, each in the one file that owns its library.  `orientation` is the
 * EXIF value 1-8 as found, 1 without; turning is the dispatcher's. */
typedef struct udg_decoded {
  uint32_t width, height;               /* of grey */
  uint32_t stored_width, stored_height; /* before scaling */
  double scale;
  uint8_t *grey; /* from udg_memory_get */
  int jpeg_quality;
  int orientation;
} udg_decoded;

udg_status udg_jpeg_decode(const udg_settings *settings, const uint8_t *bytes, size_t byte_count,
                           const char *name, udg_decoded *decoded, udg_message *message);
udg_status udg_png_decode(const udg_settings *settings, const uint8_t *bytes, size_t byte_count,
                          const char *name, udg_decoded *decoded, udg_message *message);
/* EXIF orientation 1-8 of an APP1 or eXIf payload; 1 when absent or broken, 0
 * when memory ran out. */
int udg_exif_orientation(const udg_settings *settings, const uint8_t *bytes, size_t byte_count);
/* LIMIT, with `what` saying which, when a picture of this size is refused. */
udg_status udg_image_check_size(const udg_settings *settings, uint32_t width, uint32_t height,
                                char *what, size_t what_bytes);

/* Luma of ITU-R BT.601, as the Y of a JPEG file: 0.299 R + 0.587 G + 0.114 B,
 * rounded, in 16-bit fixed point. */
static inline uint8_t udg_luma(unsigned red, unsigned green, unsigned blue) {
  return (uint8_t)((19595u * red + 38470u * green + 7471u * blue + 32768u) >> 16);
}

/* Reads a whole file; NULL-safe message; bytes from udg_memory_get. */
udg_status udg_file_read(const udg_settings *settings, const char *path, uint8_t **bytes,
                         size_t *byte_count, udg_message *message);

#endif
