/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "budget.h"

#include <math.h>
#include <string.h>

/* In front of each block its size; keeps malloc()'s alignment. */
enum { FRONT_BYTES = 16 };

static void *allocate(void *user, size_t bytes) {
  udg_budget *budget = user;
  const uint64_t most = budget->host.max_work_bytes;
  if (bytes > SIZE_MAX - FRONT_BYTES)
    return NULL;
  const uint64_t size = bytes + FRONT_BYTES;
  if (most && (budget->held_bytes > most || size > most - budget->held_bytes)) {
    budget->end = UDG_BUDGET_MEMORY;
    return NULL;
  }
  unsigned char *block = budget->host.allocate(budget->host.user, (size_t)size);
  if (!block)
    return NULL;
  memcpy(block, &size, sizeof size);
  budget->held_bytes += size;
  return block + FRONT_BYTES;
}

static void release(void *user, void *block) {
  udg_budget *budget = user;
  unsigned char *given = (unsigned char *)block - FRONT_BYTES;
  uint64_t size;
  memcpy(&size, given, sizeof size);
  budget->held_bytes -= size;
  budget->host.release(budget->host.user, given);
}

static void log_on(void *user, udg_log_level level, const char *text) {
  const udg_budget *budget = user;
  budget->host.log(budget->host.user, level, text);
}

static void lock_on(void *user) {
  const udg_budget *budget = user;
  budget->host.planner_lock(budget->host.user);
}

static void unlock_on(void *user) {
  const udg_budget *budget = user;
  budget->host.planner_unlock(budget->host.user);
}

static double now_ms(const udg_budget *budget) {
  const udg_settings *host = &budget->host;
  return host->clock_ms ? host->clock_ms(host->user) : udg_clock_ms();
}

/* Once out of time, it stays so: no stage may go on where another gave up. */
static int cancel(void *user) {
  udg_budget *budget = user;
  const udg_settings *host = &budget->host;
  if (host->cancel && host->cancel(host->user))
    return 1;
  if (budget->end == UDG_BUDGET_OPEN && now_ms(budget) >= budget->ends_ms)
    budget->end = UDG_BUDGET_TIME;
  return budget->end == UDG_BUDGET_TIME;
}

void udg_budget_open(udg_budget *budget, const udg_settings *host, uint64_t held_bytes,
                     udg_settings *settings) {
  *budget = (udg_budget){.host = *host, .ends_ms = INFINITY, .held_bytes = held_bytes};
  *settings = *host;
  settings->user = budget;
  settings->allocate = allocate;
  settings->release = release;
  settings->cancel = cancel;
  settings->log = host->log ? log_on : NULL;
  settings->planner_lock = host->planner_lock ? lock_on : NULL;
  settings->planner_unlock = host->planner_lock ? unlock_on : NULL;
}

void udg_budget_start(udg_budget *budget) {
  const double limit = budget->host.max_milliseconds;
  budget->end = UDG_BUDGET_OPEN;
  budget->ends_ms = limit > 0.0 ? now_ms(budget) + limit : INFINITY;
}
