/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A date, or a digit of it, set twice, found together with the light (relit.h).
 *
 * The supposed relief of each digit is its own outline's, and over it the same displaced by u and a
 * share as high; the higher shows.  rest(u) is what the light that suits all digits best leaves
 * unexplained; shading is learned from the relief supposed, so that a second image is not taken for
 * a peculiar light, as it is when the light is learned from the digits set once.
 *   All of them: gain G = max ln(rest / rest(u)), one u for all.  Digits displaced each another
 * way, u_k = g_k u with g_k out of the eight symmetries of the square, are what chance can do, and
 * their s.d. is S.  Score G / sqrt(S).
 *   One of them: gain when it alone is set twice, light and other digits as they are; what
 * passes for that on one digit as on the next is no second punch. */
#ifndef UDG_TWICE_H
#define UDG_TWICE_H

#include "hub_fit.h"
#include "register_twice.h"
#include "score.h"

typedef struct udg_twice {
  udg_hub_fit fit;
  udg_relit_sums once[UDG_PLACES_MAX]; /* at the softness that suits a date set once */
} udg_twice;

/* Where a second image explains most. */
typedef struct udg_twice_spot {
  double rest;
  int strength, cell;
} udg_twice_spot;

/* The date of a scene, second images displaced by `least` digit heights and more, `strengths` of
 * them; then the softness of the shoulders of the date set once, and its sums.  Fewer than two
 * digits that can be looked at (fit.count) are nothing to go on with.  Nothing is open unless OK
 * comes back. */
udg_status udg_twice_open(udg_look *look, const udg_look_scene *scene, double least, int strengths,
                          udg_twice *twice, udg_message *message);
void udg_twice_close(udg_twice *twice);
/* Fills the whole table of second images at the softness that suits the best of them: one that is
 * not allowed for makes shoulders look wide. */
udg_status udg_twice_fill(udg_twice *twice, udg_message *message);

/* Digits but `left_out` (-1: none of them) set once; set twice, each displaced its own way. */
udg_relit_sums udg_twice_sum_once(const udg_twice *twice, int left_out);
udg_relit_sums udg_twice_sum(const udg_twice *twice, int left_out, int strength,
                             const int cell[UDG_PLACES_MAX]);
void udg_twice_alike(int cell, int cells[UDG_PLACES_MAX]);
udg_twice_spot udg_twice_best(const udg_twice *twice, int left_out);
double udg_twice_log_over(double before, double after);
/* s.d. of what displacements gain that are not common to all digits: that much is chance. */
double udg_twice_spread(const udg_twice *twice, int left_out, int strength);

/* A date that was punched into the die: fills `seen`; seen->digits stays 0 where fewer than two
 * digits can be looked at. */
udg_status udg_twice_look(udg_look *look, const udg_look_scene *scene, const udg_twice_pose *pose,
                          udg_twice_seen *seen, udg_message *message);

#endif
