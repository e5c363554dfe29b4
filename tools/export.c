/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit export`: a store as a table or as JSON lines, best finds first. */
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "csv.h"
#include "finds.h"
#include "json_out.h"

typedef struct export_options {
  int csv, json, flagged_only;
  finds_options finds;
} export_options;

static void print_csv_header(void) {
  fputs("rank,id,title,address,price,currency,closes,note,grade,photo,photos,verdict,date,"
        "variety,state,strength,evidence,p_value,q_value,reference,tied,same_photo,claim,chance,"
        "value,gain,bid_ceiling,mark,error\r\n",
        stdout);
}

static void print_csv(const find *f, size_t rank) {
  char number[32];
  snprintf(number, sizeof number, "%zu", rank);
  csv_write(stdout, number, 0);
  csv_write(stdout, f->is.id, 0);
  csv_write(stdout, f->is.title, 0);
  csv_write(stdout, f->is.address, 0);
  csv_write_number(stdout, f->is.price, "%.2f", 0);
  csv_write(stdout, f->is.currency, 0);
  csv_write(stdout, f->is.closes, 0);
  csv_write(stdout, f->is.note, 0);
  csv_write(stdout, f->is.grade, 0);
  csv_write(stdout, f->is.path, 0);
  csv_write_number(stdout, f->is.photo_count, "%.0f", 0);
  csv_write(stdout, f->is.verdict, 0);
  csv_write(stdout, f->is.date, 0);
  csv_write(stdout, f->flagged ? f->variety : "", 0);
  csv_write(stdout, f->flagged ? f->is.state : "", 0);
  csv_write_number(stdout, f->flagged ? f->is.strength : (double)NAN, "%.3f", 0);
  csv_write_number(stdout, f->is.evidence, "%.4f", 0);
  csv_write_number(stdout, f->p_value, "%.4g", 0);
  csv_write_number(stdout, f->q_value, "%.4g", 0);
  csv_write(stdout, f->is.reference, 0);
  csv_write(stdout, f->is.tied, 0);
  csv_write(stdout, f->copy_of_other ? "yes" : "", 0);
  csv_write(stdout, f->claim_note, 0);
  csv_write_number(stdout, f->chance, "%.2f", 0);
  csv_write_number(stdout, f->value, "%.2f", 0);
  csv_write_number(stdout, f->gain, "%.2f", 0);
  csv_write_number(stdout, f->ceiling, "%.2f", 0);
  csv_write(stdout, f->is.mark, 0);
  csv_write(stdout, f->is.error, 1);
}

static void print_json(const find *f, size_t rank) {
  json_out o;
  json_out_begin(&o, stdout);
  json_out_number(&o, "rank", (double)rank);
  json_out_text(&o, "id", f->is.id);
  json_out_text(&o, "title", f->is.title);
  json_out_text(&o, "address", f->is.address);
  json_out_number(&o, "price", f->is.price);
  json_out_text(&o, "currency", f->is.currency);
  json_out_text(&o, "closes", f->is.closes);
  json_out_text(&o, "note", f->is.note);
  json_out_text(&o, "grade", f->is.grade);
  json_out_text(&o, "photo", f->is.path);
  json_out_number(&o, "photos", f->is.photo_count);
  json_out_text(&o, "verdict", f->is.verdict);
  json_out_text(&o, "date", f->is.date);
  json_out_text(&o, "variety", f->flagged && f->variety[0] ? f->variety : NULL);
  json_out_text(&o, "state", f->flagged ? f->is.state : NULL);
  json_out_number(&o, "strength", f->flagged ? f->is.strength : (double)NAN);
  json_out_number(&o, "evidence", f->is.evidence);
  json_out_number(&o, "p_value", f->p_value);
  json_out_number(&o, "q_value", f->q_value);
  json_out_text(&o, "reference", f->is.reference);
  json_out_text(&o, "tied", f->is.tied);
  json_out_truth(&o, "same_photo", f->copy_of_other);
  json_out_text(&o, "claim", f->claim_note);
  json_out_number(&o, "chance", f->chance);
  json_out_number(&o, "value", f->value);
  json_out_number(&o, "gain", f->gain);
  json_out_number(&o, "bid_ceiling", f->ceiling);
  json_out_text(&o, "mark", f->is.mark);
  json_out_text(&o, "error", f->is.error);
  json_out_end(&o);
  fputc('\n', stdout);
}

static int export_store(const char *path, const export_options *options) {
  store *s = NULL;
  finds_list list = {0};
  udg_message why = {""};
  if (store_open(path, STORE_READ, NULL, &s, &why) != 0 ||
      finds_load(s, &options->finds, &list, &why) != 0) {
    command_complain("%s", why.text);
    store_close(s);
    return EXIT_FAULT;
  }
  size_t printed = 0;
  if (options->csv)
    print_csv_header();
  for (size_t i = 0; i < list.count; i++) {
    if (options->flagged_only && !list.items[i].flagged)
      continue;
    printed++;
    if (options->csv)
      print_csv(&list.items[i], i + 1);
    else
      print_json(&list.items[i], i + 1);
  }
  int faults = list.value_faults;
  finds_clear(&list);
  store_close(s);
  return printed && !faults ? EXIT_JUDGED : EXIT_UNJUDGED;
}

static int run_export(int argc, char **argv) {
  static const struct option known[] = {FINDS_OPTIONS,
                                        {"csv", no_argument, NULL, 'c'},
                                        {"jsonl", no_argument, NULL, 'j'},
                                        {"flagged", no_argument, NULL, 'f'},
                                        {"help", no_argument, NULL, 'h'},
                                        {NULL, 0, NULL, 0}};
  export_options options = {0};
  finds_defaults(&options.finds);
  int letter;
  while ((letter = getopt_long(argc, argv, FINDS_LETTERS "cjfh", known, NULL)) != -1) {
    int taken = finds_option(&options.finds, letter, optarg);
    options.csv |= letter == 'c';
    options.json |= letter == 'j';
    options.flagged_only |= letter == 'f';
    if (letter == 'h') {
      command_help(&export_command);
      return EXIT_JUDGED;
    }
    if (taken < 0 || letter == '?')
      return command_misused(&export_command);
  }
  if (argc - optind != 1 || options.csv + options.json != 1) {
    command_complain(argc - optind != 1 ? "one store is needed" : "either --csv or --jsonl");
    return command_misused(&export_command);
  }
  return export_store(argv[optind], &options);
}

const command export_command = {
    .name = "export",
    .summary = "print a store's listings as CSV or JSON lines, best finds first",
    .usage = "RUN.db --csv|--jsonl [OPTION]...",
    .help = "Prints one row or object a listing, ranked: flagged ones first, by evidence, of\n"
            "equals the one that closes sooner.\n"
            "\n"
            "  -c, --csv              comma-separated values with a header\n"
            "  -j, --jsonl            one JSON object a line\n"
            "  -f, --flagged          flagged listings only\n" FINDS_HELP
            "  -h, --help             this text\n"
            "\n"
            "Exit status: 0 something was printed; 1 nothing to print, or a broken row in the\n"
            "value table; 2 wrong usage or no store.\n",
    .run = run_export,
};
