/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Opening a store: whose file it is, which version, who else is at it. */
#include "store.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store_internal.h"

const char *const store_picture_names[STORE_PICTURES] = {"crop", "upright", "residual", "markers"};

/* Marks the file as ours in SQLite's header: "UDGS". */
#define APPLICATION_ID "1430538067"
static const int64_t application_id = 1430538067;

/* What leads from one version to the next; the first makes a store. */
static const char *const steps[STORE_SCHEMA] = {
    "CREATE TABLE run(run_id INTEGER PRIMARY KEY, started TEXT NOT NULL, ended TEXT,"
    "  outcome TEXT);"
    "CREATE TABLE reference(reference_id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE,"
    "  name TEXT NOT NULL, path TEXT NOT NULL);"
    "CREATE TABLE listing(listing_id INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, title TEXT,"
    "  address TEXT, price REAL, currency TEXT, closes TEXT, closes_at INTEGER, note TEXT,"
    "  source TEXT, source_row INTEGER, run_id INTEGER NOT NULL REFERENCES run);"
    "CREATE TABLE photo(photo_id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE,"
    "  bytes INTEGER NOT NULL, width INTEGER, height INTEGER, dhash TEXT, group_id INTEGER,"
    "  best_reference_id INTEGER REFERENCES reference, tied TEXT, error TEXT);"
    "CREATE TABLE file(file_id INTEGER PRIMARY KEY,"
    "  listing_id INTEGER NOT NULL REFERENCES listing, position INTEGER NOT NULL,"
    "  path TEXT NOT NULL, photo_id INTEGER REFERENCES photo, bytes INTEGER,"
    "  modified_ns INTEGER, error TEXT, queue INTEGER, UNIQUE(listing_id, path));"
    "CREATE INDEX file_by_queue ON file(queue) WHERE queue IS NOT NULL;"
    "CREATE INDEX file_by_photo ON file(photo_id);"
    "CREATE INDEX file_by_path ON file(path);"
    "CREATE TABLE result(photo_id INTEGER NOT NULL REFERENCES photo,"
    "  reference_id INTEGER NOT NULL REFERENCES reference, version TEXT NOT NULL, date TEXT,"
    "  verdict TEXT NOT NULL, judged INTEGER NOT NULL, evidence REAL, p_value REAL,"
    "  place INTEGER, digit TEXT, strength REAL, state TEXT, decoy_evidence REAL, doubt REAL,"
    "  words TEXT NOT NULL, json TEXT NOT NULL, present_path TEXT, trace_path TEXT,"
    "  PRIMARY KEY(photo_id, reference_id));"
    "CREATE TABLE picture(photo_id INTEGER NOT NULL REFERENCES photo,"
    "  reference_id INTEGER NOT NULL REFERENCES reference, kind TEXT NOT NULL,"
    "  width INTEGER NOT NULL, height INTEGER NOT NULL, jpeg BLOB NOT NULL,"
    "  PRIMARY KEY(photo_id, reference_id, kind));"
    "PRAGMA application_id=" APPLICATION_ID ";",

    "ALTER TABLE listing ADD COLUMN grade TEXT;"
    "CREATE TABLE mark(listing_id INTEGER PRIMARY KEY REFERENCES listing,"
    "  mark TEXT NOT NULL CHECK(mark IN ('closer', 'no', 'seen')), marked TEXT NOT NULL);",

    "ALTER TABLE run ADD COLUMN again INTEGER;"
    "ALTER TABLE result ADD COLUMN run_id INTEGER REFERENCES run;"
    "ALTER TABLE result ADD COLUMN rim REAL;",

    /* `replaced`: another content was given under its path since.  Hashes of 64 bits told
     * re-uploads badly: photos get the longer one when they are judged anew. */
    "ALTER TABLE reference ADD COLUMN replaced INTEGER NOT NULL DEFAULT 0;"
    "UPDATE photo SET dhash=NULL;"
    "CREATE TABLE store AS SELECT lower(hex(randomblob(8))) AS store_id;",
};

static int fail(udg_message *message, const char *path, const char *what) {
  snprintf(message->text, sizeof message->text, "%.300s: %s", path, what);
  return -1;
}

void store_fault(const store *s, udg_message *message) {
  sql_fault(s->db, message);
}

int store_begin(store *s) {
  return sql_run(s->db, "BEGIN IMMEDIATE");
}
int store_commit(store *s) {
  return sql_run(s->db, "COMMIT");
}

void store_rollback(store *s) {
  /* A full disk has rolled back already; then this fails, and the reason that
   * the caller has taken stays what counts. */
  (void)sql_run(s->db, "ROLLBACK");
}

