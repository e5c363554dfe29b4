/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Chooses the decoder, turns the picture upright. */
#include <stdio.h>
#include <string.h>

#include "image_internal.h"

udg_status udg_image_check_size(const udg_settings *settings, uint32_t width, uint32_t height,
                                char *what, size_t what_bytes) {
  if (width > settings->max_side_px || height > settings->max_side_px) {
    snprintf(what, what_bytes, "%u x %u pixels: a side is longer than max_side_px allows (%u)",
             (unsigned)width, (unsigned)height, (unsigned)settings->max_side_px);
    return UDG_ERROR_LIMIT;
  }
  if ((uint64_t)width * height > settings->max_pixels) {
    snprintf(what, what_bytes, "%u x %u pixels: more than max_pixels allows (%llu)",
             (unsigned)width, (unsigned)height, (unsigned long long)settings->max_pixels);
    return UDG_ERROR_LIMIT;
  }
  return UDG_OK;
}

/* How far one step along the upright x and y, and where upright (0, 0), lie in
 * the stored picture.  EXIF values as in CIPA DC-008, tag Orientation: 1 as is,
 * 2 mirrored, 3 half turn, 4 upside down, 5 transposed, 6 quarter turn clockwise
 * to make, 7 transposed along the other diagonal, 8 quarter turn the other way. */
typedef struct turn {
  ptrdiff_t first, along_x, along_y;
} turn;

static turn turn_of(int orientation, uint32_t width, uint32_t height) {
  const ptrdiff_t w = width, h = height;
  const ptrdiff_t right = w - 1, bottom = (h - 1) * w;
  switch (orientation) {
  case 2:
    return (turn){right, -1, w};
  case 3:
    return (turn){bottom + right, -1, -w};
  case 4:
    return (turn){bottom, 1, -w};
  case 5:
    return (turn){0, w, 1};
  case 6:
    return (turn){bottom, -w, 1};
  case 7:
    return (turn){bottom + right, -w, -1};
  case 8:
    return (turn){right, w, -1};
  default:
    return (turn){0, 1, w};
  }
}

/* Square tiles: a quarter turn walks down columns, and a tile's columns stay in
 * cache. */
static void turn_pixels(const uint8_t *in, turn t, uint32_t width, uint32_t height, uint8_t *out) {
  enum { TILE = 64 };
  for (uint32_t y0 = 0; y0 < height; y0 += TILE)
    for (uint32_t x0 = 0; x0 < width; x0 += TILE)
      for (uint32_t y = y0; y < height && y < y0 + TILE; y++) {
        const uint8_t *p = in + t.first + (ptrdiff_t)y * t.along_y + (ptrdiff_t)x0 * t.along_x;
        uint8_t *q = out + (size_t)y * width;
        for (uint32_t x = x0; x < width && x < x0 + TILE; x++, p += t.along_x)
          q[x] = *p;
      }
}

/* Turns what a decoder gave; takes `decoded->grey` over, also on failure. */
static udg_status make_upright(const udg_settings *settings, udg_decoded *decoded, const char *name,
                               udg_message *message) {
  if (decoded->orientation <= 1)
    return UDG_OK;
  const int swap = decoded->orientation >= 5;
  const uint32_t width = swap ? decoded->height : decoded->width;
  const uint32_t height = swap ? decoded->width : decoded->height;
  uint8_t *upright = udg_memory_get(settings, height, width);
  if (!upright)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  turn_pixels(decoded->grey, turn_of(decoded->orientation, decoded->width, decoded->height), width,
              height, upright);
  udg_memory_drop(settings, decoded->grey);
  decoded->grey = upright;
  decoded->width = width;
  decoded->height = height;
  if (swap) {
    const uint32_t stored = decoded->stored_width;
    decoded->stored_width = decoded->stored_height;
    decoded->stored_height = stored;
  }
  decoded->orientation = 1;
  return UDG_OK;
}

/* Takes `decoded->grey` over, also on failure. */
static udg_status wrap(const udg_settings *settings, udg_decoded *decoded, const char *name,
                       udg_image **image, udg_message *message) {
  struct udg_image *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made) {
    udg_memory_drop(settings, decoded->grey);
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  }
  made->settings = *settings;
  made->stored_width = decoded->stored_width;
  made->stored_height = decoded->stored_height;
  made->width = decoded->width;
  made->height = decoded->height;
  made->scale = decoded->scale;
  made->grey = decoded->grey;
  made->jpeg_quality = decoded->jpeg_quality;
  *image = made;
  return UDG_OK;
}

typedef udg_status decoder(const udg_settings *, const uint8_t *, size_t, const char *,
                           udg_decoded *, udg_message *);

/* First bytes of kinds of file; those without decoder are known only so that the
 * message can name them. */
typedef struct file_kind {
  const char *name;
  decoder *decode;
  size_t at;
  const char *bytes;
  size_t byte_count;
} file_kind;

static const file_kind file_kinds[] = {
    {"JPEG", udg_jpeg_decode, 0, "\xff\xd8\xff", 3},
    {"PNG", udg_png_decode, 0, "\x89PNG\r\n\x1a\n", 8},
    {"GIF", NULL, 0, "GIF8", 4},
    {"WebP", NULL, 8, "WEBP", 4},
    {"HEIF or AVIF", NULL, 4, "ftyp", 4},
    {"TIFF", NULL, 0, "II*\0", 4},
    {"TIFF", NULL, 0, "MM\0*", 4},
    {"BMP", NULL, 0, "BM", 2},
    {"PDF", NULL, 0, "%PDF", 4},
};

