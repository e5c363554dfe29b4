/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How long an inspection goes without asking whether to stop: the longest times between
 * two calls of `cancel`.
 *   gaps REFERENCE PHOTO... */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

#include "base.h"

enum { KEPT = 8 };

typedef struct gap {
  double ms;
  long call; /* that ended it */
} gap;

static struct {
  double last_ms;
  long calls;
  gap longest[KEPT];
} watch;

static int ask(void *user) {
  (void)user;
  const double now = udg_clock_ms(), ms = now - watch.last_ms;
  watch.calls++;
  int at = KEPT;
  while (at > 0 && watch.longest[at - 1].ms < ms)
    at--;
  if (at < KEPT) {
    memmove(&watch.longest[at + 1], &watch.longest[at],
            (size_t)(KEPT - 1 - at) * sizeof *watch.longest);
    watch.longest[at] = (gap){ms, watch.calls};
  }
  watch.last_ms = udg_clock_ms();
  return 0;
}

int main(int argc, char **argv) {
  udg_message message = {""};
  udg_reference *reference = NULL;
  udg_inspector *inspector = NULL;
  udg_settings s;
  static udg_result result;
  udg_settings_default(&s, sizeof s);
  s.cancel = ask;
  if (argc < 3 || udg_reference_from_file(NULL, argv[1], &reference, &message) != UDG_OK ||
      udg_inspector_create(&s, reference, &inspector, &message) != UDG_OK) {
    fprintf(stderr, "gaps REFERENCE PHOTO...\n%s\n", message.text);
    return 2;
  }
  for (int i = 2; i < argc; i++) {
    udg_image *image = NULL;
    if (udg_image_from_file(NULL, argv[i], &image, &message) != UDG_OK)
      continue;
    memset(&watch, 0, sizeof watch);
    watch.last_ms = udg_clock_ms();
    udg_inspect(inspector, image, NULL, &result, &message);
    ask(NULL);
    printf("%s: %.0f ms, asked %ld times\n", argv[i], result.total_ms, watch.calls);
    for (int k = 0; k < KEPT && watch.longest[k].ms > 0; k++)
      printf("  %.1f ms before call %ld\n", watch.longest[k].ms, watch.longest[k].call);
    udg_image_destroy(image);
  }
  udg_inspector_destroy(inspector);
  udg_reference_destroy(reference);
  return 0;
}
