/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "coins.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Two rims about one coin find one date: nearer than this share of a digit's height. */
static const double same_date = 0.5;

static int tells_date(const udg_result *r) {
  return r->date_to_photo[8] != 0;
}

static int same_place(const udg_result *a, const udg_result *b) {
  if (!tells_date(a) || !tells_date(b))
    return 0;
  const double *m = a->date_to_photo, *n = b->date_to_photo;
  double off = hypot(m[2] / m[8] - n[2] / n[8], m[5] / m[8] - n[5] / n[8]);
  return off < same_date * a->adequacy.digit_height_px;
}

static int seen_before(const coins *all, const udg_result *r) {
  for (int i = 0; i < all->count; i++)
    if (same_place(&all->results[i], r))
      return 1;
  return 0;
}

static int compare_numbers(const void *x, const void *y) {
  const udg_result *a = x, *b = y;
  return (a->coin_index > b->coin_index) - (a->coin_index < b->coin_index);
}

udg_status coins_inspect(udg_inspector *inspector, const udg_image *image, const char *date,
                         coins_louder louder, void *user, coins *all, udg_message *message) {
  udg_result first;
  *all = (coins){0};
  udg_status status = udg_inspect(inspector, image, date, &first, message);
  if (status != UDG_OK)
    return status;
  int most = first.coin_count > 1 ? first.coin_count : 1, go_on = 1;
  all->results = malloc((size_t)most * sizeof *all->results);
  if (!all->results) {
    snprintf(message->text, sizeof message->text, "not enough memory");
    return UDG_ERROR_MEMORY;
  }
  all->results[all->count++] = first;
  if (louder)
    go_on = louder(user, &first) == 0;
  for (int coin = 1; go_on && most > 1 && coin <= most && status == UDG_OK; coin++) {
    udg_result *r = &all->results[all->count];
    if (coin == first.coin_index)
      continue;
    status = udg_inspect_coin(inspector, image, coin, date, r, message);
    if (status != UDG_OK || seen_before(all, r))
      continue;
    all->count++;
    if (louder && udg_results_speaker(all->results, all->count) == all->count - 1)
      go_on = louder(user, r) == 0;
  }
  if (status != UDG_OK)
    coins_clear(all);
  else
    qsort(all->results, (size_t)all->count, sizeof *all->results, compare_numbers);
  return status;
}

const udg_result *coins_speaker(const coins *all) {
  return &all->results[udg_results_speaker(all->results, all->count)];
}

void coins_others(const coins *all, char *text, size_t text_bytes) {
  int speaker = udg_results_speaker(all->results, all->count), told = 0;
  size_t used = 0;
  text[0] = '\0';
  for (int i = 0; i < all->count; i++) {
    if (i == speaker || all->results[i].verdict != UDG_VERDICT_UNDERDIGIT)
      continue;
    int n = snprintf(text + used, text_bytes - used, "%s%d",
                     told ? ", " : "coins that show a trace as well: ", all->results[i].coin_index);
    if (n < 0 || (size_t)n >= text_bytes - used)
      return;
    used += (size_t)n;
    told = 1;
  }
}

void coins_clear(coins *all) {
  free(all->results);
  *all = (coins){0};
}
