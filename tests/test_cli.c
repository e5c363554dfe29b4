/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The command as its users meet it: run by a shell, judged by exit status,
 * output and complaints.  jansson reads the JSON independently of the writer. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>
#include <jansson.h>

#include <underdigit/version.h>

#include "support.h"

/* A synthetic close-up with an earlier digit that is plain to see. */
static const char photo[] = UDG_TESTIMAGES "/set/turned-0008.jpg";
static const char truth_path[] = UDG_TESTIMAGES "/set/turned-0008.json";
/* For the shell. */
static const char reference[] = "'" UDG_TESTIMAGES "/references/ostermere.json' --date 1906";

typedef struct outcome {
  int status;
  test_bytes out, err; /* terminated */
} outcome;

static test_bytes read_text(const char *path) {
  test_bytes b = test_read_file(path);
  uint8_t *text = realloc(b.bytes, b.count + 1);
  assert_non_null(text);
  text[b.count] = '\0';
  return (test_bytes){text, b.count};
}

static outcome run(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* Runs "underdigit ARGUMENTS"; the scratch folder keeps what it said. */
static outcome run(const char *format, ...) {
  char arguments[16384], line[20000];
  va_list list;
  va_start(list, format);
  vsnprintf(arguments, sizeof arguments, format, list);
  va_end(list);
  snprintf(line, sizeof line, "'%s' </dev/null >'%s/out' 2>'%s/err' %s", UDG_COMMAND,
           test_directory(), test_directory(), arguments);
  int status = system(line);
  outcome o = {.status = WIFEXITED(status) ? WEXITSTATUS(status) : -1};
  o.out = read_text(test_path("out"));
  o.err = read_text(test_path("err"));
  return o;
}

static void drop(outcome *o) {
  test_bytes_free(&o->out);
  test_bytes_free(&o->err);
}

static const char *out_of(const outcome *o) {
  return (const char *)o->out.bytes;
}
static const char *err_of(const outcome *o) {
  return (const char *)o->err.bytes;
}

static void expect_has(const char *text, const char *part) {
  if (!strstr(text, part))
    fail_msg("'%s' is missing in: %s", part, text);
}

/* Status, and parts that stdout and stderr must hold ("" for: must be empty). */
static void expect_run(int status, const char *out, const char *err, const char *arguments) {
  outcome o = run("%s", arguments);
  if (o.status != status)
    fail_msg("'%s': status %d, not %d; stderr: %s", arguments, o.status, status, err_of(&o));
  if (out[0])
    expect_has(out_of(&o), out);
  else
    assert_string_equal(out_of(&o), "");
  if (err[0])
    expect_has(err_of(&o), err);
  else
    assert_string_equal(err_of(&o), "");
  drop(&o);
}

static int tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

static void wrong_usage_is_answered_with_usage(void **state) {
  (void)state;
  expect_run(2, "", "usage: underdigit", "");
  expect_run(2, "", "unknown command 'peek'", "peek");
  expect_run(2, "", "unknown option '--peek'", "--peek");
  expect_run(2, "", "usage: underdigit inspect", "inspect --peek");
  expect_run(2, "", "unrecognized option '--peek'", "inspect --peek");
  expect_run(2, "", "no photo given", "inspect");
  expect_run(2, "", "no --reference given", "inspect x.png");
  expect_run(2, "", "requires an argument", "inspect x.png --reference");
  expect_run(2, "", "--picture needs", "inspect x.png --reference r --picture ''");
  expect_run(2, "", "300 to 4000", "inspect x.png --reference r --picture-width 299");
  expect_run(2, "", "300 to 4000", "inspect x.png --reference r --picture-width 12px");
  expect_run(2, "", "no command 'peek'", "help peek");
}

static void help_and_version_go_to_stdout(void **state) {
  (void)state;
  expect_run(0, "inspect", "", "--help");
  expect_run(0, "inspect", "", "help");
  expect_run(0, "--reference FILE", "", "help inspect");
  expect_run(0, "--reference FILE", "", "inspect --help");
  expect_run(0, "underdigit " UDG_VERSION "\n", "", "--version");
}

static void write_text(const char *name, const char *text) {
  test_write_file(test_path(name), text, strlen(text));
}

/* Runs inspect with a made reference; the complaint must have all of the parts. */
static void expect_reference_fault(const char *name, const char *a, const char *b) {
  outcome o = run("inspect '%s' --reference '%s'", photo, test_path(name));
  assert_int_equal(o.status, 2);
  assert_string_equal(out_of(&o), "");
  expect_has(err_of(&o), name);
  expect_has(err_of(&o), a);
  expect_has(err_of(&o), b);
  drop(&o);
}

static void faults_of_the_reference_are_placed(void **state) {
  (void)state;
  expect_reference_fault("none.json", "no such file", "none.json");
  mkdir(test_path("folder.json"), 0700);
  expect_reference_fault("folder.json", "directory", "folder.json");
  write_text("empty.json", "");
  expect_reference_fault("empty.json", "", "");
  write_text("broken.json", "{\"format\": \"underdigit-reference/1\",\n \"name\": }\n");
  expect_reference_fault("broken.json", "line 2", "");
  write_text("type.json", "{\"format\": \"underdigit-reference/1\", \"name\": 7}");
  expect_reference_fault("type.json", "name", "");
  write_text("digit.json",
             "{\"format\": \"underdigit-reference/1\", \"name\": \"t\","
             "\"relief\": {\"height_mm\": 0.1, \"bevel_mm\": 0.1},"
             "\"digits\": {\"1\": {\"outline\": \"M0 0H1V1Z\"}}, \"dates\": [{\"date\": \"12\","
             "\"height_mm\": 1, \"places\": [{\"digit\": \"1\", \"centre_mm\": [0, 0]},"
             "{\"digit\": \"2\", \"centre_mm\": [1, 0]}]}]}");
  expect_reference_fault("digit.json", "dates", "2");
}

static void a_date_the_reference_lacks_is_told(void **state) {
  (void)state;
  outcome o = run("inspect '%s' --reference %s --date 9999", photo, reference);
  assert_int_equal(o.status, 2);
  assert_string_equal(out_of(&o), "");
  expect_has(err_of(&o), "no date '9999'");
  expect_has(err_of(&o), "ostermere.json");
  drop(&o);
}

/* One object a line; the caller drops the array. */
static json_t *parse_lines(const char *text) {
  json_t *objects = json_array();
  while (*text) {
    size_t length = strcspn(text, "\n");
    json_error_t why;
    json_t *object = json_loadb(text, length, 0, &why);
    if (!object)
      fail_msg("%s in: %.*s", why.text, (int)length, text);
    assert_true(json_is_object(object));
    json_array_append_new(objects, object);
    assert_int_equal(text[length], '\n'); /* the last line ends as well */
    text += length + 1;
  }
  return objects;
}

static const char *string_of(const json_t *object, const char *field) {
  const char *text = json_string_value(json_object_get(object, field));
  if (!text)
    fail_msg("no string '%s'", field);
  return text;
}

static void make_bad_photos(void) {
  write_text("empty.jpg", "");
  write_text("text.png", "This is no picture.\n");
  mkdir(test_path("folder.jpg"), 0700);
  test_bytes whole = test_read_file(photo);
  test_write_file(test_path("cut.jpg"), whole.bytes, whole.count / 2);
  test_bytes_free(&whole);
}

static const char *const bad_photos[] = {"missing.jpg", "empty.jpg", "text.png", "folder.jpg",
                                         "cut.jpg"};
enum { BAD_COUNT = sizeof bad_photos / sizeof bad_photos[0] };

static void a_bad_photo_alone_is_no_input(void **state) {
  (void)state;
  make_bad_photos();
  for (int i = 0; i < BAD_COUNT; i++) {
    outcome o = run("inspect '%s' --reference %s", test_path(bad_photos[i]), reference);
    assert_int_equal(o.status, 2);
    assert_string_equal(out_of(&o), "");
    expect_has(err_of(&o), bad_photos[i]);
    drop(&o);
  }
}

/* An object with status "error" that names the photo, as stderr does. */
static void expect_error_object(const json_t *object, const char *name, const outcome *o) {
  assert_string_equal(string_of(object, "status"), "error");
  assert_string_equal(string_of(object, "photo"), test_path(name));
  expect_has(string_of(object, "error"), name);
  expect_has(err_of(o), name);
}

static void bad_photos_do_not_stop_the_others(void **state) {
  (void)state;
  make_bad_photos();
  char list[8192] = "";
  for (int i = 0; i < BAD_COUNT; i++)
    snprintf(list + strlen(list), sizeof list - strlen(list), "'%s' ", test_path(bad_photos[i]));
  outcome o = run("inspect --json %s '%s' '%s' --reference %s", list, photo,
                  test_path(bad_photos[0]), reference);
  assert_int_equal(o.status, 1);
  json_t *objects = parse_lines(out_of(&o));
  assert_int_equal(json_array_size(objects), BAD_COUNT + 2);
  for (int i = 0; i < BAD_COUNT; i++)
    expect_error_object(json_array_get(objects, (size_t)i), bad_photos[i], &o);
  const json_t *good = json_array_get(objects, BAD_COUNT);
  assert_string_equal(string_of(good, "status"), "ok");
  assert_string_equal(string_of(good, "photo"), photo);
  expect_error_object(json_array_get(objects, BAD_COUNT + 1), bad_photos[0], &o);
  json_decref(objects);
  drop(&o);
}

static void the_json_has_its_fields_and_the_truth(void **state) {
  (void)state;
  outcome o = run("inspect '%s' --json --reference %s", photo, reference);
  assert_string_equal(err_of(&o), "");
  assert_int_equal(o.status, 0);
  json_t *objects = parse_lines(out_of(&o));
  assert_int_equal(json_array_size(objects), 1);
  const json_t *r = json_array_get(objects, 0);
  static const struct {
    const char *field;
    char kind; /* string, array, object, number */
  } fields[] = {{"photo", 's'},        {"status", 's'},        {"reference", 's'},
                {"date", 's'},         {"verdict", 's'},       {"reasons", 'a'},
                {"evidence", 'n'},     {"p_value", 'n'},       {"others", 'a'},
                {"registration", 'o'}, {"date_to_photo", 'a'}, {"finding", 'o'},
                {"light", 'o'},        {"adequacy", 'o'},      {"ms", 'o'}};
  for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
    const json_t *value = json_object_get(r, fields[i].field);
    char kind = json_is_string(value)   ? 's'
                : json_is_array(value)  ? 'a'
                : json_is_object(value) ? 'o'
                : json_is_number(value) ? 'n'
                                        : '?';
    if (kind != fields[i].kind)
      fail_msg("field '%s' is missing or of the wrong type", fields[i].field);
  }
  double p = json_number_value(json_object_get(r, "p_value"));
  assert_true(p > 0 && p <= 1);

  json_error_t why;
  json_t *truth = json_load_file(truth_path, 0, &why);
  assert_non_null(truth);
  assert_string_equal(string_of(r, "verdict"), "underdigit");
  const json_t *finding = json_object_get(r, "finding");
  const json_t *made = json_object_get(truth, "under");
  assert_string_equal(string_of(finding, "digit"), string_of(made, "digit"));
  assert_int_equal(json_integer_value(json_object_get(finding, "place")),
                   json_integer_value(json_object_get(made, "pos")) + 1); /* counted from 0 there */
  json_decref(truth);
  json_decref(objects);
  drop(&o);
}

