/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Status codes and the text of a fault. */
#ifndef UNDERDIGIT_STATUS_H
#define UNDERDIGIT_STATUS_H

#include <underdigit/export.h>

#ifdef __cplusplus
extern "C" {
#endif

/* 0 is good, negative is bad; values are never reused.  A photo that cannot be
 * judged is not a fault: it is a result with the verdict `undecided`. */
typedef enum udg_status {
  UDG_OK = 0,
  UDG_ERROR_ARGUMENT = -1,  /* the caller broke a rule of the function */
  UDG_ERROR_MEMORY = -2,    /* the allocation hook gave NULL */
  UDG_ERROR_IO = -3,        /* a file could not be opened, read or written */
  UDG_ERROR_FORMAT = -4,    /* neither JPEG nor PNG, or broken inside */
  UDG_ERROR_TRUNCATED = -5, /* the data end too early */
  UDG_ERROR_LIMIT = -6,     /* a limit of the settings would be passed */
  UDG_ERROR_REFERENCE = -7, /* the reference file is wrong; the message names the field */
  UDG_ERROR_DATE = -8,      /* the reference does not have that date */
  UDG_ERROR_CANCELLED = -9, /* the host's cancel callback said stop */
  UDG_ERROR_INTERNAL = -10, /* a rule inside the library was broken: please report */
  UDG_ERROR_PHOTOS = -11    /* too few of the photos can be learned from */
} udg_status;

/* What went wrong, for a person.  Filled when a function fails, else left
 * alone; every function that takes one also takes NULL.  UTF-8, always
 * terminated, never longer than the array. */
typedef struct udg_message {
  char text[512]; /* "coin.jpg: byte 4711: ..." names the input and the place in it */
} udg_message;

/* A short English text for a status, static storage. */
UDG_API const char *udg_status_text(udg_status status);

#ifdef __cplusplus
}
#endif
#endif
