/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "name", second half: which explanation wins, and what to say of it. */
#ifndef UDG_NAME_H
#define UDG_NAME_H

#include <underdigit/result.h>

#include "evidence.h"

/* Fills evidence, p_value, finding, others, verdict and reasons of `result` from the
 * scores of one date; adequacy.power_* must be there already. */
void udg_name(const udg_settings *settings, const udg_reference *reference,
              const udg_upright *upright, const udg_score *score, udg_result *result);

/* Whether the verdict hangs on what udg_twice_look() would say. */
int udg_name_asks_twice(const udg_settings *settings, const udg_reference *reference,
                        const udg_upright *upright, const udg_score *score);

/* Powers for a strong and a weak trace; 0 when no earlier digit is looked for. */
void udg_name_power(const udg_score *score, udg_adequacy *adequacy);

/* "first" ... "eighth", or "last", of the places of a date, from 1 on. */
const char *udg_name_place(int place, int count);

/* Adds a sentence; what does not fit is left out, never cut in the middle of the list. */
void udg_result_reason(udg_result *result, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
void udg_result_limit(udg_result *result, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