static udg_status choose_decoder(const uint8_t *bytes, size_t byte_count, const char *name,
                                 decoder **decode, udg_message *message) {
  if (byte_count == 0)
    return udg_fail(message, UDG_ERROR_TRUNCATED, "%s: no data at all", name);
  for (size_t i = 0; i < sizeof file_kinds / sizeof *file_kinds; i++) {
    const file_kind *k = &file_kinds[i];
    if (byte_count < k->at + k->byte_count || memcmp(bytes + k->at, k->bytes, k->byte_count) != 0)
      continue;
    *decode = k->decode;
    if (!k->decode)
      return udg_fail(message, UDG_ERROR_FORMAT,
                      "%s: byte 0: a %s file; only JPEG and PNG are read", name, k->name);
    return UDG_OK;
  }
  for (size_t i = 0; i < sizeof file_kinds / sizeof *file_kinds; i++) {
    const file_kind *k = &file_kinds[i];
    if (k->decode && byte_count < k->byte_count && memcmp(bytes, k->bytes, byte_count) == 0)
      return udg_fail(message, UDG_ERROR_TRUNCATED, "%s: byte %zu of %zu: ends too early", name,
                      byte_count, byte_count);
  }
  return udg_fail(message, UDG_ERROR_FORMAT, "%s: byte 0: neither a JPEG nor a PNG", name);
}

static udg_status from_memory(const udg_settings *settings, const uint8_t *bytes, size_t byte_count,
                              const char *name, udg_image **image, udg_message *message) {
  decoder *decode = NULL;
  udg_status status = choose_decoder(bytes, byte_count, name, &decode, message);
  if (status != UDG_OK)
    return status;
  udg_decoded decoded = {.orientation = 1, .scale = 1.0};
  status = decode(settings, bytes, byte_count, name, &decoded, message);
  if (status != UDG_OK)
    return status;
  status = make_upright(settings, &decoded, name, message);
  if (status != UDG_OK) {
    udg_memory_drop(settings, decoded.grey);
    return status;
  }
  return wrap(settings, &decoded, name, image, message);
}

udg_status udg_image_from_memory(const udg_settings *settings, const void *bytes, size_t byte_count,
                                 const char *name, udg_image **image, udg_message *message) {
  const udg_label label = udg_label_of(name);
  if (!image || (!bytes && byte_count > 0))
    return udg_fail(message, UDG_ERROR_ARGUMENT, "%s: bytes or image is NULL", label.text);
  *image = NULL;
  udg_settings s;
  udg_settings_resolve(&s, settings);
  if (byte_count > s.max_file_bytes)
    return udg_fail(message, UDG_ERROR_LIMIT, "%s: larger than max_file_bytes allows (%llu bytes)",
                    label.text, (unsigned long long)s.max_file_bytes);
  return from_memory(&s, bytes, byte_count, label.text, image, message);
}

udg_status udg_image_from_file(const udg_settings *settings, const char *path, udg_image **image,
                               udg_message *message) {
  if (!image || !path)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "path or image is NULL");
  *image = NULL;
  udg_settings s;
  udg_settings_resolve(&s, settings);
  const udg_label label = udg_label_of(path);
  uint8_t *bytes = NULL;
  size_t byte_count = 0;
  udg_status status = udg_file_read(&s, path, &bytes, &byte_count, message);
  if (status != UDG_OK)
    return status;
  status = from_memory(&s, bytes, byte_count, label.text, image, message);
  udg_memory_drop(&s, bytes);
  return status;
}

udg_status udg_image_from_grey(const udg_settings *settings, const uint8_t *pixels, uint32_t width,
                               uint32_t height, size_t stride, udg_image **image,
                               udg_message *message) {
  if (!image || !pixels || width == 0 || height == 0 || stride < width)
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "memory: pixels or image is NULL, or the size or stride is too small");
  *image = NULL;
  udg_settings s;
  udg_settings_resolve(&s, settings);
  char what[160];
  if (udg_image_check_size(&s, width, height, what, sizeof what) != UDG_OK)
    return udg_fail(message, UDG_ERROR_LIMIT, "memory: %s", what);
  udg_decoded decoded = {.width = width,
                         .height = height,
                         .stored_width = width,
                         .stored_height = height,
                         .scale = 1.0,
                         .orientation = 1};
  decoded.grey = udg_memory_get(&s, height, width);
  if (!decoded.grey)
    return udg_fail(message, UDG_ERROR_MEMORY, "memory: out of memory");
  for (uint32_t y = 0; y < height; y++)
    memcpy(decoded.grey + (size_t)y * width, pixels + (size_t)y * stride, width);
  return wrap(&s, &decoded, "memory", image, message);
}

uint32_t udg_image_width(const udg_image *image) {
  return image ? image->stored_width : 0;
}

uint32_t udg_image_height(const udg_image *image) {
  return image ? image->stored_height : 0;
}

int udg_image_jpeg_quality(const udg_image *image) {
  return image ? image->jpeg_quality : 0;
}

void udg_image_destroy(udg_image *image) {
  if (!image)
    return;
  const udg_settings settings = image->settings;
  udg_memory_drop(&settings, image->grey);
  udg_memory_drop(&settings, image);
}
