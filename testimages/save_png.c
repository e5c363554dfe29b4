/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The picture as a PNG file. */
#include <png.h>
#include <string.h>

#include "base.h"
#include "picture.h"

udg_status ti_save_png(const char *path, const ti_pixels *pixels, udg_message *message) {
  png_image image;
  memset(&image, 0, sizeof image);
  image.version = PNG_IMAGE_VERSION;
  image.width = (png_uint_32)pixels->width;
  image.height = (png_uint_32)pixels->height;
  image.format = pixels->channels == 1 ? PNG_FORMAT_GRAY : PNG_FORMAT_RGB;
  if (!png_image_write_to_file(&image, path, 0, pixels->bytes, 0, NULL))
    return udg_fail(message, UDG_ERROR_IO, "%s: %s", path, image.message);
  return UDG_OK;
}
