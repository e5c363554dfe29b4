/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Listing tables as comma-separated values. */
#include "csv.h"
#include "listing.h"

static int fail(udg_message *message, const char *path, const char *what) {
  snprintf(message->text, sizeof message->text, "%.300s: %s", path, what);
  return -1;
}

/* Where each field stands; -1: nowhere. */
static int read_header(const csv_reader *csv, int at[LISTING_FIELDS], const char *path,
                       udg_message *message) {
  int any = 0;
  for (int i = 0; i < LISTING_FIELDS; i++)
    at[i] = -1;
  for (int i = 0; i < csv->field_count; i++) {
    listing_field field = listing_field_named(csv->fields[i]);
    if (field == LISTING_FIELDS)
      continue;
    if (at[field] >= 0)
      return fail(message, path, "row 1: two columns of the same name");
    at[field] = i;
    any = 1;
  }
  return any ? 0
             : fail(message, path,
                    "row 1: no column that is known (id, title, address, price, currency, "
                    "closes, photos, note, grade)");
}

int listing_read_csv(FILE *file, const char *path, const listing_reader *reader,
                     udg_message *message) {
  csv_reader csv;
  int at[LISTING_FIELDS], header_fields, stopped = 0;
  csv_begin(&csv, file);
  csv_outcome outcome = csv_next(&csv);
  if (outcome != CSV_RECORD || read_header(&csv, at, path, message) != 0) {
    if (outcome == CSV_BROKEN)
      snprintf(message->text, sizeof message->text, "%.300s: row %lld: %s", path,
               (long long)csv.line, csv.fault);
    else if (outcome != CSV_RECORD)
      fail(message, path, "an empty table");
    csv_end(&csv);
    return -1;
  }
  header_fields = csv.field_count;
  while (!stopped && (outcome = csv_next(&csv)) != CSV_END && outcome != CSV_MEMORY) {
    char *texts[LISTING_FIELDS] = {NULL};
    if (outcome == CSV_BROKEN) {
      listing_fault(reader, path, csv.line, 1, "%s: left out", csv.fault);
      continue;
    }
    if (csv.field_count != header_fields) {
      listing_fault(reader, path, csv.line, 1, "%d fields where the header has %d: left out",
                    csv.field_count, header_fields);
      csv_back(&csv);
      continue;
    }
    for (int i = 0; i < LISTING_FIELDS; i++)
      if (at[i] >= 0)
        texts[i] = csv.fields[at[i]];
    stopped = listing_take(reader, path, csv.line, texts);
  }
  csv_end(&csv);
  if (outcome == CSV_MEMORY)
    return fail(message, path, "not enough memory");
  return stopped ? 1 : 0;
}
