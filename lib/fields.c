/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "fields.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double size_max_mm = 1000;

void udg_field_clip(const char *text, char *clipped, size_t room) {
  size_t length = strlen(text);
  if (length >= room) {
    length = room - 1;
    while (length > 0 && ((unsigned char)text[length] & 0xC0) == 0x80)
      length--;
  }
  memcpy(clipped, text, length);
  clipped[length] = '\0';
}

void udg_field_path(const udg_field_object *object, const char *key, char *field) {
  char clipped[48] = "";
  if (key)
    udg_field_clip(key, clipped, sizeof clipped);
  const char *dot = *object->path && key ? "." : "";
  /* The longest path of the format is half as long as the array. */
  if (snprintf(field, UDG_FIELD_PATH_BYTES, "%s%s%s", object->path, dot, clipped) < 0)
    *field = '\0';
}

udg_status udg_field_fail(const udg_field_reader *reader, const udg_field_object *object,
                          const char *key, const char *format, ...) {
  char field[UDG_FIELD_PATH_BYTES], text[256];
  va_list arguments;
  va_start(arguments, format);
  if (vsnprintf(text, sizeof text, format, arguments) < 0)
    *text = '\0';
  va_end(arguments);
  udg_field_path(object, key, field);
  return udg_fail(reader->message, UDG_ERROR_REFERENCE, "%s: %s%s%s", reader->name, field,
                  *field ? ": " : "", text);
}

/* The field when it is there and of the right kind; OK with NULL when it is
 * optional and absent. */
static udg_status find(const udg_field_reader *reader, const udg_field_object *object,
                       const char *key, udg_field_need need, udg_json_kind kind,
                       const udg_json **node) {
  *node = udg_json_member(object->node, key);
  if (!*node)
    return need == UDG_FIELD_OPTIONAL ? UDG_OK
                                      : udg_field_fail(reader, object, key, "missing, must be %s",
                                                       udg_json_kind_text(kind));
  udg_json_kind found = udg_json_kind_of(*node);
  if (found != kind)
    return udg_field_fail(reader, object, key, "is %s, must be %s", udg_json_kind_text(found),
                          udg_json_kind_text(kind));
  return UDG_OK;
}

udg_status udg_field_number(const udg_field_reader *reader, const udg_field_object *object,
                            const char *key, udg_field_need need, double low, double high,
                            double *value) {
  const udg_json *node;
  udg_status status = find(reader, object, key, need, UDG_JSON_NUMBER, &node);
  if (status != UDG_OK || !node)
    return status;
  double number = udg_json_number(node);
  if (!(number >= low && number <= high))
    return udg_field_fail(reader, object, key, "is %g, must be from %g to %g", number, low, high);
  *value = number;
  return UDG_OK;
}

udg_status udg_field_size_mm(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, double *value) {
  double number = *value;
  udg_status status = udg_field_number(reader, object, key, need, -INFINITY, INFINITY, &number);
  if (status != UDG_OK || !udg_json_member(object->node, key))
    return status;
  if (!(number > 0 && number <= size_max_mm))
    return udg_field_fail(reader, object, key, "is %g, must be above 0 and at most %g mm", number,
                          size_max_mm);
  *value = number;
  return UDG_OK;
}

udg_status udg_field_integer(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, int low, int high, int *value) {
  double number = *value;
  if (!udg_json_member(object->node, key) && need == UDG_FIELD_OPTIONAL)
    return UDG_OK;
  udg_status status = udg_field_number(reader, object, key, need, low, high, &number);
  if (status == UDG_OK && number != floor(number))
    return udg_field_fail(reader, object, key, "is %g, must be a whole number", number);
  if (status == UDG_OK)
    *value = (int)number;
  return status;
}

