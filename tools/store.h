/* SPDX-License-Identifier: GPL-2.0-or-later */
/* One screening run's memory: an SQLite file (docs/screening.md has its tables). */
#ifndef STORE_H
#define STORE_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/status.h>

#include "listing.h"

enum { STORE_SCHEMA = 4, STORE_SHA_BYTES = 65, STORE_ID_BYTES = 17, STORE_PICTURES = 4 };

typedef struct store store;

typedef enum store_mode {
  STORE_READ,  /* an existing store, looked at */
  STORE_MARK,  /* an existing store, marks written */
  STORE_SCREEN /* made when missing; the one screening run at a time */
} store_mode;

/* Opens, and brings a store of an older version up to date when it may be
 * written.  `wait`: with STORE_SCREEN, whether to wait for another run; without
 * it that is a fault.  `waiting` is called once when the wait begins, and the
 * wait ends early when it was interrupted (EINTR) and `stop` says so.
 * 0, or -1 and a reason in `message`. */
typedef struct store_wait {
  int wait;
  void (*waiting)(const char *path);
  int (*stop)(void);
} store_wait;

int store_open(const char *path, store_mode mode, const store_wait *wait, store **s,
               udg_message *message);
/* NULL is fine. */
void store_close(store *s);
/* Reason of the last call that gave -1. */
void store_fault(const store *s, udg_message *message);

/* Transactions.  A fault inside rolls the whole of it back at store_rollback(). */
int store_begin(store *s);
int store_commit(store *s);
void store_rollback(store *s);

/* ---- what is to be done */

/* A reference by its content; gives its id.  Other contents that had the same path are
 * replaced: they speak only for photos that nothing else has judged. */
int store_add_reference(store *s, const char *sha256, const char *name, const char *path,
                        int64_t *reference_id);

/* Starts a run with an empty list of photos.  `again`: results that were there
 * before count as none, but for those of a run with `again` that did not end. */
int store_clear_queue(store *s, int again, int64_t *run_id);
int64_t store_queue_length(const store *s);

typedef enum store_added { STORE_ADDED, STORE_DUPLICATE, STORE_FAULT } store_added;

/* Takes a listing with its photos to the end of the queue.  A listing known from
 * an earlier run is brought up to date; one met before in this run is left as it
 * is: STORE_DUPLICATE, and `first_row` tells where it was met (0: not in a table). */
store_added store_add_listing(store *s, int64_t run_id, const listing *l, int64_t *first_row);

/* 1 when a file of this path is in the queue, 0, or -1. */
int store_is_queued(store *s, const char *path);

typedef struct store_entry {
  int64_t queue, file_id;
  int64_t photo_id;           /* 0: not worked on yet */
  int64_t bytes, modified_ns; /* of the file when it was */
  int settled; /* has a judgement by each of this run's references, or cannot be read */
  char *path;  /* freed by store_entry_clear() */
} store_entry;

/* The next entry behind `queue`: 1, 0 at the end, -1. `reference_ids` are this run's. */
int store_next(store *s, int64_t queue, const int64_t *reference_ids, int reference_count,
               store_entry *entry);
void store_entry_clear(store_entry *entry);

/* ---- what came out */

typedef struct store_picture {
  int width, height;   /* 0: none */
  unsigned char *jpeg; /* malloc()ed */
  size_t bytes;
} store_picture;

extern const char *const store_picture_names[STORE_PICTURES]; /* crop, upright, residual, markers */

/* One reference's word on one photo. */
typedef struct store_judgement {
  int made; /* 0: the store has it already */
  char date[16];
  const char *verdict; /* static */
  int judged, found;
  double evidence, p_value;
  int place;
  char digit; /* 0: none */
  double strength;
  const char *state;     /* static; NULL: unknown */
  double decoy_evidence; /* NAN: not told */
  double doubt; /* score of the second-best place for the date over the best's; NAN: no date */
  double rim;   /* ln of the rim's diameter by the date's scale over the reference's; NAN: no
                   rim, or no date on it */
  char *words;  /* the answer for a person, a paragraph a line */
  char *json;   /* the result object with an empty photo name */
  char *present_path, *trace_path; /* outlines, SVG path data in px of `upright`; NULL: none */
  store_picture pictures[STORE_PICTURES];
} store_judgement;

