/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The store by itself: versions, strangers' files, locks, what is kept and told. */
#include <fcntl.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "command.h"
#include "finds.h"
#include "store.h"
#include "store_sql.h"
#include "support.h"

/* The command's; the lists ask for it. */
void command_complain(const char *format, ...) {
  (void)format;
}

static void expect_has(const char *text, const char *part) {
  if (!strstr(text, part))
    fail_msg("'%s' is missing in: %s", part, text);
}

static store *open_store(const char *name, store_mode mode) {
  store *s = NULL;
  udg_message why = {""};
  if (store_open(test_path(name), mode, NULL, &s, &why) != 0)
    fail_msg("%s", why.text);
  return s;
}

static void expect_refused(const char *name, store_mode mode, const char *part) {
  store *s = NULL;
  udg_message why = {""};
  assert_int_equal(store_open(test_path(name), mode, NULL, &s, &why), -1);
  assert_null(s);
  expect_has(why.text, name);
  expect_has(why.text, part);
}

static void run_sql(const char *name, const char *script) {
  sql_db *db = NULL;
  udg_message why = {""};
  assert_int_equal(sql_open(test_path(name), SQL_CREATE, &db, &why), 0);
  if (sql_run(db, script) != 0) {
    sql_fault(db, &why);
    fail_msg("%s", why.text);
  }
  sql_close(db);
}

static int64_t ask(const char *name, const char *question) {
  sql_db *db = NULL;
  udg_message why = {""};
  assert_int_equal(sql_open(test_path(name), SQL_READ, &db, &why), 0);
  int64_t answer = sql_number(db, question, -999);
  sql_close(db);
  return answer;
}

/* A run of its own with the listings of `ids`, each with one photo of its name. */
static void queue_listings(store *s, int count, const char *const ids[]) {
  int64_t run_id = 0, first_row = 0;
  assert_int_equal(store_begin(s), 0);
  assert_int_equal(store_clear_queue(s, 0, &run_id), 0);
  for (int i = 0; i < count; i++) {
    listing l = {.id = ids[i], .price = (double)NAN, .photo_count = 1, .photos = {ids[i]}};
    assert_int_equal(store_add_listing(s, run_id, &l, &first_row), STORE_ADDED);
  }
  assert_int_equal(store_commit(s), 0);
}

/* Keeps a judgement for the next entry of the queue, of a photo whose hash has its first 128
 * bits set and so many of its last. */
static void keep(store *s, int64_t *queue, int64_t reference_id, const char *sha, int dhash_bits,
                 const char *verdict, double evidence, double p_value) {
  store_entry entry;
  assert_int_equal(store_next(s, *queue, &reference_id, 1, &entry), 1);
  *queue = entry.queue;
  entry.bytes = 10;
  entry.modified_ns = 20;
  store_judgement j = {.made = 1,
                       .date = "1924",
                       .verdict = verdict,
                       .judged = 1,
                       .place = 4,
                       .digit = '3',
                       .evidence = evidence,
                       .p_value = p_value,
                       .strength = 0.5,
                       .state = "strong",
                       .decoy_evidence = (double)NAN,
                       .doubt = 0.3,
                       .rim = (double)NAN};
  char words[] = "\n  Answer      A trace.\n", json[] = "{\"photo\":\"\",\"status\":\"ok\"}";
  j.words = words;
  j.json = json;
  store_photo photo = {
      .bytes = 10, .width = 100, .height = 80, .judgement_count = 1, .judgements = &j};
  snprintf(photo.sha256, sizeof photo.sha256, "%s", sha);
  snprintf(photo.dhash, sizeof photo.dhash, "%s%s%016d%016llx", "ffffffffffffffff",
           "ffffffffffffffff", 0, (1ULL << dhash_bits) - 1);
  assert_int_equal(store_begin(s), 0);
  assert_int_equal(store_keep(s, &entry, &photo, &reference_id), 0);
  assert_int_equal(store_commit(s), 0);
  store_entry_clear(&entry);
}

