/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the picture shows, written beside it. */
#ifndef TI_TRUTH_H
#define TI_TRUTH_H

#include "scene.h"

/* What the picture shows, as JSON; with several coins an object whose "coins" holds
 * one such object each. */
udg_status ti_truth_save(const char *path, const ti_scene *scenes, int count, udg_message *message);

#endif
