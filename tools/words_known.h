/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Known dies and their markers in plain language. */
#ifndef WORDS_KNOWN_H
#define WORDS_KNOWN_H

#include <stddef.h>
#include <stdio.h>

#include <underdigit/result.h>

/* A paragraph a known die; nothing when the reference lists no markers. */
void words_known(FILE *out, const udg_result *result, int columns);

/* "rim-cut (line, at 2.0 o'clock): present", as a caption. */
void words_marker(const udg_marker_finding *marker, char *text, size_t text_bytes);

/* Photos of one die in the order of its states, for words_order(). */
typedef struct words_state {
  const char *photo;
  char die[UDG_ID_BYTES];
  double state, low, high;
} words_state;

/* "Early to late: ..." for each die that several photos show; sorts `states`. */
void words_order(FILE *out, words_state *states, size_t count, int columns);

#endif
