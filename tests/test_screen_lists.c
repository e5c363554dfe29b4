/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a screening run tells: tables, names, marks, several coins, the bar. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include "screening.h"
#include "store_sql.h"
#include "support.h"

static void set_store(const char *store, const char *script) {
  sql_db *db = NULL;
  udg_message why = {""};
  assert_int_equal(sql_open(test_path(store), SQL_WRITE, &db, &why), 0);
  assert_int_equal(sql_run(db, script), 0);
  sql_close(db);
}

static void wrong_usage_is_answered_with_usage(void **state) {
  (void)state;
  expect_run(2, "", "no folder, photo or listing table", "$U screen -r $R -s x.db");
  expect_run(2, "", "no --reference given", "$U screen many -s x.db");
  expect_run(2, "", "no --store given", "$U screen many -r $R");
  expect_run(2, "", "--jobs takes", "$U screen many -r $R -s x.db -j 0");
  expect_run(2, "", "--pictures takes", "$U screen many -r $R -s x.db --pictures some");
  expect_run(2, "", "the same reference twice", "$U screen many -r $R -r $R -s x.db");
  expect_run(2, "", "none.json", "$U screen many -r none.json -s x.db");
  expect_run(2, "", "either --csv or --jsonl", "$U export x.db");
  expect_run(2, "", "--output needs a folder", "$U page x.db");
  expect_run(2, "", "--margin takes", "$U page x.db -o p --margin much");
  expect_run(2, "", "--at takes", "$U export x.db --csv --at noon");
  expect_run(2, "", "a listing's id are needed", "$U show x.db");
  expect_run(2, "", "a file of marks are needed", "$U marks x.db");
}

/* The run counts on the quick, the page over all that it shows. */
static void run_and_page_count_alike(void **state) {
  (void)state;
  expect_run(
      0, "", "",
      "mkdir -p more; cp many/p00*.jpg more; cp many/p013.jpg more/same.jpg; "
      "$U screen many more -r $R -s al.db -q >al.txt; $U page al.db -o al; "
      "grep -qF \"$(head -1 al.txt)\" al/index.html && grep -q 'Of these 4 .*(40 judged)' al.txt");
}

/* Of the coins of one photo the loudest speaks, and the others are told. */
static void several_coins_in_one_photo(void **state) {
  (void)state;
  static uint8_t pixels[5 * 40 * 40];
  static const uint8_t levels[5] = {100, 200, 90, 230, 30}; /* plain, weak, plain, strong, none */
  for (int i = 0; i < 5 * 40 * 40; i++)
    pixels[i] = levels[i % 200 / 40];
  test_jpeg j = {.pixels = pixels, .width = 200, .height = 40, .colours = TEST_GREY, .quality = 95};
  test_bytes b = test_make_jpeg(&j);
  mkdir(test_path("row"), 0700);
  test_write_file(test_path("row/five.jpg"), b.bytes, b.count);
  test_bytes_free(&b);
  unlink(test_path("log"));
  expect_run(0, "1 photograph of 1", "", "UDG_TEST_LOG=log $U screen row -r $R -s row.db");
  assert_int_equal(inspections(), 5);
  expect_run(0, "number 4 of 5 in the photo, its middle at 140, 20 px", "",
             "$U show row.db row/five.jpg");
  expect_run(0, "show a trace as well: 2", "", "$U show row.db row/five.jpg");
  /* Four could be judged: four times the p-value of one. */
  assert_int_equal(ask("row.db", "SELECT round(1e6*p_value) FROM result"), 400);
  assert_int_equal(ask("row.db", "SELECT json_array_length(json, '$.coins') FROM result"), 5);
  assert_int_equal(ask("row.db", "SELECT json_extract(json, '$.coin.index') FROM result"), 4);
  assert_int_equal(ask("row.db", "SELECT count(*) FROM picture"), 3);
  expect_run(0, "", "",
             "$U page row.db -o row-page && grep -q 'number 4 of 5' row-page/index.html");
}

/* Answers of another version of the library are no answers of this one. */
static void another_version_judges_for_itself(void **state) {
  (void)state;
  expect_run(0, "", "", "$U screen many -r $R -s ver.db");
  set_store("ver.db", "UPDATE result SET version='0.0.1' WHERE photo_id<=7");
  unlink(test_path("log"));
  expect_run(0, "", "33 known before", "UDG_TEST_LOG=log $U screen many -r $R -s ver.db");
  assert_int_equal(inspections(), 7);
  assert_int_equal(ask("ver.db", "SELECT count(DISTINCT version) FROM result"), 1);
}

