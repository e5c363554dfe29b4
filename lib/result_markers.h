/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The fields "markers", "dies" and "hub" of a result. */
#ifndef UDG_RESULT_MARKERS_H
#define UDG_RESULT_MARKERS_H

#include <underdigit/result.h>

#include "json_write.h"

void udg_result_write_markers(udg_json_writer *writer, const udg_result *result);

#endif
