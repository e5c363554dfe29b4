/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Screening as its users meet it: shell lines on a command whose inspection is a
 * stand-in (quick_inspect.c), in a scratch folder with a folder of photos. */
#ifndef SCREENING_H
#define SCREENING_H

#include <stdint.h>

enum { PHOTOS = 40, FINDS = 4 };

/* The folder `many` with PHOTOS photos, FINDS of which have a trace. */
int screening_set_up(void **state);
int screening_tear_down(void **state);

typedef struct outcome {
  int status;
  char *out, *err;
} outcome;

/* A shell line in the scratch folder, where $U is the command, $R a reference, $R2
 * another, and `await N` waits until so many inspections began (UDG_TEST_LOG=log) or the
 * command in the background ended, on however busy a machine. */
outcome run(const char *format, ...) __attribute__((format(printf, 1, 2)));
void drop(outcome *o);
/* Runs; status, and parts of both outputs ("" for anything). */
void expect_run(int status, const char *out, const char *err, const char *line);
void expect_has(const char *text, const char *part);

/* The first number that SQL gives; -999 for none. */
int64_t ask(const char *store, const char *question);
/* Nothing is broken in the store, and nothing dangles. */
void expect_sound(const char *store);

/* A grey photo of that level; `salt` makes the bytes its own. */
void write_photo(const char *name, uint8_t level, int salt);
/* How many inspections the log tells of. */
long inspections(void);

#endif
