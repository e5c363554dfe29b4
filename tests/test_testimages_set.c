/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The committed pictures: what MANIFEST says of them, and that the program still
 * draws them. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "image_internal.h"

typedef struct entry {
  const char *folder;
  char file[64], cls[32], seed[16], sum[80], reference[64], options[256];
} entry;

typedef struct set {
  int count;
  entry entries[64];
  char scratch[64]; /* where they are drawn again */
} set;

static int read_manifest(set *s, const char *folder) {
  char line[1024];
  snprintf(line, sizeof line, "%s/MANIFEST", folder);
  FILE *f = fopen(line, "r");
  if (!f)
    return 1;
  while (fgets(line, sizeof line, f) && s->count < 64) {
    entry *e = &s->entries[s->count];
    if (line[0] == '#')
      continue;
    e->folder = folder;
    if (sscanf(line, "%63[^\t]\t%31[^\t]\t%15[^\t]\t%79[^\t]\t%63[^\t]\t%255[^\n]", e->file, e->cls,
               e->seed, e->sum, e->reference, e->options) != 6)
      return 1;
    s->count++;
  }
  fclose(f);
  return 0;
}

static int set_up(void **state) {
  static set s;
  if (read_manifest(&s, TI_FOLDER "/set") || read_manifest(&s, TI_FOLDER "/coins"))
    return 1;
  strcpy(s.scratch, "/tmp/testimages-XXXXXX");
  if (!mkdtemp(s.scratch))
    return 1;
  *state = &s;
  return 0;
}

static int tear_down(void **state) {
  set *s = *state;
  char command[128];
  snprintf(command, sizeof command, "rm -r '%s'", s->scratch);
  return system(command);
}

static char *read_text(const char *folder, const char *file, const char *end) {
  char path[512];
  snprintf(path, sizeof path, "%s/%.*s%s", folder, (int)(strlen(file) - 4), file, end);
  FILE *f = fopen(path, "rb");
  if (!f)
    fail_msg("%s: not there", path);
  char *text = calloc(1, 1 << 20);
  assert_non_null(text);
  assert_true(fread(text, 1, (1 << 20) - 1, f) > 0);
  fclose(f);
  return text;
}

/* Oracle: sha256sum of the GNU core utilities. */
static void files_are_those_of_the_manifest(void **state) {
  set *s = *state;
  assert_true(s->count >= 16);
  for (int k = 0; k < s->count; k++) {
    const entry *e = &s->entries[k];
    char command[512], sum[80] = "";
    snprintf(command, sizeof command, "sha256sum '%s/%s'", e->folder, e->file);
    FILE *p = popen(command, "r");
    assert_non_null(p);
    assert_int_equal(fscanf(p, "%64s", sum), 1);
    pclose(p);
    assert_string_equal(sum, e->sum);
    char *truth = read_text(e->folder, e->file, ".json"), cls[64];
    snprintf(cls, sizeof cls, "\"cls\": \"%s\"", e->cls);
    assert_non_null(strstr(truth, cls));
    free(truth);
  }
}

static int begins_number(const char *c) {
  return (*c >= '0' && *c <= '9') || (*c == '-' && c[1] >= '0' && c[1] <= '9');
}

/* The same text but for the last digits of its numbers. */
static int same_truth(const char *a, const char *b) {
  while (*a && *b) {
    if (begins_number(a) && begins_number(b)) {
      char *next_a, *next_b;
      double x = strtod(a, &next_a), y = strtod(b, &next_b);
      if (fabs(x - y) > 1e-6 * (1 + fabs(x)))
        return 0;
      a = next_a;
      b = next_b;
    } else if (*a++ != *b++)
      return 0;
  }
  return *a == *b;
}

static udg_image *open_picture(const char *folder, const char *file) {
  char path[512];
  udg_image *image = NULL;
  udg_message message = {""};
  snprintf(path, sizeof path, "%s/%s", folder, file);
  if (udg_image_from_file(NULL, path, &image, &message) != UDG_OK)
    fail_msg("%s", message.text);
  return image;
}

