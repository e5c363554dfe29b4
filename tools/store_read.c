/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the store tells: listings with their loudest photo, answers, pictures. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "json_out.h"
#include "store_internal.h"

/* Of a listing's photos the one with the strongest answer: a trace before other
 * verdicts, judged before not, then by evidence, then in the listing's order. */
static const char finds[] =
    /* Only what ranks goes through the sorter; texts are fetched after it. */
    "WITH f AS (SELECT file.file_id, file.listing_id, file.position, r.verdict='underdigit' AS "
    "find,"
    "  ifnull(r.judged, 0) AS judged, r.evidence,"
    "  (file.error IS NOT NULL OR p.error IS NOT NULL) AS fault"
    "  FROM file LEFT JOIN photo p USING(photo_id)"
    "  LEFT JOIN result r ON r.photo_id=file.photo_id AND r.reference_id=p.best_reference_id),"
    " o AS (SELECT file_id, listing_id, row_number() OVER w AS nth, count(*) OVER l AS photos,"
    "  sum(judged) OVER l AS judged_photos, sum(fault) OVER l AS unread FROM f"
    "  WINDOW l AS (PARTITION BY listing_id), w AS (PARTITION BY listing_id ORDER BY"
    "   find DESC, judged DESC, evidence DESC, position))"
    " SELECT l.listing_id, l.id, l.title, l.address, l.price, l.currency, l.closes, l.closes_at,"
    "  l.note, l.grade, o.file_id, f.photo_id, f.path, coalesce(f.error, p.error), o.photos,"
    "  o.judged_photos, o.unread, ref.name, r.reference_id, r.date, r.verdict, r.judged,"
    "  r.evidence, r.p_value, r.place, r.digit, r.strength, r.state, r.decoy_evidence, r.words,"
    "  r.present_path, r.trace_path, p.tied, p.group_id, p.sha256, m.mark, pic.width, pic.height"
    " FROM o JOIN listing l USING(listing_id) JOIN file f ON f.file_id=o.file_id"
    " LEFT JOIN photo p ON p.photo_id=f.photo_id"
    " LEFT JOIN result r ON r.photo_id=f.photo_id AND r.reference_id=p.best_reference_id"
    " LEFT JOIN reference ref ON ref.reference_id=r.reference_id"
    " LEFT JOIN mark m ON m.listing_id=l.listing_id"
    " LEFT JOIN picture pic ON pic.photo_id=f.photo_id AND pic.reference_id=r.reference_id"
    "  AND pic.kind='upright' WHERE o.nth=1"
    " UNION ALL SELECT listing_id, id, title, address, price, currency, closes, closes_at, note,"
    "  grade, NULL, NULL, NULL, NULL, 0, 0, 0, NULL, NULL, NULL, NULL, 0, NULL, NULL, NULL, NULL,"
    "  NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL,"
    "  (SELECT mark FROM mark m WHERE m.listing_id=listing.listing_id), NULL, NULL"
    "  FROM listing WHERE listing_id NOT IN (SELECT listing_id FROM file)";

static store_find read_find(sql_query *q) {
  const char *digit = sql_text(q, 25);
  return (store_find){
      .listing_id = sql_int(q, 0),
      .id = sql_text(q, 1),
      .title = sql_text(q, 2),
      .address = sql_text(q, 3),
      .price = sql_real(q, 4),
      .currency = sql_text(q, 5),
      .closes = sql_text(q, 6),
      .has_closes = !sql_is_null(q, 7),
      .closes_at = sql_int(q, 7),
      .note = sql_text(q, 8),
      .grade = sql_text(q, 9),
      .file_id = sql_int(q, 10),
      .photo_id = sql_int(q, 11),
      .path = sql_text(q, 12),
      .error = sql_text(q, 13),
      .photo_count = (int)sql_int(q, 14),
      .judged_count = (int)sql_int(q, 15),
      .unread_count = (int)sql_int(q, 16),
      .reference = sql_text(q, 17),
      .reference_id = sql_int(q, 18),
      .date = sql_text(q, 19),
      .verdict = sql_text(q, 20),
      .judged = (int)sql_int(q, 21),
      .evidence = sql_real(q, 22),
      .p_value = sql_real(q, 23),
      .place = (int)sql_int(q, 24),
      .digit = digit ? digit[0] : '\0',
      .strength = sql_real(q, 26),
      .state = sql_text(q, 27),
      .decoy_evidence = sql_real(q, 28),
      .words = sql_text(q, 29),
      .present_path = sql_text(q, 30),
      .trace_path = sql_text(q, 31),
      .tied = sql_text(q, 32),
      .group_id = sql_int(q, 33),
      .sha256 = sql_text(q, 34),
      .mark = sql_text(q, 35),
      .upright_width = sql_int(q, 36),
      .upright_height = sql_int(q, 37),
  };
}

