/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A photograph, decoded to grey and turned upright. */
#ifndef UNDERDIGIT_IMAGE_H
#define UNDERDIGIT_IMAGE_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/export.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Read-only after creation; may be shared by threads. */
typedef struct udg_image udg_image;

/* Decodes a JPEG (baseline, progressive, grey, colour, CMYK) or a PNG (every
 * colour type and depth, interlaced or not) by its content, whatever its name.
 * The EXIF turn is applied.  Colours become BT.601 luma, 16 bits become 8, what
 * is transparent shows white, colour profiles and gamma are not looked at.  A
 * truncated or damaged file is an error, not a grey rest; bytes after its end are
 * let be.  libjpeg has no allocation hook: its working memory is malloc()'s.
 *   settings  NULL for the defaults; not kept
 *   bytes     `byte_count` of them; not kept
 *   name      goes into messages; NULL for "memory"
 *   image     receives the image; the caller destroys it
 *   message   NULL, or receives what is wrong
 * Errors: FORMAT, TRUNCATED, LIMIT, MEMORY, CANCELLED, ARGUMENT. */
UDG_API udg_status udg_image_from_memory(const udg_settings *settings, const void *bytes,
                                         size_t byte_count, const char *name, udg_image **image,
                                         udg_message *message);

/* The same from a file; also IO (missing, unreadable, a directory). */
UDG_API udg_status udg_image_from_file(const udg_settings *settings, const char *path,
                                       udg_image **image, udg_message *message);

/* Copies 8-bit grey pixels (sRGB-encoded luma, rows top to bottom, `stride`
 * bytes from row to row).  Errors: LIMIT, MEMORY, ARGUMENT. */
UDG_API udg_status udg_image_from_grey(const udg_settings *settings, const uint8_t *pixels,
                                       uint32_t width, uint32_t height, size_t stride,
                                       udg_image **image, udg_message *message);

/* Size in pixels of the photo as stored, upright (before any scaled decoding). */
UDG_API uint32_t udg_image_width(const udg_image *image);
UDG_API uint32_t udg_image_height(const udg_image *image);

/* Quality 1-100 whose IJG scaling of the T.81 Annex K luminance table is the
 * file's table, or comes nearest; 0 when the file is no JPEG. */
UDG_API int udg_image_jpeg_quality(const udg_image *image);

/* Part of the photo as 8-bit grey pixels (sRGB-encoded luma), each the mean of
 * what it covers, for showing and comparing.  Beyond the photo its edge repeats.
 *   part    left, top, right, bottom in pixels as udg_image_width() counts them;
 *           NULL for the whole photo
 *   pixels  the caller's, `height` rows of `width` without gaps
 * ARGUMENT for an empty or non-finite part or size. */
UDG_API udg_status udg_image_grey(const udg_image *image, const double part[4], uint32_t width,
                                  uint32_t height, uint8_t *pixels);

/* NULL is fine. */
UDG_API void udg_image_destroy(udg_image *image);

#ifdef __cplusplus
}
#endif
#endif
