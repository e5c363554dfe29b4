/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "make.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#include "truth.h"

/* A trace of which less than an eighth shows is as good as none. */
#define LEAST_VISIBLE_SHARE 0.125

enum { ATTEMPTS = 40 };

static void draw_scenes(const udg_reference *reference, const ti_options *options, uint64_t seed,
                        int index, int view, const int *attempts, ti_scene *scenes) {
  if (options->coins > 1)
    ti_scene_draw_tray(reference, options, seed, index, view, options->coins, attempts, scenes);
  else
    ti_scene_draw(reference, options, seed, index, view, attempts[0], scenes);
}

udg_status ti_make_scenes(const ti_shapes *shapes, const udg_reference *reference,
                          const ti_options *options, uint64_t seed, int index, int view,
                          ti_scene *scenes) {
  int attempts[TI_COINS_MAX] = {0}, hidden = 1;
  for (int round = 0; round < ATTEMPTS && hidden; round++) {
    draw_scenes(reference, options, seed, index, view, attempts, scenes);
    hidden = 0;
    for (int k = 0; k < options->coins; k++) {
      if (!scenes[k].coin.has_under)
        continue;
      udg_status status = ti_relief_visible(shapes, &scenes[k]);
      if (status != UDG_OK)
        return status;
      if (scenes[k].visible_share < LEAST_VISIBLE_SHARE) {
        attempts[k]++;
        hidden = 1;
      }
    }
  }
  return UDG_OK;
}

udg_status ti_make_scene(const ti_shapes *shapes, const udg_reference *reference,
                         const ti_options *options, uint64_t seed, int index, int view,
                         ti_scene *scene) {
  ti_options one = *options;
  one.coins = 1;
  return ti_make_scenes(shapes, reference, &one, seed, index, view, scene);
}

static void base_name(const char *path, char *out, size_t size) {
  const char *slash = strrchr(path, '/');
  snprintf(out, size, "%s", slash ? slash + 1 : path);
  char *dot = strrchr(out, '.');
  if (dot)
    *dot = '\0';
}

static udg_status make_folder(const char *path, udg_message *message) {
  struct stat info;
  if (mkdir(path, 0777) == 0 ||
      (errno == EEXIST && stat(path, &info) == 0 && S_ISDIR(info.st_mode)))
    return UDG_OK;
  return udg_fail(message, UDG_ERROR_IO, "%s: not a folder and could not be made one", path);
}

static udg_status make_picture(const ti_job *job, const ti_shapes *shapes,
                               const udg_reference *reference, const char *stem, long index,
                               long view, udg_message *message) {
  ti_scene scenes[TI_COINS_MAX];
  int count = job->options.coins;
  ti_pixels pixels = {0};
  char path[4096];
  udg_status status = ti_make_scenes(shapes, reference, &job->options, (uint64_t)job->seed,
                                     (int)index, (int)view, scenes);
  if (status == UDG_OK)
    status = ti_picture_draw(shapes, &job->options, scenes, count, &pixels);
  if (status == UDG_OK) {
    char letter[3] = "";
    if (job->views)
      snprintf(letter, sizeof letter, "-%c", (char)('a' + view));
    const char *end = job->options.ideal ? "png" : "jpg";
    snprintf(path, sizeof path, "%s/%s-%04ld%s.%s", job->folder, stem, index, letter, end);
    status = job->options.ideal ? ti_save_png(path, &pixels, message)
                                : ti_save_jpeg(path, &pixels, scenes[0].post.quality, message);
    snprintf(path, sizeof path, "%s/%s-%04ld%s.json", job->folder, stem, index, letter);
    if (status == UDG_OK)
      status = ti_truth_save(path, scenes, count, message);
  }
  udg_memory_drop(&shapes->settings, pixels.bytes);
  return status;
}

static udg_status find_date(const udg_reference *reference, const char *date, int *index,
                            udg_message *message) {
  for (size_t k = 0; k < reference->date_count; k++)
    if (!strcmp(reference->dates[k].text, date)) {
      *index = (int)k;
      return UDG_OK;
    }
  return udg_fail(message, UDG_ERROR_DATE, "%s: the reference has no date %s", reference->name,
                  date);
}

udg_status ti_make(const ti_job *job, udg_message *message) {
  udg_settings settings;
  udg_settings_resolve(&settings, NULL);
  udg_reference *reference = NULL;
  ti_shapes shapes = {0};
  ti_job run = *job;
  char stem[256];
  base_name(job->name ? job->name : job->reference_path, stem, sizeof stem);
  udg_status status = udg_reference_from_file(&settings, job->reference_path, &reference, message);
  if (status == UDG_OK && !reference->date_count)
    status = udg_fail(message, UDG_ERROR_REFERENCE, "%s: no dates to draw", job->reference_path);
  if (status == UDG_OK && job->date)
    status = find_date(reference, job->date, &run.options.date_fixed, message);
  if (status == UDG_OK)
    status = make_folder(job->folder, message);
  if (status == UDG_OK)
    status = ti_shapes_create(&settings, reference, &shapes);
  long views = job->views ? job->views : 1;
  for (long index = job->start; index < job->start + job->count && status == UDG_OK; index++)
    for (long view = 0; view < views && status == UDG_OK; view++)
      status = make_picture(&run, &shapes, reference, stem, index, view, message);
  ti_shapes_destroy(&shapes);
  udg_reference_destroy(reference);
  return status;
}
