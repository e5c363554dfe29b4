/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Small files that would unfold into much are refused or passed over, within the memory
 * set: what the hook gives is counted, and the whole process is measured. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

#include <underdigit/reference.h>

#include "bombs.h"
#include "picture_check.h"

typedef struct held {
  uint64_t now, most, calls;
} held;

static void *take(void *user, size_t bytes) {
  held *h = user;
  uint64_t *block = malloc(bytes + 16);
  if (!block)
    return NULL;
  block[0] = bytes;
  h->calls++;
  h->now += bytes;
  h->most = h->now > h->most ? h->now : h->most;
  return block + 2;
}

static void give(void *user, void *block) {
  uint64_t *first = (uint64_t *)block - 2;
  ((held *)user)->now -= first[0];
  free(first);
}

static udg_settings counted(held *h) {
  udg_settings s = bomb_settings();
  *h = (held){0, 0, 0};
  s.user = h;
  s.allocate = take;
  s.release = give;
  return s;
}

static void each_stays_within_the_memory_set(void **state) {
  (void)state;
  for (int i = 0; i < bomb_count; i++) {
    held h;
    udg_settings s = counted(&h);
    test_bytes file = bombs[i].make();
    udg_image *image = NULL;
    udg_message m = {""};
    const udg_status status =
        udg_image_from_memory(&s, file.bytes, file.count, bombs[i].name, &image, &m);
    if (status != bombs[i].status)
      fail_msg("%s: status %d: %s", bombs[i].name, (int)status, m.text);
    if (bombs[i].says)
      check_says(&m, bombs[i].says);
    assert_true(h.most <= BOMB_DECODE_BYTES);
    assert_true(h.calls < 1000); /* no directory is walked through for ever */
    udg_image_destroy(image);
    assert_true(h.now == 0);
    test_bytes_free(&file);
  }
}

/* Largest resident set of this process so far, bytes. */
static long resident(void) {
  struct rusage usage;
  getrusage(RUSAGE_SELF, &usage);
  return usage.ru_maxrss * 1024L;
}

/* libjpeg's own memory does not go through the hook: what the process grows by tells. */
static void the_process_hardly_grows(void **state) {
  (void)state;
  const long slack = 40L << 20; /* libraries, and what sanitizers hold beside each block */
  for (int i = 0; i < bomb_count; i++) {
    test_bytes file = bombs[i].make();
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
      udg_settings s = bomb_settings();
      const long before = resident();
      udg_image *image = NULL;
      udg_image_from_memory(&s, file.bytes, file.count, NULL, &image, NULL);
      udg_image_destroy(image);
      _exit(resident() - before <= BOMB_DECODE_BYTES + slack ? 0 : 1);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    if (status != 0)
      fail_msg("%s: the process grew", bombs[i].name);
    assert_true(bombs[i].unfolded == 0 ||
                bombs[i].unfolded > (uint64_t)(BOMB_DECODE_BYTES + slack));
    test_bytes_free(&file);
  }
}

/* Each is small beside what it would unfold into; the first fits into a kilobyte. */
static void they_are_small(void **state) {
  (void)state;
  for (int i = 0; i < bomb_count; i++) {
    test_bytes file = bombs[i].make();
    assert_true(bombs[i].unfolded == 0 || file.count < bombs[i].unfolded / 500);
    assert_true(i > 0 || file.count < 1024);
    test_bytes_free(&file);
  }
}

/* Ten brackets for each byte of depth that the reader's stack would take. */
static void nested_references_are_refused(void **state) {
  (void)state;
  enum { DEPTH = 1000000 };
  static char json[DEPTH + 1];
  held h;
  udg_settings s = counted(&h);
  for (int kind = 0; kind < 2; kind++) {
    memset(json, '[', DEPTH);
    if (kind == 1)
      for (int i = 0; i + 5 <= DEPTH; i += 5)
        memcpy(json + i, "{\"a\":", 5);
    udg_reference *reference = NULL;
    udg_message m = {""};
    assert_int_equal(
        udg_reference_from_memory(&s, json, DEPTH, "deep.json", NULL, 0, &reference, &m),
        UDG_ERROR_REFERENCE);
    check_says(&m, "deep.json: ");
    assert_null(reference);
    assert_true(h.now == 0);
    assert_true(h.most < 1 << 20);
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(each_stays_within_the_memory_set),
      cmocka_unit_test(the_process_hardly_grows),
      cmocka_unit_test(they_are_small),
      cmocka_unit_test(nested_references_are_refused),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
