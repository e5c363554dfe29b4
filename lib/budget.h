/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Time and memory of one inspection: hooks between the stages and the host's, which
 * count bytes and look at the clock, so that no stage needs to know of limits. */
#ifndef UDG_BUDGET_H
#define UDG_BUDGET_H

#include "base.h"

typedef enum udg_budget_end {
  UDG_BUDGET_OPEN = 0,
  UDG_BUDGET_TIME,  /* max_milliseconds have passed */
  UDG_BUDGET_MEMORY /* a block would have passed max_work_bytes */
} udg_budget_end;

typedef struct udg_budget {
  udg_settings host;
  double ends_ms;      /* on the host's clock */
  uint64_t held_bytes; /* asked for and not given back */
  udg_budget_end end;  /* of the running inspection */
} udg_budget;

/* `settings` become the host's, with hooks that lead through `budget`, which must stay
 * where it is as long as they are used.  `held_bytes` the host has given already. */
void udg_budget_open(udg_budget *budget, const udg_settings *host, uint64_t held_bytes,
                     udg_settings *settings);

/* An inspection begins. */
void udg_budget_start(udg_budget *budget);

#endif
