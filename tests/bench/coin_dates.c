/* SPDX-License-Identifier: GPL-2.0-or-later */
/* coin-dates REFERENCE PHOTO...: on every coin found in a photo looks for the
 * reference's dates and registers them; one JSON object a coin and date, mean times
 * to stderr. */
#include <stdio.h>

#include <underdigit/underdigit.h>

#include "coin_locate.h"
#include "image_internal.h"
#include "register.h"

typedef struct stages {
  udg_reference *reference;
  udg_coin_state *coins;
  udg_coin_locator *locator;
  udg_register_state *registers;
  double find_ms, locate_ms, coarse_ms, register_ms;
  int coin_count;
} stages;

static void print_coin(const char *photo, const char *date, const udg_image *image, int index,
                       const udg_ellipse *coin, const udg_find_result *found,
                       const udg_registration *r) {
  printf("{\"photo\":\"%s\",\"date\":\"%s\",\"coin\":%d,\"scale\":%g,\"sure\":%d,\"quality\":%.4f,"
         "\"centre\":[%.2f,%.2f],"
         "\"semi\":[%.2f,%.2f],\"count\":%d,\"runner_up\":%.4f,\"registered\":%.4f,"
         "\"digit_px\":%.2f,\"clipped\":%.3f,\"candidates\":[",
         photo, date, index, image->scale, coin->sure, coin->quality, coin->centre[0],
         coin->centre[1], coin->semi[0], coin->semi[1], found->count, found->runner_up, r->score,
         r->digit_height_px, r->clipped);
  for (int i = 0; i < found->count; i++) {
    printf("%s{\"score\":%.4f,\"turn\":%.4f,\"h\":[", i ? "," : "", found->candidates[i].score,
           found->candidates[i].turn_rad);
    for (int k = 0; k < 9; k++)
      printf("%s%.9g", k ? "," : "", found->candidates[i].date_to_photo.m[k]);
    printf("]}");
  }
  printf("],\"date_to_photo\":");
  for (int k = 0; k < 9; k++)
    printf("%s%.9g", k ? "," : "[", r->date_to_photo.m[k]);
  printf("]}\n");
}

static udg_status coin_run(stages *s, const char *path, const udg_image *image,
                           const udg_plane *grey, const udg_ellipse *coin, int index,
                           udg_message *message) {
  udg_status status = UDG_OK;
  s->coin_count++;
  for (size_t date = 0; date < udg_reference_date_count(s->reference) && status == UDG_OK; date++) {
    udg_find_result found;
    udg_registration r = {0};
    double start = udg_clock_ms();
    status = udg_coin_locate(s->locator, udg_photo_of(grey), date, coin, &found, message);
    s->locate_ms += udg_clock_ms() - start;
    s->coarse_ms += found.coarse_ms;
    start = udg_clock_ms();
    if (status == UDG_OK && found.count)
      status = udg_register(s->registers, udg_photo_of(grey), date, &found, &r, message);
    s->register_ms += udg_clock_ms() - start;
    if (status == UDG_OK)
      print_coin(path, udg_reference_date(s->reference, date), image, index, coin, &found, &r);
  }
  return status;
}

static udg_status photo_run(stages *s, const udg_settings *settings, const char *path,
                            udg_message *message) {
  udg_image *image = NULL;
  udg_plane grey = {0};
  udg_coin_result coins = {0};
  udg_status status = udg_image_from_file(settings, path, &image, message);
  if (status != UDG_OK)
    return status;
  status = udg_plane_create(settings, (int)image->width, (int)image->height, &grey);
  for (size_t k = 0; status == UDG_OK && k < (size_t)image->width * image->height; k++)
    grey.v[k] = image->grey[k];
  double start = udg_clock_ms();
  if (status == UDG_OK)
    status = udg_coin_find(s->coins, udg_photo_of(&grey), &coins, message);
  s->find_ms += udg_clock_ms() - start;
  for (int i = 0; status == UDG_OK && i < coins.count; i++)
    status = coin_run(s, path, image, &grey, &coins.coins[i], i, message);
  udg_plane_destroy(settings, &grey);
  udg_image_destroy(image);
  return status;
}

int main(int argc, char **argv) {
  udg_message message = {{0}};
  udg_settings settings;
  stages s = {0};
  udg_settings_default(&settings, sizeof settings);
  if (argc < 3 || udg_reference_from_file(NULL, argv[1], &s.reference, &message) != UDG_OK ||
      udg_coin_create(NULL, &s.coins, &message) != UDG_OK ||
      udg_coin_locator_create(NULL, s.reference, &s.locator, &message) != UDG_OK ||
      udg_register_create(NULL, s.reference, &s.registers, &message) != UDG_OK) {
    fprintf(stderr, "usage: coin-dates REFERENCE PHOTO...\n%s\n", message.text);
    return 2;
  }
  for (int i = 2; i < argc; i++)
    if (photo_run(&s, &settings, argv[i], &message) != UDG_OK)
      fprintf(stderr, "%s: %s\n", argv[i], message.text);
  if (s.coin_count)
    fprintf(stderr,
            "mean ms: coins %.1f a photo, date %.1f (search %.1f) and registration %.1f a coin\n",
            s.find_ms / (argc - 2), s.locate_ms / s.coin_count, s.coarse_ms / s.coin_count,
            s.register_ms / s.coin_count);
  udg_register_destroy(s.registers);
  udg_coin_locator_destroy(s.locator);
  udg_coin_destroy(s.coins);
  udg_reference_destroy(s.reference);
  return 0;
}
