/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A listing, and tables of listings (CSV or JSON lines; docs/screening.md). */
#ifndef LISTING_H
#define LISTING_H

#include <stdint.h>
#include <stdio.h>

#include <underdigit/status.h>

enum { LISTING_PHOTOS_MAX = 64 };

/* NULL where the table does not tell. */
typedef struct listing {
  const char *id;
  const char *title, *address, *currency, *closes, *note, *grade;
  double price; /* NAN: not told */
  int has_closes;
  int64_t closes_at; /* seconds since 1970, UTC */
  int photo_count;
  const char *photos[LISTING_PHOTOS_MAX]; /* paths */
  const char *source;                     /* the table; NULL: no table */
  int64_t row;                            /* line of the table where the listing begins; 0 */
} listing;

typedef struct listing_reader {
  /* A row; what it points to holds during the call.  Non-zero stops. */
  int (*row)(void *user, const listing *l);
  /* Something about a row is wrong; "table.csv: row 7: ...".  `dropped`: the
   * whole row is left out. */
  void (*fault)(void *user, const char *text, int dropped);
  void *user;
} listing_reader;

/* 1 when the name ends as a table's does. */
int listing_is_table(const char *path);

/* Reads a table row by row.  0; 1 when `row` stopped it; -1 and a reason in
 * `message` when it cannot be read at all. */
int listing_read(const char *path, const listing_reader *reader, udg_message *message);

/* "2026-11-30", "2026-11-30 18:00", "2026-11-30T18:00:00Z", "...+01:00": seconds
 * since 1970; without a zone it is UTC, a date alone is its last second.  0 or -1. */
int listing_time(const char *text, int64_t *seconds);

/* A plain decimal number, not negative, "." or one "," before the decimals.  0 or -1. */
int listing_price(const char *text, double *price);

/* ---- for the readers of the two kinds of table */

typedef enum listing_field {
  LISTING_ID,
  LISTING_TITLE,
  LISTING_ADDRESS,
  LISTING_PRICE,
  LISTING_CURRENCY,
  LISTING_CLOSES,
  LISTING_PHOTOS,
  LISTING_NOTE,
  LISTING_GRADE,
  LISTING_FIELDS
} listing_field;

extern const char *const listing_field_names[LISTING_FIELDS];

/* The field that a header names; LISTING_FIELDS when none. */
listing_field listing_field_named(const char *header);

/* Ends each of several photos whose names may hold a '|'. */
#define LISTING_UNIT "\x1F"

/* A row's texts, as they stand; "" or NULL: not told.  `photos` are parted by '|', or ended
 * by LISTING_UNIT, in place; the texts are changed. Tells faults, calls the reader's row. */
int listing_take(const listing_reader *reader, const char *path, int64_t row,
                 char *texts[LISTING_FIELDS]);

/* The two kinds of table, the file open at its start. */
int listing_read_csv(FILE *file, const char *path, const listing_reader *reader,
                     udg_message *message);
int listing_read_json(FILE *file, const char *path, const listing_reader *reader,
                      udg_message *message);

/* Tells `format`ed about a row. */
void listing_fault(const listing_reader *reader, const char *path, int64_t row, int dropped,
                   const char *format, ...) __attribute__((format(printf, 5, 6)));

#endif
