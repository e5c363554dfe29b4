/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "finds.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "command.h"

/* ---- copies of what the store tells */

/* Every text of a find, so that copying and freeing cannot forget one. */
static size_t texts_of(store_find *f, const char **texts[20]) {
  const char **const all[] = {
      &f->id,     &f->title,   &f->address,   &f->currency,     &f->closes,    &f->note, &f->grade,
      &f->path,   &f->mark,    &f->reference, &f->date,         &f->words,     &f->tied, &f->error,
      &f->sha256, &f->verdict, &f->state,     &f->present_path, &f->trace_path};
  size_t count = sizeof all / sizeof all[0];
  memcpy(texts, all, sizeof all);
  return count;
}

static void clear_texts(store_find *f) {
  const char **texts[20];
  size_t count = texts_of(f, texts);
  for (size_t i = 0; i < count; i++)
    free((void *)(uintptr_t)*texts[i]);
}

static int copy_texts(store_find *f) {
  const char **texts[20];
  size_t count = texts_of(f, texts);
  int status = 0;
  for (size_t i = 0; i < count; i++) {
    if (!*texts[i])
      continue;
    *texts[i] = status == 0 ? strdup(*texts[i]) : NULL;
    if (!*texts[i])
      status = -1;
  }
  return status;
}

/* Room for one more of `bytes` each; 0, or -1. */
static int grow(void **items, size_t count, size_t *room, size_t bytes) {
  if (count < *room)
    return 0;
  size_t wanted = *room ? 2 * *room : 64;
  void *larger = realloc(*items, wanted * bytes);
  if (!larger)
    return -1;
  *items = larger;
  *room = wanted;
  return 0;
}

/* They tell verdicts apart; a store that somebody else wrote may have other words, or none. */
static int first_letters(const char *verdict) {
  int letters = 0;
  for (int i = 0; i < 4 && verdict && verdict[i]; i++)
    letters = letters << 7 | (verdict[i] & 0x7f);
  return letters;
}

static int take_other(finds_list *list, const store_find *told) {
  void *others = list->others;
  if (!told->judged)
    return 0;
  list->starved = grow(&others, list->other_count, &list->other_room, sizeof *list->others) != 0;
  list->others = others;
  if (list->starved)
    return 1;
  finds_other *o = &list->others[list->other_count++];
  *o = (finds_other){.photo_id = told->photo_id,
                     .group_id = told->group_id,
                     .p_value = rank_listing_p(told->p_value, told->judged_count),
                     .evidence = told->evidence,
                     .decoy_evidence = told->decoy_evidence,
                     .place = (short)told->place,
                     .digit = told->digit};
  o->verdict = first_letters(told->verdict);
  return 0;
}

static int take(void *user, const store_find *told) {
  finds_list *list = user;
  void *items = list->items;
  if (list->flagged_only && !(told->verdict && strcmp(told->verdict, "underdigit") == 0))
    return take_other(list, told);
  list->starved = grow(&items, list->count, &list->room, sizeof *list->items) != 0;
  list->items = items;
  if (list->starved)
    return 1;
  find *f = &list->items[list->count++];
  *f = (find){.is = *told,
              .p_value = (double)NAN,
              .q_value = (double)NAN,
              .chance = (double)NAN,
              .value = (double)NAN,
              .gain = (double)NAN,
              .ceiling = (double)NAN};
  list->starved = copy_texts(&f->is) != 0;
  return list->starved;
}

void finds_clear(finds_list *list) {
  for (size_t i = 0; i < list->count; i++)
    clear_texts(&list->items[i].is);
  free(list->items);
  free(list->others);
  *list = (finds_list){0};
}

/* ---- ranking */

/* Natural units of evidence within which finds count as equals. */
static double step_of(const find *f) {
  return floor(f->is.evidence);
}

static int compare_closing(const find *a, const find *b) {
  int open_a = a->is.has_closes && !a->closed, open_b = b->is.has_closes && !b->closed;
  if (open_a != open_b)
    return open_b - open_a;
  if (open_a && a->is.closes_at != b->is.closes_at)
    return a->is.closes_at < b->is.closes_at ? -1 : 1;
  return a->closed - b->closed;
}

