/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Writes a JSON text on one line.  Written here rather than by the library that
 * reads, so that the text comes from the host's memory hook, numbers ignore the
 * locale and bytes that are no UTF-8 cannot spoil the text. */
#ifndef UDG_JSON_WRITE_H
#define UDG_JSON_WRITE_H

#include "json.h"

typedef struct udg_json_writer {
  const udg_settings *settings;
  char *text; /* from udg_memory_get, not terminated until the end */
  size_t length, room;
  int starved; /* out of memory; later calls do nothing */
  int comma;   /* the next item needs one before it */
} udg_json_writer;

/* `key` is NULL inside arrays and for the root. */
void udg_json_write_open(udg_json_writer *writer, const char *key, char bracket);
void udg_json_write_close(udg_json_writer *writer, char bracket);
/* Ends at a NUL or after `limit` bytes; NULL is the empty string.  Each byte that
 * belongs to no UTF-8 character becomes U+FFFD. */
void udg_json_write_string(udg_json_writer *writer, const char *key, const char *value,
                           size_t limit);
/* NaN becomes null, an infinity +-1e308: JSON has neither. */
void udg_json_write_number(udg_json_writer *writer, const char *key, double value);
void udg_json_write_numbers(udg_json_writer *writer, const char *key, const double *values,
                            int count);
void udg_json_write_boolean(udg_json_writer *writer, const char *key, int value);
/* A parsed value with all that is in it. */
void udg_json_write_copy(udg_json_writer *writer, const char *key, const udg_json *value);
void udg_json_write_null(udg_json_writer *writer, const char *key);

/* Hands the terminated text over; NULL when memory ran out. */
char *udg_json_write_end(udg_json_writer *writer);

/* A copy of a text that was written so, on several lines, for people; NULL when
 * memory ran out. */
char *udg_json_indented(const udg_settings *settings, const char *text);

#endif
