/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A coin type by all bytes that it is made of: the reference file's, and those of
 * the files beside it that it names. */
#include "digest_reference.h"

#include <errno.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Fields whose value names a file (docs/reference-format.md). */
static const char *const beside[] = {"font", "appearance"};

static int fail(udg_message *message, const char *path, const char *what) {
  snprintf(message->text, sizeof message->text, "%.300s: %s", path, what);
  return -1;
}

/* The whole file; NULL with a reason. */
static char *read_whole(const char *path, size_t *count, udg_message *message) {
  char *bytes = NULL, chunk[4096];
  size_t n;
  *count = 0;
  FILE *file = fopen(path, "rb");
  FILE *memory = file ? open_memstream(&bytes, count) : NULL;
  int status = memory ? 0 : fail(message, path, strerror(errno));
  while (memory && (n = fread(chunk, 1, sizeof chunk, file)) > 0)
    fwrite(chunk, 1, n, memory);
  if (file && ferror(file))
    status = fail(message, path, strerror(errno));
  if (memory && fclose(memory) != 0)
    status = fail(message, path, "not enough memory");
  if (file)
    fclose(file);
  if (status == 0)
    return bytes;
  free(bytes);
  return NULL;
}

static int hash_beside(const char *path, const char *name, char sha256[DIGEST_TEXT_BYTES],
                       udg_message *message) {
  const char *slash = strrchr(path, '/');
  int folder = slash && name[0] != '/' ? (int)(slash - path) + 1 : 0;
  size_t room = (size_t)folder + strlen(name) + 1, count;
  char *joined = malloc(room);
  if (!joined)
    return fail(message, path, "not enough memory");
  snprintf(joined, room, "%.*s%s", folder, path, name);
  char *bytes = read_whole(joined, &count, message);
  if (bytes)
    digest_sha256(bytes, count, sha256);
  free(joined);
  free(bytes);
  return bytes ? 0 : -1;
}

/* "SHA256 of the file\nfont SHA256\n..." hashed once more. */
static int hash_all(const char *path, const json_t *root, char sha256[DIGEST_TEXT_BYTES],
                    udg_message *message) {
  char all[512];
  int used = snprintf(all, sizeof all, "%s\n", sha256), named = 0;
  for (size_t i = 0; i < sizeof beside / sizeof beside[0]; i++) {
    char part[DIGEST_TEXT_BYTES];
    const char *name = json_string_value(json_object_get(root, beside[i]));
    if (!name || !name[0])
      continue;
    if (hash_beside(path, name, part, message) != 0)
      return -1;
    used += snprintf(all + used, sizeof all - (size_t)used, "%s %s\n", beside[i], part);
    named = 1;
  }
  if (named)
    digest_sha256(all, (size_t)used, sha256);
  return 0;
}

int digest_reference(const char *path, char sha256[DIGEST_TEXT_BYTES], udg_message *message) {
  size_t count;
  char *bytes = read_whole(path, &count, message);
  if (!bytes)
    return -1;
  digest_sha256(bytes, count, sha256);
  /* The library has read it as a reference: what is no JSON here names no file. */
  size_t mark = count >= 3 && memcmp(bytes, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
  json_t *root = json_loadb(bytes + mark, count - mark, 0, NULL);
  int status = hash_all(path, root, sha256, message);
  json_decref(root);
  free(bytes);
  return status;
}