static int64_t add_reference(store *s) {
  int64_t id = 0;
  assert_int_equal(store_add_reference(s, "ref-a", "Token", "a.json", &id), 0);
  return id;
}

static void a_new_store_is_sound_and_ours(void **state) {
  (void)state;
  store_close(open_store("new.db", STORE_SCREEN));
  assert_int_equal(ask("new.db", "PRAGMA user_version"), STORE_SCHEMA);
  assert_int_equal(ask("new.db", "PRAGMA application_id"), 0x55444753); /* "UDGS" */
  store_close(open_store("new.db", STORE_READ));
  expect_refused("none.db", STORE_READ, "No such file");
  expect_refused("none.db", STORE_MARK, "No such file");
  assert_int_equal(access(test_path("none.db"), F_OK), -1); /* and none was made */
}

static void strangers_files_are_left_alone(void **state) {
  (void)state;
  static const char text[] = "This is a letter, not a database, and a rather long one at that.";
  test_write_file(test_path("letter.db"), text, sizeof text - 1);
  expect_refused("letter.db", STORE_SCREEN, "not a database");
  expect_refused("letter.db", STORE_READ, "not a database");
  test_bytes after = test_read_file(test_path("letter.db"));
  assert_int_equal(after.count, sizeof text - 1);
  assert_memory_equal(after.bytes, text, after.count);
  test_bytes_free(&after);
  run_sql("other.db", "CREATE TABLE songs(name)");
  expect_refused("other.db", STORE_SCREEN, "another program");
  assert_int_equal(ask("other.db", "SELECT count(*) FROM sqlite_master"), 1);
  mkdir(test_path("folder.db"), 0700);
  expect_refused("folder.db", STORE_SCREEN, "folder");
  test_write_file(test_path("empty.db"), "", 0);
  expect_refused("empty.db", STORE_READ, "empty file");
  store_close(open_store("empty.db", STORE_SCREEN)); /* an empty database is free to be one */
}

static void newer_versions_are_refused(void **state) {
  (void)state;
  store_close(open_store("newer.db", STORE_SCREEN));
  run_sql("newer.db", "PRAGMA user_version=99");
  expect_refused("newer.db", STORE_SCREEN, "newer underdigit (store version 99");
  expect_refused("newer.db", STORE_READ, "newer underdigit");
  assert_int_equal(ask("newer.db", "PRAGMA user_version"), 99);
}

