/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Runs a fuzz target over the files of the folders given, for compilers without
 * libFuzzer; a target that finds something ends the program. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static int replay_file(const char *path) {
  FILE *file = fopen(path, "rb");
  if (!file || fseek(file, 0, SEEK_END) != 0)
    return -1;
  const long size = ftell(file);
  rewind(file);
  /* Of exactly that size, so that a sanitizer sees a read behind the end. */
  uint8_t *data = size >= 0 ? malloc((size_t)size ? (size_t)size : 1) : NULL;
  const int read = data && fread(data, 1, (size_t)size, file) == (size_t)size;
  fclose(file);
  if (read) {
    fprintf(stderr, "%s\n", path);
    LLVMFuzzerTestOneInput(data, (size_t)size);
  }
  free(data);
  return read ? 0 : -1;
}

static int replay_folder(const char *folder) {
  DIR *listing = opendir(folder);
  int count = 0;
  if (!listing)
    return -1;
  for (const struct dirent *entry; (entry = readdir(listing)) != NULL;) {
    char path[4096];
    if (entry->d_name[0] == '.')
      continue;
    snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
    if (replay_file(path) != 0) {
      fprintf(stderr, "%s: cannot be read\n", path);
      count = -1;
      break;
    }
    count++;
  }
  closedir(listing);
  return count;
}

int main(int argc, char **argv) {
  int count = 0;
  for (int i = 1; i < argc; i++) {
    const int more = replay_folder(argv[i]);
    if (more <= 0) {
      fprintf(stderr, "%s: no inputs\n", argv[i]);
      return 1;
    }
    count += more;
  }
  printf("%d inputs\n", count);
  return count > 0 ? 0 : 1;
}
