/* SPDX-License-Identifier: GPL-2.0-or-later */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "naming.h"

static void expect(const char *out, char **photos, int count, int index, const char *path) {
  char *got = naming_picture_path(out, photos, count, index);
  assert_non_null(got);
  assert_string_equal(got, path);
  free(got);
}

static void one_photo_keeps_the_name(void **state) {
  (void)state;
  char *photos[] = {"a/b.jpg"};
  expect("out.png", photos, 1, 0, "out.png");
  expect("out", photos, 1, 0, "out");
}

static void several_photos_bring_their_names(void **state) {
  (void)state;
  char *photos[] = {"in.d/one.jpg", "two.tar.png", ".hidden", "-"};
  expect("p.d/out.png", photos, 4, 0, "p.d/out-one.png");
  expect("out.png", photos, 4, 1, "out-two.tar.png");
  expect("out.png", photos, 4, 2, "out-.hidden.png");
  expect("out.png", photos, 4, 3, "out-stdin.png");
  expect("p.d/out", photos, 4, 0, "p.d/out-one.png");
}

static void equal_names_get_their_position(void **state) {
  (void)state;
  char *photos[] = {"a/coin.jpg", "b/coin.png", "c/other.png"};
  expect("out.png", photos, 3, 0, "out-1-coin.png");
  expect("out.png", photos, 3, 1, "out-2-coin.png");
  expect("out.png", photos, 3, 2, "out-3-other.png");
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(one_photo_keeps_the_name),
                                     cmocka_unit_test(several_photos_bring_their_names),
                                     cmocka_unit_test(equal_names_get_their_position)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
