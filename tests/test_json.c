/* SPDX-License-Identifier: GPL-2.0-or-later */
/* JSON texts read, copied and set out for people; jansson, asked on its own, says whether they
 * still mean the same. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <jansson.h>

#include <cmocka.h>

#include "hooks.h"
#include "json_write.h"

static udg_settings settings;
static test_hooks hooks;

static int set_up(void **state) {
  (void)state;
  settings = hooked_settings(&hooks);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  return hooks.held != 0;
}

static const char sample[] =
    "{\"null\": null, \"yes\": true, \"no\": false, \"n\": -12.5e-3, \"whole\": 7, \"empty\": {},"
    " \"none\": [], \"text\": \"a \\\"quoted\\\" \\\\ back, \\u00e9 \\n line {[\", \"list\": [1, "
    "[2, "
    "{\"k\": []}], \"x\"], \"long\": [\"0123456789012345678901234567890123456789\", "
    "\"0123456789012345678901234567890123456789\", \"0123456789012345678901234567890123456789\", "
    "{\"deep\": {\"deeper\": [true, false, null, \"0123456789012345678901234567890123456789\", "
    "\"0123456789012345678901234567890123456789\"]}}], \"\": 0}";

static char *copied(const char *text) {
  udg_json *root = NULL;
  udg_message message = {""};
  if (udg_json_parse(text, strlen(text), "sample", &root, &message) != UDG_OK)
    fail_msg("%s", message.text);
  udg_json_writer writer = {.settings = &settings};
  udg_json_write_copy(&writer, NULL, root);
  udg_json_drop(root);
  return udg_json_write_end(&writer);
}

static void same_meaning(const char *a, const char *b) {
  json_error_t error;
  json_t *left = json_loads(a, JSON_DECODE_ANY, &error);
  json_t *right = json_loads(b, JSON_DECODE_ANY, &error);
  assert_non_null(left);
  if (!right)
    fail_msg("line %d: %s in %s", error.line, error.text, b);
  /* Whole numbers are written as such, so that even kinds of number stay. */
  if (!json_equal(left, right))
    fail_msg("%s\nis not\n%s", b, a);
  json_decref(left);
  json_decref(right);
}

static void copies_mean_the_same(void **state) {
  (void)state;
  char *text = copied(sample);
  assert_non_null(text);
  assert_null(strchr(text, '\n'));
  same_meaning(sample, text);
  udg_memory_drop(&settings, text);
}

/* Set out: the same meaning, more lines, none longer than a number of columns and what cannot
 * be broken. */
static void indented_means_the_same(void **state) {
  (void)state;
  char *line = copied(sample), *text = udg_json_indented(&settings, line);
  assert_non_null(text);
  same_meaning(sample, text);
  size_t lines = 0, longest = 0, length = 0;
  for (const char *c = text; *c; c++) {
    length = *c == '\n' ? 0 : length + 1;
    longest = length > longest ? length : longest;
    lines += *c == '\n';
  }
  assert_true(lines > 12);
  assert_true(longest < 130);
  assert_int_equal(text[strlen(text) - 1], '\n');
  assert_non_null(strstr(text, "\n  \"yes\": true,\n"));
  assert_non_null(strstr(text, "\n  \"list\": [1, [2, {\"k\": []}], \"x\"],\n"));
  udg_memory_drop(&settings, line);
  udg_memory_drop(&settings, text);
}

/* What is written by others and cut off in a string or a list ends where it ends. */
static void cut_texts_do_no_harm(void **state) {
  (void)state;
  char *line = copied(sample);
  for (size_t count = strlen(line); count > 0; count--) {
    line[count] = '\0';
    char *text = udg_json_indented(&settings, line);
    assert_non_null(text);
    udg_memory_drop(&settings, text);
  }
  udg_memory_drop(&settings, line);
}

static void memory_may_run_out(void **state) {
  (void)state;
  char long_list[8192] = "[0";
  size_t used = 2;
  while (used < sizeof long_list - 16)
    used += (size_t)sprintf(long_list + used, ", %zu", used);
  strcpy(long_list + used, "]");
  char *line = copied(sample);
  hooks.fail_at = hooks.requests + 1;
  assert_null(udg_json_indented(&settings, line));
  udg_memory_drop(&settings, line);
  long before = hooks.requests;
  udg_memory_drop(&settings, copied(long_list));
  const long requests = hooks.requests - before;
  assert_true(requests > 1);
  for (long n = 1; n <= requests; n++) {
    hooks.fail_at = hooks.requests + n;
    assert_null(copied(long_list));
  }
  hooks.fail_at = 0;
}

/* Questions about what is not there have answers. */
static void absent_values_are_nothing(void **state) {
  (void)state;
  udg_json *root = NULL;
  assert_int_equal(udg_json_parse("[1, \"x\", true]", 14, "sample", &root, NULL), UDG_OK);
  const udg_json *number = udg_json_item(root, 0), *text = udg_json_item(root, 1);
  assert_int_equal(udg_json_count(NULL), 0);
  assert_int_equal(udg_json_count(number), 0);
  assert_null(udg_json_item(root, 3));
  assert_null(udg_json_item(NULL, 0));
  assert_null(udg_json_member(root, "x"));
  assert_null(udg_json_member(NULL, "x"));
  assert_null(udg_json_string(number));
  assert_null(udg_json_string(NULL));
  assert_true(udg_json_number(text) == 0.0 && udg_json_number(NULL) == 0.0);
  assert_true(udg_json_is_true(udg_json_item(root, 2)));
  assert_false(udg_json_is_true(number));
  assert_false(udg_json_is_true(NULL));
  assert_int_equal(udg_json_kind_of(NULL), UDG_JSON_NULL);
  assert_int_equal(udg_json_each(NULL, NULL, NULL), 0);
  for (int kind = UDG_JSON_NULL; kind <= UDG_JSON_OBJECT; kind++)
    assert_true(udg_json_kind_text((udg_json_kind)kind)[0] != '\0');
  udg_json_drop(root);
  udg_json_drop(NULL);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test_setup_teardown(copies_mean_the_same, set_up, tear_down),
      cmocka_unit_test_setup_teardown(indented_means_the_same, set_up, tear_down),
      cmocka_unit_test_setup_teardown(cut_texts_do_no_harm, set_up, tear_down),
      cmocka_unit_test_setup_teardown(memory_may_run_out, set_up, tear_down),
      cmocka_unit_test_setup_teardown(absent_values_are_nothing, set_up, tear_down),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
