/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Inside of a store. */
#ifndef STORE_INTERNAL_H
#define STORE_INTERNAL_H

#include "store.h"
#include "store_sql.h"

struct store {
  sql_db *db;
  int lock; /* file descriptor; -1: none */
  int64_t queued;
  int64_t run_id; /* of the run that goes on */
  int64_t since;  /* results of earlier runs count as none */
};

/* 1: the reference has judged the photo, with this version, in a run that counts; 0; -1. */
int store_judged(store *s, int64_t photo_id, int64_t reference_id);

#endif
