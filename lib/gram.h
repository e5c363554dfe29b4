/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Normal matrices of least squares: the innermost loop of light and registration. */
#ifndef UDG_GRAM_H
#define UDG_GRAM_H

#include <stddef.h>

enum {
  UDG_GRAM_STEP = 8,        /* rows are padded with zeros to a multiple of this */
  UDG_GRAM_STRIDE_MAX = 40, /* floats a row */
  UDG_GRAM_PIXELS = 16      /* columns are padded with zeros to a multiple of this */
};

/* gram += sum of w row row^T, lower triangle, `stride` doubles a line.
 *   rows    `count` rows of `stride` floats, a multiple of UDG_GRAM_STEP; those
 *           from `width` on are 0
 * Sums of up to 64 rows are in single precision, all beyond in double.  The same
 * bits whatever vectors the machine has: no order of additions depends on them. */
void udg_gram_add(const float *rows, const float *weights, int count, int width, int stride,
                  double *gram);

/* The same where each unknown's values lie one behind the other.
 *   columns  `width` of them and room for 3 more, whose values do not matter, `apart` floats
 *            from each other: `count` pixels and zeros up to a multiple of UDG_GRAM_PIXELS
 *   from     lines before it are not summed
 * 16 sums of every 16th pixel, up to 64 of each, are in single precision, all beyond in double. */
void udg_gram_columns_add(const float *columns, size_t apart, int count, int from, int width,
                          int stride, double *gram);

#endif
