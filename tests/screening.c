/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "screening.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <cmocka.h>

#include "store_sql.h"
#include "support.h"

static char reference[4096], second_reference[4096];

static char *read_text(const char *path) {
  test_bytes b = test_read_file(path);
  char *text = malloc(b.count + 1);
  if (!text)
    abort();
  memcpy(text, b.bytes, b.count);
  text[b.count] = '\0';
  test_bytes_free(&b);
  return text;
}

outcome run(const char *format, ...) {
  static const char await[] =
      "await() { k=0; while [ \"$(cat log 2>/dev/null | wc -c)\" -lt \"$1\" ] && [ $k -lt 6000 ] "
      "&& kill -0 $! 2>/dev/null; do sleep 0.01; k=$((k+1)); done; }";
  char line[4096], all[20000];
  va_list list;
  va_start(list, format);
  vsnprintf(line, sizeof line, format, list);
  va_end(list);
  snprintf(all, sizeof all,
           "cd '%s' && export U='%s' R='%s' R2='%s' && %s && { %s\n} </dev/null >out 2>err",
           test_directory(), UDG_COMMAND, reference, second_reference, await, line);
  int status = system(all);
  outcome o = {.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1};
  o.out = read_text(test_path("out"));
  o.err = read_text(test_path("err"));
  return o;
}

void drop(outcome *o) {
  free(o->out);
  free(o->err);
}

void expect_has(const char *text, const char *part) {
  if (!text || !strstr(text, part))
    fail_msg("'%s' is missing in: %s", part, text ? text : "nothing");
}

void expect_run(int status, const char *out, const char *err, const char *line) {
  outcome o = run("%s", line);
  if (o.status != status)
    fail_msg("'%s': status %d, not %d; out: %s; err: %s", line, o.status, status, o.out, o.err);
  expect_has(o.out, out);
  expect_has(o.err, err);
  drop(&o);
}

int64_t ask(const char *store, const char *question) {
  sql_db *db = NULL;
  udg_message why = {""};
  if (sql_open(test_path(store), SQL_READ, &db, &why) != 0)
    fail_msg("%s", why.text);
  int64_t answer = sql_number(db, question, -999);
  sql_close(db);
  return answer;
}

void expect_sound(const char *store) {
  assert_int_equal(ask(store, "SELECT integrity_check='ok' FROM pragma_integrity_check"), 1);
  assert_int_equal(ask(store, "SELECT count(*) FROM pragma_foreign_key_check"), 0);
}

void write_photo(const char *name, uint8_t level, int salt) {
  static uint8_t pixels[80 * 40];
  uint64_t seed = (uint64_t)salt + 1;
  int patches[8 * 10]; /* so that no two photos look alike */
  for (int i = 0; i < 8 * 10; i++)
    patches[i] = (int)(test_random(&seed) % 31) - 15;
  for (int i = 0; i < 80 * 40; i++)
    pixels[i] = (uint8_t)(level + patches[i / 80 / 5 * 10 + i % 80 / 8]);
  test_jpeg j = {.pixels = pixels, .width = 80, .height = 40, .colours = TEST_GREY, .quality = 90};
  test_bytes b = test_make_jpeg(&j);
  test_write_file(test_path(name), b.bytes, b.count);
  test_bytes_free(&b);
}

static void make_folder(const char *folder) {
  mkdir(test_path(folder), 0700);
  for (int i = 0; i < PHOTOS; i++) {
    char name[64];
    snprintf(name, sizeof name, "%s/p%03d.jpg", folder, i);
    write_photo(name, i % 10 == 3 ? (uint8_t)(190 + i) : (uint8_t)(60 + i), i);
  }
}

int screening_set_up(void **state) {
  (void)state;
  snprintf(reference, sizeof reference, "%s/karrow.json", UDG_REFERENCES);
  snprintf(second_reference, sizeof second_reference, "%s/ostermere.json", UDG_REFERENCES);
  make_folder("many");
  return 0;
}

int screening_tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

long inspections(void) {
  struct stat about;
  return stat(test_path("log"), &about) == 0 ? (long)about.st_size : 0;
}
