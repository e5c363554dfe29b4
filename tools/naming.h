/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Names of the files that a run over several photos writes. */
#ifndef NAMING_H
#define NAMING_H

/* Where the picture of photos[index] goes: `out` itself for a single photo,
 * else OUT-NAME.png, NAME being the photo's file name without folder and
 * extension, or OUT-POSITION-NAME.png when two photos share a name.
 * The caller frees the path; NULL: no memory. */
char *naming_picture_path(const char *out, char *const *photos, int photo_count, int index);

#endif
