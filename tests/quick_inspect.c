/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stands in for the library's inspection where tests are about what lies around
 * it: an answer from the photo's mean grey level, at once; a photo more than twice as
 * wide as high holds a row of coins, one as wide as it is high after the other.
 *   UDG_TEST_LOG       file that gets a byte for each inspection
 *   UDG_TEST_DELAY_MS  how long an inspection takes */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <underdigit/underdigit.h>

#include "command.h"

/* Learning needs the library's own inspection. */
static int learn_run(int argc, char **argv) {
  (void)argc;
  (void)argv;
  return EXIT_FAULT;
}
const command learn_command = {
    .name = "learn", .summary = "not here", .usage = "", .help = "", .run = learn_run};

enum { VIEW_WIDTH = 120, VIEW_HEIGHT = 60 };

struct udg_inspector {
  udg_settings settings;
  const udg_reference *reference;
  float pixels[VIEW_WIDTH * VIEW_HEIGHT];
};

udg_status udg_inspector_create(const udg_settings *settings, const udg_reference *reference,
                                udg_inspector **inspector, udg_message *message) {
  (void)message;
  *inspector = calloc(1, sizeof **inspector);
  if (!*inspector)
    return UDG_ERROR_MEMORY;
  (*inspector)->settings = *settings;
  (*inspector)->reference = reference;
  return UDG_OK;
}

void udg_inspector_destroy(udg_inspector *inspector) {
  free(inspector);
}

static void note(void) {
  const char *path = getenv("UDG_TEST_LOG");
  int file = path ? open(path, O_WRONLY | O_APPEND | O_CREAT, 0666) : -1;
  if (file < 0)
    return;
  if (write(file, "x", 1) != 1)
    abort();
  close(file);
}

/* In steps, so that the host can stop it as it can stop the library. */
static int delay(const udg_settings *settings) {
  const char *text = getenv("UDG_TEST_DELAY_MS");
  for (int ms = text ? atoi(text) : 0; ms > 0; ms--) {
    nanosleep(&(struct timespec){.tv_nsec = 1000000}, NULL);
    if (settings->cancel && settings->cancel(settings->user))
      return -1;
  }
  return 0;
}

static udg_status inspect(udg_inspector *inspector, const udg_image *image, int coin,
                          udg_result *result) {
  uint8_t level;
  note();
  if (delay(&inspector->settings) != 0)
    return UDG_ERROR_CANCELLED;
  double height = udg_image_height(image);
  int coins = (int)(udg_image_width(image) / height);
  double part[4] = {coin * height, 0, (coin + 1) * height, height};
  udg_image_grey(image, coins > 2 ? part : NULL, 1, 1, &level);
  *result = (udg_result){.judged = level >= 40, .evidence = level / 10.0 - 15, .p_value = 0.5};
  snprintf(result->reference, sizeof result->reference, "%s",
           udg_reference_name(inspector->reference));
  snprintf(result->date, sizeof result->date, "%s", udg_reference_date(inspector->reference, 0));
  result->verdict = level < 40    ? UDG_VERDICT_UNDECIDED
                    : level < 180 ? UDG_VERDICT_PLAIN
                                  : UDG_VERDICT_UNDERDIGIT;
  if (level >= 180)
    result->p_value = 1e-4;
  result->reason_count = 1;
  snprintf(result->reasons[0], UDG_REASON_BYTES, "mean level %d", level);
  result->finding = (udg_finding){.place = 4,
                                  .digit = '3',
                                  .kind = UDG_VERDICT_UNDERDIGIT,
                                  .strength = level / 255.0,
                                  .strength_interval = {0.1, 0.9},
                                  .visible_share = 0.6,
                                  .state = level < 220 ? UDG_STATE_WEAK : UDG_STATE_STRONG};
  const double map[9] = {10, 0, 40 + coin * height, 0, 10, 20, 0, 0, 1};
  memcpy(result->date_to_photo, map, sizeof map);
  result->registration_runner_up = 0.3;
  result->adequacy.digit_height_px = 16;
  if (coins > 2) {
    result->coin_index = coin + 1;
    result->coin_count = coins;
    result->coin_centre_px[0] = (coin + 0.5) * height;
    result->coin_centre_px[1] = 0.5 * height;
  }
  result->decoy_evidence = level / 10 == 7 ? 20 : -9; /* as good as any find */
  return UDG_OK;
}

udg_status udg_inspect_coin(udg_inspector *inspector, const udg_image *image, int coin,
                            const char *date, udg_result *result, udg_message *message) {
  (void)date;
  (void)message;
  return inspect(inspector, image, coin - 1, result);
}

udg_status udg_inspect_same_coin(udg_inspector *inspector, const udg_image *const *images,
                                 int count, const char *date, udg_result *each, udg_result *joint,
                                 udg_message *message) {
  (void)inspector, (void)images, (void)count, (void)date, (void)each, (void)joint, (void)message;
  return UDG_ERROR_ARGUMENT; /* no test asks the stand-in for it */
}

udg_status udg_inspect(udg_inspector *inspector, const udg_image *image, const char *date,
                       udg_result *result, udg_message *message) {
  (void)date;
  (void)message;
  return inspect(inspector, image, 0, result);
}

udg_status udg_inspector_view(const udg_inspector *inspector, udg_view_kind kind, udg_view *view) {
  (void)kind;
  *view = (udg_view){VIEW_WIDTH, VIEW_HEIGHT, inspector->pixels, 10, {60, 40}};
  return UDG_OK;
}
