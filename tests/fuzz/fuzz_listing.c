/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: any bytes as a table of listings; the first one picks the kind. */
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "listing.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

typedef struct seen {
  int64_t row;
  int rows, stop_at;
} seen;

static int take_row(void *user, const listing *l) {
  seen *s = user;
  if (!l->id || !*l->id || l->row < s->row || l->photo_count < 0 ||
      l->photo_count > LISTING_PHOTOS_MAX || isinf(l->price) || l->price < 0)
    abort();
  for (int i = 0; i < l->photo_count; i++)
    if (!l->photos[i] || !*l->photos[i])
      abort();
  s->row = l->row;
  return ++s->rows == s->stop_at;
}

static void take_fault(void *user, const char *text, int dropped) {
  (void)user;
  if (strncmp(text, "folder/table: row ", 18) != 0 || (dropped & ~1))
    abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size < 2)
    return 0;
  FILE *file = fmemopen((void *)(uintptr_t)(data + 1), size - 1, "rb");
  if (!file)
    return 0;
  seen s = {.stop_at = data[0] >> 1};
  const listing_reader reader = {take_row, take_fault, &s};
  udg_message message = {""};
  const int status = data[0] % 2 ? listing_read_json(file, "folder/table", &reader, &message)
                                 : listing_read_csv(file, "folder/table", &reader, &message);
  if ((status < 0) != (message.text[0] != '\0') || status > 1 ||
      (status == 1 && s.rows != s.stop_at))
    abort();
  fclose(file);
  return 0;
}