static int compare_finds(const void *x, const void *y) {
  const find *a = x, *b = y;
  if (a->flagged != b->flagged)
    return b->flagged - a->flagged;
  if (a->is.judged != b->is.judged)
    return b->is.judged - a->is.judged;
  if (a->is.judged && step_of(a) != step_of(b))
    return step_of(a) > step_of(b) ? -1 : 1;
  int closing = compare_closing(a, b);
  if (closing)
    return closing;
  if (a->is.judged && a->is.evidence != b->is.evidence)
    return a->is.evidence > b->is.evidence ? -1 : 1;
  return (a->is.listing_id > b->is.listing_id) - (a->is.listing_id < b->is.listing_id);
}

static int compare_groups(const void *x, const void *y) {
  const find *const *a = x, *const *b = y;
  if ((*a)->is.group_id != (*b)->is.group_id)
    return (*a)->is.group_id < (*b)->is.group_id ? -1 : 1;
  return (*a > *b) - (*a < *b); /* as ranked */
}

/* The same bytes, or nearly the same picture with the same answer. */
static int alike(const store_find *a, const store_find *b) {
  if (a->photo_id == b->photo_id)
    return a->photo_id != 0;
  return a->group_id != 0 && a->group_id == b->group_id && a->verdict && b->verdict &&
         strcmp(a->verdict, b->verdict) == 0 && a->place == b->place && a->digit == b->digit;
}

/* The first listing of each photograph counts; the others are its copies. */
static int mark_copies(finds_list *list) {
  find **by_group = malloc((list->count ? list->count : 1) * sizeof *by_group);
  if (!by_group)
    return -1;
  for (size_t i = 0; i < list->count; i++)
    by_group[i] = &list->items[i];
  qsort(by_group, list->count, sizeof *by_group, compare_groups);
  for (size_t i = 1; i < list->count; i++)
    for (size_t k = i; by_group[i]->is.group_id != 0 && !by_group[i]->copy_of_other && k-- > 0 &&
                       by_group[k]->is.group_id == by_group[i]->is.group_id;)
      by_group[i]->copy_of_other = alike(&by_group[k]->is, &by_group[i]->is);
  free(by_group);
  return 0;
}

static int compare_others(const void *x, const void *y) {
  const finds_other *a = x, *b = y;
  if (a->group_id != b->group_id)
    return a->group_id < b->group_id ? -1 : 1;
  if (a->photo_id != b->photo_id)
    return a->photo_id < b->photo_id ? -1 : 1;
  return (a->p_value > b->p_value) - (a->p_value < b->p_value);
}

/* As mark_copies(): what is not flagged is like nothing that is. */
static void mark_other_copies(finds_list *list) {
  if (list->other_count)
    qsort(list->others, list->other_count, sizeof *list->others, compare_others);
  for (size_t i = 1; i < list->other_count; i++) {
    finds_other *o = &list->others[i];
    for (size_t k = i; o->group_id && !o->copy && k-- > 0;) {
      const finds_other *before = &list->others[k];
      if (before->group_id != o->group_id)
        break;
      o->copy =
          before->photo_id == o->photo_id ||
          (before->verdict == o->verdict && before->place == o->place && before->digit == o->digit);
    }
  }
}

static size_t gather(const finds_list *list, double *p) {
  size_t n = 0;
  for (size_t i = 0; i < list->count; i++)
    if (list->items[i].is.judged && !list->items[i].copy_of_other)
      p[n++] = list->items[i].p_value;
  for (size_t i = 0; i < list->other_count; i++)
    if (!list->others[i].copy)
      p[n++] = list->others[i].p_value;
  return n;
}

