/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit show`: one listing of a store, in words. */
#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "command.h"
#include "finds.h"
#include "utf8.h"
#include "words.h"

enum { ANSWER_COLUMNS = 80, NOT_THERE = 1 };

static void print_field(const char *label, const char *text) {
  if (text && text[0]) {
    printf("  %-*s", WORDS_LABEL_COLUMNS, label);
    utf8_print_clean(stdout, text);
    putchar('\n');
  }
}

static void print_price(const find *f) {
  char text[80];
  if (!isfinite(f->is.price))
    return;
  snprintf(text, sizeof text, "%.2f %.20s", f->is.price, f->is.currency ? f->is.currency : "");
  print_field("Price", text);
}

static void print_worth(const find *f, double margin) {
  char text[300];
  if (!isfinite(f->value))
    return;
  int n = snprintf(text, sizeof text,
                   "chance about %.1f, value %.2f if so: bid at most %.2f for a margin of %.0f %%",
                   f->chance, f->value, f->ceiling, 100 * margin);
  if (isfinite(f->gain) && n > 0)
    snprintf(text + n, sizeof text - (size_t)n, "; expected gain %.2f at the asking price",
             f->gain);
  words_paragraph(stdout, "Worth", text, ANSWER_COLUMNS);
}

static int print_answer(void *user, const store_answer *answer) {
  (void)user;
  putchar('\n');
  utf8_print_clean(stdout, answer->path);
  putchar('\n');
  if (answer->error)
    print_field("Unread", answer->error);
  else if (answer->words)
    words_rewrap(stdout, answer->words, ANSWER_COLUMNS);
  else
    print_field("Answer", "not worked on yet");
  return 0;
}

static int print_other(void *user, const char *id, int same_photo) {
  (void)user;
  print_field(same_photo ? "Same photo" : "Like photo", id);
  return 0;
}

static int print_find(store *s, const find *f, size_t rank, const finds_options *options) {
  char text[200];
  utf8_print_clean(stdout, f->is.id);
  putchar('\n');
  print_field("Title", f->is.title);
  print_field("Address", f->is.address);
  print_price(f);
  if (f->is.closes) {
    snprintf(text, sizeof text, "%.100s%s", f->is.closes, f->closed ? " (over)" : "");
    print_field("Closes", text);
  }
  print_field("Grade", f->is.grade);
  print_field("Note", f->is.note);
  if (f->is.judged) {
    snprintf(text, sizeof text,
             "%zu; among the finds up to here at most a share of %.2g is chance (q)", rank,
             f->q_value);
    print_field("Rank", text);
  }
  print_field("Against", f->claim_note);
  print_worth(f, options->margin);
  print_field("Mark", f->is.mark);
  if (f->is.tied) {
    snprintf(text, sizeof text, "reads as well as %.150s", f->is.tied);
    print_field("Tied", text);
  }
  int status = store_others(s, f->is.listing_id, print_other, NULL);
  if (status == 0)
    status = store_answers(s, f->is.listing_id, print_answer, NULL);
  puts(WORDS_CAVEAT);
  return status;
}

static int show(const char *path, const char *id, const finds_options *options) {
  store *s = NULL;
  finds_list list = {0};
  udg_message why = {""};
  int status = EXIT_FAULT;
  if (store_open(path, STORE_READ, NULL, &s, &why) != 0 ||
      finds_load(s, options, &list, &why) != 0) {
    command_complain("%s", why.text);
  } else {
    size_t i = 0;
    while (i < list.count && strcmp(list.items[i].is.id, id) != 0)
      i++;
    if (i == list.count) {
      command_complain("%s: no listing '%s'", path, id);
      status = NOT_THERE;
    } else if (print_find(s, &list.items[i], i + 1, options) != 0) {
      store_fault(s, &why);
      command_complain("%s", why.text);
    } else {
      status = EXIT_JUDGED;
    }
  }
  finds_clear(&list);
  store_close(s);
  return status;
}

static int run_show(int argc, char **argv) {
  static const struct option known[] = {
      FINDS_OPTIONS, {"help", no_argument, NULL, 'h'}, {NULL, 0, NULL, 0}};
  finds_options options;
  finds_defaults(&options);
  int letter;
  while ((letter = getopt_long(argc, argv, FINDS_LETTERS "h", known, NULL)) != -1) {
    if (letter == 'h') {
      command_help(&show_command);
      return EXIT_JUDGED;
    }
    if (finds_option(&options, letter, optarg) != 1)
      return command_misused(&show_command);
  }
  if (argc - optind != 2) {
    command_complain("a store and a listing's id are needed");
    return command_misused(&show_command);
  }
  return show(argv[optind], argv[optind + 1], &options);
}

const command show_command = {
    .name = "show",
    .summary = "print one listing of a store in words",
    .usage = "RUN.db ID [OPTION]...",
    .help = "Prints what the store has of the listing ID: its fields, its rank, what is said of\n"
            "each of its photos, and which other listings show the same photograph. A photo\n"
            "that was given without a table has its path for an ID.\n"
            "\n" FINDS_HELP "  -h, --help             this text\n"
            "\n"
            "Exit status: 0 printed; 1 no such listing; 2 wrong usage or no store.\n",
    .run = run_show,
};
