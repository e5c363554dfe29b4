/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The listings of a store in the order in which they deserve a look. */
#ifndef FINDS_H
#define FINDS_H

#include "rank.h"
#include "store.h"

typedef struct finds_options {
  const char *values_path; /* NULL: no value table */
  const char *grade;       /* of listings that tell none; NULL: not known */
  double margin;           /* 0.3: 30 % */
  int64_t now;             /* seconds since 1970 */
  int flagged_only;        /* the list holds flagged listings alone; all of them count */
} finds_options;

/* What the others are counted by when only flagged ones are held. */
typedef struct finds_other {
  int64_t photo_id, group_id;
  double p_value, evidence, decoy_evidence;
  int verdict; /* its first letters */
  short place;
  char digit, copy;
} finds_other;

typedef struct find {
  store_find is;     /* strings owned by the list */
  int flagged;       /* the verdict is underdigit */
  int copy_of_other; /* shows the photograph of a listing further up */
  double p_value;    /* over the listing's judged photos; NAN */
  double q_value;    /* NAN */
  int closed;        /* the closing time is past */
  int title_claims;
  const char *claim_note; /* what title and photo say against each other; static, NULL */
  char variety[16];       /* the earlier date; "" when not told */
  double chance, value, gain, ceiling; /* NAN: left out */
} find;

typedef struct finds_list {
  find *items;
  size_t count, room;
  finds_other *others;
  size_t other_count, other_room;
  int flagged_only;
  size_t judged;          /* distinct photographs that could be judged */
  size_t flagged;         /* distinct ones with a trace */
  double by_chance;       /* of these, expected at most; NAN when none is flagged */
  long decoys;            /* other judged photographs whose best decoy does as well as the weakest
                             of the flagged; -1: not told */
  int64_t other_versions; /* photographs judged by another version than the newest answer */
  int starved;            /* memory ran out while reading */
  int value_faults;       /* rows of the value table that were left out */
} finds_list;

/* 0, or -1 and a reason. */
int finds_load(store *s, const finds_options *options, finds_list *list, udg_message *message);
void finds_clear(finds_list *list);

enum { FINDS_SENTENCE_BYTES = 400 };
/* "Of the 12 flagged, expect about 1 to be chance. ..." */
void finds_sentence(const finds_list *list, char *text, size_t text_bytes);

/* ---- the same options for every command that ranks */

#define FINDS_OPTIONS                                                                              \
  {"values", required_argument, NULL, 'v'}, {"margin", required_argument, NULL, 'm'},              \
      {"grade", required_argument, NULL, 'g'}, {                                                   \
    "at", required_argument, NULL, 'a'                                                             \
  }
#define FINDS_LETTERS "v:m:g:a:"
#define FINDS_HELP                                                                                 \
  "  -v, --values FILE      value table (CSV: date, variety, state, grade, value, currency);\n"    \
  "                         with it, expected gain and a ceiling for bids\n"                       \
  "  -m, --margin PERCENT   what a bid at the ceiling shall leave (default 30)\n"                  \
  "  -g, --grade BAND       grade band of listings that tell none\n"                               \
  "  -a, --at TIME          rank as of this time (default now), like 2026-11-30 18:00\n"

void finds_defaults(finds_options *options);
/* 1: taken; 0: another command's letter; -1: wrong, and said. */
int finds_option(finds_options *options, int letter, const char *argument);

#endif
