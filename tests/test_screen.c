/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Screening runs: what is kept, once, whole and in order, whatever happens. */
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
#include "support.h"

/* What a store says, without what hangs on the clock. */
static const char dump[] =
    "$U export %s --jsonl --at 2026-01-01 >%s.jsonl && "
    "python3 -c \"import sqlite3,json,hashlib;d=sqlite3.connect('%s');"
    "[print(*r[:-1],json.dumps({k:v for k,v in json.loads(r[-1]).items() if k!='ms'})) for r in "
    "d.execute('select f.path,f.file_id,p.photo_id,p.sha256,p.group_id,p.best_reference_id,"
    "r.verdict,r.evidence,r.words,r.json from file f join photo p using(photo_id) join result r "
    "using(photo_id) order by 2')];[print(r[0],r[1],hashlib.sha256(r[2]).hexdigest()) for r in "
    "d.execute('select photo_id,kind,jpeg from picture order by 1,2')]\" >>%s.jsonl";

static void dump_store(const char *store) {
  char line[2048];
  snprintf(line, sizeof line, dump, store, store, store, store);
  expect_run(0, "", "", line);
}

static void expect_same(const char *a, const char *b) {
  char line[300];
  dump_store(a);
  dump_store(b);
  snprintf(line, sizeof line, "test -s %s.jsonl && cmp %s.jsonl %s.jsonl", a, a, b);
  expect_run(0, "", "", line);
}

static void a_folder_becomes_a_short_list(void **state) {
  (void)state;
  expect_run(0, "Of these 4 flagged", "40 of 40 photos done", "$U screen many -r $R -s a.db");
  assert_int_equal(ask("a.db", "SELECT count(*) FROM photo"), PHOTOS);
  assert_int_equal(ask("a.db", "SELECT count(*) FROM result WHERE verdict='underdigit'"), FINDS);
  assert_int_equal(ask("a.db", "SELECT count(DISTINCT photo_id) FROM picture"), FINDS);
  assert_int_equal(ask("a.db", "SELECT count(*) FROM run WHERE outcome='complete'"), 1);
  expect_sound("a.db");
  char decoys[64];
  snprintf(decoys, sizeof decoys, "do as well in %d of the other",
           (int)ask("a.db", "SELECT count(*) FROM result WHERE decoy_evidence=20"));
  assert_null(strstr(decoys, " 0 "));
  expect_run(0, decoys, "", "$U screen many -r $R -s a.db");
  outcome o = run("$U export a.db --csv --flagged");
  assert_int_equal(o.status, 0);
  expect_has(o.out, "rank,id,title");
  expect_has(o.out, "\r\n1,many/p033.jpg,"); /* the strongest first */
  expect_has(o.out, "\r\n4,many/p003.jpg,");
  assert_null(strstr(o.out, "plain"));
  drop(&o);
  expect_run(0, "A trace of an earlier 3", "", "$U show a.db many/p003.jpg");
  expect_run(1, "", "no listing 'p003'", "$U show a.db p003");
}

static void the_number_of_jobs_changes_nothing(void **state) {
  (void)state;
  expect_run(0, "", "", "$U screen many -r $R -r $R2 -s j1.db --pictures all");
  expect_run(0, "", "",
             "UDG_TEST_DELAY_MS=2 $U screen many -r $R -r $R2 -s j5.db --pictures all -j 5");
  expect_same("j1.db", "j5.db");
}

/* Objects of the stream: as many as photos, in the order of the inputs, alike for
 * any number of jobs, and for a run that had nothing left to do. */
static void the_stream_is_in_order(void **state) {
  (void)state;
  static const char check[] =
      "python3 -c \"import json,sys;o=[json.loads(l) for l in open('%s')];"
      "p=[x['photo'] for x in o];assert p==['many/p%%03d.jpg'%%i for i in range(40)],p;"
      "assert all(x['status']=='ok' and x['listing']==x['photo'] for x in o)\"";
  char line[1000];
  expect_run(0, "", "flagged", "$U screen many -r $R -s s1.db -o >s1.txt");
  expect_run(0, "", "", "UDG_TEST_DELAY_MS=3 $U screen many -r $R -s s7.db -o -j 7 >s7.txt");
  expect_run(0, "", "", "$U screen many -r $R -s s7.db -o >again.txt");
  snprintf(line, sizeof line, check, "s7.txt");
  expect_run(0, "", "", line);
  expect_run(0, "", "", "cmp s1.txt s7.txt && cmp s7.txt again.txt");
}