/* Benjamini-Hochberg over distinct photographs; a copy gets what an equal p-value gets. */
static int adjust(finds_list *list) {
  size_t most = list->count + list->other_count;
  double *p = malloc((most ? most : 1) * sizeof *p), *q = NULL;
  size_t n = p ? gather(list, p) : 0;
  q = p ? malloc((n ? n : 1) * sizeof *q) : NULL;
  int status = q && rank_adjust(p, n, q) == 0 ? 0 : -1;
  for (size_t i = 0, k = 0; status == 0 && i < list->count; i++) {
    find *f = &list->items[i];
    if (f->is.judged && !f->copy_of_other)
      f->q_value = q[k++];
  }
  for (size_t i = 0; status == 0 && i < list->count; i++) {
    find *f = &list->items[i];
    if (!f->is.judged || !f->copy_of_other)
      continue;
    double least = 1; /* q of the smallest p-value not below this one */
    for (size_t k = 0; k < n; k++)
      if (p[k] >= f->p_value)
        least = fmin(least, q[k]);
    f->q_value = least;
  }
  list->judged = n;
  free(q);
  free(p);
  return status;
}

static void count_decoys(finds_list *list, double least_evidence) {
  int told = 0;
  long decoys = 0;
  for (size_t i = 0; i < list->count; i++) {
    const find *f = &list->items[i];
    if (f->flagged || f->copy_of_other || !f->is.judged || !isfinite(f->is.decoy_evidence))
      continue; /* where a trace is, mirrored digits resemble it */
    told = 1;
    decoys += f->is.decoy_evidence >= least_evidence;
  }
  for (size_t i = 0; i < list->other_count; i++) {
    const finds_other *o = &list->others[i];
    if (o->copy || !isfinite(o->decoy_evidence))
      continue;
    told = 1;
    decoys += o->decoy_evidence >= least_evidence;
  }
  list->decoys = told && list->flagged ? decoys : -1;
}

static void count_chance(finds_list *list) {
  double worst_p = 0, least_evidence = INFINITY;
  for (size_t i = 0; i < list->count; i++) {
    const find *f = &list->items[i];
    if (!f->flagged || f->copy_of_other || !f->is.judged)
      continue;
    list->flagged++;
    worst_p = fmax(worst_p, f->p_value);
    least_evidence = fmin(least_evidence, f->is.evidence);
  }
  list->by_chance =
      list->flagged ? fmin((double)list->judged * worst_p, (double)list->flagged) : (double)NAN;
  count_decoys(list, least_evidence);
}

static const char *claim_note(const find *f) {
  if (!f->is.verdict)
    return NULL;
  const char *state = f->is.state ? f->is.state : "";
  if (f->title_claims) {
    if (!f->flagged)
      return "The title claims an overdate; the photo shows none.";
    return strcmp(state, "weak") == 0
               ? "Priced as strong, looks weak: the title claims an overdate."
               : NULL;
  }
  if (f->flagged && strcmp(state, "strong") == 0 && f->is.title)
    return "Looks strong, and the title does not claim it.";
  return NULL;
}

static void tell_variety(find *f) {
  const char *date = f->is.date ? f->is.date : "";
  size_t length = strlen(date);
  if (f->is.place < 1 || (size_t)f->is.place > length || !f->is.digit ||
      length >= sizeof f->variety)
    return;
  memcpy(f->variety, date, length + 1);
  f->variety[f->is.place - 1] = f->is.digit;
}

static void tell_worth(find *f, const rank_values *values, const finds_options *options) {
  if (!f->flagged || values->count == 0)
    return;
  const char *grade = f->is.grade ? f->is.grade : options->grade;
  double value = rank_value_of(values, f->is.date, f->variety, f->is.state, grade, f->is.currency);
  if (!isfinite(value))
    return;
  f->chance = rank_chance(f->q_value);
  f->value = value;
  f->gain = rank_gain(f->chance, value, f->is.price);
  f->ceiling = rank_ceiling(f->chance, value, options->margin);
}

static void complain(const char *text) {
  command_complain("%s", text);
}

