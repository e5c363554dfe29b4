/* SPDX-License-Identifier: GPL-2.0-or-later */
/* One photo in a job: read, told apart, judged by each reference. */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "coins.h"
#include "digest.h"
#include "screen.h"
#include "words.h"

/* So wide that each paragraph stays a line: whoever shows it wraps it. */
enum { ONE_LINE_COLUMNS = 100000 };

static void fault(screen_slot *slot, const char *what) {
  snprintf(slot->fault, sizeof slot->fault, "%.300s: %s", slot->entry.path, what);
}

static unsigned char *read_open_file(screen_slot *slot, int file, size_t bytes, size_t *count) {
  unsigned char *content = malloc(bytes ? bytes : 1);
  *count = 0;
  if (!content) {
    fault(slot, "not enough memory");
    return NULL;
  }
  while (*count < bytes) {
    ssize_t n = read(file, content + *count, bytes - *count);
    if (n < 0 && errno == EINTR)
      continue;
    if (n < 0) {
      fault(slot, strerror(errno));
      free(content);
      return NULL;
    }
    if (n == 0)
      break; /* grew shorter meanwhile; what is there is judged */
    *count += (size_t)n;
  }
  return content;
}

/* The whole file; NULL and slot->fault. */
static unsigned char *read_file(const screen_run *run, screen_slot *slot, size_t *count) {
  struct stat about;
  /* Non-blocking: a pipe that nobody writes to must not hold up the run. */
  int file = open(slot->entry.path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
  if (file < 0 || fstat(file, &about) != 0) {
    fault(slot, strerror(errno));
    if (file >= 0)
      close(file);
    return NULL;
  }
  unsigned char *content = NULL;
  if (S_ISDIR(about.st_mode))
    fault(slot, "a folder, not a photo");
  else if (!S_ISREG(about.st_mode))
    fault(slot, "not a plain file");
  else if ((uint64_t)about.st_size > run->settings.max_file_bytes)
    fault(slot, "more bytes than a photo may have");
  else
    content = read_open_file(slot, file, (size_t)about.st_size, count);
  slot->entry.bytes = (int64_t)about.st_size;
  slot->entry.modified_ns =
      (int64_t)about.st_mtim.tv_sec * 1000000000 + (int64_t)about.st_mtim.tv_nsec;
  close(file);
  return content;
}

static const char *state_text(udg_state state) {
  return state == UDG_STATE_STRONG ? "strong" : state == UDG_STATE_WEAK ? "weak" : NULL;
}

static int write_words(const coins *all, store_judgement *j) {
  char others[300];
  size_t bytes;
  FILE *out = open_memstream(&j->words, &bytes);
  if (!out)
    return -1;
  words_print(out, "", coins_speaker(all), ONE_LINE_COLUMNS);
  coins_others(all, others, sizeof others);
  if (others[0])
    words_paragraph(out, "As well", others, ONE_LINE_COLUMNS);
  return fclose(out) == 0 ? 0 : -1;
}

/* What draws a coin that speaks, until a louder one is met. */
typedef struct drawing {
  const screen_job *job;
  const udg_image *image;
  int index; /* of the reference */
  store_judgement *j;
} drawing;

static int draw(void *user, const udg_result *r) {
  drawing *d = user;
  store_clear_pictures(d->j);
  keepsake_draw(d->job->run->options->pictures, d->image, d->job->inspectors[d->index],
                d->job->run->references[d->index], r, d->j);
  return 0;
}

static int fill(const screen_run *run, int index, const coins *all, store_judgement *j) {
  const udg_result *r = coins_speaker(all);
  const udg_finding *f = &r->finding;
  j->made = 1;
  j->verdict = udg_verdict_text(r->verdict);
  j->judged = r->judged && isfinite(r->evidence);
  j->evidence = r->evidence;
  j->p_value = udg_results_p_value(all->results, all->count);
  j->place = f->place;
  j->digit = f->place > 0 ? f->digit : '\0';
  j->strength = f->strength;
  j->state = f->place > 0 ? state_text(f->state) : NULL;
  j->decoy_evidence = r->judged ? r->decoy_evidence : (double)NAN;
  j->doubt = r->date_to_photo[8] != 0 ? r->registration_runner_up : (double)NAN;
  j->rim = (double)NAN;
  memcpy(j->date, r->date, sizeof j->date);
  double diameter_mm = udg_reference_diameter_mm(run->references[index]);
  if (r->coin_diameter_mm > 0 && diameter_mm > 0)
    j->rim = log(r->coin_diameter_mm / diameter_mm);
  char *json = NULL;
  if (udg_results_to_json(&run->settings, all->results, all->count, "", &json, NULL) != UDG_OK)
    return -1;
  j->json = strdup(json);
  udg_text_destroy(&run->settings, json);
  return j->json ? write_words(all, j) : -1;
}

static screen_slot_state judge(screen_job *job, screen_slot *slot, const udg_image *image,
                               const int *needed) {
  const screen_run *run = job->run;
  store_photo *photo = &slot->photo;
  int count = run->options->reference_count;
  photo->width = udg_image_width(image);
  photo->height = udg_image_height(image);
  if (digest_dhash(image, photo->dhash) != 0)
    photo->dhash[0] = '\0';
  photo->judgements = calloc((size_t)count, sizeof *photo->judgements);
  photo->judgement_count = photo->judgements ? count : 0;
  if (!photo->judgements)
    fault(slot, "not enough memory");
  for (int i = 0; i < photo->judgement_count && !slot->fault[0]; i++) {
    coins all;
    udg_message why = {""};
    if (!needed[i])
      continue;
    drawing d = {job, image, i, &photo->judgements[i]};
    udg_status status = coins_inspect(job->inspectors[i], image, NULL, draw, &d, &all, &why);
    if (status == UDG_ERROR_CANCELLED)
      return SLOT_DROPPED;
    if (status != UDG_OK)
      fault(slot, why.text);
    else if (fill(run, i, &all, &photo->judgements[i]) != 0)
      fault(slot, "not enough memory");
    coins_clear(&all);
  }
  return SLOT_DONE;
}

screen_slot_state screen_photo(screen_job *job, screen_slot *slot) {
  screen_run *run = job->run;
  int needed[SCREEN_REFERENCES_MAX], any = 0;
  size_t count = 0;
  unsigned char *content = read_file(run, slot, &count);
  if (!content)
    return SLOT_DONE;
  digest_sha256(content, count, slot->photo.sha256);
  slot->photo.bytes = (int64_t)count;
  screen_slot_state state = SLOT_DONE;
  if (screen_claim(run, slot, needed)) {
    for (int i = 0; i < run->options->reference_count; i++)
      any |= needed[i];
    udg_image *image = NULL;
    udg_message why = {""};
    udg_status status =
        any ? udg_image_from_memory(&run->settings, content, count, slot->entry.path, &image, &why)
            : UDG_OK;
    if (status == UDG_ERROR_CANCELLED)
      state = SLOT_DROPPED;
    else if (status == UDG_ERROR_MEMORY)
      snprintf(slot->fault, sizeof slot->fault, "%s", why.text);
    else if (status != UDG_OK)
      snprintf(slot->photo.error, sizeof slot->photo.error, "%s", why.text);
    else if (any)
      state = judge(job, slot, image, needed);
    udg_image_destroy(image);
  }
  free(content);
  return state;
}
