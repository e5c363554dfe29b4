/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a run has to do: references, listings, the queue of files. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/version.h>

#include "store_internal.h"

int store_add_reference(store *s, const char *sha256, const char *name, const char *path,
                        int64_t *reference_id) {
  sql_query *q = sql_prepare(s->db, "INSERT INTO reference(sha256, name, path) VALUES(?, ?, ?) "
                                    "ON CONFLICT(sha256) DO UPDATE SET path=excluded.path,"
                                    " replaced=0 "
                                    "RETURNING reference_id");
  sql_bind_text(q, 1, sha256);
  sql_bind_text(q, 2, name);
  sql_bind_text(q, 3, path);
  if (sql_step(q) != 1) {
    sql_reset(q);
    return -1;
  }
  *reference_id = sql_int(q, 0);
  if (sql_do(q) != 0)
    return -1;
  q = sql_prepare(s->db, "UPDATE reference SET replaced=1 WHERE path=? AND reference_id<>?");
  sql_bind_text(q, 1, path);
  sql_bind_int(q, 2, *reference_id);
  return sql_do(q);
}

/* The first of the runs that judged anew and came to no end since one did. */
static int64_t first_again(store *s) {
  return sql_number(s->db,
                    "SELECT min(run_id) FROM run WHERE again AND run_id > ifnull((SELECT"
                    " max(run_id) FROM run WHERE again AND outcome='complete'), 0)",
                    s->run_id);
}

int store_clear_queue(store *s, int again, int64_t *run_id) {
  s->queued = 0;
  s->since = 0;
  sql_query *q = sql_prepare(s->db, "INSERT INTO run(started, again) VALUES(datetime('now'), ?)");
  sql_bind_int(q, 1, again);
  if (sql_do(q) != 0 ||
      sql_do(sql_prepare(s->db, "UPDATE file SET queue=NULL WHERE queue IS NOT NULL")) != 0)
    return -1;
  *run_id = s->run_id = sql_last_id(s->db);
  if (again)
    s->since = first_again(s);
  return 0;
}

int64_t store_queue_length(const store *s) {
  return sql_number(s->db, "SELECT count(*) FROM file WHERE queue IS NOT NULL", 0);
}

/* 1: known, 0: new, -1. */
static int look_up(store *s, const char *id, int64_t *listing_id, int64_t *run_id, int64_t *row) {
  sql_query *q = sql_prepare(
      s->db, "SELECT listing_id, run_id, ifnull(source_row, 0) FROM listing WHERE id=?");
  sql_bind_text(q, 1, id);
  int status = sql_step(q);
  if (status == 1) {
    *listing_id = sql_int(q, 0);
    *run_id = sql_int(q, 1);
    *row = sql_int(q, 2);
  }
  sql_reset(q);
  return status;
}

static int write_listing(store *s, int64_t run_id, const listing *l, int64_t *listing_id) {
  sql_query *q = sql_prepare(
      s->db,
      "INSERT INTO listing(id, title, address, price, currency, closes, closes_at, note, grade,"
      " source, source_row, run_id) VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
      " ON CONFLICT(id) DO UPDATE SET title=excluded.title, address=excluded.address,"
      " price=excluded.price, currency=excluded.currency, closes=excluded.closes,"
      " closes_at=excluded.closes_at, note=excluded.note, grade=excluded.grade,"
      " source=excluded.source, source_row=excluded.source_row, run_id=excluded.run_id"
      " RETURNING listing_id");
  sql_bind_text(q, 1, l->id);
  sql_bind_text(q, 2, l->title);
  sql_bind_text(q, 3, l->address);
  sql_bind_real(q, 4, l->price);
  sql_bind_text(q, 5, l->currency);
  sql_bind_text(q, 6, l->closes);
  if (l->has_closes)
    sql_bind_int(q, 7, l->closes_at);
  sql_bind_text(q, 8, l->note);
  sql_bind_text(q, 9, l->grade);
  sql_bind_text(q, 10, l->source);
  if (l->row)
    sql_bind_int(q, 11, l->row);
  sql_bind_int(q, 12, run_id);
  if (sql_step(q) != 1) {
    sql_reset(q);
    return -1;
  }
  *listing_id = sql_int(q, 0);
  return sql_do(q);
}