/* A store as the first version made it, with a find in it. */
static const char version_1[] =
    "CREATE TABLE run(run_id INTEGER PRIMARY KEY, started TEXT NOT NULL, ended TEXT, outcome TEXT);"
    "CREATE TABLE reference(reference_id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE,"
    " name TEXT NOT NULL, path TEXT NOT NULL);"
    "CREATE TABLE listing(listing_id INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, title TEXT,"
    " address TEXT, price REAL, currency TEXT, closes TEXT, closes_at INTEGER, note TEXT,"
    " source TEXT, source_row INTEGER, run_id INTEGER NOT NULL REFERENCES run);"
    "CREATE TABLE photo(photo_id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE,"
    " bytes INTEGER NOT NULL, width INTEGER, height INTEGER, dhash TEXT, group_id INTEGER,"
    " best_reference_id INTEGER REFERENCES reference, tied TEXT, error TEXT);"
    "CREATE TABLE file(file_id INTEGER PRIMARY KEY, listing_id INTEGER NOT NULL REFERENCES listing,"
    " position INTEGER NOT NULL, path TEXT NOT NULL, photo_id INTEGER REFERENCES photo,"
    " bytes INTEGER, modified_ns INTEGER, error TEXT, queue INTEGER, UNIQUE(listing_id, path));"
    "CREATE INDEX file_by_queue ON file(queue) WHERE queue IS NOT NULL;"
    "CREATE INDEX file_by_photo ON file(photo_id); CREATE INDEX file_by_path ON file(path);"
    "CREATE TABLE result(photo_id INTEGER NOT NULL REFERENCES photo,"
    " reference_id INTEGER NOT NULL REFERENCES reference, version TEXT NOT NULL, date TEXT,"
    " verdict TEXT NOT NULL, judged INTEGER NOT NULL, evidence REAL, p_value REAL, place INTEGER,"
    " digit TEXT, strength REAL, state TEXT, decoy_evidence REAL, doubt REAL, words TEXT NOT NULL,"
    " json TEXT NOT NULL, present_path TEXT, trace_path TEXT, PRIMARY KEY(photo_id, reference_id));"
    "CREATE TABLE picture(photo_id INTEGER NOT NULL REFERENCES photo,"
    " reference_id INTEGER NOT NULL REFERENCES reference, kind TEXT NOT NULL,"
    " width INTEGER NOT NULL, height INTEGER NOT NULL, jpeg BLOB NOT NULL,"
    " PRIMARY KEY(photo_id, reference_id, kind));"
    "INSERT INTO run(started) VALUES('2026-01-01');"
    "INSERT INTO reference VALUES(1, 'aa', 'Token', 'a.json');"
    "INSERT INTO listing(id, run_id, price) VALUES('L1', 1, 7.5);"
    "INSERT INTO photo(sha256, bytes, best_reference_id) VALUES('bb', 5, 1);"
    "INSERT INTO file(listing_id, position, path, photo_id) VALUES(1, 1, 'p.jpg', 1);"
    "INSERT INTO result(photo_id, reference_id, version, verdict, judged, evidence, p_value, words,"
    " json) VALUES(1, 1, '0', 'underdigit', 1, 4.5, 0.001, 'w', '{}');"
    "PRAGMA application_id=1430538067; PRAGMA user_version=1;";

static int check_old_find(void *user, const store_find *tell) {
  ++*(int *)user;
  assert_string_equal(tell->id, "L1");
  assert_string_equal(tell->verdict, "underdigit");
  assert_true(tell->price == 7.5 && tell->evidence == 4.5);
  assert_null(tell->grade);
  return 0;
}

static void old_versions_are_brought_up_to_date(void **state) {
  (void)state;
  for (int mode = 0; mode < 3; mode++) {
    static const char *const names[] = {"old0.db", "old1.db", "old2.db"};
    int count = 0;
    run_sql(names[mode], version_1);
    store *s = open_store(names[mode], (store_mode)mode);
    assert_int_equal(store_finds(s, check_old_find, &count), 0);
    assert_int_equal(count, 1);
    store_close(s);
    assert_int_equal(ask(names[mode], "PRAGMA user_version"), STORE_SCHEMA);
    assert_int_equal(ask(names[mode], "SELECT length(store_id) FROM store"), 16);
    s = open_store(names[mode], STORE_MARK);
    assert_int_equal(store_mark(s, "L1", "closer"), 1);
    store_close(s);
  }
}

static void one_run_at_a_time(void **state) {
  (void)state;
  store *s = open_store("lock.db", STORE_SCREEN);
  expect_refused("lock.db", STORE_SCREEN, "another run");
  store_close(open_store("lock.db", STORE_READ)); /* looking is free */
  store_close(s);
  store_close(open_store("lock.db", STORE_SCREEN));
}

static int waits;
static void count_wait(const char *path) {
  (void)path;
  waits++;
}