/* On a terminal of 100 columns, which Python's pty module stands in for: a bar, how fast,
 * how long still, how many finds; it is wiped away in the end. */
static void a_terminal_has_a_bar(void **state) {
  (void)state;
  static const char script[] =
      "import fcntl, os, pty, re, struct, sys, termios\n"
      "pid, fd = pty.fork()\n"
      "if pid == 0:\n"
      "    os.environ['UDG_TEST_DELAY_MS'] = '60'\n"
      "    os.execv(sys.argv[1], [sys.argv[1], 'screen', 'many', '-r', sys.argv[2], '-s', "
      "'pty.db'])\n"
      "fcntl.ioctl(fd, termios.TIOCSWINSZ, struct.pack('HHHH', 24, 100, 0, 0))\n"
      "out = b''\n"
      "try:\n"
      "    while chunk := os.read(fd, 4096):\n"
      "        out += chunk\n"
      "except OSError:\n"
      "    pass\n"
      "assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0, out\n"
      "bars = re.findall(rb'\\r\\x1b\\[K\\[([#.]+)\\] (\\d+) of 40 photos, "
      "([\\d.]+)/s, (\\?|\\d+:\\d\\d) left, (\\d+) finds?', out)\n"
      "assert len(bars) > 3, out\n"
      "for bar, done, rate, left, finds in bars:\n"
      "    assert len(bar) == 40 and bar.count(b'#') == int(done), bar\n"
      "    assert int(finds) == sum(k % 10 == 3 for k in range(int(done))), (done, finds)\n"
      "    if int(done):\n"
      "        n = 40 - int(done)\n"
      "        minutes, seconds = map(int, left.split(b':'))\n"
      "        assert n / (float(rate) + .06) - 1 <= 60 * minutes + seconds <= n / "
      "max(float(rate) - .06, .01) + 1, (rate, left)\n"
      "counts = [int(b[1]) for b in bars]\n"
      "assert counts == sorted(counts) and counts[-1] > 20, counts\n"
      "assert re.search(rb'\\r\\x1b\\[Kunderdigit: 40 of 40 photos done', out), out\n";
  test_write_file(test_path("bar.py"), script, sizeof script - 1);
  expect_run(0, "", "", "rm -f pty.db; python3 bar.py $U $R");
}

/* Names of files and listings are strangers' words: no escape sequence of theirs reaches a
 * terminal, no byte that is no UTF-8 a table, and a mark finds its listing again. */
static void hostile_names_are_only_names(void **state) {
  (void)state;
  static const char table[] = "id,price,photos\n"
                              "a\033[31mb,\033[2J,many/p000.jpg\n"
                              "a\033[31mb,2,many/p001.jpg\n"
                              "\xC2\x9B"
                              "31m\xE2\x80\xAE"
                              "x,3,no\033[1m.jpg\n"
                              "'=1+1,4,many/p003.jpg\n=1+1,4,many/p013.jpg\n";
  mkdir(test_path("names"), 0700);
  write_photo("names/\xFF.jpg", 200, 1);
  write_photo("names/\xFE.jpg", 100, 2);
  write_photo("names/new\nline\033[31m.jpg", 90, 3);
  test_write_file(test_path("names/bad\033[31m\x9B.jpg"), "x", 1);
  test_write_file(test_path("h.csv"), table, sizeof table - 1);
  outcome o =
      run("$U screen h.csv names -r $R -s names.db -o >names.jsonl; $U export names.db -c "
          ">names.csv; $U screen h.csv names -r $R -s names.db; $U show names.db \"$(printf "
          "'a\\033[31mb')\"");
  assert_int_equal(o.status, 0);
  assert_null(strpbrk(o.err, "\033\x9B"));
  assert_null(strpbrk(o.out, "\033\x9B"));
  assert_null(strstr(o.err, "\xE2\x80\xAE"));
  expect_has(o.err, "id 'a?[31mb' was met before (row 2)");
  drop(&o);
  expect_run(0, "", "",
             "python3 -c \"import csv,json;s=[json.loads(l)['photo'] for l in "
             "open('names.jsonl',encoding='utf-8')];assert len(s)==8,s;r={x['id'] for x in "
             "csv.DictReader(open('names.csv',encoding='utf-8',newline=''))};assert "
             "'names/'+chr(92)+'xFF.jpg' in r and 'names/'+chr(92)+'xFE.jpg' in r,r\"");
  static const char marks[] = "id,mark\nnames/\\xFF.jpg,no\n'=1+1,closer\n=1+1,seen\n";
  test_write_file(test_path("hm.csv"), marks, sizeof marks - 1);
  expect_run(0, "3 marks taken over", "", "$U marks names.db hm.csv");
  assert_int_equal(ask("names.db", "SELECT count(*) FROM mark"), 3);
}

