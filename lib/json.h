/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Read access to a parsed JSON text.  Only json.c knows which library does it. */
#ifndef UDG_JSON_H
#define UDG_JSON_H

#include "base.h"

typedef struct udg_json udg_json;

typedef enum udg_json_kind {
  UDG_JSON_NULL,
  UDG_JSON_BOOLEAN,
  UDG_JSON_NUMBER,
  UDG_JSON_STRING,
  UDG_JSON_ARRAY,
  UDG_JSON_OBJECT
} udg_json_kind;

/* Parses an object or array; a byte order mark is skipped, a key given twice in
 * one object is an error.  `name` begins the message, which tells line and
 * column.  The parser's own memory comes from malloc(): its hook is one for the
 * whole process, which a library must leave to the host. */
udg_status udg_json_parse(const char *text, size_t byte_count, const char *name, udg_json **root,
                          udg_message *message);
/* The root only; NULL is fine. */
void udg_json_drop(udg_json *root);

/* What follows takes NULL for "absent". */
udg_json_kind udg_json_kind_of(const udg_json *node);
/* "a number", "an array", ...; for messages. */
const char *udg_json_kind_text(udg_json_kind kind);
const udg_json *udg_json_member(const udg_json *object, const char *key);
size_t udg_json_count(const udg_json *array);
const udg_json *udg_json_item(const udg_json *array, size_t index);
double udg_json_number(const udg_json *node); /* 0 for what is none */
int udg_json_is_true(const udg_json *node);
const char *udg_json_string(const udg_json *node); /* NULL for what is none */

/* Calls `visit` for each member in file order until it gives non-zero. */
int udg_json_each(const udg_json *object,
                  int (*visit)(void *user, const char *key, const udg_json *value), void *user);

#endif
