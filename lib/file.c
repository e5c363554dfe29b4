/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Whole files into memory, with the limits of the settings. */
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "image_internal.h"

typedef struct file_reader {
  const udg_settings *settings;
  int descriptor;
  uint8_t *bytes;
  size_t capacity, byte_count;
} file_reader;

static udg_status fail_errno(udg_message *message, const char *name, const char *doing, int error) {
  char text[160];
  switch (error) {
  case ENOENT:
    return udg_fail(message, UDG_ERROR_IO, "%s: there is no such file", name);
  case EACCES:
    return udg_fail(message, UDG_ERROR_IO, "%s: no permission to read it", name);
  case EISDIR:
    return udg_fail(message, UDG_ERROR_IO, "%s: is a directory, not a file", name);
  default:
    if (strerror_r(error, text, sizeof text) != 0)
      text[0] = '\0';
    return udg_fail(message, UDG_ERROR_IO, "%s: %s: %s (error %d)", name, doing, text, error);
  }
}

static int open_again(const char *path) {
  int descriptor;
  do
    descriptor = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
  while (descriptor < 0 && errno == EINTR);
  return descriptor;
}

/* A larger block with the same content; 0: no memory. */
static int grow(file_reader *r, size_t capacity) {
  uint8_t *larger = udg_memory_get(r->settings, capacity, 1);
  if (!larger)
    return 0;
  if (r->bytes)
    memcpy(larger, r->bytes, r->byte_count);
  udg_memory_drop(r->settings, r->bytes);
  r->bytes = larger;
  r->capacity = capacity;
  return 1;
}

static udg_status fail_too_large(const file_reader *r, const char *name, udg_message *message) {
  return udg_fail(message, UDG_ERROR_LIMIT, "%s: larger than max_file_bytes allows (%llu bytes)",
                  name, (unsigned long long)r->settings->max_file_bytes);
}

/* To the end, however short each read is; the size told beforehand is only a
 * hint, as pipes tell none and files may grow. */
static udg_status read_all(file_reader *r, const char *name, udg_message *message) {
  for (;;) {
    if (r->byte_count == r->capacity && (r->capacity > SIZE_MAX / 2 || !grow(r, 2 * r->capacity)))
      return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
    const ssize_t got = read(r->descriptor, r->bytes + r->byte_count, r->capacity - r->byte_count);
    if (got < 0 && errno == EINTR)
      continue;
    if (got < 0)
      return fail_errno(message, name, "reading failed", errno);
    if (got == 0)
      return UDG_OK;
    r->byte_count += (size_t)got;
    if (r->byte_count > r->settings->max_file_bytes)
      return fail_too_large(r, name, message);
  }
}

static udg_status read_descriptor(file_reader *r, const char *name, udg_message *message) {
  enum { FIRST_BYTES = 1 << 16 };
  struct stat info;
  if (fstat(r->descriptor, &info) != 0)
    return fail_errno(message, name, "cannot be looked at", errno);
  size_t capacity = FIRST_BYTES;
  if (S_ISREG(info.st_mode) && info.st_size > 0) {
    if ((uint64_t)info.st_size > r->settings->max_file_bytes ||
        (uint64_t)info.st_size > SIZE_MAX / 2)
      return fail_too_large(r, name, message);
    capacity = (size_t)info.st_size + 1; /* room to see the end without growing */
  }
  if (!grow(r, capacity))
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  const udg_status status = read_all(r, name, message);
  if (status == UDG_OK && r->byte_count == 0)
    return udg_fail(message, UDG_ERROR_TRUNCATED, "%s: the file is empty", name);
  return status;
}

udg_status udg_file_read(const udg_settings *settings, const char *path, uint8_t **bytes,
                         size_t *byte_count, udg_message *message) {
  const udg_label label = udg_label_of(path);
  file_reader reader = {.settings = settings, .descriptor = open_again(path)};
  if (reader.descriptor < 0)
    return fail_errno(message, label.text, "cannot be opened", errno);
  const udg_status status = read_descriptor(&reader, label.text, message);
  close(reader.descriptor);
  if (status != UDG_OK) {
    udg_memory_drop(settings, reader.bytes);
    return status;
  }
  *bytes = reader.bytes;
  *byte_count = reader.byte_count;
  return UDG_OK;
}