/* Figures of two versions in one ranking are told. */
static void two_versions_are_told(void **state) {
  (void)state;
  expect_run(0, "", "",
             "mkdir -p vone vtwo; cp many/p00*.jpg vone; cp many/p01*.jpg vtwo; "
             "$U screen vone -r $R -s vv.db");
  set_store("vv.db", "UPDATE result SET version='0.0.1'");
  expect_run(0, "10 photographs were judged by another version", "",
             "$U screen vtwo -r $R -s vv.db");
  outcome o = run("$U screen vone vtwo -r $R -s vv.db");
  assert_null(strstr(o.out, "another version"));
  drop(&o);
}

static void tables_bring_their_listings(void **state) {
  (void)state;
  static const char table[] =
      "id,title,price,currency,closes,photos\n"
      "L1,Token 1924/1923,40,EUR,2026-12-01 18:00,many/p003.jpg|many/p001.jpg\n"
      "L2,Token,12,EUR,2026-12-02,many/p013.jpg\n"
      "L2,Token again,13,EUR,2026-12-02,many/p014.jpg\n"
      "L3,broken row\n"
      "L4,Token,cheap,EUR,,many/p003.jpg\n"
      "L5,Token 1930/20,9,EUR,2026-11-02,many/p015.jpg\n";
  test_write_file(test_path("t.csv"), table, sizeof table - 1);
  outcome o = run("$U screen many/p003.jpg t.csv -r $R -s t.db");
  assert_int_equal(o.status, 1);
  expect_has(o.err, "t.csv: row 4: id 'L2' was met before (row 3): left out");
  expect_has(o.err, "t.csv: row 5: 2 fields where the header has 6");
  expect_has(o.err, "t.csv: row 6: price 'cheap'");
  drop(&o);
  assert_int_equal(ask("t.db", "SELECT count(*) FROM listing"), 4); /* the bare photo is L1's */
  static const char values[] = "date,variety,state,value\n*,*,weak,50\n*,*,strong,300\n";
  test_write_file(test_path("v.csv"), values, sizeof values - 1);
  o = run("$U export t.db --csv --values v.csv --margin 25 --at '2026-11-15'");
  assert_int_equal(o.status, 0);
  /* q of both: 3 distinct photographs judged, 2 with p 1e-4 and 2e-4 (two photos):
   * 3 * 2e-4 / 2 = 3e-4; chance 0.95 at most: 0.95 * 50 - 12, 0.95 * 50 / 1.25. */
  expect_has(o.out, "L2,Token,,12.00,EUR");
  expect_has(o.out, ",0.95,50.00,35.50,38.00,");
  expect_has(o.out, "Priced as strong, looks weak");
  expect_has(o.out, "The title claims an overdate; the photo shows none.");
  drop(&o);
  o = run("$U show t.db L4 --values v.csv");
  assert_int_equal(o.status, 0);
  expect_has(o.out, "Same photo  L1");
  assert_null(strstr(o.out, "expected gain")); /* no price: left out */
  drop(&o);
}

/* Of equals the one that closes sooner, then the ones that tell no time, closed ones last;
 * more evidence comes first all the same. What title and photo say against each other. */
