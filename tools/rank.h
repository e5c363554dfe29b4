/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a batch says that no photo says alone: how many finds are chance, which
 * come first, what they may be worth. */
#ifndef RANK_H
#define RANK_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/status.h>

/* q[i]: smallest rate of false finds at which the i-th of n p-values is still a
 * find (Benjamini & Hochberg, J. R. Statist. Soc. B 57, 1995):
 *   q_(k) = min over j >= k of (n / j) p_(j), p_(1) <= p_(2) <= ...
 * 0, or -1 without memory. */
int rank_adjust(const double *p, size_t n, double *q);

/* The chance that one of `photos` plain photos gives a p-value of `p` or less
 * (Bonferroni): min(1, photos p). */
double rank_listing_p(double p, int photos);

/* 1 when a title claims an overdate: says so in words, or writes a date or digits
 * with a stroke between ("1874/3", "74/3", "1874 over 3"). */
int rank_title_claims(const char *title);

/* ---- a value table of the user's own */

typedef struct rank_value {
  char date[16], variety[16], state[8], grade[32], currency[8]; /* "": any */
  double value;
} rank_value;

typedef struct rank_values {
  size_t count;
  rank_value *rows;
} rank_values;

/* CSV with the columns date, variety, state, grade, value, and perhaps currency;
 * `variety` is the earlier date (1873), "*" or nothing stands for any.  A broken
 * row is told through `fault` and left out; `faults` counts them.  0, or -1 and a reason. */
int rank_values_read(const char *path, rank_values *values, void (*fault)(const char *text),
                     int *faults, udg_message *message);
void rank_values_clear(rank_values *values);

/* The value of a coin; the row that says most wins, of equals the lower value.
 * `state` or `grade` NULL: not known, then the least of the values that could
 * hold.  NAN when no row fits. */
double rank_value_of(const rank_values *values, const char *date, const char *variety,
                     const char *state, const char *grade, const char *currency);

/* Of a find with that rate of false finds about it: the chance that it is what
 * it looks like; never certain. */
double rank_chance(double q);

/* chance value - price; NAN when any is missing. */
double rank_gain(double chance, double value, double price);

/* The highest bid that leaves `margin` (0.3: 30 %) on what is paid:
 * chance value / (1 + margin). */
double rank_ceiling(double chance, double value, double margin);

#endif
