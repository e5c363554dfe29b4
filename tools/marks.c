/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit marks`: what was marked on the page, back into the store. */
#include <errno.h>
#include <getopt.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "command.h"
#include "csv.h"
#include "store.h"

typedef struct marking {
  store *s;
  const char *path;
  int id_at, mark_at;
  long marked, faults;
} marking;

static void fault(marking *m, int64_t row, const char *what, const char *about) {
  char text[200];
  snprintf(text, sizeof text, what, about);
  command_complain("%s: row %lld: %s: left out", m->path, (long long)row, text);
  m->faults++;
}

static int read_header(const csv_reader *csv, marking *m) {
  m->id_at = m->mark_at = -1;
  for (int i = 0; i < csv->field_count; i++) {
    if (strcasecmp(csv->fields[i], "id") == 0)
      m->id_at = i;
    if (strcasecmp(csv->fields[i], "mark") == 0)
      m->mark_at = i;
  }
  return m->id_at >= 0 && m->mark_at >= 0 ? 0 : -1;
}

static int is_mark(const char *mark) {
  return !mark[0] || strcmp(mark, "closer") == 0 || strcmp(mark, "no") == 0 ||
         strcmp(mark, "seen") == 0;
}

/* 0, or -1 when the store failed. */
static int take_row(csv_reader *csv, marking *m) {
  if (m->id_at >= csv->field_count || m->mark_at >= csv->field_count) {
    fault(m, csv->line, "fewer fields than the header%s", "");
    csv_back(csv);
    return 0;
  }
  const char *id = csv->fields[m->id_at], *mark = csv->fields[m->mark_at];
  if (!is_mark(mark)) {
    fault(m, csv->line, "mark '%.40s' is none of closer, no, seen", mark);
    return 0;
  }
  int status = store_mark(m->s, id, mark);
  /* As csv_write() keeps spreadsheets from calculating. */
  if (status == 0 && id[0] == '\'' && id[1] && strchr("=+-@", id[1]))
    status = store_mark(m->s, id + 1, mark);
  if (status == 0)
    fault(m, csv->line, "the store has no listing '%.80s'", id);
  m->marked += status == 1;
  return status < 0 ? -1 : 0;
}

/* 0, or -1 with a reason. */
static int take_rows(csv_reader *csv, marking *m, udg_message *why) {
  csv_outcome outcome = csv_next(csv);
  if (outcome != CSV_RECORD || read_header(csv, m) != 0) {
    snprintf(why->text, sizeof why->text, "%.300s: row 1: the columns id and mark are needed",
             m->path);
    return -1;
  }
  while ((outcome = csv_next(csv)) == CSV_RECORD || outcome == CSV_BROKEN) {
    if (outcome == CSV_BROKEN) {
      fault(m, csv->line, "%s", csv->fault);
    } else if (take_row(csv, m) != 0) {
      store_fault(m->s, why);
      return -1;
    }
  }
  if (outcome == CSV_END)
    return 0;
  snprintf(why->text, sizeof why->text, "%.300s: not enough memory", m->path);
  return -1;
}

static int import_marks(const char *store_path, const char *path) {
  udg_message why = {""};
  marking m = {.path = path};
  FILE *file = fopen(path, "rb");
  if (!file) {
    command_complain("%s: %s", path, strerror(errno));
    return EXIT_FAULT;
  }
  csv_reader csv;
  csv_begin(&csv, file);
  int status = store_open(store_path, STORE_MARK, NULL, &m.s, &why);
  if (status == 0 && (status = store_begin(m.s)) != 0)
    store_fault(m.s, &why);
  if (status == 0) {
    status = take_rows(&csv, &m, &why);
    if (status == 0 && (status = store_commit(m.s)) != 0)
      store_fault(m.s, &why);
    if (status != 0)
      store_rollback(m.s);
  }
  store_close(m.s);
  csv_end(&csv);
  fclose(file);
  if (status != 0) {
    command_complain("%s", why.text);
    return EXIT_FAULT;
  }
  printf("%ld mark%s taken over\n", m.marked, m.marked == 1 ? "" : "s");
  return m.faults ? EXIT_UNJUDGED : EXIT_JUDGED;
}

static int run_marks(int argc, char **argv) {
  static const struct option known[] = {{"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
  int letter;
  while ((letter = getopt_long(argc, argv, "h", known, NULL)) != -1) {
    if (letter != 'h')
      return command_misused(&marks_command);
    command_help(&marks_command);
    return EXIT_JUDGED;
  }
  if (argc - optind != 2) {
    command_complain("a store and a file of marks are needed");
    return command_misused(&marks_command);
  }
  return import_marks(argv[optind], argv[optind + 1]);
}

const command marks_command = {
    .name = "marks",
    .summary = "take marks made on the page into the store",
    .usage = "RUN.db FILE",
    .help =
        "Takes the marks of a CSV file, as the page exports it, into the store: columns id and\n"
        "mark (closer, no, seen, or nothing to take a mark away). All rows or, on a fault of\n"
        "the store, none.\n"
        "\n"
        "  -h, --help             this text\n"
        "\n"
        "Exit status: 0 all taken; 1 at least one row was left out; 2 wrong usage, no such\n"
        "file, or no store.\n",
    .run = run_marks,
};
