/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The user's value table. */
#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "csv.h"
#include "listing.h"
#include "rank.h"

enum { DATE, VARIETY, STATE, GRADE, VALUE, CURRENCY, COLUMNS };
static const char *const columns[COLUMNS] = {"date",  "variety", "state",
                                             "grade", "value",   "currency"};

static int fail(udg_message *message, const char *path, const char *what) {
  snprintf(message->text, sizeof message->text, "%.300s: %s", path, what);
  return -1;
}

static const char *trimmed(char *text) {
  text += strspn(text, " \t");
  size_t length = strlen(text);
  while (length > 0 && isspace((unsigned char)text[length - 1]))
    text[--length] = '\0';
  return text;
}

static int read_header(const csv_reader *csv, int at[COLUMNS], const char *path,
                       udg_message *message) {
  for (int k = 0; k < COLUMNS; k++) {
    at[k] = -1;
    for (int i = 0; i < csv->field_count; i++)
      if (strcasecmp(trimmed(csv->fields[i]), columns[k]) == 0)
        at[k] = i;
  }
  return at[VALUE] >= 0 ? 0 : fail(message, path, "row 1: no column 'value'");
}

/* 0; -1 when it does not fit. */
static int copy(char *to, size_t room, const char *text) {
  if (strcmp(text, "*") == 0)
    text = "";
  const size_t length = strlen(text);
  if (length >= room)
    return -1;
  memcpy(to, text, length + 1);
  return 0;
}

/* NULL, or what is wrong. */
static const char *read_row(const csv_reader *csv, const int at[COLUMNS], rank_value *row) {
  const char *texts[COLUMNS];
  for (int k = 0; k < COLUMNS; k++) {
    if (at[k] >= csv->field_count)
      return "fewer fields than the header";
    texts[k] = at[k] < 0 ? "" : trimmed(csv->fields[at[k]]);
  }
  if (copy(row->date, sizeof row->date, texts[DATE]) != 0 ||
      copy(row->variety, sizeof row->variety, texts[VARIETY]) != 0 ||
      copy(row->state, sizeof row->state, texts[STATE]) != 0 ||
      copy(row->grade, sizeof row->grade, texts[GRADE]) != 0 ||
      copy(row->currency, sizeof row->currency, texts[CURRENCY]) != 0)
    return "a field is too long";
  if (row->state[0] && strcmp(row->state, "strong") != 0 && strcmp(row->state, "weak") != 0)
    return "state is neither strong nor weak";
  if (listing_price(texts[VALUE], &row->value) != 0)
    return "value is not a plain number";
  return NULL;
}

static int add(rank_values *values, const rank_value *row) {
  if ((values->count & (values->count - 1)) == 0) { /* room is the next power of two */
    size_t room = values->count ? 2 * values->count : 1;
    rank_value *larger = realloc(values->rows, room * sizeof *larger);
    if (!larger)
      return -1;
    values->rows = larger;
  }
  values->rows[values->count++] = *row;
  return 0;
}

static int read_rows(csv_reader *csv, const char *path, rank_values *values,
                     void (*fault)(const char *text), int *faults, udg_message *message) {
  int at[COLUMNS];
  csv_outcome outcome = csv_next(csv);
  if (outcome != CSV_RECORD)
    return fail(message, path, outcome == CSV_BROKEN ? csv->fault : "an empty table");
  if (read_header(csv, at, path, message) != 0)
    return -1;
  while ((outcome = csv_next(csv)) != CSV_END) {
    rank_value row = {.value = 0};
    const char *wrong = outcome == CSV_BROKEN ? csv->fault : NULL;
    if (outcome == CSV_RECORD)
      wrong = read_row(csv, at, &row);
    if (wrong) {
      char text[600];
      snprintf(text, sizeof text, "%.300s: row %lld: %s: left out", path, (long long)csv->line,
               wrong);
      fault(text);
      (*faults)++;
      csv_back(csv);
    } else if (outcome == CSV_MEMORY || add(values, &row) != 0) {
      return fail(message, path, "not enough memory");
    }
  }
  return 0;
}

int rank_values_read(const char *path, rank_values *values, void (*fault)(const char *text),
                     int *faults, udg_message *message) {
  csv_reader csv;
  *values = (rank_values){0};
  *faults = 0;
  FILE *file = fopen(path, "rb");
  if (!file)
    return fail(message, path, strerror(errno));
  csv_begin(&csv, file);
  int status = read_rows(&csv, path, values, fault, faults, message);
  csv_end(&csv);
  fclose(file);
  if (status != 0)
    rank_values_clear(values);
  return status;
}

void rank_values_clear(rank_values *values) {
  free(values->rows);
  *values = (rank_values){0};
}

/* Whether a row's field fits; `known` NULL fits all. Adds to what the row says. */
static int fits(const char *field, const char *known, int *says) {
  if (!field[0])
    return 1;
  if (known && known[0] && strcasecmp(field, known) != 0)
    return 0;
  *says += known && known[0];
  return 1;
}

double rank_value_of(const rank_values *values, const char *date, const char *variety,
                     const char *state, const char *grade, const char *currency) {
  double best = (double)NAN;
  int best_says = -1;
  for (size_t i = 0; i < values->count; i++) {
    const rank_value *v = &values->rows[i];
    int says = 0;
    /* Date and variety must be known to fit; state and grade may stay open. */
    if ((v->date[0] && !(date && date[0])) || (v->variety[0] && !(variety && variety[0])))
      continue;
    if (!fits(v->date, date, &says) || !fits(v->variety, variety, &says) ||
        !fits(v->state, state, &says) || !fits(v->grade, grade, &says) ||
        !fits(v->currency, currency, &says))
      continue;
    if (says > best_says || (says == best_says && v->value < best)) {
      best = v->value;
      best_says = says;
    }
  }
  return best;
}
