/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The only file that knows SQLite. */
#include "store_sql.h"

#include <errno.h>
#include <math.h>
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { QUERIES_MAX = 64, WAIT_MS = 30000 };

struct sql_query {
  sql_db *db;
  const char *text;
  sqlite3_stmt *statement;
};

struct sql_db {
  sqlite3 *handle;
  char *path;
  char fault[256];
  sql_query queries[QUERIES_MAX];
  int query_count;
};

static int note_fault(sql_db *db, int code) {
  int disk = sqlite3_system_errno(db->handle);
  /* SQLite names a full disk and a lost one alike where the system tells more. */
  if ((code & 0xff) == SQLITE_IOERR && disk)
    snprintf(db->fault, sizeof db->fault, "%s", strerror(disk));
  else
    snprintf(db->fault, sizeof db->fault, "%s", sqlite3_errmsg(db->handle));
  return -1;
}

void sql_fault(const sql_db *db, udg_message *message) {
  snprintf(message->text, sizeof message->text, "%.240s: %s", db->path, db->fault);
}

int sql_open(const char *path, sql_mode mode, sql_db **db, udg_message *message) {
  sql_db *made = calloc(1, sizeof *made);
  if (made)
    made->path = strdup(path);
  if (!made || !made->path) {
    free(made);
    snprintf(message->text, sizeof message->text, "%.300s: not enough memory", path);
    return -1;
  }
  /* Also for reading: what a killed run has left half done must be taken back
   * first.  A file that may not be written is opened all the same. */
  int flags = SQLITE_OPEN_READWRITE;
  if (mode == SQL_CREATE)
    flags |= SQLITE_OPEN_CREATE;
  int code = sqlite3_open_v2(path, &made->handle, flags | SQLITE_OPEN_NOMUTEX, NULL);
  if (code != SQLITE_OK) {
    if (made->handle)
      note_fault(made, code);
    else
      snprintf(made->fault, sizeof made->fault, "not enough memory");
    sql_fault(made, message);
    sql_close(made);
    return -1;
  }
  sqlite3_extended_result_codes(made->handle, 1);
  sqlite3_busy_timeout(made->handle, WAIT_MS);
  if (mode == SQL_READ)
    sqlite3_exec(made->handle, "PRAGMA query_only=ON", NULL, NULL, NULL);
  *db = made;
  return 0;
}

void sql_close(sql_db *db) {
  if (!db)
    return;
  for (int i = 0; i < db->query_count; i++)
    sqlite3_finalize(db->queries[i].statement);
  sqlite3_close(db->handle);
  free(db->path);
  free(db);
}

int sql_run(sql_db *db, const char *script) {
  int code = sqlite3_exec(db->handle, script, NULL, NULL, NULL);
  return code == SQLITE_OK ? 0 : note_fault(db, code);
}

int64_t sql_last_id(const sql_db *db) {
  return sqlite3_last_insert_rowid(db->handle);
}
int sql_changes(const sql_db *db) {
  return sqlite3_changes(db->handle);
}

sql_query *sql_prepare(sql_db *db, const char *text) {
  for (int i = 0; i < db->query_count; i++)
    if (db->queries[i].text == text) {
      sql_reset(&db->queries[i]);
      return &db->queries[i];
    }
  if (db->query_count == QUERIES_MAX) {
    snprintf(db->fault, sizeof db->fault, "too many kinds of queries");
    return NULL;
  }
  sql_query *q = &db->queries[db->query_count];
  int code =
      sqlite3_prepare_v3(db->handle, text, -1, SQLITE_PREPARE_PERSISTENT, &q->statement, NULL);
  if (code != SQLITE_OK) {
    note_fault(db, code);
    return NULL;
  }
  q->db = db;
  q->text = text;
  db->query_count++;
  return q;
}

int64_t sql_number(sql_db *db, const char *text, int64_t otherwise) {
  sql_query *q = sql_prepare(db, text);
  int64_t value = sql_step(q) == 1 ? sql_int(q, 0) : otherwise;
  sql_reset(q);
  return value;
}

void sql_bind_text(sql_query *q, int at, const char *text) {
  if (!q)
    return;
  if (text)
    sqlite3_bind_text(q->statement, at, text, -1, SQLITE_TRANSIENT);
  else
    sqlite3_bind_null(q->statement, at);
}

void sql_bind_int(sql_query *q, int at, int64_t value) {
  if (q)
    sqlite3_bind_int64(q->statement, at, value);
}

void sql_bind_real(sql_query *q, int at, double value) {
  if (q && isfinite(value))
    sqlite3_bind_double(q->statement, at, value);
  else
    sql_bind_null(q, at);
}

void sql_bind_blob(sql_query *q, int at, const void *bytes, size_t count) {
  if (q)
    sqlite3_bind_blob64(q->statement, at, bytes, count, SQLITE_TRANSIENT);
}

void sql_bind_null(sql_query *q, int at) {
  if (q)
    sqlite3_bind_null(q->statement, at);
}

int sql_step(sql_query *q) {
  if (!q)
    return -1;
  int code = sqlite3_step(q->statement);
  if (code == SQLITE_ROW)
    return 1;
  if (code == SQLITE_DONE)
    return 0;
  note_fault(q->db, code);
  return -1;
}

int sql_do(sql_query *q) {
  int status;
  do
    status = sql_step(q);
  while (status == 1);
  sql_reset(q);
  return status;
}

void sql_reset(sql_query *q) {
  if (!q)
    return;
  sqlite3_reset(q->statement);
  sqlite3_clear_bindings(q->statement);
}

const char *sql_text(sql_query *q, int column) {
  return (const char *)sqlite3_column_text(q->statement, column);
}

int64_t sql_int(sql_query *q, int column) {
  return sqlite3_column_int64(q->statement, column);
}

double sql_real(sql_query *q, int column) {
  return sql_is_null(q, column) ? (double)NAN : sqlite3_column_double(q->statement, column);
}

int sql_is_null(sql_query *q, int column) {
  return sqlite3_column_type(q->statement, column) == SQLITE_NULL;
}

const void *sql_blob(sql_query *q, int column, size_t *count) {
  const void *bytes = sqlite3_column_blob(q->statement, column);
  *count = bytes ? (size_t)sqlite3_column_bytes(q->statement, column) : 0;
  return bytes;
}
