/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "base.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

enum { BLOCK_ALIGNMENT = 64 };

/* In front of every block lies the address that the hook gave. */
void *udg_memory_raw(const udg_settings *settings, size_t count, size_t item_bytes) {
  const size_t front = BLOCK_ALIGNMENT + sizeof(void *);
  if (item_bytes != 0 && count > (SIZE_MAX - front) / item_bytes)
    return NULL;
  const size_t bytes = count * item_bytes;
  void *given = settings->allocate(settings->user, bytes + front);
  if (!given)
    return NULL;
  const uintptr_t first = (uintptr_t)given + sizeof(void *);
  const size_t gap = (size_t)((BLOCK_ALIGNMENT - first % BLOCK_ALIGNMENT) % BLOCK_ALIGNMENT);
  unsigned char *block = (unsigned char *)given + sizeof(void *) + gap;
  memcpy(block - sizeof(void *), &given, sizeof given);
  return block;
}

void *udg_memory_get(const udg_settings *settings, size_t count, size_t item_bytes) {
  void *block = udg_memory_raw(settings, count, item_bytes);
  if (block)
    memset(block, 0, count * item_bytes);
  return block;
}

void udg_memory_drop(const udg_settings *settings, void *block) {
  if (!block)
    return;
  void *given;
  memcpy(&given, (unsigned char *)block - sizeof(void *), sizeof given);
  settings->release(settings->user, given);
}

size_t udg_utf8_length(const unsigned char *s) {
  if (s[0] < 0x80)
    return 1;
  size_t more;
  unsigned char low = 0x80, high = 0xbf; /* of the second byte */
  if (s[0] >= 0xc2 && s[0] <= 0xdf) {
    more = 1;
  } else if (s[0] >= 0xe0 && s[0] <= 0xef) {
    more = 2;
    if (s[0] == 0xe0)
      low = 0xa0; /* shorter form exists */
    if (s[0] == 0xed)
      high = 0x9f; /* surrogates */
  } else if (s[0] >= 0xf0 && s[0] <= 0xf4) {
    more = 3;
    if (s[0] == 0xf0)
      low = 0x90;
    if (s[0] == 0xf4)
      high = 0x8f;
  } else {
    return 0;
  }
  if (s[1] < low || s[1] > high)
    return 0;
  for (size_t i = 2; i <= more; i++)
    if (s[i] < 0x80 || s[i] > 0xbf)
      return 0;
  return more + 1;
}

/* File names and texts of other libraries may hold anything, and cutting at the
 * end of the buffer may split a character. */
static void clean_utf8(char *text) {
  unsigned char *s = (unsigned char *)text;
  while (*s) {
    const size_t length = udg_utf8_length(s);
    if (length == 0 || *s < 0x20 || *s == 0x7f) {
      *s++ = '?';
      continue;
    }
    s += length;
  }
}

/* Cuts an unfinished character off the end of a text that filled its buffer. */
static void cut_split_character(char *text) {
  size_t end = strlen(text);
  size_t tail = 0;
  while (tail < 3 && tail < end && ((unsigned char)text[end - 1 - tail] & 0xc0) == 0x80)
    tail++;
  if (tail == end || ((unsigned char)text[end - 1 - tail] & 0xc0) != 0xc0)
    return;
  if (udg_utf8_length((const unsigned char *)text + end - 1 - tail) == 0)
    text[end - 1 - tail] = '\0';
}

static void print_text(char *text, size_t capacity, const char *format, va_list arguments) {
  const int wanted = vsnprintf(text, capacity, format, arguments);
  if (wanted < 0) {
    text[0] = '\0';
    return;
  }
  if ((size_t)wanted >= capacity)
    cut_split_character(text);
  clean_utf8(text);
}

udg_status udg_fail(udg_message *message, udg_status status, const char *format, ...) {
  if (message) {
    va_list arguments;
    va_start(arguments, format);
    print_text(message->text, sizeof message->text, format, arguments);
    va_end(arguments);
  }
  return status;
}

void udg_log(const udg_settings *settings, udg_log_level level, const char *format, ...) {
  if (!settings->log)
    return;
  char text[512];
  va_list arguments;
  va_start(arguments, format);
  print_text(text, sizeof text, format, arguments);
  va_end(arguments);
  settings->log(settings->user, level, text);
}

udg_label udg_label_of(const char *name) {
  udg_label label;
  if (!name)
    name = "memory";
  const size_t length = strlen(name), room = sizeof label.text - 1;
  if (length <= room) {
    memcpy(label.text, name, length + 1);
    return label;
  }
  const char *tail = name + length - (room - 3);
  while (((unsigned char)*tail & 0xc0) == 0x80)
    tail++;
  snprintf(label.text, sizeof label.text, "...%s", tail);
  return label;
}

double udg_clock_ms(void) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (double)now.tv_sec * 1e3 + (double)now.tv_nsec * 1e-6;
}