static void the_same_photo_is_worked_once(void **state) {
  (void)state;
  mkdir(test_path("twice"), 0700);
  for (int i = 0; i < 12; i++) {
    char name[64];
    snprintf(name, sizeof name, "twice/%02d.jpg", i);
    write_photo(name, (uint8_t)(100 + i % 3), i % 3);
  }
  for (int jobs = 1; jobs <= 4; jobs += 3) {
    char line[300];
    unlink(test_path("log"));
    snprintf(line, sizeof line,
             "rm -f tw.db; UDG_TEST_DELAY_MS=20 UDG_TEST_LOG=log $U screen twice -r $R -s tw.db "
             "-j %d",
             jobs);
    expect_run(0, "", "12 of 12", line);
    assert_int_equal(inspections(), 3);
    assert_int_equal(ask("tw.db", "SELECT count(*) FROM photo"), 3);
    assert_int_equal(ask("tw.db", "SELECT count(*) FROM file WHERE photo_id NOT NULL"), 12);
  }
  expect_run(0, "Same photo  twice/03.jpg", "", "$U show tw.db twice/00.jpg");
  /* Another reference is another question; the first one's answers stand. */
  unlink(test_path("log"));
  expect_run(0, "", "", "UDG_TEST_LOG=log $U screen twice -r $R -r $R2 -s tw.db");
  assert_int_equal(inspections(), 3);
  unlink(test_path("log"));
  expect_run(0, "", "", "UDG_TEST_LOG=log $U screen twice -r $R -s tw.db --again");
  assert_true(inspections() >= 3);
}

/* Anew, and still each photograph once, however far apart its copies lie; a run that
 * was killed goes on where it was. */
static void again_is_once_more_and_not_twice(void **state) {
  (void)state;
  expect_run(0, "", "",
             "mkdir -p far; cp many/p*.jpg far; for i in 0 1 2 3; do cp many/p00$i.jpg "
             "far/q00$i.jpg; done");
  expect_run(0, "", "", "$U screen far -r $R -s far.db");
  for (int jobs = 1; jobs <= 2; jobs++) {
    char line[200];
    unlink(test_path("log"));
    snprintf(line, sizeof line, "UDG_TEST_LOG=log $U screen far -r $R -s far.db --again -j %d",
             jobs);
    expect_run(0, "", "44 of 44", line);
    assert_int_equal(inspections(), PHOTOS);
  }
  unlink(test_path("log"));
  expect_run(137, "", "",
             "UDG_TEST_LOG=log UDG_TEST_DELAY_MS=50 $U screen far -r $R -s far.db --again & "
             "await 8; kill -9 $!; wait $!; exit $?");
  long before = inspections();
  assert_true(before > 6 && before < PHOTOS);
  expect_run(0, "", "44 of 44", "UDG_TEST_LOG=log $U screen far -r $R -s far.db --again");
  assert_true(inspections() >= PHOTOS && inspections() <= PHOTOS + 5);
  assert_int_equal(ask("far.db", "SELECT count(*) FROM result"), PHOTOS);
}

static void a_changed_file_is_read_anew(void **state) {
  (void)state;
  mkdir(test_path("change"), 0700);
  write_photo("change/a.jpg", 100, 1);
  expect_run(0, "None of the 1", "", "$U screen change -r $R -s ch.db");
  write_photo("change/a.jpg", 230, 2);
  expect_run(0, "1 photograph of", "", "$U screen change -r $R -s ch.db");
}

/* Killed again and again at any moment, it gets there, and to the same end. */
static void killed_runs_go_on(void **state) {
  (void)state;
  uint64_t seed = 5;
  int kills = 0;
  unlink(test_path("log"));
  expect_run(0, "", "", "$U screen many -r $R -s whole.db");
  for (int done = 0; !done;) {
    char line[400];
    snprintf(line, sizeof line,
             "UDG_TEST_LOG=log UDG_TEST_DELAY_MS=20 $U screen many -r $R -s killed.db -j 2 & "
             "await %ld; sleep 0.%03u; kill -9 $! 2>/dev/null; wait $!; exit $?",
             /* every third one at once, the others when something was worked on */
             kills % 3 ? inspections() + 1 + (long)(test_random(&seed) % 12) : 0L,
             test_random(&seed) % 40);
    outcome o = run("%s", line);
    if (o.status == 0)
      done = 1;
    else if (++kills > 400 || o.status != 137)
      fail_msg("status %d after %d kills: %s", o.status, kills, o.err);
    drop(&o);
    if (access(test_path("killed.db"), F_OK) == 0)
      expect_sound("killed.db");
  }
  assert_true(kills >= 3); /* or the delay is too short to test anything */
  expect_same("whole.db", "killed.db");
  /* Done over: at most what was in the slots at each kill (2 jobs, 4 slots each). */
  assert_true(inspections() >= PHOTOS && inspections() <= PHOTOS + 8L * kills);
}

