/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Comma-separated values as RFC 4180 has them. */
#ifndef CSV_H
#define CSV_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

enum { CSV_FIELDS_MAX = 256, CSV_RECORD_BYTES_MAX = 1 << 20 };

/* One record at a time; a field may hold line breaks inside its quotes. */
typedef struct csv_reader {
  FILE *file;
  char separator;
  int64_t line; /* where the record begins, from 1 */
  int64_t next_line;
  long second_line; /* of a record of several: where it begins in the file */
  char *bytes;      /* of the record, fields terminated */
  size_t room;
  int field_count;
  char *fields[CSV_FIELDS_MAX];
  const char *fault; /* of a broken record; static */
} csv_reader;

typedef enum csv_outcome {
  CSV_RECORD,
  CSV_BROKEN, /* `fault` tells; what comes behind the record's first line can be read: a quote
                 that nobody closed must not take the rows below it along */
  CSV_END,
  CSV_MEMORY
} csv_outcome;

/* The separator (comma, semicolon or tab) is the one that the first line has
 * most of outside quotes; a byte order mark is skipped. `file` must be seekable. */
void csv_begin(csv_reader *r, FILE *file);
/* Empty lines are skipped. */
csv_outcome csv_next(csv_reader *r);
/* Goes on behind the first line of the record that was read last, for one that makes
 * no sense as a whole. */
void csv_back(csv_reader *r);
void csv_end(csv_reader *r);

/* One field, quoted where it must be; a byte that is no UTF-8 becomes \xFF.  A text that a
 * spreadsheet would take for a formula gets an apostrophe before it, as listings are strangers'
 * texts. */
void csv_write(FILE *out, const char *text, int last);
/* Nothing for what is not finite. */
void csv_write_number(FILE *out, double value, const char *format, int last)
    __attribute__((format(printf, 3, 0)));

#endif
