/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From the command line's inputs to the queue: folders, photos, tables. */
#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

#include "command.h"
#include "screen.h"
#include "utf8.h"

enum { FOLDERS_DEEP_MAX = 64 };

typedef struct queueing {
  store *s;
  int64_t run_id;
  screen_faults *faults;
  int failed; /* the store */
} queueing;

static int is_photo_name(const char *name) {
  static const char *const endings[] = {".jpg", ".jpeg", ".jpe", ".png"};
  const char *dot = strrchr(name, '.');
  for (size_t i = 0; dot && i < sizeof endings / sizeof endings[0]; i++)
    if (strcasecmp(dot, endings[i]) == 0)
      return 1;
  return 0;
}

static int take_listing(void *user, const listing *l) {
  queueing *q = user;
  int64_t first_row = 0;
  store_added added = store_add_listing(q->s, q->run_id, l, &first_row);
  if (added == STORE_FAULT) {
    q->failed = 1;
    return 1;
  }
  q->faults->listings += added == STORE_ADDED;
  if (added == STORE_DUPLICATE && l->source) {
    q->faults->rows++;
    command_complain("%s: row %lld: id '%.100s' was met before (row %lld): left out", l->source,
                     (long long)l->row, l->id, (long long)first_row);
  }
  return screen_stop;
}

static void take_fault(void *user, const char *text, int dropped) {
  queueing *q = user;
  (void)dropped;
  q->faults->rows++;
  command_complain("%s", text);
}

static int queue_table(queueing *q, const char *path) {
  listing_reader reader = {take_listing, take_fault, q};
  udg_message why = {""};
  if (listing_read(path, &reader, &why) < 0) {
    command_complain("%s", why.text);
    q->faults->inputs++;
  }
  return q->failed || screen_stop ? -1 : 0;
}

/* A photo without a table is a listing of its own, named by its path. */
static int queue_photo(queueing *q, const char *path) {
  int queued = store_is_queued(q->s, path);
  if (queued < 0)
    q->failed = 1;
  if (queued != 0)
    return queued < 0 ? -1 : 0;
  char *id = utf8_shown(path);
  if (!id)
    return -1;
  listing l = {.id = id, .price = (double)NAN, .photo_count = 1, .photos = {path}};
  int stopped = take_listing(q, &l);
  free(id);
  return stopped ? -1 : 0;
}

static int compare_names(const void *a, const void *b) {
  return strcmp(*(char *const *)a, *(char *const *)b);
}

/* Names in byte order, so that every run meets them alike; NULL and errno. */
static char **read_folder(const char *path, size_t *count) {
  DIR *folder = opendir(path);
  char **names = NULL;
  size_t room = 0;
  *count = 0;
  if (!folder)
    return NULL;
  struct dirent *d;
  while ((d = readdir(folder))) {
    if (d->d_name[0] == '.')
      continue;
    if (*count == room) {
      room = room ? 2 * room : 64;
      char **larger = realloc(names, room * sizeof *names);
      if (!larger)
        break;
      names = larger;
    }
    if (!(names[*count] = strdup(d->d_name)))
      break;
    (*count)++;
  }
  closedir(folder);
  if (*count)
    qsort(names, *count, sizeof *names, compare_names);
  return names ? names : calloc(1, sizeof *names);
}

static int queue_folder(queueing *q, const char *path, int depth);

static int queue_name(queueing *q, const char *folder, const char *name, int depth) {
  struct stat about;
  size_t bytes = strlen(folder) + strlen(name) + 2;
  char *path = malloc(bytes);
  if (!path)
    return -1;
  int slash = folder[0] && folder[strlen(folder) - 1] == '/';
  snprintf(path, bytes, "%s%s%s", folder, slash ? "" : "/", name);
  int status = 0;
  /* Links to folders are not followed: they may lead round in a ring. */
  if (lstat(path, &about) == 0 && S_ISDIR(about.st_mode))
    status = queue_folder(q, path, depth + 1);
  else if (is_photo_name(name))
    status = queue_photo(q, path);
  free(path);
  return status;
}

static int queue_folder(queueing *q, const char *path, int depth) {
  size_t count;
  char **names = depth < FOLDERS_DEEP_MAX ? read_folder(path, &count) : NULL;
  if (!names) {
    command_complain("%s: %s", path,
                     depth < FOLDERS_DEEP_MAX ? strerror(errno) : "folders nest too deep");
    q->faults->inputs++;
    return 0;
  }
  int status = 0;
  for (size_t i = 0; i < count; i++) {
    if (status == 0)
      status = queue_name(q, path, names[i], depth);
    free(names[i]);
  }
  free(names);
  return status;
}

static int queue_input(queueing *q, const char *input, int tables) {
  struct stat about;
  int there = stat(input, &about) == 0;
  int table = !(there && S_ISDIR(about.st_mode)) && listing_is_table(input);
  if (table != tables)
    return 0;
  if (table)
    return queue_table(q, input);
  return there && S_ISDIR(about.st_mode) ? queue_folder(q, input, 0) : queue_photo(q, input);
}

int screen_queue(const screen_options *options, store *s, int64_t *run_id, screen_faults *faults) {
  queueing q = {.s = s, .faults = faults};
  *faults = (screen_faults){0};
  if (store_begin(s) != 0 || store_clear_queue(s, options->again, &q.run_id) != 0)
    return -1;
  *run_id = q.run_id;
  int status = 0;
  /* Tables first: a photo that a listing has is not listed once more for lying
   * in a folder. */
  for (int tables = 1; tables >= 0; tables--)
    for (int i = 0; i < options->input_count && status == 0; i++)
      status = queue_input(&q, options->inputs[i], tables);
  return status == 0 && store_commit(s) == 0 ? 0 : -1;
}