typedef struct store_photo {
  char sha256[STORE_SHA_BYTES];
  int64_t bytes;
  uint32_t width, height;
  char dhash[STORE_SHA_BYTES]; /* 256 bits in hexadecimal; "": none */
  char error[512];             /* content that cannot be read */
  int judgement_count; /* one for each of the run's references, in their order; 0 with error */
  store_judgement *judgements;
} store_photo;

void store_photo_clear(store_photo *photo);
/* Outlines and pictures only. */
void store_clear_pictures(store_judgement *j);

/* Which references have judged this content (this version of the library); `needed` gets 1 where
 * one has not. 1 when the photo is known, 0, or -1. */
int store_known(store *s, const char *sha256, const int64_t *reference_ids, int reference_count,
                int *needed);

/* Keeps what was found in a file.  A photo that is known keeps what it has. */
int store_keep(store *s, const store_entry *entry, const store_photo *photo,
               const int64_t *reference_ids);
/* A file that could not be read at all; tried again by the next run. */
int store_keep_fault(store *s, const store_entry *entry, const char *error);

/* Chooses anew for photos whose speaking reference is replaced. */
int store_choose(store *s);
/* Groups photos whose perceptual hashes nearly agree. */
int store_group(store *s);
/* The run's end. */
int store_end_run(store *s, int64_t run_id, const char *outcome);

/* ---- what is in there */

/* The best judgement of a file as a JSON object on one line, with its photo's
 * path and listing: 1 (caller frees), 0 when there is none, -1. */
int store_object(store *s, int64_t file_id, char **json);

/* A file's best verdict ("" without one) and what is wrong with it ("" if nothing):
 * 1, 0 when there is no such file, -1. */
int store_file_verdict(store *s, int64_t file_id, char *verdict, size_t verdict_bytes, char *error,
                       size_t error_bytes);

/* A listing with the photo that speaks loudest, as read by store_finds(). */
typedef struct store_find {
  int64_t listing_id, photo_id, reference_id, file_id;
  const char *id, *title, *address, *currency, *closes, *note, *grade, *path, *mark;
  double price;
  int has_closes;
  int64_t closes_at;
  const char *reference, *date, *verdict, *state, *words, *tied, *error, *sha256;
  const char *present_path, *trace_path;
  int photo_count, judged_count, unread_count;
  int judged;
  double evidence, p_value, strength, decoy_evidence;
  int place;
  char digit;
  int64_t group_id;
  int64_t upright_width, upright_height; /* 0: no picture kept */
} store_find;

/* Calls `take` for each listing, in no order to rely on; strings hold during the
 * call only.  `take` gives non-zero to stop.  0 or -1. */
int store_finds(store *s, int (*take)(void *user, const store_find *find), void *user);

/* What tells this store from others, wherever it lies: 16 digits. 0 or -1. */
int store_own_id(store *s, char id[STORE_ID_BYTES]);

/* Photographs whose answer is of another version than the newest answer; -1. */
int64_t store_other_versions(store *s);

/* A kept picture: 1 (caller frees picture->jpeg), 0 when there is none, -1. */
int store_picture_get(store *s, int64_t photo_id, int64_t reference_id, int kind,
                      store_picture *picture);

/* Paths and answers of all of a listing's photos, in order. */
typedef struct store_answer {
  const char *path, *error, *words, *reference, *verdict;
  int64_t file_id;
} store_answer;
int store_answers(store *s, int64_t listing_id, int (*take)(void *user, const store_answer *answer),
                  void *user);

/* Other listings that show the same photograph or nearly so. */
int store_others(store *s, int64_t listing_id,
                 int (*take)(void *user, const char *id, int same_photo), void *user);

/* 1: marked; 0: no such listing; -1.  `mark` "" takes a mark away. */
int store_mark(store *s, const char *id, const char *mark);

#endif
