/* SPDX-License-Identifier: GPL-2.0-or-later */
/* locate REFERENCE PHOTO...: finds and registers the reference's first date in
 * each photo, one JSON object a line, times to stderr. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include <underdigit/underdigit.h>

#include "find.h"
#include "image_internal.h"
#include "register.h"

static void print_result(const char *photo, const udg_find_result *found,
                         const udg_registration *r) {
  printf("{\"photo\":\"%s\",\"status\":\"ok\",\"verdict\":\"plain\",\"evidence\":0,"
         "\"p_value\":1,\"count\":%d,\"found_score\":%.4f,\"runner_up\":%.4f,\"score\":%.4f,"
         "\"rms\":%.3f,\"noise\":%.3f,\"height_px\":%.2f",
         photo, found->count, found->count ? found->candidates[0].score : 0, found->runner_up,
         r->score, r->rms, r->noise, r->digit_height_px);
  printf(",\"candidates\":[");
  for (int i = 0; i < found->count; i++) {
    printf("%s{\"score\":%.4f,\"h\":[", i ? "," : "", found->candidates[i].score);
    for (int k = 0; k < 9; k++)
      printf("%s%.9g", k ? "," : "", found->candidates[i].date_to_photo.m[k]);
    printf("]}");
  }
  printf("],\"places\":[");
  for (int i = 0; i < r->place_count; i++)
    printf("%s[%.5f,%.5f,%.5f,%.5f]", i ? "," : "", r->place_offset_mm[i][0],
           r->place_offset_mm[i][1], r->place_turn_rad[i], sqrt(r->place_covariance[i][0][0]));
  printf("],\"swell\":[%.5f,%.5f,%.5f],\"light\":[", r->swell_mm[0], r->swell_mm[1],
         r->swell_mm[2]);
  for (int k = 0; k < UDG_COLUMN_COUNT; k++)
    printf("%s%.5g", k ? "," : "", r->light[k]);
  printf("],\"sd\":[");
  for (int k = 0; k < 4; k++)
    printf("%s%.6g", k ? "," : "", sqrt(r->covariance[5 * k]));
  printf("],\"date_to_photo\":");
  for (int k = 0; k < 9; k++)
    printf("%s%.9g", k ? "," : "[", r->date_to_photo.m[k]);
  printf("]}\n");
}

int main(int argc, char **argv) {
  udg_message message = {{0}};
  udg_reference *reference = NULL;
  udg_find_state *find = NULL;
  udg_register_state *registers = NULL;
  if (argc < 3 || udg_reference_from_file(NULL, argv[1], &reference, &message) != UDG_OK ||
      udg_find_create(NULL, reference, &find, &message) != UDG_OK ||
      udg_register_create(NULL, reference, &registers, &message) != UDG_OK) {
    fprintf(stderr, "usage: locate REFERENCE PHOTO...\n%s\n", message.text);
    return 2;
  }
  double coarse = 0, verify = 0, registering = 0;
  for (int i = 2; i < argc; i++) {
    udg_image *image = NULL;
    udg_plane grey = {0};
    udg_find_result found;
    udg_registration r = {0};
    if (udg_image_from_file(NULL, argv[i], &image, &message) != UDG_OK) {
      fprintf(stderr, "%s\n", message.text);
      continue;
    }
    udg_settings settings;
    udg_settings_default(&settings, sizeof settings);
    udg_status status = udg_plane_create(&settings, (int)image->width, (int)image->height, &grey);
    for (size_t k = 0; status == UDG_OK && k < (size_t)image->width * image->height; k++)
      grey.v[k] = image->grey[k];
    if (status == UDG_OK)
      status = udg_find_date(find, udg_photo_of(&grey), 0, &found, &message);
    double start = udg_clock_ms();
    if (status == UDG_OK && found.count)
      status = udg_register(registers, udg_photo_of(&grey), 0, &found, &r, &message);
    double ms = udg_clock_ms() - start;
    if (status != UDG_OK) {
      fprintf(stderr, "%s: %s\n", argv[i], message.text);
    } else {
      if (i > 2) { /* the first pays for the templates */
        coarse += found.coarse_ms;
        verify += found.verify_ms;
        registering += ms;
      }
      print_result(argv[i], &found, &r);
    }
    udg_plane_destroy(&settings, &grey);
    udg_image_destroy(image);
  }
  if (argc > 3)
    fprintf(stderr, "mean ms: search %.1f, verify %.1f, register %.1f\n", coarse / (argc - 3),
            verify / (argc - 3), registering / (argc - 3));
  udg_register_destroy(registers);
  udg_find_destroy(find);
  udg_reference_destroy(reference);
  return 0;
}
