/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A result in plain language, for a person. */
#ifndef WORDS_H
#define WORDS_H

#include <stddef.h>
#include <stdio.h>

#include <underdigit/result.h>

/* The answer for one photo, wrapped to `columns` (at least 40), with an empty
 * line behind it.  Control characters in `photo` come out as '?'. */
void words_print(FILE *out, const char *photo, const udg_result *result, int columns);

enum { WORDS_LABEL_COLUMNS = 12 }; /* after two spaces */

/* A label and its text, wrapped to `columns` (at least 40). */
void words_paragraph(FILE *out, const char *label, const char *text, int columns);

/* What words_print() wrote in lines too wide for anything to be wrapped, wrapped
 * to `columns`; without the photo's name. */
void words_rewrap(FILE *out, const char *paragraphs, int columns);

/* The closing line: what such an answer is worth. */
#define WORDS_CAVEAT "A screening aid: examination in hand and professional authentication decide."

/* The first sentence of the answer. */
void words_verdict(const udg_result *result, char *text, size_t text_bytes);

/* "above and left of", "inside", ...: where the earlier digit's centre lies from
 * the present one's; height_mm is the digit's height.  Static storage. */
const char *words_direction(const double offset_mm[2], double height_mm);

/* How often chance alone would give as much: "about 1 time in 300". */
void words_chance(double p_value, char *text, size_t text_bytes);

/* The digit's height in mm as the result tells it; 0 when it does not. */
double words_digit_height_mm(const udg_result *result);

#endif
