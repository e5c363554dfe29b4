/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The owner of jansson. */
#include "json.h"

#include <string.h>

#include <jansson.h>

/* Never defined: a node is a json_t by another name. */
static json_t *node_of(const udg_json *node) {
  return (json_t *)(uintptr_t)node;
}

udg_status udg_json_parse(const char *text, size_t byte_count, const char *name, udg_json **root,
                          udg_message *message) {
  json_error_t error;
  if (byte_count >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) {
    text += 3;
    byte_count -= 3;
  }
  *root = (udg_json *)json_loadb(text, byte_count, JSON_REJECT_DUPLICATES | JSON_DECODE_INT_AS_REAL,
                                 &error);
  if (*root)
    return UDG_OK;
  if (json_error_code(&error) == json_error_out_of_memory)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  return udg_fail(message, UDG_ERROR_REFERENCE, "%s: line %d, column %d: %s", name, error.line,
                  error.column, error.text);
}

void udg_json_drop(udg_json *root) {
  json_decref(node_of(root));
}

udg_json_kind udg_json_kind_of(const udg_json *node) {
  if (!node)
    return UDG_JSON_NULL;
  switch (json_typeof(node_of(node))) {
  case JSON_OBJECT:
    return UDG_JSON_OBJECT;
  case JSON_ARRAY:
    return UDG_JSON_ARRAY;
  case JSON_STRING:
    return UDG_JSON_STRING;
  case JSON_INTEGER:
  case JSON_REAL:
    return UDG_JSON_NUMBER;
  case JSON_TRUE:
  case JSON_FALSE:
    return UDG_JSON_BOOLEAN;
  default:
    return UDG_JSON_NULL;
  }
}

const char *udg_json_kind_text(udg_json_kind kind) {
  switch (kind) {
  case UDG_JSON_OBJECT:
    return "an object";
  case UDG_JSON_ARRAY:
    return "an array";
  case UDG_JSON_STRING:
    return "a string";
  case UDG_JSON_NUMBER:
    return "a number";
  case UDG_JSON_BOOLEAN:
    return "true or false";
  default:
    return "null";
  }
}

const udg_json *udg_json_member(const udg_json *object, const char *key) {
  return (const udg_json *)json_object_get(node_of(object), key);
}

size_t udg_json_count(const udg_json *array) {
  return json_array_size(node_of(array));
}

const udg_json *udg_json_item(const udg_json *array, size_t index) {
  return (const udg_json *)json_array_get(node_of(array), index);
}

double udg_json_number(const udg_json *node) {
  return json_number_value(node_of(node));
}

int udg_json_is_true(const udg_json *node) {
  return node && json_is_true(node_of(node));
}

const char *udg_json_string(const udg_json *node) {
  return json_string_value(node_of(node));
}

int udg_json_each(const udg_json *object,
                  int (*visit)(void *user, const char *key, const udg_json *value), void *user) {
  const char *key;
  json_t *value;
  int stop = 0;
  json_object_foreach(node_of(object), key, value) {
    stop = visit(user, key, (const udg_json *)value);
    if (stop)
      break;
  }
  return stop;
}
