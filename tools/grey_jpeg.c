/* SPDX-License-Identifier: GPL-2.0-or-later */
/* In the command the only file that knows libjpeg. */
#include "grey_jpeg.h"

#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>

#include <jpeglib.h>

typedef struct fault {
  struct jpeg_error_mgr manager;
  jmp_buf back;
} fault;

static void give_up(j_common_ptr jpeg) {
  longjmp(((fault *)jpeg->err)->back, 1);
}

unsigned char *grey_jpeg(const uint8_t *pixels, int width, int height, int quality, size_t *bytes) {
  struct jpeg_compress_struct jpeg;
  fault f;
  unsigned char *volatile made = NULL;
  unsigned char *buffer = NULL;
  unsigned long count = 0;
  jpeg.err = jpeg_std_error(&f.manager);
  f.manager.error_exit = give_up;
  if (setjmp(f.back) == 0) {
    jpeg_create_compress(&jpeg);
    jpeg_mem_dest(&jpeg, &buffer, &count);
    jpeg.image_width = (JDIMENSION)width;
    jpeg.image_height = (JDIMENSION)height;
    jpeg.input_components = 1;
    jpeg.in_color_space = JCS_GRAYSCALE;
    jpeg_set_defaults(&jpeg);
    jpeg_set_quality(&jpeg, quality, TRUE);
    jpeg.optimize_coding = TRUE;
    jpeg_start_compress(&jpeg, TRUE);
    while (jpeg.next_scanline < jpeg.image_height) {
      /* libjpeg's rows are not const, and it does not write to them. */
      JSAMPROW row = (JSAMPROW)(uintptr_t)(pixels + (size_t)jpeg.next_scanline * (size_t)width);
      jpeg_write_scanlines(&jpeg, &row, 1);
    }
    jpeg_finish_compress(&jpeg);
    made = buffer;
  }
  jpeg_destroy_compress(&jpeg);
  *bytes = made ? count : 0;
  return made;
}
