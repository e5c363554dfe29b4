/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "date" on a whole coin: the coin's turn, and where the date is. */
#ifndef UDG_COIN_LOCATE_H
#define UDG_COIN_LOCATE_H

#include "coin.h"
#include "find.h"

/* Scratch and templates of one reference. */
typedef struct udg_coin_locator udg_coin_locator;

/* `reference` is kept and must outlive the locator. */
udg_status udg_coin_locator_create(const udg_settings *settings, const udg_reference *reference,
                                   udg_coin_locator **locator, udg_message *message);
void udg_coin_locator_destroy(udg_coin_locator *locator);
/* As udg_find_lend(). */
void udg_coin_locator_lend(udg_coin_locator *locator, udg_templates *templates);

/* Looks for a date at every turn of a coin, only where the reference says that it
 * is.  The candidates' date_to_photo is affine: the rim's ellipse gives the tilt.
 *   grey   encoded luma 0-255
 *   coin   rim in px of `grey`
 * A score is the share of the variance there that the lit date explains, less the
 * further it lies from its place; `runner_up` is that of another turn.  No
 * candidate when the reference gives no diameter or the coin is too small.
 * Errors: ARGUMENT, MEMORY, CANCELLED. */
udg_status udg_coin_locate(udg_coin_locator *locator, udg_photo grey, size_t date_index,
                           const udg_ellipse *coin, udg_find_result *result, udg_message *message);

/* Chance that the best candidate is this date, 0-1, rather than another design, the
 * side without a date or another coin; 0 without candidates.  Below one half the
 * date should be called not found. */
double udg_coin_certainty(const udg_find_result *result);

#endif
