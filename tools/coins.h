/* SPDX-License-Identifier: GPL-2.0-or-later */
/* All coins of a photo: each inspected, one of them speaks. */
#ifndef COINS_H
#define COINS_H

#include <underdigit/underdigit.h>

typedef struct coins {
  int count;
  udg_result *results; /* in the order of their numbers */
} coins;

/* Called right after an inspection, while its views hold, when that coin stands before
 * those seen so far.  0, or -1 to stop. */
typedef int (*coins_louder)(void *user, const udg_result *result);

/* UDG_OK also when `louder` stopped it; else nothing is kept. `louder` may be NULL. */
udg_status coins_inspect(udg_inspector *inspector, const udg_image *image, const char *date,
                         coins_louder louder, void *user, coins *all, udg_message *message);
const udg_result *coins_speaker(const coins *all);
/* "Coins 3 and 7 show a trace as well."; empty when none but the speaker does. */
void coins_others(const coins *all, char *text, size_t text_bytes);
void coins_clear(coins *all);

#endif
