/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What is kept of a find for looking at later: small pictures and outlines. */
#ifndef KEEPSAKE_H
#define KEEPSAKE_H

#include <underdigit/underdigit.h>

#include "store.h"

typedef enum keepsake_policy { KEEPSAKE_FINDS, KEEPSAKE_ALL, KEEPSAKE_NONE } keepsake_policy;

/* Draws the last inspection into `j`, if the policy wants it and a date was
 * found.  What cannot be drawn for want of memory is left out. */
void keepsake_draw(keepsake_policy policy, const udg_image *image, const udg_inspector *inspector,
                   const udg_reference *reference, const udg_result *result, store_judgement *j);

#endif