static void the_second_run_waits_for_the_first(void **state) {
  (void)state;
  int ready[2];
  assert_int_equal(pipe(ready), 0);
  pid_t child = fork();
  if (child == 0) {
    store *held = NULL;
    udg_message why;
    if (store_open(test_path("wait.db"), STORE_SCREEN, NULL, &held, &why) != 0)
      _exit(1);
    if (write(ready[1], "x", 1) != 1)
      _exit(1);
    nanosleep(&(struct timespec){.tv_nsec = 300000000}, NULL);
    _exit(0); /* without closing: the lock goes with the process */
  }
  char byte;
  assert_int_equal(read(ready[0], &byte, 1), 1);
  const store_wait wait = {1, count_wait, NULL};
  store *s = NULL;
  udg_message why = {""};
  assert_int_equal(store_open(test_path("wait.db"), STORE_SCREEN, &wait, &s, &why), 0);
  assert_int_equal(waits, 1);
  store_close(s);
  int status;
  waitpid(child, &status, 0);
  assert_int_equal(WEXITSTATUS(status), 0);
  close(ready[0]);
  close(ready[1]);
}

static void the_queue_begins_anew_and_ids_do_not(void **state) {
  (void)state;
  store *s = open_store("queue.db", STORE_SCREEN);
  queue_listings(s, 3, (const char *const[]){"a", "b", "c"});
  assert_int_equal(store_queue_length(s), 3);
  queue_listings(s, 2, (const char *const[]){"b", "d"});
  assert_int_equal(store_queue_length(s), 2);
  assert_int_equal(store_is_queued(s, "a"), 0);
  assert_int_equal(store_is_queued(s, "b"), 1);
  int64_t run_id, first_row = 0;
  assert_int_equal(store_begin(s), 0);
  assert_int_equal(store_clear_queue(s, 0, &run_id), 0);
  listing l = {.id = "x", .price = 1, .source = "t.csv", .row = 4};
  assert_int_equal(store_add_listing(s, run_id, &l, &first_row), STORE_ADDED);
  l.row = 9;
  l.price = 2;
  assert_int_equal(store_add_listing(s, run_id, &l, &first_row), STORE_DUPLICATE);
  assert_int_equal(first_row, 4);
  store_rollback(s);
  assert_int_equal(store_queue_length(s), 2); /* as if the run had not been */
  store_close(s);
  assert_int_equal(ask("queue.db", "SELECT count(*) FROM listing"), 4);
}

typedef struct seen {
  char text[1000];
} seen;

static int note_find(void *user, const store_find *f) {
  seen *n = user;
  size_t used = strlen(n->text);
  snprintf(n->text + used, sizeof n->text - used, "%s:%s:%g:%d:%lld ", f->id,
           f->verdict ? f->verdict : "-", f->evidence, f->photo_count, (long long)f->group_id);
  return 0;
}

static int note_other(void *user, const char *id, int same_photo) {
  seen *n = user;
  size_t used = strlen(n->text);
  snprintf(n->text + used, sizeof n->text - used, "%s%s ", id, same_photo ? "=" : "~");
  return 0;
}

static void photos_are_kept_once_and_grouped(void **state) {
  (void)state;
  store *s = open_store("photos.db", STORE_SCREEN);
  int64_t reference_id = add_reference(s), queue = 0;
  queue_listings(s, 5, (const char *const[]){"a", "b", "c", "d", "e"});
  keep(s, &queue, reference_id, "s1", 0, "plain", -2, 0.5);
  keep(s, &queue, reference_id, "s2", 54, "underdigit", 5, 0.001);
  keep(s, &queue, reference_id, "s1", 0, "plain", -2, 0.5);
  keep(s, &queue, reference_id, "s3", 55, "plain", -3, 0.6); /* 55 of 183: a bit too far */
  int needed = -1;
  assert_int_equal(store_known(s, "s1", &reference_id, 1, &needed), 1);
  assert_int_equal(needed, 0);
  int64_t another = reference_id + 1;
  assert_int_equal(store_known(s, "s1", &another, 1, &needed), 1);
  assert_int_equal(needed, 1);
  assert_int_equal(store_known(s, "s9", &reference_id, 1, &needed), 0);
  assert_int_equal(store_group(s), 0);
  seen all = {""}, others = {""};
  assert_int_equal(store_finds(s, note_find, &all), 0);
  assert_string_equal(all.text, "a:plain:-2:1:1 b:underdigit:5:1:1 c:plain:-2:1:1 d:plain:-3:1:3 "
                                "e:-:nan:1:0 ");
  assert_int_equal(store_others(s, 1, note_other, &others), 0);
  assert_string_equal(others.text, "b~ c= ");
  char *json = NULL;
  assert_int_equal(store_object(s, 3, &json), 1);
  assert_string_equal(json,
                      "{\"photo\":\"c\",\"listing\":\"c\",\"sha256\":\"s1\",\"status\":\"ok\"}");
  free(json);
  assert_int_equal(store_object(s, 5, &json), 0);
  store_close(s);
  assert_int_equal(ask("photos.db", "SELECT count(*) FROM photo"), 3);
  assert_int_equal(ask("photos.db", "SELECT count(*) FROM result"), 3);
}

