/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Listing tables as JSON lines; in the command the only file that knows jansson. */
#include <jansson.h>
#include <stdlib.h>
#include <string.h>

#include "listing.h"

enum { LINE_BYTES_MAX = 1 << 20 };

static char *append(char *text, const char *more) {
  size_t had = text ? strlen(text) : 0, bytes = had + strlen(more) + 1;
  char *longer = realloc(text, bytes);
  if (!longer) {
    free(text);
    return NULL;
  }
  memcpy(longer + had, more, bytes - had);
  return longer;
}

/* A value as a table would have it; malloc()ed, NULL for null and for a fault. */
static char *value_text(const json_t *value, listing_field field, const char **fault) {
  char number[40];
  if (!value || json_is_null(value))
    return NULL;
  if (json_is_string(value))
    return append(NULL, json_string_value(value));
  if (json_is_integer(value)) {
    snprintf(number, sizeof number, "%lld", (long long)json_integer_value(value));
    return append(NULL, number);
  }
  if (json_is_real(value)) {
    snprintf(number, sizeof number, "%.10g", json_real_value(value));
    return append(NULL, number);
  }
  char *text = NULL;
  if (field == LISTING_PHOTOS && json_is_array(value)) {
    for (size_t i = 0; i < json_array_size(value); i++) {
      const char *photo = json_string_value(json_array_get(value, i));
      if (photo)
        text = append(append(text, photo), LISTING_UNIT);
      else
        *fault = "must hold names only";
    }
    return text;
  }
  *fault = "is of the wrong type";
  return NULL;
}

static int take_object(json_t *object, const char *path, int64_t row,
                       const listing_reader *reader) {
  char *texts[LISTING_FIELDS] = {NULL};
  const char *name;
  json_t *value;
  json_object_foreach(object, name, value) {
    listing_field field = listing_field_named(name);
    const char *fault = NULL;
    if (field == LISTING_FIELDS)
      continue;
    if (texts[field])
      fault = "is there twice";
    else
      texts[field] = value_text(value, field, &fault);
    if (fault)
      listing_fault(reader, path, row, 0, "'%.60s' %s: left out", name, fault);
  }
  int stop = listing_take(reader, path, row, texts);
  for (int i = 0; i < LISTING_FIELDS; i++)
    free(texts[i]);
  return stop;
}

int listing_read_json(FILE *file, const char *path, const listing_reader *reader,
                      udg_message *message) {
  char *line = NULL;
  size_t room = 0;
  ssize_t length;
  int stopped = 0, any = 0;
  for (int64_t row = 1; !stopped && (length = getline(&line, &room, file)) >= 0; row++) {
    const char *text = line;
    if (row == 1 && strncmp(text, "\xEF\xBB\xBF", 3) == 0)
      text += 3; /* a byte order mark */
    if (text + strspn(text, " \t\r\n") == line + length)
      continue;
    any = 1;
    if (length > LINE_BYTES_MAX) {
      listing_fault(reader, path, row, 1, "longer than a row may be: left out");
      continue;
    }
    json_error_t why;
    json_t *object = json_loadb(text, (size_t)(line + length - text), JSON_REJECT_DUPLICATES, &why);
    if (object && json_is_object(object))
      stopped = take_object(object, path, row, reader);
    else
      listing_fault(reader, path, row, 1, "%s: left out", object ? "not a JSON object" : why.text);
    json_decref(object);
  }
  free(line);
  if (!any && !ferror(file)) {
    snprintf(message->text, sizeof message->text, "%.300s: an empty table", path);
    return -1;
  }
  return stopped;
}
