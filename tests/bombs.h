/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Small files that unfold into much: built for the tests and for bench/bombs. */
#ifndef UDG_TEST_BOMBS_H
#define UDG_TEST_BOMBS_H

#include <underdigit/image.h>

#include "support.h"

typedef struct bomb {
  const char *name;
  test_bytes (*make)(void);
  udg_status status; /* what decoding it gives under bomb_settings() */
  const char *says;  /* part of the message; NULL where it decodes */
  uint64_t unfolded; /* bytes that it would take, or pixels that it would walk over */
} bomb;

extern const bomb bombs[];
extern const int bomb_count;

/* Limits of a host that looks at small pictures. */
udg_settings bomb_settings(void);
enum { BOMB_DECODE_BYTES = 8 << 20 };

#endif