int store_finds(store *s, int (*take)(void *user, const store_find *find), void *user) {
  sql_query *q = sql_prepare(s->db, finds);
  int status;
  while ((status = sql_step(q)) == 1) {
    store_find find = read_find(q);
    if (take(user, &find) != 0)
      break;
  }
  sql_reset(q);
  return status < 0 ? -1 : 0;
}

int store_own_id(store *s, char id[STORE_ID_BYTES]) {
  sql_query *q = sql_prepare(s->db, "SELECT store_id FROM store");
  int status = sql_step(q);
  if (status == 1)
    snprintf(id, STORE_ID_BYTES, "%s", sql_text(q, 0));
  sql_reset(q);
  return status == 1 ? 0 : -1;
}

int64_t store_other_versions(store *s) {
  return sql_number(s->db,
                    "SELECT count(DISTINCT r.photo_id) FROM file f JOIN photo p USING(photo_id)"
                    " JOIN result r ON r.photo_id=p.photo_id AND r.reference_id=p.best_reference_id"
                    " WHERE r.version<>(SELECT version FROM result ORDER BY run_id DESC, rowid DESC"
                    " LIMIT 1)",
                    -1);
}

int store_object(store *s, int64_t file_id, char **json) {
  static const char empty_photo[] = "{\"photo\":\"\"";
  sql_query *q = sql_prepare(
      s->db,
      "SELECT r.json, f.path, l.id, p.sha256, p.tied FROM file f JOIN listing l USING(listing_id)"
      " JOIN photo p USING(photo_id) JOIN result r ON r.photo_id=f.photo_id"
      " AND r.reference_id=p.best_reference_id WHERE f.file_id=?");
  sql_bind_int(q, 1, file_id);
  int status = sql_step(q);
  if (status == 1) {
    size_t bytes;
    const char *stored = sql_text(q, 0);
    FILE *out = open_memstream(json, &bytes);
    if (out && strncmp(stored, empty_photo, sizeof empty_photo - 1) == 0) {
      fputs("{\"photo\":", out);
      json_out_string(out, sql_text(q, 1));
      fputs(",\"listing\":", out);
      json_out_string(out, sql_text(q, 2));
      fputs(",\"sha256\":", out);
      json_out_string(out, sql_text(q, 3));
      if (!sql_is_null(q, 4)) {
        fputs(",\"tied\":", out);
        json_out_string(out, sql_text(q, 4));
      }
      fputs(stored + sizeof empty_photo - 1, out);
    } else {
      status = -1;
    }
    if (!out || fclose(out) != 0)
      status = -1;
  }
  sql_reset(q);
  return status;
}

int store_file_verdict(store *s, int64_t file_id, char *verdict, size_t verdict_bytes, char *error,
                       size_t error_bytes) {
  sql_query *q = sql_prepare(
      s->db, "SELECT ifnull(r.verdict, ''), coalesce(f.error, p.error, '') FROM file f"
             " LEFT JOIN photo p USING(photo_id) LEFT JOIN result r ON r.photo_id=f.photo_id"
             " AND r.reference_id=p.best_reference_id WHERE f.file_id=?");
  sql_bind_int(q, 1, file_id);
  int status = sql_step(q);
  if (status == 1) {
    snprintf(verdict, verdict_bytes, "%s", sql_text(q, 0));
    snprintf(error, error_bytes, "%s", sql_text(q, 1));
  }
  sql_reset(q);
  return status;
}

