/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The picture as a JPEG file. */
#include <setjmp.h>
#include <stdio.h>

#include <jpeglib.h>

#include "base.h"
#include "picture.h"

typedef struct fault {
  struct jpeg_error_mgr manager;
  jmp_buf back;
  char text[JMSG_LENGTH_MAX];
} fault;

static void leave(j_common_ptr c) {
  fault *f = (fault *)c->err;
  f->manager.format_message(c, f->text);
  longjmp(f->back, 1);
}

udg_status ti_save_jpeg(const char *path, const ti_pixels *pixels, int quality,
                        udg_message *message) {
  FILE *file = fopen(path, "wb");
  if (!file)
    return udg_fail(message, UDG_ERROR_IO, "%s: cannot be written", path);
  struct jpeg_compress_struct c;
  fault f;
  c.err = jpeg_std_error(&f.manager);
  f.manager.error_exit = leave;
  if (setjmp(f.back)) {
    jpeg_destroy_compress(&c);
    fclose(file);
    return udg_fail(message, UDG_ERROR_IO, "%s: %s", path, f.text);
  }
  jpeg_create_compress(&c);
  jpeg_stdio_dest(&c, file);
  c.image_width = (JDIMENSION)pixels->width;
  c.image_height = (JDIMENSION)pixels->height;
  c.input_components = pixels->channels;
  c.in_color_space = pixels->channels == 1 ? JCS_GRAYSCALE : JCS_RGB;
  jpeg_set_defaults(&c);
  jpeg_set_quality(&c, quality, TRUE);
  c.dct_method = JDCT_ISLOW;
  jpeg_start_compress(&c, TRUE);
  while (c.next_scanline < c.image_height) {
    JSAMPROW row =
        pixels->bytes + (size_t)c.next_scanline * (size_t)pixels->width * (size_t)pixels->channels;
    jpeg_write_scanlines(&c, &row, 1);
  }
  jpeg_finish_compress(&c);
  jpeg_destroy_compress(&c);
  if (fclose(file))
    return udg_fail(message, UDG_ERROR_IO, "%s: could not be written to the end", path);
  return UDG_OK;
}