static int is_png(const char *path) {
  if (access(path, R_OK) != 0)
    return 0;
  test_bytes b = test_read_file(path);
  int is = b.count > 100 && memcmp(b.bytes, "\x89PNG\r\n\x1a\n", 8) == 0;
  test_bytes_free(&b);
  return is;
}

static void words_end_with_what_they_are_worth(void **state) {
  (void)state;
  outcome o =
      run("inspect '%s' --reference %s --picture '%s'", photo, reference, test_path("one.png"));
  assert_int_equal(o.status, 0);
  expect_has(out_of(&o), "turned-0008.jpg");
  expect_has(out_of(&o), "A trace of an earlier");
  static const char last[] = "examination in hand and professional authentication decide.\n";
  assert_true(o.out.count > sizeof last);
  assert_string_equal(out_of(&o) + o.out.count - (sizeof last - 1), last);
  assert_true(is_png(test_path("one.png")));
  drop(&o);
}

static void pictures_get_their_names(void **state) {
  (void)state;
  test_bytes whole = test_read_file(photo);
  test_write_file(test_path("copy.png"), whole.bytes, whole.count); /* told by content */
  test_bytes_free(&whole);
  outcome o = run("inspect '%s' '%s' --reference %s --picture '%s'", photo, test_path("copy.png"),
                  reference, test_path("two.png"));
  assert_int_equal(o.status, 0);
  assert_true(is_png(test_path("two-turned-0008.png")));
  assert_true(is_png(test_path("two-copy.png")));
  assert_false(is_png(test_path("two.png")));
  drop(&o);
  o = run("inspect '%s' --reference %s --picture '%s/none/p.png'", photo, reference,
          test_directory());
  assert_int_equal(o.status, 2);
  expect_has(err_of(&o), "none/p.png: No such file");
  drop(&o);
}