int store_picture_get(store *s, int64_t photo_id, int64_t reference_id, int kind,
                      store_picture *picture) {
  *picture = (store_picture){0};
  sql_query *q = sql_prepare(s->db, "SELECT width, height, jpeg FROM picture WHERE photo_id=?"
                                    " AND reference_id=? AND kind=?");
  sql_bind_int(q, 1, photo_id);
  sql_bind_int(q, 2, reference_id);
  sql_bind_text(q, 3, store_picture_names[kind]);
  int status = sql_step(q);
  if (status == 1) {
    const void *bytes = sql_blob(q, 2, &picture->bytes);
    picture->width = (int)sql_int(q, 0);
    picture->height = (int)sql_int(q, 1);
    picture->jpeg = malloc(picture->bytes ? picture->bytes : 1);
    if (picture->jpeg && bytes)
      memcpy(picture->jpeg, bytes, picture->bytes);
    else
      status = -1;
  }
  sql_reset(q);
  return status;
}

int store_answers(store *s, int64_t listing_id, int (*take)(void *user, const store_answer *answer),
                  void *user) {
  sql_query *q = sql_prepare(
      s->db, "SELECT f.path, coalesce(f.error, p.error), r.words, ref.name, r.verdict, f.file_id"
             " FROM file f LEFT JOIN photo p USING(photo_id) LEFT JOIN result r ON"
             " r.photo_id=f.photo_id AND r.reference_id=p.best_reference_id"
             " LEFT JOIN reference ref ON ref.reference_id=r.reference_id"
             " WHERE f.listing_id=? ORDER BY f.position");
  sql_bind_int(q, 1, listing_id);
  int status;
  while ((status = sql_step(q)) == 1) {
    store_answer answer = {.path = sql_text(q, 0),
                           .error = sql_text(q, 1),
                           .words = sql_text(q, 2),
                           .reference = sql_text(q, 3),
                           .verdict = sql_text(q, 4),
                           .file_id = sql_int(q, 5)};
    if (take(user, &answer) != 0)
      break;
  }
  sql_reset(q);
  return status < 0 ? -1 : 0;
}

int store_others(store *s, int64_t listing_id,
                 int (*take)(void *user, const char *id, int same_photo), void *user) {
  sql_query *q =
      sql_prepare(s->db, "SELECT l.id, max(b.photo_id=a.photo_id) FROM file a JOIN photo pa"
                         " ON pa.photo_id=a.photo_id JOIN photo pb ON pb.photo_id=pa.photo_id OR"
                         " pb.group_id=pa.group_id JOIN file b ON b.photo_id=pb.photo_id"
                         " JOIN listing l ON l.listing_id=b.listing_id"
                         " WHERE a.listing_id=?1 AND b.listing_id<>?1 GROUP BY l.listing_id"
                         " ORDER BY l.listing_id");
  sql_bind_int(q, 1, listing_id);
  int status;
  while ((status = sql_step(q)) == 1)
    if (take(user, sql_text(q, 0), (int)sql_int(q, 1)) != 0)
      break;
  sql_reset(q);
  return status < 0 ? -1 : 0;
}

int store_mark(store *s, const char *id, const char *mark) {
  sql_query *q =
      mark[0] ? sql_prepare(s->db, "INSERT INTO mark(listing_id, mark, marked)"
                                   " SELECT listing_id, ?2, datetime('now') FROM listing WHERE"
                                   " id=?1 ON CONFLICT(listing_id) DO UPDATE SET"
                                   " mark=excluded.mark, marked=excluded.marked")
              : sql_prepare(s->db, "DELETE FROM mark WHERE listing_id="
                                   "(SELECT listing_id FROM listing WHERE id=?1)");
  sql_bind_text(q, 1, id);
  if (mark[0])
    sql_bind_text(q, 2, mark);
  if (sql_do(q) != 0)
    return -1;
  if (mark[0])
    return sql_changes(s->db) > 0;
  sql_query *there = sql_prepare(s->db, "SELECT 1 FROM listing WHERE id=?");
  sql_bind_text(there, 1, id);
  int known = sql_step(there);
  sql_reset(there);
  return known;
}
