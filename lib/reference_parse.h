/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From JSON to a reference. */
#ifndef UDG_REFERENCE_PARSE_H
#define UDG_REFERENCE_PARSE_H

#include "json.h"
#include "reference_internal.h"

/* Fills a zeroed reference whose settings are set; on a fault what is filled is
 * left to udg_reference_destroy().  `font` may be NULL. */
udg_status udg_reference_parse(udg_reference *reference, const udg_json *root, const char *name,
                               const void *font, size_t font_bytes, udg_message *message);

#endif
