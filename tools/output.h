/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A file that comes out whole or not at all. */
#ifndef OUTPUT_H
#define OUTPUT_H

#include <stdio.h>

#include <underdigit/status.h>

typedef struct output {
  const char *path; /* the caller's */
  char *part;       /* what is written until the end; NULL: the path itself */
  FILE *file;
  int error; /* errno of the first write that failed */
} output;

/* Opens a file beside `path`, so that no half a file is ever met under the
 * name.  What is no plain file (a device, a link) is written to as it is.
 * 0, or -1 and a reason in `message`. */
int output_begin(output *o, const char *path, udg_message *message);

/* 0, or -1 when not all was written; output_end() tells why. */
int output_write(output *o, const void *bytes, size_t count);

/* Closes, and puts the file under its name when `good` and all was written;
 * else removes it.  0, or -1 and a reason in `message` (left alone when not
 * `good`). */
int output_end(output *o, int good, udg_message *message);

#endif
