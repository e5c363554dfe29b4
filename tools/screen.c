/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit screen`: listings in bulk into a store, a short list out. */
#define _DEFAULT_SOURCE /* sigaction() flags under -std=c11 */
#include "screen.h"

#include <errno.h>
#include <getopt.h>
#include <limits.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "command.h"
#include "digest_reference.h"
#include "finds.h"
#include "utf8.h"

enum { SHORT_LIST = 20, EXIT_STOPPED = 130 };

atomic_int screen_stop;

static void on_signal(int number) {
  (void)number;
  screen_stop = 1; /* lock-free: may be set here */
}

/* Once, politely; a second signal ends the program as ever. */
static void watch_signals(void) {
  struct sigaction action = {.sa_handler = on_signal, .sa_flags = (int)SA_RESETHAND};
  sigaction(SIGINT, &action, NULL);
  sigaction(SIGTERM, &action, NULL);
}

static int cancelled(void *user) {
  (void)user;
  return screen_stop;
}

static int stopped(void) {
  return screen_stop;
}

static int parse_jobs(const char *text, int *jobs) {
  char *end;
  errno = 0;
  long value = strtol(text, &end, 10);
  if (errno || end == text || *end || value < 1 || value > SCREEN_JOBS_MAX) {
    command_complain("--jobs takes a whole number from 1 to %d, not '%s'", SCREEN_JOBS_MAX, text);
    return -1;
  }
  *jobs = (int)value;
  return 0;
}

static int parse_pictures(const char *text, keepsake_policy *policy) {
  static const char *const names[] = {"finds", "all", "none"};
  for (int i = 0; i < 3; i++)
    if (strcmp(text, names[i]) == 0) {
      *policy = (keepsake_policy)i;
      return 0;
    }
  command_complain("--pictures takes finds, all or none, not '%s'", text);
  return -1;
}

enum { OPTION_AGAIN = UCHAR_MAX + 1, OPTION_NO_WAIT, OPTION_PICTURES };

static const struct option known_options[] = {
    {"reference", required_argument, NULL, 'r'},
    {"store", required_argument, NULL, 's'},
    {"jobs", required_argument, NULL, 'j'},
    {"stream", no_argument, NULL, 'o'},
    {"quiet", no_argument, NULL, 'q'},
    {"again", no_argument, NULL, OPTION_AGAIN},
    {"no-wait", no_argument, NULL, OPTION_NO_WAIT},
    {"pictures", required_argument, NULL, OPTION_PICTURES},
    {"help", no_argument, NULL, 'h'},
    {NULL, 0, NULL, 0},
};

/* 0: taken; -1: wrong, and said. */
static int add_reference(screen_options *options, const char *path) {
  if (options->reference_count == SCREEN_REFERENCES_MAX) {
    command_complain("more than %d references", SCREEN_REFERENCES_MAX);
    return -1;
  }
  options->reference_paths[options->reference_count++] = path;
  return 0;
}

/* -1: go on; else the exit status. */
static int parse_options(int argc, char **argv, screen_options *options) {
  *options = (screen_options){.jobs = 1};
  int letter;
  while ((letter = getopt_long(argc, argv, "r:s:j:oqh", known_options, NULL)) != -1) {
    int wrong = 0;
    switch (letter) {
    case 'r':
      wrong = add_reference(options, optarg);
      break;
    case 's':
      options->store_path = optarg;
      break;
    case 'j':
      wrong = parse_jobs(optarg, &options->jobs);
      break;
    case 'o':
      options->stream = 1;
      break;
    case 'q':
      options->quiet = 1;
      break;
    case OPTION_AGAIN:
      options->again = 1;
      break;
    case OPTION_NO_WAIT:
      options->no_wait = 1;
      break;
    case OPTION_PICTURES:
      wrong = parse_pictures(optarg, &options->pictures);
      break;
    case 'h':
      command_help(&screen_command);
      return EXIT_JUDGED;
    default:
      wrong = 1;
    }
    if (wrong)
      return command_misused(&screen_command);
  }
  options->inputs = argv + optind;
  options->input_count = argc - optind;
  return -1;
}

static int check_options(const screen_options *options) {
  const char *missing = NULL;
  if (options->input_count == 0)
    missing = "no folder, photo or listing table given";
  else if (options->reference_count == 0)
    missing = "no --reference given: the program must know the coin types' digits";
  else if (!options->store_path || !options->store_path[0])
    missing = "no --store given: the file that keeps what is found";
  if (!missing)
    return -1;
  command_complain("%s", missing);
  return command_misused(&screen_command);
}

static int load_references(screen_run *run) {
  for (int i = 0; i < run->options->reference_count; i++) {
    udg_message why = {""};
    if (udg_reference_from_file(&run->settings, run->options->reference_paths[i],
                                &run->references[i], &why) != UDG_OK) {
      command_complain("%s", why.text);
      return -1;
    }
  }
  return 0;
}

static int note_references(screen_run *run) {
  for (int i = 0; i < run->options->reference_count; i++) {
    const char *path = run->options->reference_paths[i];
    char sha256[DIGEST_TEXT_BYTES];
    if (digest_reference(path, sha256, &run->why) != 0)
      return -1;
    if (store_add_reference(run->s, sha256, udg_reference_name(run->references[i]), path,
                            &run->reference_ids[i]) != 0) {
      store_fault(run->s, &run->why);
      return -1;
    }
    for (int k = 0; k < i; k++)
      if (run->reference_ids[k] == run->reference_ids[i]) {
        snprintf(run->why.text, sizeof run->why.text, "%.300s: the same reference twice", path);
        return -1;
      }
  }
  return 0;
}

static void print_short_list(const finds_list *list) {
  size_t shown = 0;
  for (size_t i = 0; i < list->count && shown < SHORT_LIST; i++) {
    const find *f = &list->items[i];
    if (!f->flagged || f->copy_of_other)
      continue;
    if (shown++ == 0)
      printf("%5s  %-10s %-8s %9s  %s\n", "", "date", "state", "q", "listing");
    char reading[32];
    snprintf(reading, sizeof reading, "%s%s%s", f->is.date ? f->is.date : "?",
             f->variety[0] ? "/" : "", f->variety);
    printf("%5zu  %-10s %-8s %9.2g  ", shown, reading, f->is.state ? f->is.state : "-", f->q_value);
    utf8_print_clean(stdout, f->is.id);
    putchar('\n');
  }
}

/* What the whole store says by now. */
static int print_outcome(screen_run *run) {
  finds_options options;
  finds_list list;
  char sentence[FINDS_SENTENCE_BYTES];
  finds_defaults(&options);
  options.flagged_only = 1;
  if (finds_load(run->s, &options, &list, &run->why) != 0)
    return -1;
  finds_sentence(&list, sentence, sizeof sentence);
  if (run->options->stream) {
    command_complain("%s", sentence);
  } else {
    puts(sentence);
    print_short_list(&list);
  }
  finds_clear(&list);
  return 0;
}

static int finish_run(screen_run *run, int64_t run_id) {
  if (store_begin(run->s) != 0 || store_choose(run->s) != 0 || store_group(run->s) != 0 ||
      store_end_run(run->s, run_id, screen_stop ? "stopped" : "complete") != 0 ||
      store_commit(run->s) != 0) {
    store_fault(run->s, &run->why);
    store_rollback(run->s);
    return -1;
  }
  return print_outcome(run);
}

/* The run itself; the exit status, with `run->why` when that is EXIT_FAULT. */
static int run_queue(screen_run *run) {
  screen_faults faults;
  int64_t run_id = 0;
  if (note_references(run) != 0)
    return EXIT_FAULT;
  if (screen_queue(run->options, run->s, &run_id, &faults) != 0) {
    store_fault(run->s, &run->why);
    store_rollback(run->s);
    if (!screen_stop)
      return EXIT_FAULT;
    command_complain("stopped before any photo was worked on");
    return EXIT_STOPPED;
  }
  int64_t total = store_queue_length(run->s);
  if (total == 0) {
    snprintf(run->why.text, sizeof run->why.text, "no photo found in what was given");
    return EXIT_FAULT;
  }
  screen_progress_begin(&run->progress, run->options->quiet, total);
  int status = screen_work_all(run);
  screen_progress_end(&run->progress);
  if (status != 0)
    return EXIT_FAULT;
  int was_stopped = screen_stop;
  if (finish_run(run, run_id) != 0)
    return EXIT_FAULT;
  if (was_stopped) {
    command_complain("stopped; what was done is kept, and the same command goes on from there");
    return EXIT_STOPPED;
  }
  if (run->progress.unread == total)
    return EXIT_FAULT;
  return faults.rows || faults.inputs || run->progress.unread ? EXIT_UNJUDGED : EXIT_JUDGED;
}

static void tell_wait(const char *path) {
  command_complain("%s: another run is at this store; waiting for it to end", path);
}

static int run_screen(int argc, char **argv) {
  screen_options options;
  int status = parse_options(argc, argv, &options);
  if (status < 0)
    status = check_options(&options);
  if (status >= 0)
    return status;

  screen_run run = {.options = &options};
  udg_settings_default(&run.settings, sizeof run.settings);
  run.settings.log = command_warn;
  run.settings.cancel = cancelled;
  const store_wait wait = {!options.no_wait, tell_wait, stopped};
  watch_signals();
  status = EXIT_FAULT;
  if (load_references(&run) == 0) {
    if (store_open(options.store_path, STORE_SCREEN, &wait, &run.s, &run.why) == 0)
      status = run_queue(&run);
    else if (screen_stop)
      status = EXIT_STOPPED;
    if ((status == EXIT_FAULT || !run.s) && run.why.text[0])
      command_complain("%s", run.why.text);
  }
  store_close(run.s);
  for (int i = 0; i < options.reference_count; i++)
    udg_reference_destroy(run.references[i]);
  return status;
}

const command screen_command = {
    .name = "screen",
    .summary = "look through many listings, keep what is found in a store",
    .usage = "INPUT... --reference FILE... --store RUN.db [OPTION]...",
    .help =
        "Inspects every photo of the inputs and keeps the answers in a store. An input is a\n"
        "folder (with the folders in it), a photo, or a listing table: CSV (.csv, .tsv) or\n"
        "JSON lines (.jsonl), columns by name: id, title, address, price, currency, closes,\n"
        "photos (parted by '|'), note, grade. Stopped or killed, the same command goes on\n"
        "where it was. A photo that was seen before, under whatever name, is not judged again.\n"
        "\n"
        "  -r, --reference FILE   a coin type; several may be given, the best fitting one\n"
        "                         speaks for a photo (required)\n"
        "  -s, --store RUN.db     the store, an SQLite file; made when missing (required)\n"
        "  -j, --jobs N           photos at a time (default 1); the answers are the same\n"
        "  -o, --stream           print one result object a line, in the order of the inputs\n"
        "  -q, --quiet            no progress\n"
        "      --again            judge anew what the store has\n"
        "      --no-wait          another run at the store is a fault, not waited for\n"
        "      --pictures WHICH   keep small pictures of finds (default), all or none\n"
        "  -h, --help             this text\n"
        "\n"
        "Exit status: 0 every photo was worked on; 1 at least one photo or table row could not\n"
        "be read; 2 wrong usage, nothing readable, or the store failed; 130 stopped by a signal.\n"
        "\n"
        "Then: 'underdigit page' makes a page to look through, 'underdigit export' a table.\n",
    .run = run_screen,
};
