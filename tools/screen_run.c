/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Jobs side by side, results kept in the order of the queue.
 *
 * The slots are a ring over the queue.  Jobs take them in order and finish when
 * they finish; this thread keeps what is done from the head on, so that the
 * store and the stream come out alike whatever the number of jobs, and memory
 * does not grow with the queue. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#ifdef __GLIBC__
#include <malloc.h>
#endif
#include <string.h>
#include <sys/stat.h>
#include <time.h>

#include "command.h"
#include "screen.h"

enum { SLOTS_EACH_JOB = 4, NEWS_EVERY_MS = 200 };

static screen_slot *slot_at(screen_run *run, int64_t n) {
  return &run->slots[n % run->slot_count];
}

/* ---- jobs */

int screen_claim(screen_run *run, screen_slot *slot, int *needed) {
  pthread_mutex_lock(&run->mutex);
  for (int64_t n = run->head; n < run->tail && !slot->same_as; n++) {
    screen_slot *other = slot_at(run, n);
    if (other != slot && other->hashed && !other->same_as &&
        strcmp(other->photo.sha256, slot->photo.sha256) == 0)
      slot->same_as = other;
  }
  slot->hashed = 1;
  int count = run->options->reference_count, claimed = !slot->same_as;
  if (claimed) {
    pthread_mutex_lock(&run->store_mutex);
    if (store_known(run->s, slot->photo.sha256, run->reference_ids, count, needed) < 0) {
      run->worker_failed = 1;
      store_fault(run->s, &run->why);
      claimed = 0;
    }
    pthread_mutex_unlock(&run->store_mutex);
  }
  pthread_mutex_unlock(&run->mutex);
  return claimed;
}

static int start_job(screen_job *job) {
  screen_run *run = job->run;
  udg_message why = {""};
  for (int i = 0; i < run->options->reference_count; i++) {
    if (udg_inspector_create(&run->settings, run->references[i], &job->inspectors[i], &why) ==
        UDG_OK)
      continue;
    pthread_mutex_lock(&run->mutex);
    run->worker_failed = 1;
    run->why = why;
    pthread_mutex_unlock(&run->mutex);
    return -1;
  }
  return 0;
}

static void *work(void *user) {
  screen_job job = {.run = user};
  screen_run *run = job.run;
  int ready = start_job(&job) == 0;
  pthread_mutex_lock(&run->mutex);
  while (ready && !run->closing && !run->worker_failed) {
    if (run->next_job == run->tail) {
      pthread_cond_wait(&run->work, &run->mutex);
      continue;
    }
    screen_slot *slot = slot_at(run, run->next_job++);
    if (slot->state != SLOT_READY)
      continue;
    slot->state = SLOT_WORKING;
    pthread_mutex_unlock(&run->mutex);
    screen_slot_state state = screen_photo(&job, slot);
    pthread_mutex_lock(&run->mutex);
    slot->state = state;
    pthread_cond_signal(&run->news);
  }
  pthread_cond_signal(&run->news);
  pthread_mutex_unlock(&run->mutex);
  for (int i = 0; i < run->options->reference_count; i++)
    udg_inspector_destroy(job.inspectors[i]);
  return NULL;
}

/* ---- the queue's end of it */

static int unchanged(const store_entry *entry) {
  struct stat about;
  if (stat(entry->path, &about) != 0)
    return 1; /* gone, but judged while it was there */
  return entry->bytes == (int64_t)about.st_size &&
         entry->modified_ns ==
             (int64_t)about.st_mtim.tv_sec * 1000000000 + (int64_t)about.st_mtim.tv_nsec;
}

/* Fills free slots from the store.  1: more to come, 0: the queue is at its
 * end, -1. */
static int fill_slots(screen_run *run, int64_t *queue) {
  while (run->tail - run->head < run->slot_count) {
    store_entry entry;
    pthread_mutex_lock(&run->store_mutex);
    int status =
        store_next(run->s, *queue, run->reference_ids, run->options->reference_count, &entry);
    pthread_mutex_unlock(&run->store_mutex);
    if (status != 1)
      return status;
    *queue = entry.queue;
    screen_slot *slot = slot_at(run, run->tail);
    *slot = (screen_slot){.entry = entry};
    slot->settled = entry.photo_id && entry.settled && unchanged(&entry);
    pthread_mutex_lock(&run->mutex);
    slot->state = slot->settled ? SLOT_DONE : SLOT_READY;
    run->tail++;
    pthread_cond_signal(&run->work);
    pthread_mutex_unlock(&run->mutex);
  }
  return 1;
}

/* How many slots from the head on can be kept; each needs the photo that it waits for. */
static int64_t count_done(screen_run *run) {
  int64_t n = run->head;
  for (; n < run->tail; n++) {
    const screen_slot *slot = slot_at(run, n);
    if (slot->state != SLOT_DONE || (slot->same_as && slot->same_as->state != SLOT_DONE))
      break;
  }
  return n - run->head;
}

static int keep_slot(screen_run *run, screen_slot *slot) {
  if (slot->settled)
    return 0;
  /* The slot that has the work may lie behind: whoever comes first keeps it. */
  const screen_slot *owner = slot->same_as ? slot->same_as : slot;
  if (slot->fault[0] || owner->fault[0])
    return store_keep_fault(run->s, &slot->entry,
                            slot->fault[0] ? slot->fault
                                           : "the same bytes under another name "
                                             "could not be worked on");
  return store_keep(run->s, &slot->entry, &owner->photo, run->reference_ids);
}

static void print_object(screen_run *run, const screen_slot *slot, const char *error) {
  char *json = NULL;
  if (!error && store_object(run->s, slot->entry.file_id, &json) == 1) {
    puts(json);
    free(json);
    return;
  }
  free(json);
  json = NULL;
  if (udg_error_to_json(&run->settings, slot->entry.path, error ? error : "no result in the store",
                        &json, NULL) == UDG_OK)
    puts(json);
  udg_text_destroy(&run->settings, json);
}

