/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Hooks for tests: memory that runs out on the n-th request and counts what is
 * not given back; a log that is kept. */
#ifndef UDG_TEST_HOOKS_H
#define UDG_TEST_HOOKS_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/settings.h>

typedef struct test_hooks {
  long fail_at; /* request that fails, from 1; 0: none */
  long requests;
  long held; /* blocks not given back */
  int warnings;
  char log[4096]; /* one text a line */
} test_hooks;

static inline void *test_allocate(void *user, size_t bytes) {
  test_hooks *hooks = user;
  if (++hooks->requests == hooks->fail_at)
    return NULL;
  void *block = malloc(bytes);
  hooks->held += block != NULL;
  return block;
}

static inline void test_release(void *user, void *block) {
  test_hooks *hooks = user;
  hooks->held--;
  free(block);
}

static inline void test_log(void *user, udg_log_level level, const char *text) {
  test_hooks *hooks = user;
  size_t length = strlen(hooks->log);
  hooks->warnings += level == UDG_LOG_WARNING;
  snprintf(hooks->log + length, sizeof hooks->log - length, "%s\n", text);
}

static inline udg_settings hooked_settings(test_hooks *hooks) {
  udg_settings settings;
  memset(hooks, 0, sizeof *hooks);
  udg_settings_default(&settings, sizeof settings);
  settings.user = hooks;
  settings.allocate = test_allocate;
  settings.release = test_release;
  settings.log = test_log;
  return settings;
}

#endif