/* A store may come from somebody else: verdicts that no version of ours writes, even none, are
 * counted as what they are, another kind of "not flagged". */
static void odd_verdicts_are_counted(void **state) {
  (void)state;
  store *s = open_store("odd.db", STORE_SCREEN);
  int64_t reference_id = add_reference(s), queue = 0;
  queue_listings(s, 4, (const char *const[]){"a", "b", "c", "d"});
  keep(s, &queue, reference_id, "s1", 0, "underdigit", 5, 0.001);
  keep(s, &queue, reference_id, "s2", 20, "plain", -2, 0.5);
  keep(s, &queue, reference_id, "s3", 40, "plain", -2, 0.5);
  keep(s, &queue, reference_id, "s4", 60, "plain", -2, 0.5);
  store_close(s);
  run_sql("odd.db", "UPDATE result SET verdict='' WHERE photo_id=2;"
                    "UPDATE result SET verdict='x' WHERE photo_id=3;"
                    "PRAGMA writable_schema=ON;"
                    "UPDATE sqlite_schema SET sql=replace(sql, 'verdict TEXT NOT NULL', "
                    "'verdict TEXT') WHERE name='result';");
  run_sql("odd.db", "UPDATE result SET verdict=NULL WHERE photo_id=4;");
  s = open_store("odd.db", STORE_READ);
  finds_options options;
  finds_list list;
  udg_message why = {""};
  finds_defaults(&options);
  options.flagged_only = 1;
  if (finds_load(s, &options, &list, &why) != 0)
    fail_msg("%s", why.text);
  assert_int_equal(list.count, 1);
  assert_int_equal(list.other_count, 3);
  assert_int_equal(list.judged, 4);
  assert_int_equal(list.flagged, 1);
  finds_clear(&list);
  store_close(s);
}

/* What two references say of one photo: the rim decides first, then doubt, then
 * evidence. */
