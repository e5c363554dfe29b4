/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The command `underdigit`: picks the sub-command. */
#include <errno.h>
#include <signal.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

#include "command.h"
#include "heap.h"
#include "utf8.h"

static const command *const commands[] = {
    &inspect_command, &screen_command, &page_command,  &show_command,
    &marks_command,   &export_command, &learn_command,
};
enum { COMMAND_COUNT = sizeof commands / sizeof commands[0] };

static const command *command_find(const char *name) {
  for (size_t i = 0; i < COMMAND_COUNT; i++)
    if (strcmp(commands[i]->name, name) == 0)
      return commands[i];
  return NULL;
}

/* Much of what is complained of quotes file names and listings. */
void command_complain(const char *format, ...) {
  char text[2000];
  va_list arguments;
  fflush(stdout);
  va_start(arguments, format);
  vsnprintf(text, sizeof text, format, arguments);
  va_end(arguments);
  fputs("underdigit: ", stderr);
  utf8_print_clean(stderr, text);
  fputc('\n', stderr);
}

void command_warn(void *user, udg_log_level level, const char *text) {
  (void)user;
  if (level == UDG_LOG_WARNING)
    command_complain("warning: %s", text);
}

int command_flush(void) {
  static int told;
  errno = 0;
  if (fflush(stdout) == 0 && !ferror(stdout))
    return 0;
  if (!told)
    fprintf(stderr, "underdigit: standard output: %s\n",
            errno ? strerror(errno) : "could not be written");
  told = 1; /* one fault, one line, however often it is met again */
  return -1;
}

int command_misused(const command *c) {
  fprintf(stderr,
          "usage: underdigit %s %s\n"
          "'underdigit help %s' tells more.\n",
          c->name, c->usage, c->name);
  return EXIT_FAULT;
}

void command_help(const command *c) {
  printf("usage: underdigit %s %s\n\n%s", c->name, c->usage, c->help);
}

static void print_usage(FILE *out) {
  fputs("usage: underdigit COMMAND [OPTION]... [ARGUMENT]...\n"
        "       underdigit help [COMMAND]\n"
        "       underdigit --version\n",
        out);
}

static void print_overview(void) {
  print_usage(stdout);
  fputs("\nLooks for traces of an earlier digit beside or inside the digits of a coin's date\n"
        "in listing photographs. A screening aid: it says which coins are worth a look, and\n"
        "examination in hand and professional authentication decide.\n\nCommands:\n",
        stdout);
  for (size_t i = 0; i < COMMAND_COUNT; i++)
    printf("  %-10s %s\n", commands[i]->name, commands[i]->summary);
  printf("  %-10s %s\n", "help", "explain a command");
}

static void print_version(void) {
  printf("underdigit %s\n", UDG_VERSION);
  if (strcmp(udg_version(), UDG_VERSION) != 0)
    printf("library %s\n", udg_version());
}

static int run_help(int argc, char **argv) {
  if (argc < 2) {
    print_overview();
    return EXIT_JUDGED;
  }
  const command *c = command_find(argv[1]);
  if (!c) {
    command_complain("there is no command '%s' to explain", argv[1]);
    print_usage(stderr);
    return EXIT_FAULT;
  }
  command_help(c);
  return EXIT_JUDGED;
}

static int dispatch(int argc, char **argv) {
  const char *first = argc > 1 ? argv[1] : NULL;
  if (!first) {
    print_usage(stderr);
    return EXIT_FAULT;
  }
  if (strcmp(first, "--help") == 0 || strcmp(first, "-h") == 0) {
    print_overview();
    return EXIT_JUDGED;
  }
  if (strcmp(first, "--version") == 0 || strcmp(first, "-V") == 0) {
    print_version();
    return EXIT_JUDGED;
  }
  if (strcmp(first, "help") == 0)
    return run_help(argc - 1, argv + 1);
  const command *c = command_find(first);
  if (!c) {
    command_complain(first[0] == '-' ? "unknown option '%s'" : "unknown command '%s'", first);
    print_usage(stderr);
    return EXIT_FAULT;
  }
  /* getopt_long() begins its complaints with argv[0]. */
  char title[64];
  snprintf(title, sizeof title, "underdigit %s", c->name);
  argv[1] = title;
  return c->run(argc - 1, argv + 1);
}

int main(int argc, char **argv) {
  heap_prepare();
  /* A reader that went away and a file that may not grow are told as faults, not deaths. */
  signal(SIGPIPE, SIG_IGN);
  signal(SIGXFSZ, SIG_IGN);
  int status = dispatch(argc, argv);
  if (command_flush() != 0)
    status = EXIT_FAULT;
  return status;
}
