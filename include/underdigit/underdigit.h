/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libunderdigit: finds traces of earlier digits in coin dates.  A screening
 * aid: it defers to examination in hand and to professional authentication.
 *
 * Call order: udg_settings_default, udg_reference_from_file,
 * udg_inspector_create, then for each photo udg_image_from_file, udg_inspect,
 * udg_image_destroy; at the end udg_inspector_destroy, udg_reference_destroy. */
#ifndef UNDERDIGIT_UNDERDIGIT_H
#define UNDERDIGIT_UNDERDIGIT_H

#include <underdigit/image.h>
#include <underdigit/inspect.h>
#include <underdigit/learn.h>
#include <underdigit/reference.h>
#include <underdigit/result.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>
#include <underdigit/version.h>

#endif