static void an_interrupt_ends_cleanly(void **state) {
  (void)state;
  expect_run(130, "", "goes on from there",
             "rm -f log; UDG_TEST_LOG=log UDG_TEST_DELAY_MS=50 $U screen many -r $R -s int.db & "
             "await 5; kill -INT $!; wait $!; exit $?");
  int64_t kept = ask("int.db", "SELECT count(*) FROM result");
  assert_true(kept > 0 && kept < PHOTOS);
  assert_int_equal(ask("int.db", "SELECT count(*) FROM run WHERE outcome='stopped'"), 1);
  expect_run(0, "", "40 of 40", "$U screen many -r $R -s int.db");
  dump_store("int.db");
}

static void a_run_that_waits_can_be_stopped(void **state) {
  (void)state;
  expect_run(130, "", "stopped while waiting",
             "rm -f log; UDG_TEST_LOG=log UDG_TEST_DELAY_MS=500 $U screen many -r $R -s held.db -q "
             ">/dev/null & await 1; $U screen many -r $R -s held.db 2>waits & w=$!; k=0; "
             "until grep -q waiting waits || [ $k -gt 600 ]; do sleep 0.05; k=$((k+1)); done; "
             "kill -INT $w; wait $w; s=$?; kill %1; wait; cat waits >&2; exit $s");
}

static void two_runs_take_turns(void **state) {
  (void)state;
  expect_run(
      2, "", "turn.db: another run is at this store",
      "rm -f log; UDG_TEST_LOG=log UDG_TEST_DELAY_MS=500 $U screen many -r $R -s turn.db -q "
      ">/dev/null & await 1; $U screen many -r $R -s turn.db --no-wait; s=$?; kill $!; wait; "
      "exit $s");
  expect_run(0, "", "waiting for it to end",
             "rm -f log; UDG_TEST_LOG=log UDG_TEST_DELAY_MS=50 $U screen many -r $R -s turn2.db -q "
             ">/dev/null & await 1; $U screen many -r $R -s turn2.db; s=$?; wait; exit $s");
  expect_sound("turn2.db");
  assert_int_equal(ask("turn2.db", "SELECT count(*) FROM result"), PHOTOS);
}

static void bad_photos_do_not_stop_the_others(void **state) {
  (void)state;
  mkdir(test_path("bad"), 0700);
  mkdir(test_path("bad/deep.jpg"), 0700);
  write_photo("bad/good.jpg", 100, 1);
  write_photo("bad/deep.jpg/also.png", 230, 2);
  test_write_file(test_path("bad/empty.jpg"), "", 0);
  test_write_file(test_path("bad/text.png"), "no picture", 10);
  test_write_file(test_path("bad/other.txt"), "not meant", 9);
  assert_int_equal(symlink("nowhere", test_path("bad/gone.jpg")), 0);
  outcome o = run("$U screen bad missing.jpg -r $R -s bad.db");
  assert_int_equal(o.status, 1);
  expect_has(o.err, "bad/empty.jpg: ");
  expect_has(o.err, "bad/text.png: ");
  expect_has(o.err, "bad/gone.jpg: No such file");
  expect_has(o.err, "missing.jpg: No such file");
  expect_has(o.err, "6 of 6 photos done");
  expect_has(o.err, "4 could not be read");
  expect_has(o.out, "1 photograph of 2 is flagged, hardly by chance.");
  drop(&o);
  /* What was not there is tried again; what is broken stays so until it changes. */
  unlink(test_path("bad/gone.jpg"));
  write_photo("bad/gone.jpg", 90, 3);
  expect_run(1, "", "3 could not be read", "$U screen bad missing.jpg -r $R -s bad.db");
  expect_run(0, "p", "", "$U export bad.db --csv | grep 'bad/text.png: '");
  expect_run(2, "", "no photo found", "mkdir -p none; $U screen none -r $R -s none.db");
  expect_run(2, "", "empty.jpg", "$U screen bad/empty.jpg -r $R -s e.db");
}

static void a_photo_may_vanish_meanwhile(void **state) {
  (void)state;
  mkdir(test_path("vanish"), 0700);
  for (int i = 0; i < 20; i++) {
    char name[64];
    snprintf(name, sizeof name, "vanish/%02d.jpg", i);
    write_photo(name, (uint8_t)(100 + i), i);
  }
  expect_run(1, "", "vanish/19.jpg: No such file",
             "rm -f log; UDG_TEST_LOG=log UDG_TEST_DELAY_MS=50 $U screen vanish -r $R -s van.db & "
             "await 2; rm vanish/19.jpg; wait $!; exit $?");
  assert_int_equal(ask("van.db", "SELECT count(*) FROM file WHERE photo_id NOT NULL"), 19);
  /* One that was judged and then went is not missed. */
  expect_run(0, "", "19 known before",
             "rm vanish/00.jpg; $U screen vanish/00.jpg vanish -r $R -s van.db");
}