/* A file that another program wrote must not be turned into a store. */
static int check_owner(store *s, const char *path, int64_t version, udg_message *message) {
  int64_t tables = sql_number(s->db, "SELECT count(*) FROM sqlite_master", -1);
  if (tables < 0 || version < 0) {
    store_fault(s, message);
    return -1;
  }
  if (tables == 0 && version == 0)
    return 0;
  if (sql_number(s->db, "PRAGMA application_id", 0) != application_id)
    return fail(message, path, "a database of another program, not a store of this one");
  if (version > STORE_SCHEMA) {
    char what[120];
    snprintf(what, sizeof what, "written by a newer underdigit (store version %lld, known: %d)",
             (long long)version, STORE_SCHEMA);
    return fail(message, path, what);
  }
  return 0;
}

static int migrate(store *s, int64_t version, udg_message *message) {
  char pragma[64];
  if (store_begin(s) != 0)
    goto failed;
  version = sql_number(s->db, "PRAGMA user_version", version); /* another may have been faster */
  for (; version < STORE_SCHEMA; version++)
    if (sql_run(s->db, steps[version]) != 0)
      goto failed;
  snprintf(pragma, sizeof pragma, "PRAGMA user_version=%d", STORE_SCHEMA);
  if (sql_run(s->db, pragma) != 0 || store_commit(s) != 0)
    goto failed;
  return 0;
failed:
  store_fault(s, message);
  store_rollback(s);
  return -1;
}

/* One screening run at a time: an flock() on the store itself, which ends with
 * the process however it ends. */
static int take_lock(store *s, const char *path, const store_wait *wait, udg_message *message) {
  s->lock = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0666);
  if (s->lock < 0)
    return fail(message, path, strerror(errno));
  if (flock(s->lock, LOCK_EX | LOCK_NB) == 0)
    return 0;
  if (errno != EWOULDBLOCK)
    return fail(message, path, strerror(errno));
  if (!wait || !wait->wait)
    return fail(message, path, "another run is at this store");
  if (wait->waiting)
    wait->waiting(path);
  while (flock(s->lock, LOCK_EX) != 0)
    if (errno != EINTR || (wait->stop && wait->stop()))
      return fail(message, path, "stopped while waiting for another run");
  return 0;
}

static int open_database(store *s, const char *path, store_mode mode, udg_message *message) {
  sql_mode how = mode == STORE_READ ? SQL_READ : mode == STORE_MARK ? SQL_WRITE : SQL_CREATE;
  if (sql_open(path, how, &s->db, message) != 0)
    return -1;
  /* Little cache: a run's memory stays small however large the store grows. */
  sql_run(s->db, "PRAGMA cache_size=-512; PRAGMA foreign_keys=ON; PRAGMA synchronous=NORMAL");
  int64_t version = sql_number(s->db, "PRAGMA user_version", -1);
  if (check_owner(s, path, version, message) != 0)
    return -1;
  if (version == STORE_SCHEMA)
    return 0;
  if (mode == STORE_SCREEN || (mode == STORE_MARK && version > 0))
    return migrate(s, version, message);
  if (version == 0)
    return fail(message, path, "an empty file, not a store");
  /* Reading: bring it up to date if the file lets us. */
  sql_close(s->db);
  s->db = NULL;
  udg_message why = {""};
  if (open_database(s, path, STORE_MARK, &why) == 0)
    return 0;
  snprintf(message->text, sizeof message->text,
           "%.200s: of an older version, and could not be brought up to date (%.200s)", path,
           why.text);
  return -1;
}

int store_open(const char *path, store_mode mode, const store_wait *wait, store **out,
               udg_message *message) {
  struct stat about;
  *out = NULL;
  if (stat(path, &about) != 0) {
    if (mode != STORE_SCREEN)
      return fail(message, path, strerror(errno));
  } else if (S_ISDIR(about.st_mode)) {
    return fail(message, path, "a folder, not a store");
  }
  store *s = calloc(1, sizeof *s);
  if (!s)
    return fail(message, path, "not enough memory");
  s->lock = -1;
  if ((mode == STORE_SCREEN && take_lock(s, path, wait, message) != 0) ||
      open_database(s, path, mode, message) != 0) {
    store_close(s);
    return -1;
  }
  *out = s;
  return 0;
}

void store_close(store *s) {
  if (!s)
    return;
  sql_close(s->db);
  if (s->lock >= 0)
    close(s->lock); /* after SQLite: closing any descriptor of the file drops its locks */
  free(s);
}
