/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "json_write.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double infinity_stand_in = 1e308;

static void append(udg_json_writer *writer, const char *bytes, size_t count) {
  if (writer->starved)
    return;
  if (count >= writer->room - writer->length) { /* one byte stays free for the end */
    size_t room = 2 * (writer->room + count) + 1024;
    char *text = udg_memory_get(writer->settings, room, 1);
    if (!text) {
      writer->starved = 1;
      return;
    }
    if (writer->text)
      memcpy(text, writer->text, writer->length);
    udg_memory_drop(writer->settings, writer->text);
    writer->text = text;
    writer->room = room;
  }
  memcpy(writer->text + writer->length, bytes, count);
  writer->length += count;
}

static void append_text(udg_json_writer *writer, const char *text) {
  append(writer, text, strlen(text));
}

static void append_character(udg_json_writer *writer, const unsigned char *s, size_t count) {
  char escape[8];
  if (count == 0) {
    append_text(writer, "\xEF\xBF\xBD");
  } else if (*s == '"' || *s == '\\') {
    escape[0] = '\\';
    escape[1] = (char)*s;
    append(writer, escape, 2);
  } else if (*s < 0x20 || *s == 0x7f) {
    snprintf(escape, sizeof escape, "\\u%04x", *s);
    append_text(writer, escape);
  } else {
    append(writer, (const char *)s, count);
  }
}

static void append_quoted(udg_json_writer *writer, const char *value, size_t limit) {
  /* The last bytes go through a copy with a NUL behind them, since a character
   * may seem to go on beyond the limit. */
  append_text(writer, "\"");
  for (size_t i = 0; value && i < limit && value[i];) {
    unsigned char window[5] = {0};
    for (size_t n = 0; n < 4 && i + n < limit && value[i + n]; n++)
      window[n] = (unsigned char)value[i + n];
    size_t count = udg_utf8_length(window);
    append_character(writer, window, count);
    i += count ? count : 1;
  }
  append_text(writer, "\"");
}

static void begin_item(udg_json_writer *writer, const char *key) {
  if (writer->comma)
    append_text(writer, ",");
  writer->comma = 1;
  if (key) {
    append_quoted(writer, key, (size_t)-1);
    append_text(writer, ":");
  }
}

void udg_json_write_open(udg_json_writer *writer, const char *key, char bracket) {
  begin_item(writer, key);
  append(writer, &bracket, 1);
  writer->comma = 0;
}

void udg_json_write_close(udg_json_writer *writer, char bracket) {
  append(writer, &bracket, 1);
  writer->comma = 1;
}

void udg_json_write_string(udg_json_writer *writer, const char *key, const char *value,
                           size_t limit) {
  begin_item(writer, key);
  append_quoted(writer, value, limit);
}

/* Ten digits hold a homography to a millionth of a pixel. */
static void append_number(udg_json_writer *writer, double value) {
  char digits[40];
  if (isnan(value)) {
    append_text(writer, "null");
    return;
  }
  if (isinf(value))
    value = copysign(infinity_stand_in, value);
  int length = snprintf(digits, sizeof digits, "%.10g", value);
  for (int i = 0; i < length; i++) /* the locale may have a comma there */
    if (!strchr("0123456789+-e", digits[i]))
      digits[i] = '.';
  append_text(writer, digits);
}

void udg_json_write_number(udg_json_writer *writer, const char *key, double value) {
  begin_item(writer, key);
  append_number(writer, value);
}

void udg_json_write_numbers(udg_json_writer *writer, const char *key, const double *values,
                            int count) {
  udg_json_write_open(writer, key, '[');
  for (int i = 0; i < count; i++)
    udg_json_write_number(writer, NULL, values[i]);
  udg_json_write_close(writer, ']');
}

void udg_json_write_boolean(udg_json_writer *writer, const char *key, int value) {
  begin_item(writer, key);
  append_text(writer, value ? "true" : "false");
}

static int copy_member(void *user, const char *key, const udg_json *value) {
  udg_json_write_copy(user, key, value);
  return 0;
}

void udg_json_write_copy(udg_json_writer *writer, const char *key, const udg_json *value) {
  switch (udg_json_kind_of(value)) {
  case UDG_JSON_NULL:
    udg_json_write_null(writer, key);
    break;
  case UDG_JSON_BOOLEAN:
    udg_json_write_boolean(writer, key, udg_json_is_true(value));
    break;
  case UDG_JSON_NUMBER:
    udg_json_write_number(writer, key, udg_json_number(value));
    break;
  case UDG_JSON_STRING:
    udg_json_write_string(writer, key, udg_json_string(value), (size_t)-1);
    break;
  case UDG_JSON_ARRAY:
    udg_json_write_open(writer, key, '[');
    for (size_t i = 0; i < udg_json_count(value); i++)
      udg_json_write_copy(writer, NULL, udg_json_item(value, i));
    udg_json_write_close(writer, ']');
    break;
  case UDG_JSON_OBJECT:
    udg_json_write_open(writer, key, '{');
    udg_json_each(value, copy_member, writer);
    udg_json_write_close(writer, '}');
    break;
  }
}

void udg_json_write_null(udg_json_writer *writer, const char *key) {
  begin_item(writer, key);
  append_text(writer, "null");
}

char *udg_json_write_end(udg_json_writer *writer) {
  append(writer, "", 0); /* makes room even for an empty text */
  if (writer->starved) {
    udg_memory_drop(writer->settings, writer->text);
    writer->text = NULL;
    return NULL;
  }
  writer->text[writer->length] = '\0';
  return writer->text;
}