int finds_load(store *s, const finds_options *options, finds_list *list, udg_message *message) {
  rank_values values = {0};
  *list = (finds_list){.flagged_only = options->flagged_only};
  if (options->values_path &&
      rank_values_read(options->values_path, &values, complain, &list->value_faults, message) != 0)
    return -1;
  int status = store_finds(s, take, list);
  list->other_versions = status == 0 ? store_other_versions(s) : -1;
  if (list->other_versions < 0)
    status = -1;
  if (status != 0)
    store_fault(s, message);
  for (size_t i = 0; i < list->count; i++) {
    find *f = &list->items[i];
    f->flagged = f->is.verdict && strcmp(f->is.verdict, "underdigit") == 0;
    f->closed = f->is.has_closes && f->is.closes_at < options->now;
    if (f->is.judged)
      f->p_value = rank_listing_p(f->is.p_value, f->is.judged_count);
    f->title_claims = rank_title_claims(f->is.title);
    f->claim_note = claim_note(f);
    tell_variety(f);
  }
  if (list->count)
    qsort(list->items, list->count, sizeof *list->items, compare_finds);
  mark_other_copies(list);
  if (status == 0 && (list->starved || mark_copies(list) != 0 || adjust(list) != 0)) {
    snprintf(message->text, sizeof message->text, "not enough memory");
    status = -1;
  }
  if (status == 0) {
    count_chance(list);
    for (size_t i = 0; i < list->count; i++)
      tell_worth(&list->items[i], &values, options);
  } else {
    finds_clear(list);
  }
  rank_values_clear(&values);
  return status;
}

/* ---- words and options */

static void tell_expected(double by_chance, size_t flagged, char *text, size_t text_bytes) {
  if (by_chance < 0.1)
    snprintf(text, text_bytes, "hardly any");
  else if (by_chance < 0.75)
    snprintf(text, text_bytes, "perhaps one");
  else if (by_chance > 0.95 * (double)flagged)
    snprintf(text, text_bytes, "up to all");
  else
    snprintf(text, text_bytes, "about %ld", lround(by_chance));
}

static void tell_flagged(const finds_list *list, char *text, size_t text_bytes) {
  if (list->judged == 0) {
    snprintf(text, text_bytes, "No photograph could be judged.");
    return;
  }
  if (list->flagged == 0) {
    snprintf(text, text_bytes, "None of the %zu photographs that could be judged is flagged.",
             list->judged);
    return;
  }
  char expected[32];
  tell_expected(list->by_chance, list->flagged, expected, sizeof expected);
  int n;
  if (list->flagged == 1)
    n = snprintf(text, text_bytes, "1 photograph of %zu is flagged, %s.", list->judged,
                 list->by_chance < 0.1    ? "hardly by chance"
                 : list->by_chance < 0.75 ? "perhaps by chance"
                                          : "quite possibly by chance");
  else
    n = snprintf(text, text_bytes, "Of these %zu flagged, expect %s to be chance (%zu judged).",
                 list->flagged, expected, list->judged);
  if (list->decoys == 0 && n > 0 && (size_t)n < text_bytes)
    snprintf(text + n, text_bytes - (size_t)n,
             " Mirrored digits, which nobody punched, do as well in none of the others.");
  else if (list->decoys > 0 && n > 0 && (size_t)n < text_bytes)
    snprintf(text + n, text_bytes - (size_t)n,
             " Mirrored digits, which nobody punched, do as well in %ld of the other photographs.",
             list->decoys);
}

void finds_sentence(const finds_list *list, char *text, size_t text_bytes) {
  tell_flagged(list, text, text_bytes);
  size_t used = strlen(text);
  if (list->other_versions > 0)
    snprintf(text + used, text_bytes - used,
             " %lld photograph%s judged by another version: screen %s again, or the figures are"
             " of two kinds.",
             (long long)list->other_versions, list->other_versions == 1 ? " was" : "s were",
             list->other_versions == 1 ? "it" : "them");
}

void finds_defaults(finds_options *options) {
  *options = (finds_options){.margin = 0.3, .now = (int64_t)time(NULL)};
}

int finds_option(finds_options *options, int letter, const char *argument) {
  char *end;
  double percent;
  switch (letter) {
  case 'v':
    options->values_path = argument;
    return 1;
  case 'g':
    options->grade = argument;
    return 1;
  case 'm':
    percent = strtod(argument, &end);
    if (end == argument || *end || !(percent >= 0 && percent <= 10000)) {
      command_complain("--margin takes a number of percent, not '%s'", argument);
      return -1;
    }
    options->margin = percent / 100;
    return 1;
  case 'a':
    if (listing_time(argument, &options->now) != 0) {
      command_complain("--at takes a time like 2026-11-30 18:00, not '%s'", argument);
      return -1;
    }
    return 1;
  default:
    return 0;
  }
}
