/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the parts of `underdigit screen` share. */
#ifndef SCREEN_H
#define SCREEN_H

#include <pthread.h>
#include <stdatomic.h>
#include <stdint.h>

#include <underdigit/underdigit.h>

#include "keepsake.h"
#include "store.h"

enum { SCREEN_REFERENCES_MAX = 64, SCREEN_JOBS_MAX = 256 };

typedef struct screen_options {
  char **inputs;
  int input_count;
  const char *reference_paths[SCREEN_REFERENCES_MAX];
  int reference_count;
  const char *store_path;
  int jobs;
  int stream;  /* one result object a line on standard output */
  int again;   /* judge anew what the store has */
  int no_wait; /* do not wait for another run */
  int quiet;   /* no progress */
  keepsake_policy pictures;
} screen_options;

/* Set by SIGINT and SIGTERM; everything that lasts looks at it. */
extern atomic_int screen_stop;

/* ---- screen_input.c: what there is to do */

typedef struct screen_faults {
  long rows;   /* table rows that were left out, wholly or in part */
  long inputs; /* inputs that could not be read at all */
  long listings;
} screen_faults;

/* Queues every photo of the inputs in one transaction, tables first.  0, or -1
 * when the store failed or the run was stopped. */
int screen_queue(const screen_options *options, store *s, int64_t *run_id, screen_faults *faults);

/* ---- screen_progress.c */

typedef struct screen_progress {
  int quiet, terminal;
  int64_t total, done, known, finds, unread;
  double began_s, told_s; /* monotonic clock */
  int64_t told_done;
} screen_progress;

void screen_progress_begin(screen_progress *p, int quiet, int64_t total);
/* Tells, when it is time to. */
void screen_progress_show(screen_progress *p);
/* Clears the bar so that something else can be said. */
void screen_progress_clear(screen_progress *p);
void screen_progress_end(screen_progress *p);
/* The bar's text, for a width in columns. */
void screen_progress_line(const screen_progress *p, double now_s, int columns, char *line,
                          size_t line_bytes);

/* ---- screen_run.c: jobs, and what they hand over */

typedef enum screen_slot_state {
  SLOT_FREE,
  SLOT_READY, /* waits for a job */
  SLOT_WORKING,
  SLOT_DONE,
  SLOT_DROPPED /* stopped in the middle: nothing is kept */
} screen_slot_state;

/* One photo on its way through. Guarded by the run's mutex but for what the job
 * that works on it fills in. */
typedef struct screen_slot {
  screen_slot_state state;
  store_entry entry;
  int settled;                 /* nothing to do: the store has it */
  char fault[512];             /* the file cannot be read */
  int hashed;                  /* photo.sha256 holds, and others may wait for this photo */
  struct screen_slot *same_as; /* another slot works on the same bytes */
  store_photo photo;
} screen_slot;

typedef struct screen_run {
  const screen_options *options;
  store *s;
  udg_settings settings;
  udg_reference *references[SCREEN_REFERENCES_MAX];
  int64_t reference_ids[SCREEN_REFERENCES_MAX];
  pthread_mutex_t mutex;       /* slots */
  pthread_mutex_t store_mutex; /* the store, by jobs that look up; taken after `mutex` */
  pthread_cond_t work, news;
  screen_slot *slots;
  int slot_count;
  int64_t head, tail; /* slot n of the run is slots[n % slot_count]; head <= n < tail */
  int64_t next_job;   /* first slot that no job has taken */
  int closing;
  int worker_failed;
  udg_message why;
  screen_progress progress;
} screen_run;

/* Works through the queue. 0, or -1 and `run->why`. */
int screen_work_all(screen_run *run);

/* ---- screen_photo.c: one photo in a job */

typedef struct screen_job {
  screen_run *run;
  udg_inspector *inspectors[SCREEN_REFERENCES_MAX];
} screen_job;

/* Fills the slot's photo or fault; SLOT_DONE or SLOT_DROPPED. */
screen_slot_state screen_photo(screen_job *job, screen_slot *slot);

/* Asks whether the bytes of `slot` are new: marks the slot as hashed, finds
 * another slot with the same bytes (then gives 0), else what the store lacks. */
int screen_claim(screen_run *run, screen_slot *slot, int *needed);

#endif
