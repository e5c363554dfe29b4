/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the sub-commands of the program share. */
#ifndef COMMAND_H
#define COMMAND_H

#include <stdio.h>

#include <underdigit/settings.h>

/* Exit statuses, the same for every sub-command. */
enum {
  EXIT_JUDGED = 0,   /* everything asked for was done */
  EXIT_UNJUDGED = 1, /* done, but at least one photo could not be judged or read */
  EXIT_FAULT = 2     /* wrong usage, nothing readable, or the answer could not be written */
};

typedef struct command {
  const char *name;
  const char *summary;               /* one line for the list of commands */
  const char *usage;                 /* what follows "underdigit NAME" */
  const char *help;                  /* the rest of `underdigit help NAME` */
  int (*run)(int argc, char **argv); /* argv[0] is "underdigit NAME" */
} command;

extern const command inspect_command, screen_command, page_command, show_command, marks_command,
    export_command, learn_command;

/* Usage line to stderr; gives EXIT_FAULT. */
int command_misused(const command *c);

/* The whole help text of one command to stdout. */
void command_help(const command *c);

/* "underdigit: ..." on stderr, after flushing stdout so that both come in order. */
void command_complain(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* The library's log for `udg_settings`: warnings are complained of, the rest is dropped. */
void command_warn(void *user, udg_log_level level, const char *text);

/* Flushes stdout; 0 when all that was written so far has left the program,
 * else a complaint and -1 (the reader went away, the disk is full). */
int command_flush(void);

#endif
