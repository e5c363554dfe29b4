/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "register", once more: the date supposed to be set twice.
 *
 * A date set once, laid on one that is set twice, comes to lie between the two images, turned and
 * stretched as suits both, and explains neither.  So both are laid on together: a template whose
 * relief is the date's and over it the same displaced by u and a share s as high.  From guesses of
 * u all round, the first image standing back by half of u, pose and light are fitted as ever
 * (align.h); from the best, u and s are bettered step by step, the pose going on from where it was.
 *   gain = ln(unexplained, set once / unexplained, set twice),
 * shares of the variance about the background, over the same field around the date. */
#ifndef UDG_REGISTER_TWICE_H
#define UDG_REGISTER_TWICE_H

#include "register.h"

typedef struct udg_twice_pose {
  int found;          /* 0: no second image explains anything, and the rest is not filled */
  double shift_mm[2]; /* of the second image from the first, date plane */
  double share;       /* its height over the first's, 0.15 - 0.95 */
  double gain;
  udg_registration registration; /* of the first image: map, places' offsets and turns */
} udg_twice_pose;

typedef struct udg_register_twice udg_register_twice;

/* `reference` is kept and must outlive the state. */
udg_status udg_register_twice_create(const udg_settings *settings, const udg_reference *reference,
                                     udg_register_twice **state, udg_message *message);
void udg_register_twice_destroy(udg_register_twice *state);

/* `once`: where the date set once was registered.  MEMORY, CANCELLED. */
udg_status udg_register_twice_run(udg_register_twice *state, udg_photo grey, size_t date_index,
                                  const udg_registration *once, udg_twice_pose *pose,
                                  udg_message *message);

#endif
