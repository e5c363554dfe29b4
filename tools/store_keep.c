/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What came out of the photos, into the store. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/version.h>

#include "digest.h"
#include "store_internal.h"

void store_clear_pictures(store_judgement *j) {
  free(j->present_path);
  free(j->trace_path);
  j->present_path = j->trace_path = NULL;
  for (int k = 0; k < STORE_PICTURES; k++) {
    free(j->pictures[k].jpeg);
    j->pictures[k] = (store_picture){0};
  }
}

void store_photo_clear(store_photo *photo) {
  for (int i = 0; i < photo->judgement_count; i++) {
    store_judgement *j = &photo->judgements[i];
    free(j->words);
    free(j->json);
    store_clear_pictures(j);
  }
  free(photo->judgements);
  photo->judgements = NULL;
  photo->judgement_count = 0;
}

/* 1, with the id; 0; -1. */
static int find_photo(store *s, const char *sha256, int64_t *photo_id, int *broken) {
  sql_query *q = sql_prepare(s->db, "SELECT photo_id, error IS NOT NULL FROM photo WHERE sha256=?");
  sql_bind_text(q, 1, sha256);
  int status = sql_step(q);
  if (status == 1) {
    *photo_id = sql_int(q, 0);
    *broken = (int)sql_int(q, 1);
  }
  sql_reset(q);
  return status;
}

int store_known(store *s, const char *sha256, const int64_t *reference_ids, int reference_count,
                int *needed) {
  int64_t photo_id = 0;
  int broken = 0;
  int known = find_photo(s, sha256, &photo_id, &broken);
  for (int i = 0; i < reference_count; i++) {
    needed[i] = !broken || s->since > 0;
    if (known != 1 || broken)
      continue;
    int judged = store_judged(s, photo_id, reference_ids[i]);
    if (judged < 0)
      return -1;
    needed[i] = !judged;
  }
  return known;
}

static int insert_photo(store *s, const store_photo *photo, int64_t *photo_id) {
  sql_query *q = sql_prepare(s->db, "INSERT INTO photo(sha256, bytes, width, height, dhash, error)"
                                    " VALUES(?, ?, ?, ?, ?, ?)");
  sql_bind_text(q, 1, photo->sha256);
  sql_bind_int(q, 2, photo->bytes);
  if (photo->width) {
    sql_bind_int(q, 3, photo->width);
    sql_bind_int(q, 4, photo->height);
  }
  sql_bind_text(q, 5, photo->dhash[0] ? photo->dhash : NULL);
  sql_bind_text(q, 6, photo->error[0] ? photo->error : NULL);
  if (sql_do(q) != 0)
    return -1;
  *photo_id = sql_last_id(s->db);
  return 0;
}

