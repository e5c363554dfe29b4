/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "rank.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* No photo makes anything certain. */
static const double chance_most = 0.95;

typedef struct ordered {
  double p;
  size_t index;
} ordered;

static int compare(const void *a, const void *b) {
  const ordered *x = a, *y = b;
  return (x->p > y->p) - (x->p < y->p);
}

int rank_adjust(const double *p, size_t n, double *q) {
  ordered *sorted = malloc((n ? n : 1) * sizeof *sorted);
  if (!sorted)
    return -1;
  for (size_t i = 0; i < n; i++)
    sorted[i] = (ordered){p[i], i};
  qsort(sorted, n, sizeof *sorted, compare);
  double least = 1;
  for (size_t k = n; k-- > 0;) {
    least = fmin(least, sorted[k].p * (double)n / (double)(k + 1));
    q[sorted[k].index] = least;
  }
  free(sorted);
  return 0;
}

double rank_listing_p(double p, int photos) {
  return fmin(1, p * (photos > 1 ? photos : 1));
}

/* ---- titles */

static int is_word(int c) {
  return isalnum((unsigned char)c);
}

/* The digits right before `end`, at most `most`. */
static int digits_before(const char *text, const char *end, int most) {
  int n = 0;
  while (end > text && isdigit((unsigned char)end[-1]) && n <= most) {
    end--;
    n++;
  }
  return n;
}

static int digits_after(const char *text) {
  return (int)strspn(text, "0123456789");
}

/* "1874/3", "1874/1873", "74/3": a date's digits over fewer or as many.  "1/2" is
 * a fraction, "10/10" a count, "3/4/1999" a day. */
static int stroke_claims(const char *title, const char *stroke) {
  int before = digits_before(title, stroke, 5), after = digits_after(stroke + 1);
  const char *end = stroke + 1 + after;
  if ((before != 2 && before != 4) || after < 1 || after > before)
    return 0;
  if (*end == '/' || (stroke - before > title && stroke[-before - 1] == '/'))
    return 0;
  if (before == 4)
    return 1;
  /* Two digits: a short date only when they do not read as a day or a count. */
  int first = atoi(stroke - before);
  return first > 31 && after <= 2;
}

static int over_claims(const char *title, const char *over) {
  const char *left = over, *right = over + 4;
  if ((left > title && is_word(left[-1])) || is_word(*right))
    return 0;
  while (left > title && left[-1] == ' ')
    left--;
  right += strspn(right, " ");
  int before = digits_before(title, left, 5), after = digits_after(right);
  return before >= 1 && before <= 4 && after >= 1 && after <= 4;
}

int rank_title_claims(const char *title) {
  if (!title)
    return 0;
  for (const char *c = title; *c; c++) {
    if (strncasecmp(c, "overdate", 8) == 0 || strncasecmp(c, "over-date", 9) == 0 ||
        strncasecmp(c, "over date", 9) == 0)
      return 1;
    if (*c == '/' && stroke_claims(title, c))
      return 1;
    if (strncasecmp(c, "over", 4) == 0 && over_claims(title, c))
      return 1;
  }
  return 0;
}

/* ---- gain */

double rank_chance(double q) {
  return isfinite(q) ? fmin(fmax(1 - q, 0), chance_most) : (double)NAN;
}

double rank_gain(double chance, double value, double price) {
  return chance * value - price;
}

double rank_ceiling(double chance, double value, double margin) {
  return chance * value / (1 + margin);
}
