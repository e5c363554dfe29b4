/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the targets that decode photos share. */
#ifndef UDG_FUZZ_IMAGE_H
#define UDG_FUZZ_IMAGE_H

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Decodes `count` bytes under limits that `choice[0]` and `choice[1]` pick; ends the
 * program when what comes back breaks image.h's promises. */
void fuzz_decode(const uint8_t choice[2], const uint8_t *bytes, size_t count);

#endif
