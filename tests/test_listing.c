/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Listing tables: rows, faults with their row, times, prices. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "csv.h"
#include "listing.h"
#include "support.h"

/* What a table gave, one line a row or fault. */
typedef struct told {
  char text[8192];
  int rows, faults, dropped;
} told;

static void add(told *t, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(told *t, const char *format, ...) {
  va_list list;
  va_start(list, format);
  size_t used = strlen(t->text);
  vsnprintf(t->text + used, sizeof t->text - used, format, list);
  va_end(list);
}

static const char *or_dash(const char *text) {
  return text ? text : "-";
}

static int take_row(void *user, const listing *l) {
  told *t = user;
  t->rows++;
  add(t, "%lld %s|%s|%s|%g|%s|%s|%s|%s", (long long)l->row, l->id, or_dash(l->title),
      or_dash(l->address), l->price, or_dash(l->currency), or_dash(l->closes), or_dash(l->note),
      or_dash(l->grade));
  for (int i = 0; i < l->photo_count; i++)
    add(t, " %s", l->photos[i]);
  add(t, "\n");
  return 0;
}

static void take_fault(void *user, const char *text, int dropped) {
  told *t = user;
  t->faults++;
  t->dropped += dropped;
  add(t, "! %s\n", text);
}

static told read_table(const char *name, const char *content, int expected) {
  told t = {.rows = 0};
  listing_reader reader = {take_row, take_fault, &t};
  udg_message why = {""};
  const char *path = test_path(name);
  test_write_file(path, content, strlen(content));
  int status = listing_read(path, &reader, &why);
  if (status != expected)
    fail_msg("%s: status %d: %s", name, status, why.text);
  if (status < 0) {
    assert_non_null(strstr(why.text, name));
    add(&t, "%s", why.text);
  }
  return t;
}

static void expect_has(const char *text, const char *part) {
  if (!strstr(text, part))
    fail_msg("'%s' is missing in: %s", part, text);
}

static void columns_are_found_by_name(void **state) {
  (void)state;
  told t = read_table("a.csv",
                      "\xEF\xBB\xBFNote, Price ,photos,ID,colour,title\r\n"
                      "\"two\nlines, \"\"quoted\"\"\",12.50,a.jpg| b.jpg ,L1,red,Toll piece\r\n"
                      "\r\n"
                      ",,/far/c.png,,,\r\n",
                      0);
  assert_int_equal(t.rows, 2);
  assert_int_equal(t.faults, 0);
  char expected[2000];
  snprintf(expected, sizeof expected,
           "2 L1|Toll piece|-|12.5|-|-|two\nlines, \"quoted\"|- %s/a.jpg %s/b.jpg\n",
           test_directory(), test_directory());
  expect_has(t.text, expected);
  expect_has(t.text, "5 /far/c.png|-|-|nan|-|-|-|- /far/c.png\n"); /* no id: the first photo */
}

static void other_separators_are_seen(void **state) {
  (void)state;
  told t = read_table("s.csv", "id;price;photos\nL1;1,5;a.jpg\n", 0);
  expect_has(t.text, "2 L1|-|-|1.5|");
  t = read_table("t.tsv", "id\ttitle\tphotos\nL1\tone, two\ta.jpg\n", 0);
  expect_has(t.text, "2 L1|one, two|");
}

static void broken_rows_are_told_and_the_rest_goes_on(void **state) {
  (void)state;
  told t = read_table("b.csv",
                      "id,price,closes,photos\n"
                      "A,1,2026-11-30,a.jpg\n"
                      "B,1,2026-11-30\n"       /* row 3: a field too few */
                      "C,1.234.5,soon,c.jpg\n" /* row 4: price, time */
                      "\"D\"x,1,,d.jpg\n"      /* row 5 */
                      ",,,\n"                  /* row 6: nothing */
                      "E,2,2026-02-29,e.jpg\n" /* row 7: no such day */
                      "F,3,,f.jpg\n"
                      "\"G,1,,g.jpg\n", /* row 9: not closed */
                      0);
  assert_int_equal(t.rows, 4); /* A C E F */
  assert_int_equal(t.dropped, 4);
  expect_has(t.text, "b.csv: row 3: 3 fields where the header has 4: left out");
  expect_has(t.text, "b.csv: row 4: price '1.234.5'");
  expect_has(t.text, "b.csv: row 4: closing time 'soon'");
  expect_has(t.text, "b.csv: row 5: text after a closing quote: left out");
  expect_has(t.text, "b.csv: row 6: neither id nor photos");
  expect_has(t.text, "b.csv: row 7: closing time");
  expect_has(t.text, "b.csv: row 9: a quote that is not closed");
  expect_has(t.text, "8 F|-|-|3|");
}

/* A quote that is not closed takes one row along and not those below it, wherever the
 * next quote may stand. */
static void a_stray_quote_costs_one_row(void **state) {
  (void)state;
  told t = read_table("q.csv",
                      "id,title,price,photos\n"
                      "A,\"bad,5,a.jpg\n" /* row 2: closed by the quote of row 3 */
                      "B,\"good\",6,b.jpg\n"
                      "C,\"bad,7,c.jpg\n" /* row 4: closed at the end of row 5 */
                      "D,plain,8,\"d.jpg\"\n"
                      "E,\"bad,9,e.jpg\n" /* row 6: closed in row 7, too few fields */
                      "F,plain,8,f.jpg\"\n"
                      "G,\"two\nlines\",1,g.jpg\n"
                      "H,\"open,2,h.jpg\n" /* row 10: never */
                      "I,last,3,i.jpg\n",
                      0);
  expect_has(t.text, "q.csv: row 2: text after a closing quote: left out");
  expect_has(t.text, "3 B|good|-|6|");
  expect_has(t.text, "q.csv: row 4: ");
  expect_has(t.text, "5 D|plain|-|8|");
  expect_has(t.text, "q.csv: row 6: 2 fields where the header has 4");
  expect_has(t.text, "7 F|plain|-|8|");
  expect_has(t.text, "8 G|two\nlines|-|1|");
  expect_has(t.text, "q.csv: row 10: a quote that is not closed");
  expect_has(t.text, "11 I|last|-|3|");
  assert_int_equal(t.rows, 5);
  assert_int_equal(t.dropped, 4);
  expect_has(read_table("qh.csv", "id,\"ti\"tle\nA,b\n", -1).text, "qh.csv: row 1: text after");
}

/* Bytes of no UTF-8 in a table or a file's name: texts come out as UTF-8, two that differ
 * still do, and the file is found under its own name. */
static void strange_bytes_are_kept_apart(void **state) {
  (void)state;
  told t = read_table("l.csv", "title,photos\nM\xFCnze,m\xFCnze.jpg\nx,m\xF6nze.jpg\n", 0);
  expect_has(t.text, "l.csv: row 2: 'title' is no UTF-8");
  expect_has(t.text, "/m\\xFCnze.jpg|M\\xFCnze|");
  expect_has(t.text, "/m\xFCnze.jpg\n");
  expect_has(t.text, "/m\\xF6nze.jpg|x|");
  assert_int_equal(t.faults, 1);
}

static void tables_that_are_none_are_refused(void **state) {
  (void)state;
  expect_has(read_table("e.csv", "", -1).text, "an empty table");
  expect_has(read_table("h.csv", "one,two\n1,2\n", -1).text, "no column that is known");
  expect_has(read_table("d.csv", "id,ID\n1,2\n", -1).text, "two columns of the same name");
  expect_has(read_table("e.jsonl", "\n\n", -1).text, "an empty table");
  listing_reader reader = {take_row, take_fault, NULL};
  udg_message why = {""};
  assert_int_equal(listing_read(test_path("none.csv"), &reader, &why), -1);
  expect_has(why.text, "none.csv: No such file");
}

static void json_lines_say_the_same(void **state) {
  (void)state;
  told t = read_table("a.jsonl",
                      "{\"id\": 7, \"price\": 12.5, \"photos\": [\"a.jpg\", \"b.jpg\"], "
                      "\"title\": \"x\", \"grade\": null, \"other\": {}}\n"
                      "\n"
                      "{\"id\": \"B\", \"photos\": \"c.jpg\", \"note\": [1]}\n"
                      "{\"id\": \"C\", \"id\": \"D\"}\n"
                      "[1]\n"
                      "{\"id\": \n"
                      "{\"id\": \"E\", \"photos\": [1, \"e.jpg\"]}\n",
                      0);
  char expected[1000];
  snprintf(expected, sizeof expected, "1 7|x|-|12.5|-|-|-|- %s/a.jpg %s/b.jpg\n", test_directory(),
           test_directory());
  expect_has(t.text, expected);
  assert_int_equal(t.rows, 3);
  expect_has(t.text, "a.jsonl: row 3: 'note' is of the wrong type");
  expect_has(t.text, "a.jsonl: row 4: duplicate object key");
  expect_has(t.text, "a.jsonl: row 5: not a JSON object");
  expect_has(t.text, "a.jsonl: row 6: ");
  expect_has(t.text, "a.jsonl: row 7: 'photos' must hold names only");
}

/* A byte order mark is no fault, names are of any letter case, and none stands twice. */
static void json_names_are_as_free_as_headers(void **state) {
  (void)state;
  told t = read_table("b.jsonl",
                      "\xEF\xBB\xBF{\"ID\": \"A\", \"Price\": 1.5, \"PHOTOS\": [\"a.jpg\"]}\n"
                      "{\"id\": \"B\", \"Id\": \"C\"}\n"
                      "{\"id\": \"D\", \"photos\": [\"one|name.jpg\", \"e.jpg\"]}\n",
                      0);
  expect_has(t.text, "1 A|-|-|1.5|");
  expect_has(t.text, "b.jsonl: row 2: 'Id' is there twice: left out");
  expect_has(t.text, "/one|name.jpg ");
  expect_has(t.text, "2 B|");
}

/* Seconds as `date -u -d TEXT +%s` of GNU coreutils 9.1 gives them. */
static void times_are_those_of_date(void **state) {
  (void)state;
  static const struct {
    const char *text;
    int64_t seconds; /* -1: refused */
  } times[] = {{"1970-01-01 00:00", 0},
               {"2026-11-30 18:00", 1796061600},
               {"2026-11-30T18:00:30Z", 1796061630},
               {"2026-11-30T18:00:30.250Z", 1796061630},
               {"2026-11-30T18:00:00+01:00", 1796058000},
               {"2026-11-30T18:00-0530", 1796081400},
               {"2024-02-29", 1709251199}, /* the day's last second */
               {"2026-02-29", -1},
               {"2100-02-29", -1},
               {"2026-13-01", -1},
               {"2026-11-31", -1},
               {"2026-11-30 24:00", -1},
               {"30.11.2026", -1},
               {"2026-11-30 18", -1},
               {"2026-11-30 18:00 CET", -1},
               {"", -1}};
  for (size_t i = 0; i < sizeof times / sizeof times[0]; i++) {
    int64_t seconds = -1;
    int status = listing_time(times[i].text, &seconds);
    if ((status == 0 ? seconds : -1) != times[i].seconds)
      fail_msg("'%s': %lld", times[i].text, (long long)seconds);
  }
}

static void prices_that_can_mean_two_things_are_refused(void **state) {
  (void)state;
  static const struct {
    const char *text;
    double price; /* negative: refused */
  } prices[] = {{"12", 12},       {"12.50", 12.5},  {"12,5", 12.5}, {"0", 0},       {"1,234", -1},
                {"1,234.50", -1}, {"1.234,50", -1}, {"-3", -1},     {"12 EUR", -1}, {"1e9", -1},
                {"", -1},         {".", -1},        {"nan", -1},    {"1.2.3", -1}};
  for (size_t i = 0; i < sizeof prices / sizeof prices[0]; i++) {
    double price = -2;
    int status = listing_price(prices[i].text, &price);
    if (status == 0 ? price != prices[i].price : prices[i].price >= 0)
      fail_msg("'%s': status %d, %g", prices[i].text, status, price);
  }
}

/* What csv_write() writes, Python's csv module reads: a reader of its own kind. */
static void written_fields_are_read_by_python(void **state) {
  (void)state;
  static const char *const texts[] = {"plain", "a,b", "say \"no\"", "two\nlines",
                                      "=1+1",  "",    "\xC3\xA9"};
  if (!test_has_program("python3"))
    skip();
  FILE *out = fopen(test_path("w.csv"), "wb");
  for (int i = 0; i < 7; i++)
    csv_write(out, texts[i], i == 6);
  fclose(out);
  assert_int_equal(
      test_run(
          "python3 -c \"import csv,sys;r=list(csv.reader(open('%s',newline='',encoding='utf-8')));"
          "sys.exit(r!=[['plain','a,b','say \\\"no\\\"','two\\nlines',"
          "chr(39)+'=1+1','',chr(233)]])\"",
          test_path("w.csv")),
      0);
}

static int tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(columns_are_found_by_name),
                                     cmocka_unit_test(other_separators_are_seen),
                                     cmocka_unit_test(broken_rows_are_told_and_the_rest_goes_on),
                                     cmocka_unit_test(a_stray_quote_costs_one_row),
                                     cmocka_unit_test(strange_bytes_are_kept_apart),
                                     cmocka_unit_test(tables_that_are_none_are_refused),
                                     cmocka_unit_test(json_lines_say_the_same),
                                     cmocka_unit_test(json_names_are_as_free_as_headers),
                                     cmocka_unit_test(times_are_those_of_date),
                                     cmocka_unit_test(prices_that_can_mean_two_things_are_refused),
                                     cmocka_unit_test(written_fields_are_read_by_python)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
