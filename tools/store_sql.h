/* SPDX-License-Identifier: GPL-2.0-or-later */
/* SQL statements with faults that name the file. */
#ifndef STORE_SQL_H
#define STORE_SQL_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/status.h>

typedef struct sql_db sql_db;
typedef struct sql_query sql_query;

typedef enum sql_mode { SQL_READ, SQL_WRITE, SQL_CREATE } sql_mode;

/* 0, or -1 and a reason in `message`. */
int sql_open(const char *path, sql_mode mode, sql_db **db, udg_message *message);
/* NULL is fine; queries end with it. */
void sql_close(sql_db *db);
/* The last fault of any call below, with the file's name. */
void sql_fault(const sql_db *db, udg_message *message);

/* Statements without values; 0 or -1. */
int sql_run(sql_db *db, const char *script);
/* First column of the first row; `otherwise` when there is none. */
int64_t sql_number(sql_db *db, const char *text, int64_t otherwise);
int64_t sql_last_id(const sql_db *db);
int sql_changes(const sql_db *db);

/* NULL on a fault.  `text` must be a literal: it is the name under which the
 * query is kept for the next call with the same text. */
sql_query *sql_prepare(sql_db *db, const char *text);

/* Values in the order of the question marks, from 1.  NULL query is fine. */
void sql_bind_text(sql_query *q, int at, const char *text); /* NULL: SQL null; copied */
void sql_bind_int(sql_query *q, int at, int64_t value);
void sql_bind_real(sql_query *q, int at, double value); /* not finite: SQL null */
void sql_bind_blob(sql_query *q, int at, const void *bytes, size_t count); /* copied */
void sql_bind_null(sql_query *q, int at);

/* 1: a row; 0: no more; -1: a fault, also for a NULL query. */
int sql_step(sql_query *q);
/* Runs a query without rows and readies it for the next values; 0 or -1. */
int sql_do(sql_query *q);
/* Ends the rows. */
void sql_reset(sql_query *q);

/* Columns from 0, valid until the next step. */
const char *sql_text(sql_query *q, int column); /* NULL for SQL null */
int64_t sql_int(sql_query *q, int column);
double sql_real(sql_query *q, int column); /* NAN for SQL null */
int sql_is_null(sql_query *q, int column);
const void *sql_blob(sql_query *q, int column, size_t *count);

#endif
