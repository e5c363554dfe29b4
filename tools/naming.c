/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "naming.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct span {
  const char *text;
  size_t length;
} span;

/* File name without the folder. */
static const char *base_name(const char *path) {
  const char *slash = strrchr(path, '/');
  return slash ? slash + 1 : path;
}

/* Length up to the extension; a leading dot does not begin one. */
static size_t stem_length(const char *path) {
  const char *base = base_name(path);
  const char *dot = strrchr(base, '.');
  return dot && dot != base ? (size_t)(dot - path) : strlen(path);
}

static span photo_stem(const char *photo) {
  if (strcmp(photo, "-") == 0)
    return (span){"stdin", 5};
  const char *base = base_name(photo);
  return (span){base, stem_length(photo) - (size_t)(base - photo)};
}

static int any_stem_twice(char *const *photos, int photo_count) {
  for (int i = 0; i < photo_count; i++)
    for (int j = i + 1; j < photo_count; j++) {
      span a = photo_stem(photos[i]), b = photo_stem(photos[j]);
      if (a.length == b.length && memcmp(a.text, b.text, a.length) == 0)
        return 1;
    }
  return 0;
}

char *naming_picture_path(const char *out, char *const *photos, int photo_count, int index) {
  size_t room = strlen(out) + strlen(photos[index]) + 40;
  char *path = malloc(room);
  if (!path)
    return NULL;
  if (photo_count == 1) {
    snprintf(path, room, "%s", out);
    return path;
  }
  size_t length = stem_length(out);
  const char *extension = out[length] ? out + length : ".png";
  span name = photo_stem(photos[index]);
  char position[24] = "";
  if (any_stem_twice(photos, photo_count))
    snprintf(position, sizeof position, "%d-", index + 1);
  snprintf(path, room, "%.*s-%s%.*s%s", (int)length, out, position, (int)name.length, name.text,
           extension);
  return path;
}
