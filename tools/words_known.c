/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "words_known.h"

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

#include "words.h"

enum { TEXT_BYTES = 1200 };

/* Narrower than this an interval of the die's state tells something. */
static const double state_told = 0.8;

void words_marker(const udg_marker_finding *m, char *text, size_t text_bytes) {
  char kind[24], where[32] = "";
  snprintf(kind, sizeof kind, "%s", udg_marker_kind_text(m->kind));
  for (char *c = kind; *c; c++)
    if (*c == '_')
      *c = ' ';
  if (m->clock > 0)
    snprintf(where, sizeof where, ", at %.1f o'clock", m->clock);
  snprintf(text, text_bytes, "%s (%s%s): %s", m->id, kind, where,
           m->in_view ? udg_marker_answer_text(m->answer) : "not in the photo");
}

static void list_markers(const udg_result *r, const udg_die_finding *die, char *text, size_t room) {
  for (int i = 0; i < r->marker_count; i++) {
    const udg_marker_finding *m = &r->markers[i];
    char one[160];
    size_t used = strlen(text);
    if (strcmp(m->die, die->id) != 0)
      continue;
    words_marker(m, one, sizeof one);
    snprintf(text + used, room - used, " %s;", one);
  }
  size_t used = strlen(text);
  if (used && text[used - 1] == ';')
    text[used - 1] = '.';
}

/* "the date full (0.9, likely 0.7 to 1.0); legend weak (...)". */
static void print_strike(FILE *out, const udg_result *r, int columns) {
  char text[TEXT_BYTES] = "";
  for (int i = 0; i < r->strike_count && i < UDG_STRIKES_MAX; i++) {
    const udg_strike_finding *f = &r->strikes[i];
    size_t used = strlen(text);
    snprintf(text + used, sizeof text - used, "%s%s: %s", i ? "; " : "", f->region,
             f->things == 0                        ? "not in the photo"
             : f->answer == UDG_STRIKE_CANNOT_TELL ? "cannot tell"
                                                   : udg_strike_answer_text(f->answer));
    used = strlen(text);
    if (f->answer != UDG_STRIKE_CANNOT_TELL)
      snprintf(text + used, sizeof text - used, " (%.1f of the die filled, likely %.1f to %.1f)",
               f->full, f->full_interval[0], f->full_interval[1]);
  }
  if (r->strike_count > 0)
    words_paragraph(out, "Strike", text, columns);
}

void words_known(FILE *out, const udg_result *r, int columns) {
  for (int i = 0; i < r->die_count; i++) {
    const udg_die_finding *die = &r->dies[i];
    char text[TEXT_BYTES];
    snprintf(text, sizeof text, "%s.", die->words);
    text[0] = (char)toupper((unsigned char)text[0]);
    list_markers(r, die, text, sizeof text);
    if ((die->present || die->digit_log_ratio > 0) &&
        die->state_interval[1] - die->state_interval[0] < state_told) {
      size_t used = strlen(text);
      snprintf(text + used, sizeof text - used,
               " State of the die, 0 early to 1 late: %.1f, likely between %.1f and %.1f.",
               die->state, die->state_interval[0], die->state_interval[1]);
    }
    words_paragraph(out, "Known die", text, columns);
  }
  print_strike(out, r, columns);
}

static int by_die_and_state(const void *a, const void *b) {
  const words_state *x = a, *y = b;
  int die = strcmp(x->die, y->die);
  return die ? die : (x->state > y->state) - (x->state < y->state);
}

void words_order(FILE *out, words_state *states, size_t count, int columns) {
  if (count == 0)
    return;
  qsort(states, count, sizeof *states, by_die_and_state);
  for (size_t i = 0; i < count;) {
    size_t end = i + 1;
    while (end < count && strcmp(states[end].die, states[i].die) == 0)
      end++;
    if (end - i > 1) {
      char text[TEXT_BYTES];
      snprintf(text, sizeof text, "die %s, early to late:", states[i].die);
      for (size_t k = i; k < end; k++) {
        size_t used = strlen(text);
        /* Where intervals overlap the order is a guess. */
        int sure = k > i && states[k].low > states[k - 1].high;
        snprintf(text + used, sizeof text - used, "%s %s (%.2f, %.2f to %.2f)",
                 k == i ? ""
                 : sure ? " before"
                        : " perhaps before",
                 states[k].photo, states[k].state, states[k].low, states[k].high);
      }
      words_paragraph(out, "Order", text, columns);
    }
    i = end;
  }
}
