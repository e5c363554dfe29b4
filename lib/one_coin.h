/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Whether photos can be of one coin, as far as they tell */
#ifndef UDG_ONE_COIN_H
#define UDG_ONE_COIN_H

#include <underdigit/result.h>

#include "reference_internal.h"

/* How far the digits of one date sit differently in two photos, beyond what the date as a whole
 * may be shifted, turned or enlarged: root mean square by degree of freedom, shares of the digit's
 * height; 0 for dates of fewer than three places, which leave nothing to compare. */
double udg_one_coin_apart(const udg_date *date, const udg_result *a, const udg_result *b);

/* Whether all judged photos can be of one coin; if not, 0, and `why` (UDG_REASON_BYTES) says
 * which two photos cannot, counted from 1, and by what: another date, another size of the
 * coin against its date, digits that sit differently. */
int udg_one_coin(const udg_reference *reference, const udg_result *each, int count, char *why);

#endif