static void the_reference_that_fits_speaks(void **state) {
  (void)state;
  static const struct {
    double doubt[2], evidence[2];
    int judged[2], best, tied;
    double rim[2];                                          /* 9: none */
  } cases[] = {{{0.3, 0.8}, {-4, 6}, {1, 1}, 0, 0, {9, 9}}, /* the other is of another coin */
               {{0.8, 0.3}, {6, -4}, {1, 1}, 1, 0, {9, 9}},
               {{0.3, 0.35}, {1, 4}, {1, 1}, 1, 0, {9, 9}},        /* both fit: evidence */
               {{0.3, 0.35}, {4, 3.8}, {1, 1}, 0, 1, {9, 9}},      /* and nearly the same: said */
               {{0.3, 0.35}, {9, 1}, {0, 1}, 1, 0, {9, 9}},        /* one could not judge */
               {{0.35, 0.3}, {1, 4}, {1, 1}, 0, 0, {0.02, -0.09}}, /* another coin's rim */
               {{0.3, 0.35}, {4, 1}, {1, 1}, 1, 0, {0.12, 0.01}},
               {{0.3, 0.35}, {4, 3.8}, {1, 1}, 0, 1, {0.02, -0.03}}, /* rims of one size */
               {{0.3, 0.8}, {1, 4}, {1, 1}, 0, 0, {9, 0.0}}};        /* one of them saw no rim */
  enum { CASES = sizeof cases / sizeof cases[0] };
  store *s = open_store("best.db", STORE_SCREEN);
  int64_t ids[2], queue = 0;
  assert_int_equal(store_add_reference(s, "r1", "One", "1.json", &ids[0]), 0);
  assert_int_equal(store_add_reference(s, "r2", "Two", "2.json", &ids[1]), 0);
  queue_listings(s, CASES, (const char *const[]){"a", "b", "c", "d", "e", "f", "g", "h", "i"});
  for (int i = 0; i < CASES; i++) {
    char words[] = "", json[] = "{\"photo\":\"\"}", *told = NULL;
    store_judgement j[2] = {{.made = 1}, {.made = 1}};
    store_photo photo = {.judgement_count = 2, .judgements = j};
    snprintf(photo.sha256, sizeof photo.sha256, "p%d", i);
    for (int k = 0; k < 2; k++)
      j[k] = (store_judgement){.made = 1,
                               .verdict = "plain",
                               .words = words,
                               .json = json,
                               .judged = cases[i].judged[k],
                               .evidence = cases[i].evidence[k],
                               .p_value = 0.5,
                               .doubt = cases[i].doubt[k],
                               .rim = cases[i].rim[k] < 9 ? cases[i].rim[k] : (double)NAN,
                               .decoy_evidence = (double)NAN};
    store_entry entry;
    assert_int_equal(store_next(s, queue, ids, 2, &entry), 1);
    queue = entry.queue;
    assert_int_equal(store_keep(s, &entry, &photo, ids), 0);
    assert_int_equal(store_object(s, entry.file_id, &told), 1);
    assert_int_equal(strstr(told, ",\"tied\":\"") != NULL, cases[i].tied);
    free(told);
    store_entry_clear(&entry);
  }
  store_close(s);
  for (int i = 0; i < CASES; i++) {
    char question[200];
    snprintf(question, sizeof question, "SELECT best_reference_id FROM photo WHERE sha256='p%d'",
             i);
    assert_int_equal(ask("best.db", question), ids[cases[i].best]);
    snprintf(question, sizeof question, "SELECT tied IS NOT NULL FROM photo WHERE sha256='p%d'", i);
    assert_int_equal(ask("best.db", question), cases[i].tied);
  }
}

/* A photo of one listing, judged by a reference of that content, with that evidence. */
static void judge_by(store *s, int64_t reference_id, double evidence) {
  int64_t queue = 0;
  queue_listings(s, 1, (const char *const[]){"a"});
  keep(s, &queue, reference_id, "s1", 0, "plain", evidence, 0.5);
}

/* What an edited reference said before it was edited is no rival of what it says now. */
static void an_edited_reference_speaks_as_it_is(void **state) {
  (void)state;
  static const char best[] = "SELECT best_reference_id FROM photo";
  int64_t before, after, back;
  store *s = open_store("edited.db", STORE_SCREEN);
  assert_int_equal(store_add_reference(s, "old", "Token", "t.json", &before), 0);
  judge_by(s, before, 5);
  assert_int_equal(store_add_reference(s, "new", "Token", "t.json", &after), 0);
  assert_int_not_equal(before, after);
  assert_int_equal(store_choose(s), 0); /* nothing newer has judged it */
  assert_int_equal(ask("edited.db", best), before);
  judge_by(s, after, 4.8);
  assert_int_equal(ask("edited.db", best), after);
  assert_int_equal(ask("edited.db", "SELECT tied IS NULL FROM photo"), 1);
  assert_int_equal(store_add_reference(s, "old", "Token", "t.json", &back), 0);
  assert_int_equal(back, before);
  assert_int_equal(store_choose(s), 0);
  assert_int_equal(ask("edited.db", best), before);
  store_close(s);
}