udg_status udg_field_pair_mm(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, double value[2]) {
  const udg_json *node;
  udg_status status = find(reader, object, key, need, UDG_JSON_ARRAY, &node);
  if (status != UDG_OK || !node)
    return status;
  if (udg_json_count(node) != 2)
    return udg_field_fail(reader, object, key, "has %zu items, must be [x, y]",
                          udg_json_count(node));
  double pair[2];
  for (size_t axis = 0; axis < 2; axis++) {
    const udg_json *item = udg_json_item(node, axis);
    pair[axis] = udg_json_number(item);
    if (udg_json_kind_of(item) != UDG_JSON_NUMBER)
      return udg_field_fail(reader, object, key, "%s is %s, must be a number", axis ? "y" : "x",
                            udg_json_kind_text(udg_json_kind_of(item)));
    if (!(fabs(pair[axis]) <= size_max_mm))
      return udg_field_fail(reader, object, key, "%s is %g, must be within %g mm", axis ? "y" : "x",
                            pair[axis], size_max_mm);
  }
  memcpy(value, pair, sizeof pair);
  return UDG_OK;
}

udg_status udg_field_text(const udg_field_reader *reader, const udg_field_object *object,
                          const char *key, udg_field_need need, char *value, size_t room) {
  const udg_json *node;
  udg_status status = find(reader, object, key, need, UDG_JSON_STRING, &node);
  if (status != UDG_OK || !node)
    return status;
  size_t length = strlen(udg_json_string(node));
  if (length == 0)
    return udg_field_fail(reader, object, key, "is empty");
  if (length >= room)
    return udg_field_fail(reader, object, key, "is longer than %zu bytes", room - 1);
  memcpy(value, udg_json_string(node), length + 1);
  return UDG_OK;
}

udg_status udg_field_digit(const udg_field_reader *reader, const udg_field_object *object,
                           const char *key, char *value) {
  const udg_json *node;
  udg_status status = find(reader, object, key, UDG_FIELD_REQUIRED, UDG_JSON_STRING, &node);
  if (status != UDG_OK)
    return status;
  const char *text = udg_json_string(node);
  if (text[0] < '0' || text[0] > '9' || text[1] != '\0')
    return udg_field_fail(reader, object, key, "must be one digit, \"0\" to \"9\"");
  *value = text[0];
  return UDG_OK;
}

udg_status udg_field_object_of(const udg_field_reader *reader, const udg_field_object *object,
                               const char *key, udg_field_need need, udg_field_object *value) {
  udg_field_path(object, key, value->path);
  return find(reader, object, key, need, UDG_JSON_OBJECT, &value->node);
}

udg_status udg_field_array(const udg_field_reader *reader, const udg_field_object *object,
                           const char *key, udg_field_need need, size_t limit,
                           udg_field_object *value, size_t *count) {
  udg_field_path(object, key, value->path);
  udg_status status = find(reader, object, key, need, UDG_JSON_ARRAY, &value->node);
  *count = status == UDG_OK ? udg_json_count(value->node) : 0;
  if (*count > limit)
    return udg_field_fail(reader, object, key, "has %zu items, at most %zu are allowed", *count,
                          limit);
  return status;
}

udg_status udg_field_item(const udg_field_reader *reader, const udg_field_object *array,
                          size_t index, udg_field_object *value) {
  char number[32];
  value->node = udg_json_item(array->node, index);
  snprintf(number, sizeof number, "[%zu]", index);
  if (snprintf(value->path, sizeof value->path, "%.*s%s", (int)(sizeof value->path - sizeof number),
               array->path, number) < 0)
    value->path[0] = '\0';
  udg_json_kind kind = udg_json_kind_of(value->node);
  if (kind != UDG_JSON_OBJECT)
    return udg_field_fail(reader, value, NULL, "is %s, must be an object",
                          udg_json_kind_text(kind));
  return UDG_OK;
}

typedef struct udg_unknown_search {
  const udg_field_reader *reader;
  const udg_field_object *object;
  const char *const *known;
} udg_unknown_search;

static int warn_if_unknown(void *user, const char *key, const udg_json *value) {
  const udg_unknown_search *search = user;
  char field[UDG_FIELD_PATH_BYTES];
  (void)value;
  for (const char *const *known = search->known; *known; known++)
    if (strcmp(*known, key) == 0)
      return 0;
  udg_field_path(search->object, key, field);
  udg_log(search->reader->settings, UDG_LOG_WARNING, "%s: %s: unknown field, ignored",
          search->reader->name, field);
  return 0;
}

void udg_field_warn_unknown(const udg_field_reader *reader, const udg_field_object *object,
                            const char *const *known) {
  udg_unknown_search search = {reader, object, known};
  udg_json_each(object->node, warn_if_unknown, &search);
}
