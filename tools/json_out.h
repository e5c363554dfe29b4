/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Flat JSON objects, safe inside an HTML script element too. */
#ifndef JSON_OUT_H
#define JSON_OUT_H

#include <stdio.h>

typedef struct json_out {
  FILE *file;
  int comma;
} json_out;

void json_out_begin(json_out *o, FILE *file);
void json_out_end(json_out *o);

/* A key follows with a value of the caller's own. */
void json_out_key(json_out *o, const char *key);
/* NULL text and numbers that are not finite: null. */
void json_out_text(json_out *o, const char *key, const char *text);
void json_out_number(json_out *o, const char *key, double value);
void json_out_truth(json_out *o, const char *key, int value);

/* A string with its quotes: valid UTF-8 whatever the bytes are, and without the
 * signs that could end a script element or an attribute (< > & ' as \u....). */
void json_out_string(FILE *file, const char *text);

#endif
