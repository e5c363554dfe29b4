/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Reference files told apart by all that they are made of. */
#ifndef DIGEST_REFERENCE_H
#define DIGEST_REFERENCE_H

#include <underdigit/status.h>

#include "digest.h"

/* The file's SHA-256, or, when it names others (a font, a learned appearance), one
 * over theirs too, so that a store never takes the word of another one for its own.
 * 0, or -1 and a reason. */
int digest_reference(const char *path, char sha256[DIGEST_TEXT_BYTES], udg_message *message);

#endif