/* Mathematics libraries differ in the last bit, and JPEG makes a grey level or
 * a coefficient of it here and there: one grey level in the mean is far more. */
static void check_pixels(const char *old, const char *folder, const char *file) {
  udg_image *a = open_picture(old, file), *b = open_picture(folder, file);
  assert_int_equal(a->width, b->width);
  assert_int_equal(a->height, b->height);
  double sum = 0;
  int worst = 0;
  size_t count = (size_t)a->width * a->height;
  for (size_t k = 0; k < count; k++) {
    int d = abs(a->grey[k] - b->grey[k]);
    sum += d;
    worst = d > worst ? d : worst;
  }
  assert_true(sum / (double)count < 0.2);
  assert_true(worst <= 16);
  udg_image_destroy(a);
  udg_image_destroy(b);
}

static void program_draws_them_again(void **state) {
  set *s = *state;
  for (int k = 0; k < s->count; k++) {
    const entry *e = &s->entries[k];
    char command[1024];
    snprintf(command, sizeof command,
             "'" TI_PROGRAM "' --reference '" TI_FOLDER "/references/%s' --output '%s' %s",
             e->reference, s->scratch, e->options);
    assert_int_equal(system(command), 0);
    char *old = read_text(e->folder, e->file, ".json"),
         *now = read_text(s->scratch, e->file, ".json");
    if (!same_truth(old, now))
      fail_msg("%s: another truth than before", e->file);
    free(old);
    free(now);
    check_pixels(e->folder, s->scratch, e->file);
  }
}

static int run(const set *s, const char *options, char *said, size_t size) {
  char command[1024];
  snprintf(command, sizeof command, "'" TI_PROGRAM "' %s 2>&1", options);
  FILE *p = popen(command, "r");
  assert_non_null(p);
  size_t n = fread(said, 1, size - 1, p);
  said[n] = '\0';
  (void)s;
  int status = pclose(p);
  return status >> 8;
}

static void wrong_usage_is_told(void **state) {
  set *s = *state;
  static const struct {
    const char *options, *said;
    int status;
  } cases[] = {
      {"", "--reference and --output are needed", 2},
      {"--reference x.json --output /tmp --count 0", "--count 0: must be a whole number from 1", 2},
      {"--reference x.json --output /tmp --count 3x", "--count 3x", 2},
      {"--reference x.json --output /tmp --class overdate", "no such class", 2},
      {"--reference x.json --output /tmp --digit-px 50:20", "must be LO:HI", 2},
      {"--reference x.json --output /tmp --strength 0.2:", "must be LO:HI", 2},
      {"--reference x.json --output /tmp stray", "stray: not an option", 2},
      {"--reference /nowhere/x.json --output /tmp", "/nowhere/x.json", 1},
      {"--reference " TI_FOLDER "/references/karrow.json --output /tmp --date 1900", "no date 1900",
       2},
      {"--reference " TI_FOLDER "/references/karrow.json --output /dev/null/x", "/dev/null/x", 1},
      {"--reference x.json --output /tmp --coins 3", "needs --whole", 2},
      {"--reference x.json --output /tmp --whole --coins 25", "from 1 to 24", 2},
      {"--help", "Usage: underdigit-testimages", 0},
      {"--version", "underdigit-testimages ", 0},
  };
  for (size_t k = 0; k < sizeof cases / sizeof cases[0]; k++) {
    char said[8192];
    int status = run(s, cases[k].options, said, sizeof said);
    if (status != cases[k].status || !strstr(said, cases[k].said))
      fail_msg("%s: status %d, said: %s", cases[k].options, status, said);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(files_are_those_of_the_manifest),
      cmocka_unit_test(program_draws_them_again),
      cmocka_unit_test(wrong_usage_is_told),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
