/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "json_out.h"

#include <math.h>
#include <string.h>

#include "utf8.h"

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

void json_out_string(FILE *file, const char *text) {
  fputc('"', file);
  for (const unsigned char *s = (const unsigned char *)text; *s;) {
    size_t count = utf8_length((const char *)s);
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
