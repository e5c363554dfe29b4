/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "json_out.h"

#include <math.h>
#include <string.h>

void json_out_begin(json_out *o, FILE *file) {
  *o = (json_out){file, 0};
  fputc('{', file);
}

void json_out_end(json_out *o) {
  fputc('}', o->file);
}

void json_out_key(json_out *o, const char *key) {
  if (o->comma)
    fputc(',', o->file);
  o->comma = 1;
  json_out_string(o->file, key);
  fputc(':', o->file);
}

void json_out_text(json_out *o, const char *key, const char *text) {
  json_out_key(o, key);
  if (text)
    json_out_string(o->file, text);
  else
    fputs("null", o->file);
}

void json_out_number(json_out *o, const char *key, double value) {
  json_out_key(o, key);
  if (isfinite(value))
    fprintf(o->file, "%.10g", value);
  else
    fputs("null", o->file);
}

void json_out_truth(json_out *o, const char *key, int value) {
  json_out_key(o, key);
  fputs(value ? "true" : "false", o->file);
}

/* Bytes of the UTF-8 character at `s`; 0 when there is none (RFC 3629). */
static size_t character(const unsigned char *s) {
  if (s[0] < 0x80)
    return 1;
  size_t count = s[0] >= 0xF0 ? 4 : s[0] >= 0xE0 ? 3 : 2;
  if (s[0] < 0xC2 || s[0] > 0xF4)
    return 0;
  for (size_t i = 1; i < count; i++)
    if ((s[i] & 0xC0) != 0x80)
      return 0;
  if ((s[0] == 0xE0 && s[1] < 0xA0) || (s[0] == 0xED && s[1] > 0x9F) ||
      (s[0] == 0xF0 && s[1] < 0x90) || (s[0] == 0xF4 && s[1] > 0x8F))
    return 0;
  return count;
}

void json_out_string(FILE *file, const char *text) {
  fputc('"', file);
  for (const unsigned char *s = (const unsigned char *)text; *s;) {
    size_t count = character(s);
    if (count == 0) {
      fputs("\xEF\xBF\xBD", file); /* the sign for what cannot be shown */
      s++;
      continue;
    }
    /* U+2028 and U+2029 end a line in older JavaScript. */
    if (count == 3 && s[0] == 0xE2 && s[1] == 0x80 && (s[2] == 0xA8 || s[2] == 0xA9))
      fprintf(file, "\\u20%02x", s[2] - 0x80);
    else if (count == 1 && (*s < 0x20 || *s == 0x7F || strchr("<>&'", *s)))
      fprintf(file, "\\u%04x", *s);
    else if (*s == '"' || *s == '\\')
      fprintf(file, "\\%c", *s);
    else
      fwrite(s, 1, count, file);
    s += count;
  }
  fputc('"', file);
}
