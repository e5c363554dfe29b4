/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Memory through the host's hook, messages, log.  Lowest layer. */
#ifndef UDG_BASE_H
#define UDG_BASE_H

#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <underdigit/settings.h>
#include <underdigit/status.h>

/* Defaults where `given` is NULL or older than this library; always complete. */
void udg_settings_resolve(udg_settings *settings, const udg_settings *given);

/* `count` items of `item_bytes`, zeroed; NULL when the product overflows or the
 * hook gives none.  Aligned for any type and for 64-byte vectors. */
void *udg_memory_get(const udg_settings *settings, size_t count, size_t item_bytes);
/* The same, not zeroed: for what is filled at once. */
void *udg_memory_raw(const udg_settings *settings, size_t count, size_t item_bytes);
/* Block from either; NULL is fine. */
void udg_memory_drop(const udg_settings *settings, void *block);

/* Writes the message when there is one; gives `status` back, so that a fault
 * reads `return udg_fail(message, UDG_ERROR_FORMAT, "%s: ...", name)`. */
udg_status udg_fail(udg_message *message, udg_status status, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

void udg_log(const udg_settings *settings, udg_log_level level, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* 1 when the host wants it stopped, or the inspection's time is up: long loops ask. */
static inline int udg_stop_wanted(const udg_settings *settings) {
  return settings->cancel && settings->cancel(settings->user);
}

/* A name for messages: "memory" for NULL, and only the end of a very long path,
 * so that what is wrong still finds room behind it. */
typedef struct udg_label {
  char text[240];
} udg_label;
udg_label udg_label_of(const char *name);

/* Bytes of the well-formed UTF-8 character at the terminated `s` (RFC 3629,
 * section 4), 1 at its end; 0: none begins there. */
size_t udg_utf8_length(const unsigned char *s);

/* Milliseconds of a monotonic clock. */
double udg_clock_ms(void);

#endif
