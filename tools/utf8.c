/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "utf8.h"

#include <stdlib.h>
#include <string.h>

size_t utf8_length(const char *text) {
  const unsigned char *s = (const unsigned char *)text;
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

/* Moves a terminal's cursor, or turns the direction in which what follows is read: no
 * text, and a means to show what is not there. */
static int is_control(const char *text, size_t length) {
  const unsigned char *s = (const unsigned char *)text;
  if (length == 1)
    return s[0] < 0x20 || s[0] == 0x7F;
  if (length == 2)
    return (s[0] == 0xC2 && s[1] < 0xA0) || (s[0] == 0xD8 && s[1] == 0x9C); /* C1; U+061C */
  if (length != 3 || s[0] != 0xE2)
    return 0;
  /* U+200E, U+200F, U+2028 to U+202E; U+2066 to U+2069 */
  return (s[1] == 0x80 && (s[2] == 0x8E || s[2] == 0x8F || (s[2] >= 0xA8 && s[2] <= 0xAE))) ||
         (s[1] == 0x81 && s[2] >= 0xA6 && s[2] <= 0xA9);
}

void utf8_print_clean(FILE *out, const char *text) {
  while (*text) {
    size_t length = utf8_length(text);
    if (length == 0 || is_control(text, length))
      fputc('?', out);
    else
      fwrite(text, 1, length, out);
    text += length ? length : 1;
  }
}

char *utf8_shown(const char *text) {
  char *shown = malloc(4 * strlen(text) + 1), *to = shown;
  if (!shown)
    return NULL;
  while (*text) {
    size_t length = utf8_length(text);
    if (length == 0) {
      to += sprintf(to, "\\x%02X", (unsigned char)*text++);
      continue;
    }
    memcpy(to, text, length);
    to += length;
    text += length;
  }
  *to = '\0';
  return shown;
}
