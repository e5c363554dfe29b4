/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "output.h"
#include "support.h"

static void expect_content(const char *path, const char *content) {
  test_bytes bytes = test_read_file(path);
  assert_int_equal(bytes.count, strlen(content));
  assert_memory_equal(bytes.bytes, content, bytes.count);
  test_bytes_free(&bytes);
}

static void comes_out_whole(void **state) {
  (void)state;
  output o;
  udg_message why = {""};
  const char *path = test_path("whole");
  test_write_file(path, "old", 3);
  assert_int_equal(output_begin(&o, path, &why), 0);
  assert_int_equal(output_write(&o, "new!", 4), 0);
  expect_content(path, "old"); /* until the end */
  assert_int_equal(output_end(&o, 1, &why), 0);
  expect_content(path, "new!");
  assert_int_equal(access(test_path("whole.part"), F_OK), -1);
}

static void or_not_at_all(void **state) {
  (void)state;
  output o;
  udg_message why = {"untouched"};
  const char *path = test_path("kept");
  test_write_file(path, "old", 3);
  assert_int_equal(output_begin(&o, path, &why), 0);
  assert_int_equal(output_write(&o, "half", 4), 0);
  assert_int_equal(output_end(&o, 0, &why), -1);
  expect_content(path, "old");
  assert_int_equal(access(test_path("kept.part"), F_OK), -1);
  assert_string_equal(why.text, "untouched");
}

/* By way of a link, so that a fault here cannot replace the device itself. */
static void a_full_disk_is_told(void **state) {
  (void)state;
  if (access("/dev/full", W_OK) != 0)
    skip();
  static const char block[1 << 16];
  const char *full = test_path("full");
  assert_int_equal(symlink("/dev/full", full), 0);
  for (int late = 0; late < 2; late++) { /* at the write, and at the close */
    output o;
    udg_message why = {""};
    assert_int_equal(output_begin(&o, full, &why), 0);
    output_write(&o, block, late ? 1 : sizeof block);
    assert_int_equal(output_end(&o, 1, &why), -1);
    assert_non_null(strstr(why.text, "/full: No space left on device"));
  }
}

static void a_link_stays_a_link(void **state) {
  (void)state;
  output o;
  udg_message why = {""};
  const char *target = test_path("target"), *link = test_path("link");
  test_write_file(target, "old", 3);
  assert_int_equal(symlink(target, link), 0);
  assert_int_equal(output_begin(&o, link, &why), 0);
  assert_int_equal(output_write(&o, "new", 3), 0);
  assert_int_equal(output_end(&o, 1, &why), 0);
  expect_content(target, "new");
  char name[4096];
  assert_true(readlink(link, name, sizeof name) > 0);
}

static void no_such_folder_is_told(void **state) {
  (void)state;
  output o;
  udg_message why = {""};
  assert_int_equal(output_begin(&o, "no-such-folder/x.png", &why), -1);
  assert_string_equal(why.text, "no-such-folder/x.png: No such file or directory");
  assert_int_equal(output_begin(&o, test_directory(), &why), -1);
  assert_non_null(strstr(why.text, "Is a directory"));
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(comes_out_whole), cmocka_unit_test(or_not_at_all),
      cmocka_unit_test(a_full_disk_is_told), cmocka_unit_test(a_link_stays_a_link),
      cmocka_unit_test(no_such_folder_is_told)};
  int failed = cmocka_run_group_tests(tests, NULL, NULL);
  test_directory_remove();
  return failed;
}