/* Tells of a slot that is kept. */
static void tell_slot(screen_run *run, const screen_slot *slot) {
  char verdict[24] = "", error[512] = "";
  int known =
      store_file_verdict(run->s, slot->entry.file_id, verdict, sizeof verdict, error, sizeof error);
  run->progress.done++;
  run->progress.known += slot->settled;
  run->progress.finds += strcmp(verdict, "underdigit") == 0;
  if (known == 1 && error[0]) {
    run->progress.unread++;
    screen_progress_clear(&run->progress);
    command_complain("%s", error);
  }
  if (run->options->stream)
    print_object(run, slot, error[0] ? error : NULL);
}

/* Keeps the `count` slots at the head in one transaction. */
static int keep_head(screen_run *run, int64_t count) {
  int status = 0, write = 0;
  for (int64_t n = run->head; n < run->head + count; n++)
    write |= !slot_at(run, n)->settled;
  pthread_mutex_lock(&run->store_mutex);
  if (write && store_begin(run->s) != 0)
    status = -1;
  for (int64_t n = run->head; n < run->head + count && status == 0; n++)
    status = keep_slot(run, slot_at(run, n));
  if (write && status == 0)
    status = store_commit(run->s);
  if (status != 0) {
    store_fault(run->s, &run->why);
    store_rollback(run->s);
  }
  for (int64_t n = run->head; n < run->head + count && status == 0; n++)
    tell_slot(run, slot_at(run, n));
  pthread_mutex_unlock(&run->store_mutex);
  if (status == 0 && run->options->stream && command_flush() != 0) {
    snprintf(run->why.text, sizeof run->why.text, "the stream's reader went away");
    status = -1;
  }
  return status;
}

/* Lets go of kept slots.  A slot behind may wait for one of them: it is kept by
 * now, and found in the store by its hash. */
static void release_head(screen_run *run, int64_t count) {
  pthread_mutex_lock(&run->mutex);
  for (int64_t n = run->head; n < run->head + count; n++) {
    screen_slot *slot = slot_at(run, n);
    for (int64_t m = run->head + count; m < run->tail; m++)
      if (slot_at(run, m)->same_as == slot) {
        slot_at(run, m)->same_as = NULL;
        memcpy(slot_at(run, m)->fault, slot->fault, sizeof slot->fault);
      }
    store_photo_clear(&slot->photo);
    store_entry_clear(&slot->entry);
    slot->state = SLOT_FREE;
    slot->hashed = 0;
  }
  run->head += count;
  if (run->next_job < run->head)
    run->next_job = run->head;
  pthread_mutex_unlock(&run->mutex);
}

static void wait_for_news(screen_run *run) {
  struct timespec until;
  clock_gettime(CLOCK_REALTIME, &until);
  until.tv_nsec += NEWS_EVERY_MS * 1000000L;
  until.tv_sec += until.tv_nsec / 1000000000;
  until.tv_nsec %= 1000000000;
  pthread_cond_timedwait(&run->news, &run->mutex, &until);
}

static int drive(screen_run *run) {
  int64_t queue = 0;
  int more = 1;
  while (!screen_stop) {
    if (more == 1 && (more = fill_slots(run, &queue)) < 0) {
      store_fault(run->s, &run->why);
      return -1;
    }
    if (run->head == run->tail)
      return 0;
    pthread_mutex_lock(&run->mutex);
    int64_t done = count_done(run);
    if (done == 0 && !run->worker_failed)
      wait_for_news(run);
    int failed = run->worker_failed;
    pthread_mutex_unlock(&run->mutex);
    if (failed)
      return -1;
    if (done > 0) {
      if (keep_head(run, done) != 0)
        return -1;
      release_head(run, done);
    }
    screen_progress_show(&run->progress);
  }
  return 0;
}

/* What the jobs needed goes back to the system before the whole batch is ranked, so
 * that the ranking's memory, which grows with it, does not come on top. */
static void give_back(void) {
#ifdef __GLIBC__
  malloc_trim(0);
#endif
}

int screen_work_all(screen_run *run) {
  int jobs = run->options->jobs, started = 0, status = -1;
  pthread_t threads[SCREEN_JOBS_MAX];
  run->slot_count = jobs * SLOTS_EACH_JOB;
  run->slots = calloc((size_t)run->slot_count, sizeof *run->slots);
  pthread_mutex_init(&run->mutex, NULL);
  pthread_mutex_init(&run->store_mutex, NULL);
  pthread_cond_init(&run->work, NULL);
  pthread_cond_init(&run->news, NULL);
  while (run->slots && started < jobs && pthread_create(&threads[started], NULL, work, run) == 0)
    started++;
  if (started > 0)
    status = drive(run);
  else
    snprintf(run->why.text, sizeof run->why.text, "no job could be started");
  pthread_mutex_lock(&run->mutex);
  run->closing = 1;
  if (status != 0)
    screen_stop = 1; /* jobs at work give up their photo */
  pthread_cond_broadcast(&run->work);
  pthread_mutex_unlock(&run->mutex);
  for (int i = 0; i < started; i++)
    pthread_join(threads[i], NULL);
  for (int64_t n = run->head; n < run->tail; n++) {
    store_photo_clear(&slot_at(run, n)->photo);
    store_entry_clear(&slot_at(run, n)->entry);
  }
  free(run->slots);
  pthread_cond_destroy(&run->news);
  pthread_cond_destroy(&run->work);
  pthread_mutex_destroy(&run->store_mutex);
  pthread_mutex_destroy(&run->mutex);
  give_back();
  return status;
}
