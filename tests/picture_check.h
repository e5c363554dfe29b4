/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Decoding that must succeed, and comparing pixels; a difference ends the test. */
#ifndef UDG_TEST_PICTURE_CHECK_H
#define UDG_TEST_PICTURE_CHECK_H

#include "image_internal.h"
#include "support.h"

udg_image *check_decode(const udg_settings *settings, test_bytes file);
udg_image *check_decode_file(const udg_settings *settings, const char *path);

/* Size, and every pixel within the tolerance. */
void check_grey(const udg_image *image, uint32_t width, uint32_t height, const uint8_t *expected,
                int tolerance);

/* A binary PGM of 8 bits, as djpeg and pngtopnm write it; the same pixels. */
void check_pgm(const udg_image *image, const char *path);

/* ITU-R BT.601 luma, 0.299 R + 0.587 G + 0.114 B. */
double check_luma(const uint8_t *rgb);

/* The message holds this text. */
void check_says(const udg_message *message, const char *part);

/* Small good files, one of each way through the decoders, with an EXIF turn; JPEG
 * below CHECK_JPEG_SAMPLES, PNG from there on. */
enum {
  CHECK_JPEG_SAMPLES = 5,
  CHECK_SAMPLES = 9,
  CHECK_SAMPLE_WIDTH = 40,
  CHECK_SAMPLE_HEIGHT = 36
};
test_bytes check_sample(int kind);

/* Default settings that never scale down. */
udg_settings check_full_size(void);

#endif