static void order_and_claims(void **state) {
  (void)state;
  static const char table[] = "id,title,closes,photos\n"
                              "none,Token,,eq/c.jpg\n"
                              "late,Token 1924/3,2026-12-05,eq/b.jpg\n"
                              "over,Token,2026-01-01,eq/a.jpg\n"
                              "soon,Token,2026-12-01,eq/d.jpg\n"
                              "best,Token,,eq/e.jpg\n"
                              "plain,Token,2026-11-16,eq/f.jpg\n";
  mkdir(test_path("eq"), 0700);
  for (int i = 0; i < 6; i++) {
    const char name[] = {'e', 'q', '/', (char)('a' + i), '.', 'j', 'p', 'g', '\0'};
    write_photo(name, i < 4 ? (uint8_t)(204 - i) : i == 4 ? 235 : 100, 50 + i);
  }
  test_write_file(test_path("eq.csv"), table, sizeof table - 1);
  expect_run(0, "soon late none over plain", "",
             "$U screen eq.csv -r $R -s eq.db -q >/dev/null; $U export eq.db -j --at 2026-11-15 | "
             "python3 -c \"import sys,json;o=[json.loads(l) for l in sys.stdin];assert "
             "o[0]['id']=='best' and len({int(x['evidence']) for x in "
             "o[1:5]})==1,o;print(*[x['id'] for x in o[1:]]);c={x['id']:x['claim'] for x in o};"
             "assert 'looks weak' in c['late'] and 'Looks strong' in c['best'] and c['soon'] is "
             "None,c\"");
}

static void the_sentence_counts_chance(void **state) {
  (void)state;
  static const struct {
    const char *p, *told;
  } cases[] = {{"1e-4", "Of these 4 flagged, expect hardly any to be chance (40 judged)."},
               {"0.01", "Of these 4 flagged, expect perhaps one to be chance (40 judged)."},
               {"0.03", "Of these 4 flagged, expect about 1 to be chance (40 judged)."},
               {"0.2", "Of these 4 flagged, expect up to all to be chance (40 judged)."}};
  expect_run(0, "", "", "$U screen many -r $R -s sen.db");
  for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
    char script[200];
    snprintf(script, sizeof script, "UPDATE result SET p_value=%s WHERE verdict='underdigit'",
             cases[i].p);
    set_store("sen.db", script); /* 40 times p is expected by chance */
    expect_run(0, cases[i].told, "", "$U screen many -r $R -s sen.db");
  }
}

static void marks_are_taken_over(void **state) {
  (void)state;
  static const char marks[] = "id,mark,title\r\n\"many/p003.jpg\",\"closer\",\"\"\r\n"
                              "\"many/p013.jpg\",\"perhaps\",\"\"\r\nnowhere,no,x\r\n"
                              "many/p023.jpg,no,x\r\n";
  test_write_file(test_path("m.csv"), marks, sizeof marks - 1);
  expect_run(0, "", "", "$U screen many -r $R -s m.db");
  outcome o = run("$U marks m.db m.csv");
  assert_int_equal(o.status, 1);
  expect_has(o.out, "2 marks taken over");
  expect_has(o.err, "m.csv: row 3: mark 'perhaps' is none of");
  expect_has(o.err, "m.csv: row 4: the store has no listing 'nowhere'");
  drop(&o);
  expect_run(0, "\"mark\":\"closer\"", "", "$U export m.db --jsonl --flagged");
  expect_run(0, "", "", "$U screen many -r $R -s m.db"); /* a later run leaves them */
  assert_int_equal(ask("m.db", "SELECT count(*) FROM mark"), 2);
  expect_run(2, "", "columns id and mark", "echo a,b >x.csv; $U marks m.db x.csv");
  expect_run(2, "", "none.csv: No such file", "$U marks m.db none.csv");
  expect_run(2, "", "nosuch.db: No such file", "$U marks nosuch.db m.csv");
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(wrong_usage_is_answered_with_usage),
                                     cmocka_unit_test(run_and_page_count_alike),
                                     cmocka_unit_test(several_coins_in_one_photo),
                                     cmocka_unit_test(another_version_judges_for_itself),
                                     cmocka_unit_test(a_terminal_has_a_bar),
                                     cmocka_unit_test(hostile_names_are_only_names),
                                     cmocka_unit_test(two_versions_are_told),
                                     cmocka_unit_test(tables_bring_their_listings),
                                     cmocka_unit_test(order_and_claims),
                                     cmocka_unit_test(the_sentence_counts_chance),
                                     cmocka_unit_test(marks_are_taken_over)};
  return cmocka_run_group_tests(tests, screening_set_up, screening_tear_down);
}