/* A file that may not grow stands for a disk that is full. */
static void a_full_disk_leaves_the_store_whole(void **state) {
  (void)state;
  struct stat about;
  expect_run(0, "", "", "$U screen many -r $R -s room.db --pictures all");
  assert_int_equal(stat(test_path("room.db"), &about), 0);
  outcome o = run("(ulimit -f %lld; $U screen many -r $R -s full.db --pictures all)",
                  (long long)about.st_size * 7 / 10 / 512);
  assert_int_equal(o.status, 2);
  expect_has(o.err, "full.db: ");
  drop(&o);
  expect_sound("full.db");
  int64_t kept = ask("full.db", "SELECT count(*) FROM result");
  assert_true(kept > 0 && kept < PHOTOS);
  expect_run(0, "", "40 of 40", "$U screen many -r $R -s full.db --pictures all");
  expect_same("full.db", "room.db");
  if (access("/dev/full", W_OK) == 0)
    expect_run(2, "", "standard output", "$U export room.db --csv >/dev/full");
  expect_run(2, "", "index.html", "(ulimit -f 8; $U page room.db -o fullpage)");
  assert_int_equal(access(test_path("fullpage/index.html"), F_OK), -1);
}

/* root may write anything: then nobody runs the command. */
static void a_read_only_store_is_told(void **state) {
  (void)state;
  const char *as = "";
  if (geteuid() == 0) {
    if (!test_has_program("setpriv"))
      skip();
    as = "setpriv --reuid=65534 --regid=65534 --clear-groups ";
  }
  expect_run(0, "", "", "$U screen many -r $R -s ro.db && chmod 444 ro.db && chmod 755 . many");
  char line[400];
  snprintf(line, sizeof line, "%s$U screen many -r $R -s ro.db", as);
  expect_run(2, "", "ro.db: Permission denied", line);
  snprintf(
      line, sizeof line,
      "echo id,mark >k.csv; echo many/p003.jpg,no >>k.csv; chmod 644 k.csv; %s$U marks ro.db k.csv",
      as);
  expect_run(2, "", "ro.db: attempt to write a readonly database", line);
  snprintf(line, sizeof line, "%s$U export ro.db --csv", as);
  expect_run(0, "p003", "", line); /* looking is free */
  expect_run(
      0, "", "",
      "chmod 644 ro.db; python3 -c \"import sqlite3;d=sqlite3.connect('ro.db');d.executescript"
      "('drop table store;alter table reference drop column replaced;pragma "
      "user_version=3')\"; chmod 444 ro.db");
  expect_run(2, "", "ro.db: of an older version, and could not be brought up to date", line);
}

static void stores_that_are_none_are_refused(void **state) {
  (void)state;
  expect_run(2, "", "n.db: file is not a database",
             "head -c 5000 $R >n.db; cp n.db n.copy; $U screen many -r $R -s n.db; s=$?; "
             "cmp n.db n.copy || exit 9; exit $s");
  expect_run(2, "", "n.db: file is not a database", "$U export n.db --csv");
  expect_run(2, "", "gone.db: No such file", "$U show gone.db x");
  expect_run(1, "", "", "rm -f v.db; $U screen many/p000.jpg -r $R -s v.db; $U export v.db -c -f");
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(a_folder_becomes_a_short_list),
                                     cmocka_unit_test(the_number_of_jobs_changes_nothing),
                                     cmocka_unit_test(the_stream_is_in_order),
                                     cmocka_unit_test(the_same_photo_is_worked_once),
                                     cmocka_unit_test(again_is_once_more_and_not_twice),
                                     cmocka_unit_test(a_changed_file_is_read_anew),
                                     cmocka_unit_test(killed_runs_go_on),
                                     cmocka_unit_test(an_interrupt_ends_cleanly),
                                     cmocka_unit_test(a_run_that_waits_can_be_stopped),
                                     cmocka_unit_test(two_runs_take_turns),
                                     cmocka_unit_test(bad_photos_do_not_stop_the_others),
                                     cmocka_unit_test(a_photo_may_vanish_meanwhile),
                                     cmocka_unit_test(a_full_disk_leaves_the_store_whole),
                                     cmocka_unit_test(a_read_only_store_is_told),
                                     cmocka_unit_test(stores_that_are_none_are_refused)};
  return cmocka_run_group_tests(tests, screening_set_up, screening_tear_down);
}