static int insert_result(store *s, int64_t photo_id, int64_t reference_id,
                         const store_judgement *j) {
  char digit[2] = {j->digit, '\0'};
  sql_query *q = sql_prepare(
      s->db,
      "INSERT OR REPLACE INTO result(photo_id, reference_id, version, date, verdict, judged,"
      " evidence, p_value, place, digit, strength, state, decoy_evidence, doubt, words, json,"
      " present_path, trace_path, run_id, rim)"
      " VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
  sql_bind_int(q, 1, photo_id);
  sql_bind_int(q, 2, reference_id);
  sql_bind_text(q, 3, udg_version());
  sql_bind_text(q, 4, j->date[0] ? j->date : NULL);
  sql_bind_text(q, 5, j->verdict);
  sql_bind_int(q, 6, j->judged);
  sql_bind_real(q, 7, j->judged ? j->evidence : (double)NAN);
  sql_bind_real(q, 8, j->judged ? j->p_value : (double)NAN);
  if (j->place > 0) {
    sql_bind_int(q, 9, j->place);
    sql_bind_real(q, 11, j->strength);
  }
  sql_bind_text(q, 10, j->digit ? digit : NULL);
  sql_bind_text(q, 12, j->state);
  sql_bind_real(q, 13, j->decoy_evidence);
  sql_bind_real(q, 14, j->doubt);
  sql_bind_text(q, 15, j->words);
  sql_bind_text(q, 16, j->json);
  sql_bind_text(q, 17, j->present_path);
  sql_bind_text(q, 18, j->trace_path);
  sql_bind_int(q, 19, s->run_id);
  sql_bind_real(q, 20, j->rim);
  return sql_do(q);
}

static int insert_pictures(store *s, int64_t photo_id, int64_t reference_id,
                           const store_judgement *j) {
  sql_query *old = sql_prepare(s->db, "DELETE FROM picture WHERE photo_id=? AND reference_id=?");
  sql_bind_int(old, 1, photo_id);
  sql_bind_int(old, 2, reference_id);
  if (sql_do(old) != 0)
    return -1;
  for (int k = 0; k < STORE_PICTURES; k++) {
    const store_picture *p = &j->pictures[k];
    if (!p->jpeg)
      continue;
    sql_query *q = sql_prepare(s->db, "INSERT INTO picture(photo_id, reference_id,"
                                      " kind, width, height, jpeg) VALUES(?, ?, ?, ?, ?, ?)");
    sql_bind_int(q, 1, photo_id);
    sql_bind_int(q, 2, reference_id);
    sql_bind_text(q, 3, store_picture_names[k]);
    sql_bind_int(q, 4, p->width);
    sql_bind_int(q, 5, p->height);
    sql_bind_blob(q, 6, p->jpeg, p->bytes);
    if (sql_do(q) != 0)
      return -1;
  }
  return 0;
}

/* Which reference speaks for the photo.  On a whole coin that of its own type finds
 * the rim as far round as its date's digits let expect: those whose rim is off by
 * more than 5 % beyond the best are out.  The coin's own type finds one place for its
 * date, another finds several that fit as badly: those with more than 1.25 times the
 * least doubt are out.  Of the others one that judged goes
 * before one that could not, then the stronger evidence wins.  Equal within half
 * a natural unit is a tie, and said.  A reference as it was before it
 * was edited, and another version of the library, speak only where nothing newer does. */
static const char choose_best[] =
    "WITH every AS (SELECT reference_id, name, date, judged, evidence, ifnull(doubt, 1e9) AS doubt,"
    "  rim, replaced OR version<>?2 AS old, min(replaced OR version<>?2) OVER () AS all_old"
    "  FROM result JOIN reference USING(reference_id) WHERE photo_id=?1),"
    " r AS (SELECT *, abs(rim) AS off, min(abs(rim)) OVER () AS least_off FROM every"
    "  WHERE old=all_old),"
    " round AS (SELECT *, min(doubt) OVER () AS least FROM r"
    "  WHERE off IS NULL OR off <= least_off+0.05),"
    " fit AS (SELECT *, max(evidence) OVER () AS top FROM round WHERE doubt <= 1.25*least),"
    " best AS (SELECT * FROM fit ORDER BY judged DESC, evidence DESC, doubt, reference_id LIMIT 1)"
    " UPDATE photo SET best_reference_id=(SELECT reference_id FROM best),"
    "  tied=(SELECT group_concat(name || ifnull(', ' || date, ''), '; ') FROM fit"
    "   WHERE judged AND evidence >= top-0.5 AND reference_id<>(SELECT reference_id FROM best))"
    " WHERE photo_id=?1";

static int choose(store *s, int64_t photo_id) {
  sql_query *q = sql_prepare(s->db, choose_best);
  sql_bind_int(q, 1, photo_id);
  sql_bind_text(q, 2, udg_version());
  return sql_do(q);
}

int store_choose(store *s) {
  for (int64_t photo_id = 0;;) {
    sql_query *q = sql_prepare(
        s->db, "SELECT photo_id FROM photo p JOIN reference r ON r.reference_id="
               "p.best_reference_id WHERE r.replaced AND photo_id>? ORDER BY photo_id LIMIT 1");
    sql_bind_int(q, 1, photo_id);
    int status = sql_step(q);
    if (status == 1)
      photo_id = sql_int(q, 0);
    sql_reset(q);
    if (status != 1)
      return status;
    if (choose(s, photo_id) != 0)
      return -1;
  }
}

/* An earlier version may not have decoded it, or hashed it otherwise. */
static int mend_photo(store *s, int64_t photo_id, const store_photo *photo) {
  sql_query *q = sql_prepare(
      s->db, "UPDATE photo SET error=NULL, width=?, height=?, dhash=? WHERE photo_id=?");
  sql_bind_int(q, 1, photo->width);
  sql_bind_int(q, 2, photo->height);
  sql_bind_text(q, 3, photo->dhash[0] ? photo->dhash : NULL);
  sql_bind_int(q, 4, photo_id);
  return sql_do(q);
}

static int link_file(store *s, const store_entry *entry, int64_t photo_id) {
  sql_query *q = sql_prepare(s->db, "UPDATE file SET photo_id=?, bytes=?, modified_ns=?, error=NULL"
                                    " WHERE file_id=?");
  sql_bind_int(q, 1, photo_id);
  sql_bind_int(q, 2, entry->bytes);
  sql_bind_int(q, 3, entry->modified_ns);
  sql_bind_int(q, 4, entry->file_id);
  return sql_do(q);
}

int store_keep(store *s, const store_entry *entry, const store_photo *photo,
               const int64_t *reference_ids) {
  int64_t photo_id = 0;
  int broken = 0, any = 0;
  int known = find_photo(s, photo->sha256, &photo_id, &broken);
  if (known < 0 || (known == 0 && insert_photo(s, photo, &photo_id) != 0))
    return -1;
  for (int i = 0; i < photo->judgement_count; i++) {
    const store_judgement *j = &photo->judgements[i];
    if (!j->made)
      continue;
    if (insert_result(s, photo_id, reference_ids[i], j) != 0 ||
        insert_pictures(s, photo_id, reference_ids[i], j) != 0)
      return -1;
    any = 1;
  }
  if (any && known && mend_photo(s, photo_id, photo) != 0)
    return -1;
  if (any && choose(s, photo_id) != 0)
    return -1;
  return link_file(s, entry, photo_id);
}

int store_keep_fault(store *s, const store_entry *entry, const char *error) {
  sql_query *q = sql_prepare(s->db, "UPDATE file SET photo_id=NULL, error=? WHERE file_id=?");
  sql_bind_text(q, 1, error);
  sql_bind_int(q, 2, entry->file_id);
  return sql_do(q);
}

typedef struct hashed {
  int64_t photo_id;
  digest_look look;
  double aspect;
} hashed;

static hashed read_hash(sql_query *q) {
  double height = (double)sql_int(q, 3);
  return (hashed){.photo_id = sql_int(q, 0),
                  .look = digest_look_of(sql_text(q, 1)),
                  .aspect = height > 0 ? (double)sql_int(q, 2) / height : 0};
}

static int read_hashes(store *s, hashed **out, size_t *count) {
  size_t room = (size_t)sql_number(s->db, "SELECT count(*) FROM photo WHERE length(dhash)=64", 0);
  *count = 0;
  *out = malloc((room ? room : 1) * sizeof **out);
  sql_query *q = sql_prepare(s->db, "SELECT photo_id, dhash, width, height FROM photo"
                                    " WHERE length(dhash)=64 ORDER BY photo_id");
  int status = *out ? 1 : -1;
  while (status == 1 && *count < room && (status = sql_step(q)) == 1)
    (*out)[(*count)++] = read_hash(q);
  sql_reset(q);
  return status < 0 ? -1 : 0;
}

static int near(const hashed *a, const hashed *b) {
  return digest_alike(&a->look, &b->look) && fabs(a->aspect - b->aspect) <= 0.02 * a->aspect;
}

/* Each photo joins the earliest one that it nearly agrees with and that joined
 * nobody itself: the outcome hangs on the order of the photos alone. */
int store_group(store *s) {
  hashed *all = NULL;
  size_t count = 0;
  int status = read_hashes(s, &all, &count);
  size_t *leaders = malloc((count ? count : 1) * sizeof *leaders), leader_count = 0;
  if (!leaders)
    status = -1;
  for (size_t i = 0; status == 0 && i < count; i++) {
    size_t k = 0;
    while (k < leader_count && !near(&all[leaders[k]], &all[i]))
      k++;
    if (k == leader_count)
      leaders[leader_count++] = i;
    sql_query *q = sql_prepare(s->db, "UPDATE photo SET group_id=?1 WHERE photo_id=?2 AND"
                                      " group_id IS NOT ?1");
    sql_bind_int(q, 1, all[leaders[k]].photo_id);
    sql_bind_int(q, 2, all[i].photo_id);
    status = sql_do(q);
  }
  free(leaders);
  free(all);
  return status;
}

int store_end_run(store *s, int64_t run_id, const char *outcome) {
  sql_query *q =
      sql_prepare(s->db, "UPDATE run SET ended=datetime('now'), outcome=? WHERE run_id=?");
  sql_bind_text(q, 1, outcome);
  sql_bind_int(q, 2, run_id);
  return sql_do(q);
}
