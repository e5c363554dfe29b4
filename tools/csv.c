/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "csv.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "utf8.h"

void csv_begin(csv_reader *r, FILE *file) {
  static const char separators[] = ",;\t";
  long counts[3] = {0, 0, 0};
  *r = (csv_reader){.file = file, .separator = ',', .next_line = 1};
  long start = 0;
  if (getc(file) == 0xEF && getc(file) == 0xBB && getc(file) == 0xBF)
    start = 3;
  fseek(file, start, SEEK_SET);
  int c, quoted = 0;
  while ((c = getc(file)) != EOF && (quoted || (c != '\n' && c != '\r'))) {
    quoted ^= c == '"';
    const char *found = quoted || !c ? NULL : strchr(separators, c);
    if (found)
      counts[found - separators]++;
  }
  for (int i = 1; i < 3; i++)
    if (counts[i] > counts[0]) {
      counts[0] = counts[i];
      r->separator = separators[i];
    }
  fseek(file, start, SEEK_SET);
}

void csv_end(csv_reader *r) {
  free(r->bytes);
  r->bytes = NULL;
}

typedef struct record {
  csv_reader *r;
  size_t used, start; /* of the field at work */
  int memory;
} record;

static void put(record *rec, int c) {
  csv_reader *r = rec->r;
  if (rec->used + 1 >= CSV_RECORD_BYTES_MAX) {
    r->fault = "longer than a row may be";
    return;
  }
  if (rec->used + 1 >= r->room) {
    size_t room = r->room ? 2 * r->room : 1024;
    char *larger = realloc(r->bytes, room);
    if (!larger) {
      rec->memory = 1;
      return;
    }
    r->bytes = larger;
    r->room = room;
  }
  if (c == '\0') {
    r->fault = "has a zero byte";
    return;
  }
  r->bytes[rec->used++] = (char)c;
}

/* Offsets until the record is whole: the bytes may move while they grow. */
static void end_field(record *rec, size_t starts[CSV_FIELDS_MAX]) {
  csv_reader *r = rec->r;
  if (r->field_count == CSV_FIELDS_MAX) {
    r->fault = "more fields than a row may have";
    return;
  }
  put(rec, ' '); /* room for the end */
  if (rec->memory || r->fault)
    return;
  r->bytes[rec->used - 1] = '\0';
  starts[r->field_count++] = rec->start;
  rec->start = rec->used;
}

/* A line break in any of its spellings; counts it. */
static int at_break(csv_reader *r, int c) {
  if (c == '\r') {
    int next = getc(r->file);
    if (next != '\n' && next != EOF)
      ungetc(next, r->file);
  } else if (c != '\n') {
    return 0;
  }
  r->next_line++;
  return 1;
}

void csv_back(csv_reader *r) {
  if (r->next_line <= r->line + 1)
    return;
  fseek(r->file, r->second_line, SEEK_SET);
  r->next_line = r->line + 1;
}

static void read_quoted(record *rec) {
  csv_reader *r = rec->r;
  int c;
  while ((c = getc(r->file)) != EOF) {
    if (c == '"') {
      int next = getc(r->file);
      if (next != '"') {
        if (next != EOF)
          ungetc(next, r->file);
        return;
      }
    } else if (at_break(r, c)) {
      if (r->next_line == r->line + 1)
        r->second_line = ftell(r->file);
      c = '\n';
    }
    put(rec, c);
  }
  r->fault = "a quote that is not closed";
}

static csv_outcome read_record(csv_reader *r, int *empty) {
  record rec = {.r = r};
  size_t starts[CSV_FIELDS_MAX];
  int c, fresh = 1, was_quoted = 0;
  r->field_count = 0;
  r->fault = NULL;
  r->line = r->next_line;
  *empty = 1;
  while (!rec.memory) {
    c = getc(r->file);
    if (c == EOF && *empty)
      return CSV_END;
    if (c == EOF || at_break(r, c)) {
      end_field(&rec, starts);
      break;
    }
    *empty = 0;
    if (c == r->separator) {
      end_field(&rec, starts);
      fresh = 1;
      was_quoted = 0;
    } else if (c == '"' && fresh) {
      read_quoted(&rec);
      fresh = 0;
      was_quoted = 1;
    } else {
      if (was_quoted && c != ' ')
        r->fault = "text after a closing quote";
      else if (!was_quoted)
        put(&rec, c);
      fresh = 0;
    }
  }
  if (rec.memory)
    return CSV_MEMORY;
  for (int i = 0; i < r->field_count; i++)
    r->fields[i] = r->bytes + starts[i];
  if (!r->fault)
    return CSV_RECORD;
  csv_back(r);
  return CSV_BROKEN;
}

csv_outcome csv_next(csv_reader *r) {
  int empty;
  csv_outcome outcome;
  do
    outcome = read_record(r, &empty);
  while (empty && outcome == CSV_RECORD);
  return outcome;
}

static void write_text(FILE *out, const char *text) {
  while (*text) {
    size_t length = utf8_length(text);
    if (length == 0)
      fprintf(out, "\\x%02X", (unsigned char)*text);
    else
      fwrite(text, 1, length, out);
    if (*text == '"')
      fputc('"', out);
    text += length ? length : 1;
  }
}

void csv_write(FILE *out, const char *text, int last) {
  const char *t = text ? text : "";
  int formula = t[0] && strchr("=+-@\t\r", t[0]);
  if (formula || t[strcspn(t, "\",;\t\r\n")]) {
    fputs(formula ? "\"'" : "\"", out);
    write_text(out, t);
    fputc('"', out);
  } else {
    write_text(out, t);
  }
  fputs(last ? "\r\n" : ",", out);
}

void csv_write_number(FILE *out, double value, const char *format, int last) {
  if (isfinite(value))
    fprintf(out, format, value);
  fputs(last ? "\r\n" : ",", out);
}