/* The figures of another version of the library speak only where there are no others. */
static void another_version_is_no_rival(void **state) {
  (void)state;
  int64_t one, two;
  store *s = open_store("version.db", STORE_SCREEN);
  assert_int_equal(store_add_reference(s, "1", "One", "1.json", &one), 0);
  assert_int_equal(store_add_reference(s, "2", "Two", "2.json", &two), 0);
  judge_by(s, one, 5);
  run_sql("version.db", "UPDATE result SET version='0.0.1'");
  assert_int_equal(store_other_versions(s), 0); /* all of one kind */
  judge_by(s, two, 4.8);
  assert_int_equal(ask("version.db", "SELECT best_reference_id FROM photo"), two);
  assert_int_equal(ask("version.db", "SELECT tied IS NULL FROM photo"), 1);
  assert_int_equal(store_other_versions(s), 0); /* what does not speak does not count */
  run_sql("version.db", "UPDATE photo SET best_reference_id=1");
  assert_int_equal(store_other_versions(s), 1);
  store_close(s);
}

/* A row met again says which photos the listing has; one that names none leaves them. */
static void a_listing_loses_the_photos_it_lost(void **state) {
  (void)state;
  static const struct {
    int count;
    const char *photos[2];
    const char *told;
  } runs[] = {{2, {"p", "q"}, "a:-:nan:2:0 "},
              {1, {"q", NULL}, "a:-:nan:1:0 "},
              {0, {NULL, NULL}, "a:-:nan:1:0 "}};
  store *s = open_store("lost.db", STORE_SCREEN);
  for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
    int64_t run_id, first_row;
    seen all = {""};
    listing l = {.id = "a", .price = (double)NAN, .photo_count = runs[i].count};
    memcpy(l.photos, runs[i].photos, sizeof runs[i].photos);
    assert_int_equal(store_clear_queue(s, 0, &run_id), 0);
    assert_int_equal(store_add_listing(s, run_id, &l, &first_row), STORE_ADDED);
    assert_int_equal(store_finds(s, note_find, &all), 0);
    assert_string_equal(all.text, runs[i].told);
  }
  store_close(s);
}

static void marks_come_and_go(void **state) {
  (void)state;
  store *s = open_store("marks.db", STORE_SCREEN);
  queue_listings(s, 1, (const char *const[]){"a"});
  assert_int_equal(store_mark(s, "a", "closer"), 1);
  assert_int_equal(store_mark(s, "a", "no"), 1);
  assert_int_equal(store_mark(s, "zzz", "no"), 0);
  assert_int_equal(store_mark(s, "zzz", ""), 0);
  assert_int_equal(store_mark(s, "a", "other"), -1); /* the schema knows three */
  store_close(s);
  assert_int_equal(ask("marks.db", "SELECT count(*) FROM mark WHERE mark='no'"), 1);
  s = open_store("marks.db", STORE_MARK);
  assert_int_equal(store_mark(s, "a", ""), 1);
  store_close(s);
  assert_int_equal(ask("marks.db", "SELECT count(*) FROM mark"), 0);
}

static int tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(a_new_store_is_sound_and_ours),
                                     cmocka_unit_test(strangers_files_are_left_alone),
                                     cmocka_unit_test(newer_versions_are_refused),
                                     cmocka_unit_test(old_versions_are_brought_up_to_date),
                                     cmocka_unit_test(one_run_at_a_time),
                                     cmocka_unit_test(the_second_run_waits_for_the_first),
                                     cmocka_unit_test(the_queue_begins_anew_and_ids_do_not),
                                     cmocka_unit_test(photos_are_kept_once_and_grouped),
                                     cmocka_unit_test(odd_verdicts_are_counted),
                                     cmocka_unit_test(the_reference_that_fits_speaks),
                                     cmocka_unit_test(an_edited_reference_speaks_as_it_is),
                                     cmocka_unit_test(another_version_is_no_rival),
                                     cmocka_unit_test(a_listing_loses_the_photos_it_lost),
                                     cmocka_unit_test(marks_come_and_go)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