static void standard_input_is_a_photo_too(void **state) {
  (void)state;
  outcome file = run("inspect '%s' --json --reference %s", photo, reference);
  outcome input = run("inspect - --json --reference %s <'%s'", reference, photo);
  assert_int_equal(input.status, file.status);
  json_t *a = parse_lines(out_of(&file)), *b = parse_lines(out_of(&input));
  json_t *from_file = json_array_get(a, 0), *from_input = json_array_get(b, 0);
  assert_string_equal(string_of(from_input, "photo"), "-");
  json_object_del(from_file, "photo");
  json_object_del(from_input, "photo");
  json_object_del(from_file, "ms"); /* the clock's */
  json_object_del(from_input, "ms");
  assert_true(json_equal(from_file, from_input));
  json_decref(a);
  json_decref(b);
  drop(&file);
  drop(&input);
  outcome nothing = run("inspect - --reference %s", reference);
  assert_int_equal(nothing.status, 2);
  expect_has(err_of(&nothing), "standard input");
  drop(&nothing);
}

static void lost_output_is_a_fault(void **state) {
  (void)state;
  if (access("/dev/full", W_OK) == 0) {
    int status = test_run("'%s' inspect --json '%s' '%s' --reference %s >/dev/full 2>'%s'",
                          UDG_COMMAND, photo, photo, reference, test_path("err"));
    assert_int_equal(status, 2);
    test_bytes said = read_text(test_path("err"));
    assert_string_equal((const char *)said.bytes,
                        "underdigit: standard output: No space left on device\n");
    test_bytes_free(&said);
  }
  /* The reader is gone before the first word. */
  test_run("(sleep 0.2; '%s' --help 2>'%s'; echo $? >'%s') | true", UDG_COMMAND, test_path("err"),
           test_path("status"));
  test_bytes said = read_text(test_path("err")), status = read_text(test_path("status"));
  assert_string_equal((const char *)said.bytes, "underdigit: standard output: Broken pipe\n");
  assert_string_equal((const char *)status.bytes, "2\n");
  test_bytes_free(&said);
  test_bytes_free(&status);
  assert_int_equal(test_run("'%s' --version >&- 2>/dev/null", UDG_COMMAND), 2);
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(wrong_usage_is_answered_with_usage),
                                     cmocka_unit_test(help_and_version_go_to_stdout),
                                     cmocka_unit_test(faults_of_the_reference_are_placed),
                                     cmocka_unit_test(a_date_the_reference_lacks_is_told),
                                     cmocka_unit_test(a_bad_photo_alone_is_no_input),
                                     cmocka_unit_test(bad_photos_do_not_stop_the_others),
                                     cmocka_unit_test(the_json_has_its_fields_and_the_truth),
                                     cmocka_unit_test(words_end_with_what_they_are_worth),
                                     cmocka_unit_test(pictures_get_their_names),
                                     cmocka_unit_test(standard_input_is_a_photo_too),
                                     cmocka_unit_test(lost_output_is_a_fault)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
