/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A JSON text for people to read and edit. */
#include <string.h>

#include "json_write.h"

/* What fits on a line of its own is not broken up. */
enum { LINE_MAX_BYTES = 96, STEP = 2 };

/* The index behind the string or the bracketed value that begins at `at`. */
static size_t end_of(const char *text, size_t at) {
  int depth = 0;
  for (; text[at]; at++) {
    if (text[at] == '"') {
      for (at++; text[at] && text[at] != '"'; at++)
        at += text[at] == '\\' && text[at + 1];
      if (!text[at])
        return at;
    } else if (text[at] == '{' || text[at] == '[') {
      depth++;
    } else if (text[at] == '}' || text[at] == ']') {
      depth--;
    }
    if (depth == 0)
      return at + 1;
  }
  return at;
}

typedef struct output {
  char *text; /* NULL: only counted */
  size_t length;
} output;

static void put(output *o, const char *bytes, size_t count) {
  if (o->text)
    memcpy(o->text + o->length, bytes, count);
  o->length += count;
}

static void new_line(output *o, int depth) {
  put(o, "\n", 1);
  for (int i = 0; i < depth * STEP; i++)
    put(o, " ", 1);
}

static void indent(const char *text, output *o) {
  int depth = 0;
  for (size_t at = 0; text[at];) {
    char c = text[at];
    int opens = c == '{' || c == '[';
    size_t end = opens || c == '"' ? end_of(text, at) : at + 1;
    if (c == '"' || (opens && end - at <= LINE_MAX_BYTES && depth > 0)) {
      for (size_t i = at; i < end;) {
        size_t piece = text[i] == '"' ? end_of(text, i) - i : 1;
        put(o, text + i, piece);
        if (text[i] == ',' || text[i] == ':')
          put(o, " ", 1);
        i += piece;
      }
      at = end;
      continue;
    }
    depth += opens ? 1 : c == '}' || c == ']' ? -1 : 0;
    if (c == '}' || c == ']')
      new_line(o, depth);
    put(o, text + at, 1);
    if (opens || c == ',')
      new_line(o, depth);
    else if (c == ':')
      put(o, " ", 1);
    at++;
  }
  put(o, "\n", 1);
}

char *udg_json_indented(const udg_settings *settings, const char *text) {
  output o = {NULL, 0};
  indent(text, &o);
  o.text = udg_memory_get(settings, o.length + 1, 1);
  o.length = 0;
  if (o.text)
    indent(text, &o);
  return o.text;
}
