/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Milliseconds by stage: median and spread over repeated inspections, and the
 * ratio to decoding the same files to grey; most memory held by the inspector.
 *   speed [--rounds N] REFERENCE PHOTO...
 * Rows in brackets are parts of the row before them.  "cpu" rows are processor
 * time, which other programs on the machine do not lengthen. */
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <underdigit/underdigit.h>

#include "base.h"
#include "pipeline.h"

enum { ROWS_MAX = UDG_STAGES_MAX + 6 }; /* the stages, and those named in run_photo() */

/* Bytes handed out and not given back, and the most of them at any time. */
static size_t held, most;

/* A block and its size before it, aligned like malloc()'s. */
typedef union block {
  size_t bytes;
  max_align_t align;
} block;

static void *counted_get(void *user, size_t bytes) {
  (void)user;
  block *made = bytes < SIZE_MAX - sizeof *made ? malloc(bytes + sizeof *made) : NULL;
  if (!made)
    return NULL;
  made->bytes = bytes;
  held += bytes;
  most = held > most ? held : most;
  return made + 1;
}

static void counted_drop(void *user, void *given) {
  (void)user;
  block *made = (block *)given - 1;
  held -= made->bytes;
  free(made);
}

static double cpu_ms(void) {
  return 1e3 * (double)clock() / CLOCKS_PER_SEC;
}

typedef struct series {
  const char *name;
  int count;
  double *ms;
} series;

static int compare(const void *a, const void *b) {
  double u = *(const double *)a, v = *(const double *)b;
  return (u > v) - (u < v);
}

static double quantile(const series *s, double share) {
  return s->ms[(int)(share * (s->count - 1) + 0.5)];
}

static void note(series *rows, int *row_count, const char *name, double ms, int room) {
  int at = 0;
  while (at < *row_count && strcmp(rows[at].name, name) != 0)
    at++;
  if (at == *row_count) {
    if (at == ROWS_MAX)
      return;
    rows[at] = (series){name, 0, calloc((size_t)room, sizeof(double))};
    if (!rows[at].ms)
      exit(1);
    ++*row_count;
  }
  if (rows[at].count < room)
    rows[at].ms[rows[at].count++] = ms;
}

static int run_photo(udg_inspector *inspector, const char *path, series *rows, int *row_count,
                     int room) {
  udg_message message = {{0}};
  udg_image *image = NULL;
  static udg_result result;
  double started = udg_clock_ms(), cpu_started = cpu_ms();
  if (udg_image_from_file(NULL, path, &image, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 0;
  }
  note(rows, row_count, "decode", udg_clock_ms() - started, room);
  note(rows, row_count, "decode cpu", cpu_ms() - cpu_started, room);
  cpu_started = cpu_ms();
  udg_status status = udg_inspect(inspector, image, NULL, &result, &message);
  udg_image_destroy(image);
  if (status != UDG_OK) {
    fprintf(stderr, "%s: %s\n", path, message.text);
    return 0;
  }
  double cpu = cpu_ms() - cpu_started;
  for (int i = 0; i < result.stage_count; i++) {
    note(rows, row_count, result.stage_name[i], result.stage_ms[i], room);
    if (strcmp(result.stage_name[i], "register") == 0) {
      note(rows, row_count, "(search)", inspector->found.coarse_ms, room);
      note(rows, row_count, "(verify)", inspector->found.verify_ms, room);
    }
  }
  note(rows, row_count, "inspect", result.total_ms, room);
  note(rows, row_count, "inspect cpu", cpu, room);
  return 1;
}

static void print_rows(series *rows, int row_count) {
  printf("%-12s %8s %10s %10s %10s %12s\n", "stage", "runs", "median ms", "10 %", "90 %",
         "of decoding");
  for (int i = 0; i < row_count; i++)
    qsort(rows[i].ms, (size_t)rows[i].count, sizeof(double), compare);
  for (int i = 0; i < row_count; i++)
    printf("%-12s %8d %10.3f %10.3f %10.3f %12.1f\n", rows[i].name, rows[i].count,
           quantile(&rows[i], 0.5), quantile(&rows[i], 0.1), quantile(&rows[i], 0.9),
           quantile(&rows[i], 0.5) / quantile(&rows[0], 0.5));
}

int main(int argc, char **argv) {
  int first = 1, rounds = 5, row_count = 0;
  if (argc > 2 && strcmp(argv[1], "--rounds") == 0) {
    rounds = atoi(argv[2]);
    first = 3;
  }
  if (argc < first + 2 || rounds < 1) {
    fprintf(stderr, "usage: speed [--rounds N] REFERENCE PHOTO...\n");
    return 2;
  }
  udg_message message = {{0}};
  udg_reference *reference = NULL;
  udg_inspector *inspector = NULL;
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  settings.allocate = counted_get;
  settings.release = counted_drop;
  double started = udg_clock_ms();
  if (udg_reference_from_file(NULL, argv[first], &reference, &message) != UDG_OK ||
      udg_inspector_create(&settings, reference, &inspector, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 2;
  }
  series rows[ROWS_MAX];
  int photos = argc - first - 1, bad = 0;
  /* The first round makes plans and templates: told apart. */
  for (int i = 0; i < photos; i++)
    bad += !run_photo(inspector, argv[first + 1 + i], rows, &row_count, photos);
  printf("set-up and first round: %.0f ms\n", udg_clock_ms() - started);
  for (int i = 0; i < row_count; i++)
    free(rows[i].ms);
  row_count = 0;
  for (int round = 0; round < rounds && bad == 0; round++)
    for (int i = 0; i < photos; i++)
      run_photo(inspector, argv[first + 1 + i], rows, &row_count, rounds * photos);
  print_rows(rows, row_count);
  printf("most memory held by the inspector: %.1f MB\n", (double)most / 1e6);
  for (int i = 0; i < row_count; i++)
    free(rows[i].ms);
  udg_inspector_destroy(inspector);
  udg_reference_destroy(reference);
  return bad ? 1 : 0;
}
