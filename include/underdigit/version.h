/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The one place the version is written; meson.build reads it from here. */
#ifndef UNDERDIGIT_VERSION_H
#define UNDERDIGIT_VERSION_H

#include <underdigit/export.h>

#ifdef __cplusplus
extern "C" {
#endif

#define UDG_VERSION "0.1.0"

/* The version of the library that runs, which may differ from the header's. */
UDG_API const char *udg_version(void);

#ifdef __cplusplus
}
#endif
#endif
