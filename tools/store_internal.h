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
};

#endif