static int queue_file(store *s, int64_t listing_id, int position, const char *path) {
  sql_query *q =
      sql_prepare(s->db, "INSERT INTO file(listing_id, position, path, queue) VALUES(?, ?, ?, ?)"
                         " ON CONFLICT(listing_id, path) DO UPDATE SET position=excluded.position,"
                         " queue=ifnull(queue, excluded.queue)");
  sql_bind_int(q, 1, listing_id);
  sql_bind_int(q, 2, position);
  sql_bind_text(q, 3, path);
  sql_bind_int(q, 4, ++s->queued);
  return sql_do(q);
}

/* Photos that a listing no longer names; what was said of them stays with the content. */
static int drop_others(store *s, int64_t listing_id) {
  sql_query *q = sql_prepare(s->db, "DELETE FROM file WHERE listing_id=? AND queue IS NULL");
  sql_bind_int(q, 1, listing_id);
  return sql_do(q);
}

store_added store_add_listing(store *s, int64_t run_id, const listing *l, int64_t *first_row) {
  int64_t listing_id = 0, known_run = 0;
  int known = look_up(s, l->id, &listing_id, &known_run, first_row);
  if (known < 0)
    return STORE_FAULT;
  if (known && known_run == run_id)
    return STORE_DUPLICATE;
  if (write_listing(s, run_id, l, &listing_id) != 0)
    return STORE_FAULT;
  for (int i = 0; i < l->photo_count; i++)
    if (queue_file(s, listing_id, i + 1, l->photos[i]) != 0)
      return STORE_FAULT;
  if (known && l->photo_count > 0 && drop_others(s, listing_id) != 0)
    return STORE_FAULT;
  return STORE_ADDED;
}

int store_is_queued(store *s, const char *path) {
  sql_query *q =
      sql_prepare(s->db, "SELECT 1 FROM file WHERE path=? AND queue IS NOT NULL LIMIT 1");
  sql_bind_text(q, 1, path);
  int status = sql_step(q);
  sql_reset(q);
  return status;
}

int store_judged(store *s, int64_t photo_id, int64_t reference_id) {
  sql_query *q = sql_prepare(s->db, "SELECT 1 FROM result WHERE photo_id=? AND reference_id=?"
                                    " AND version=? AND ifnull(run_id, 0)>=?");
  sql_bind_int(q, 1, photo_id);
  sql_bind_int(q, 2, reference_id);
  sql_bind_text(q, 3, udg_version());
  sql_bind_int(q, 4, s->since);
  int status = sql_step(q);
  sql_reset(q);
  return status;
}

int store_next(store *s, int64_t queue, const int64_t *reference_ids, int reference_count,
               store_entry *entry) {
  *entry = (store_entry){0};
  sql_query *q =
      sql_prepare(s->db, "SELECT f.queue, f.file_id, ifnull(f.photo_id, 0), ifnull(f.bytes, -1),"
                         " ifnull(f.modified_ns, 0), f.path, p.error IS NOT NULL"
                         " FROM file f LEFT JOIN photo p USING(photo_id)"
                         " WHERE f.queue > ? ORDER BY f.queue LIMIT 1");
  sql_bind_int(q, 1, queue);
  int status = sql_step(q);
  if (status == 1) {
    *entry = (store_entry){.queue = sql_int(q, 0),
                           .file_id = sql_int(q, 1),
                           .photo_id = sql_int(q, 2),
                           .bytes = sql_int(q, 3),
                           .modified_ns = sql_int(q, 4),
                           .settled = sql_int(q, 6) && s->since == 0,
                           .path = strdup(sql_text(q, 5))};
    if (!entry->path)
      status = -1;
  }
  sql_reset(q);
  if (status != 1 || !entry->photo_id || entry->settled)
    return status;
  int judged = 0;
  while (judged < reference_count && store_judged(s, entry->photo_id, reference_ids[judged]) == 1)
    judged++;
  entry->settled = judged == reference_count;
  return status;
}

void store_entry_clear(store_entry *entry) {
  free(entry->path);
  entry->path = NULL;
}
