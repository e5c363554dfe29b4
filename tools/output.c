/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "output.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

static int fail(udg_message *message, const char *path, const char *what) {
  snprintf(message->text, sizeof message->text, "%.300s: %s", path, what);
  return -1;
}

int output_begin(output *o, const char *path, udg_message *message) {
  struct stat about;
  *o = (output){.path = path};
  if (lstat(path, &about) != 0 || S_ISREG(about.st_mode)) {
    size_t room = strlen(path) + sizeof ".part";
    o->part = malloc(room);
    if (!o->part)
      return fail(message, path, "not enough memory");
    snprintf(o->part, room, "%s.part", path);
  }
  o->file = fopen(o->part ? o->part : path, "wb");
  if (o->file)
    return 0;
  fail(message, path, strerror(errno));
  free(o->part);
  return -1;
}

static void note_error(output *o) {
  if (!o->error)
    o->error = errno ? errno : EIO;
}

int output_write(output *o, const void *bytes, size_t count) {
  errno = 0;
  if (fwrite(bytes, 1, count, o->file) == count)
    return 0;
  note_error(o);
  return -1;
}

int output_end(output *o, int good, udg_message *message) {
  errno = 0;
  if (fflush(o->file) != 0 || ferror(o->file))
    note_error(o);
  if (fclose(o->file) != 0)
    note_error(o);
  int failed = !good || o->error;
  if (good && o->error)
    fail(message, o->path, strerror(o->error));
  if (!failed && o->part && rename(o->part, o->path) != 0)
    failed = fail(message, o->path, strerror(errno));
  if (failed && o->part)
    remove(o->part);
  free(o->part);
  return failed ? -1 : 0;
}
