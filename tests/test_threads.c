/* SPDX-License-Identifier: GPL-2.0-or-later */
/* One reference and one photo, many inspectors at the same time: each answer is to the last
 * bit what one alone gives.  Built with ThreadSanitizer where the compiler has it. */
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

enum { THREADS = 3, ROUNDS = 1, PHOTOS = 3 };

static const char *const names[PHOTOS] = {"trace", "plain", "coin"};
static udg_reference *reference;
static udg_image *photos[PHOTOS];
static udg_result alone[PHOTOS];
static pthread_mutex_t planner = PTHREAD_MUTEX_INITIALIZER;
static int planner_depth, planner_calls; /* under the lock */
static int failures;                     /* after the threads were joined */

static void fail(const char *what) {
  fprintf(stderr, "test_threads: %s\n", what);
  exit(1);
}

static void lock(void *user) {
  (void)user;
  pthread_mutex_lock(&planner);
  planner_calls++;
  if (planner_depth++ != 0)
    abort();
}

static void unlock(void *user) {
  (void)user;
  if (--planner_depth != 0)
    abort();
  pthread_mutex_unlock(&planner);
}

/* A plane of the fuzz corpus: width - 1, height - 1, two more bytes, pixels. */
static udg_image *load(const char *name) {
  static unsigned char bytes[1 << 16];
  char path[512];
  udg_image *image = NULL;
  snprintf(path, sizeof path, "%s/corpus/inspect/%s", UDG_FUZZ_FOLDER, name);
  FILE *file = fopen(path, "rb");
  const size_t count = file ? fread(bytes, 1, sizeof bytes, file) : 0;
  if (file)
    fclose(file);
  if (count < 5 || udg_image_from_grey(NULL, bytes + 4, bytes[0] + 1u, bytes[1] + 1u, bytes[0] + 1u,
                                       &image, NULL) != UDG_OK)
    fail(path);
  return image;
}

static udg_inspector *inspector_of(int own_lock) {
  udg_settings s;
  udg_inspector *made = NULL;
  udg_settings_default(&s, sizeof s);
  s.digit_height_min_px = 30;
  s.digit_height_max_px = 40;
  s.turn_max_deg = 8; /* as the fuzz target that the photos come from has it */
  if (own_lock) {
    s.planner_lock = lock;
    s.planner_unlock = unlock;
  }
  if (udg_inspector_create(&s, reference, &made, NULL) != UDG_OK)
    fail("no inspector");
  return made;
}

/* But for the times. */
static int same(const udg_result *a, const udg_result *b) {
  return a->verdict == b->verdict && a->judged == b->judged && a->evidence == b->evidence &&
         a->p_value == b->p_value && a->other_count == b->other_count &&
         memcmp(a->date_to_photo, b->date_to_photo, sizeof a->date_to_photo) == 0 &&
         memcmp(a->reasons, b->reasons, sizeof a->reasons) == 0 &&
         a->finding.digit == b->finding.digit && a->finding.strength == b->finding.strength;
}

typedef struct job {
  pthread_t thread;
  int number, own_lock, different;
} job;

/* Makes an inspector, looks at the photos in an order of its own, lets it go. */
static void *work(void *argument) {
  job *j = argument;
  udg_result result;
  for (int round = 0; round < ROUNDS; round++) {
    udg_inspector *inspector = inspector_of(j->own_lock);
    for (int k = 0; k < PHOTOS; k++) {
      const int photo = (k + j->number) % PHOTOS;
      if (udg_inspect(inspector, photos[photo], NULL, &result, NULL) != UDG_OK ||
          !same(&result, &alone[photo]))
        j->different++;
    }
    udg_inspector_destroy(inspector);
  }
  return NULL;
}

static void run(int own_lock) {
  job jobs[THREADS];
  for (int i = 0; i < THREADS; i++) {
    jobs[i] = (job){.number = i, .own_lock = own_lock};
    if (pthread_create(&jobs[i].thread, NULL, work, &jobs[i]) != 0)
      fail("no thread");
  }
  for (int i = 0; i < THREADS; i++) {
    pthread_join(jobs[i].thread, NULL);
    failures += jobs[i].different;
  }
}

int main(void) {
  char path[512];
  snprintf(path, sizeof path, "%s/data/close_up.json", UDG_FUZZ_FOLDER);
  if (udg_reference_from_file(NULL, path, &reference, NULL) != UDG_OK)
    fail(path);
  udg_inspector *inspector = inspector_of(0);
  for (int i = 0; i < PHOTOS; i++) {
    photos[i] = load(names[i]);
    if (udg_inspect(inspector, photos[i], NULL, &alone[i], NULL) != UDG_OK)
      fail(names[i]);
  }
  udg_inspector_destroy(inspector);
  if (!alone[0].judged)
    fail("the photo with a trace is not judged");
  run(0);
  run(1);
  for (int i = 0; i < PHOTOS; i++)
    udg_image_destroy(photos[i]);
  udg_reference_destroy(reference);
  printf("%d threads, %d differences, host's planner lock taken %d times\n", THREADS, failures,
         planner_calls);
  return failures != 0 || planner_calls == 0;
}
