/* SPDX-License-Identifier: GPL-2.0-or-later */
/* coins PHOTO...: rims found, one JSON object a photo, in pixels of the photo as
 * stored; mean milliseconds to stderr. */
#include <stdio.h>

#include "coin.h"
#include "image_internal.h"

static void print_result(const char *photo, const udg_image *image, const udg_coin_result *found) {
  printf("{\"photo\":\"%s\",\"size\":[%u,%u],\"sure\":%d,\"coins\":[", photo, image->stored_width,
         image->stored_height, found->sure_count);
  for (int i = 0; i < found->count; i++) {
    const udg_ellipse *e = &found->coins[i];
    double s = image->scale;
    printf("%s{\"centre\":[%.2f,%.2f],\"semi\":[%.2f,%.2f],\"angle\":%.4f,\"quality\":%.4f,"
           "\"support\":%.4f,\"weakest\":%.4f,\"inside\":%.4f}",
           i ? "," : "", s * e->centre[0], s * e->centre[1], s * e->semi[0], s * e->semi[1],
           e->angle_rad, e->quality, e->support, e->weakest, e->inside);
  }
  printf("]}\n");
}

int main(int argc, char **argv) {
  udg_message message = {{0}};
  udg_settings settings;
  udg_coin_state *state = NULL;
  udg_settings_default(&settings, sizeof settings);
  if (argc < 2 || udg_coin_create(NULL, &state, &message) != UDG_OK) {
    fprintf(stderr, "usage: coins PHOTO...\n%s\n", message.text);
    return 2;
  }
  double spent = 0;
  for (int i = 1; i < argc; i++) {
    udg_image *image = NULL;
    udg_plane grey = {0};
    udg_coin_result found;
    udg_status status = udg_image_from_file(NULL, argv[i], &image, &message);
    if (status == UDG_OK)
      status = udg_plane_create(&settings, (int)image->width, (int)image->height, &grey);
    for (size_t k = 0; status == UDG_OK && k < (size_t)image->width * image->height; k++)
      grey.v[k] = image->grey[k];
    double start = udg_clock_ms();
    if (status == UDG_OK)
      status = udg_coin_find(state, udg_photo_of(&grey), &found, &message);
    spent += udg_clock_ms() - start;
    if (status == UDG_OK)
      print_result(argv[i], image, &found);
    else
      fprintf(stderr, "%s: %s\n", argv[i], message.text);
    udg_plane_destroy(&settings, &grey);
    udg_image_destroy(image);
  }
  fprintf(stderr, "mean ms: %.1f\n", spent / (argc - 1));
  udg_coin_destroy(state);
  return 0;
}
