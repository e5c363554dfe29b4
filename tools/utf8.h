/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Strangers' bytes as UTF-8 text. */
#ifndef UTF8_H
#define UTF8_H

#include <stddef.h>
#include <stdio.h>

/* Bytes of the character that `text` begins with; 0 when it is none (RFC 3629). */
size_t utf8_length(const char *text);

/* The text for a terminal: controls and what is no UTF-8 come out as '?'. */
void utf8_print_clean(FILE *out, const char *text);

/* The text with each byte that is no UTF-8 written as \xFF, so that two texts which differ
 * still do; malloc()ed, NULL without memory. */
char *utf8_shown(const char *text);

#endif
