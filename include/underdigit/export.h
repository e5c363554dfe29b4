/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Marks what the shared library exports. */
#ifndef UNDERDIGIT_EXPORT_H
#define UNDERDIGIT_EXPORT_H

#if defined(__GNUC__)
#define UDG_API __attribute__((visibility("default")))
#else
#define UDG_API
#endif

#endif
