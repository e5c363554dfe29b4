/* SPDX-License-Identifier: GPL-2.0-or-later */
/* plant REFERENCE STRENGTH PHOTO...: inspects each photo as it is, then with a trace of
 * another digit planted beside the date, drawn with the light fitted on that photo and
 * only where it is the higher of the two.  One JSON object a photo and state:
 * where the date was found, brightness, glare, verdict.  For tests/bench/numeral.py. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "image_internal.h"
#include "pipeline.h"
#include "relief.h"

/* Places of the planted centre against the present digit's, digit heights. */
static const double OFFSETS[][2] = {{0.22, 0.10},  {-0.20, 0.14}, {0.16, -0.22}, {-0.14, -0.20},
                                    {0.26, -0.06}, {-0.26, 0.04}, {0.05, 0.26},  {-0.06, -0.26}};
enum { OFFSET_COUNT = sizeof OFFSETS / sizeof *OFFSETS };

typedef struct planted {
  char digit;
  int place;
  double dx, dy, visible;
} planted;

static double peak_levels, noise_levels, misfit_levels; /* of the photo as it is */

static void print_result(const char *photo, const udg_result *r, const udg_reference *reference,
                         const planted *what, double brightness) {
  const double *h = r->date_to_photo;
  const udg_place *place = &reference->dates[0].places[0];
  udg_homography map;
  double x = 0.0, y = 0.0;
  memcpy(map.m, h, sizeof map.m);
  int found = h[8] != 0.0;
  if (found)
    udg_homography_apply(&map, place->centre_mm[0] + r->place_offset_mm[0][0],
                         place->centre_mm[1] + r->place_offset_mm[0][1], &x, &y);
  printf("{\"photo\":\"%s\",\"found\":%d,\"judged\":%d,\"x\":%.2f,\"y\":%.2f,\"turn_deg\":%.2f,"
         "\"height_px\":%.1f,\"brightness\":%.1f,\"clipped\":%.4f,\"verdict\":\"%s\","
         "\"evidence\":%.4f,\"p_value\":%.4g,\"place\":%d,\"digit\":\"%c\",\"off\":[%.3f,%.3f],"
         "\"peak\":%.1f,\"noise\":%.2f,\"misfit\":%.2f,\"azimuth\":%.0f,\"directional\":%.3f,"
         "\"reason\":\"%s\"",
         photo, found, r->judged, x, y, found ? atan2(h[3], h[0]) * 57.29577951308232 : 0.0,
         r->adequacy.digit_height_px, brightness, r->adequacy.clipped_share,
         udg_verdict_text(r->verdict), r->evidence, r->p_value, r->finding.place,
         r->finding.digit ? r->finding.digit : '-',
         r->finding.offset_mm[0] / reference->dates[0].height_mm,
         r->finding.offset_mm[1] / reference->dates[0].height_mm, peak_levels, noise_levels,
         misfit_levels, r->light_azimuth_deg, r->light_directional_share,
         r->reason_count ? r->reasons[0] : "");
  printf(",\"date_to_photo\":[");
  for (int i = 0; i < 9; i++)
    printf("%s%.9g", i ? "," : "", h[i]);
  printf("]");
  if (what)
    printf(",\"planted\":{\"place\":%d,\"digit\":\"%c\",\"dx\":%.3f,\"dy\":%.3f,\"visible\":%.3f}",
           what->place + 1, what->digit, what->dx, what->dy, what->visible);
  printf("}\n");
}

/* Mean level of the date's part of the photo. */
static double brightness_of(const udg_upright *upright) {
  double sum = 0.0;
  size_t count = (size_t)upright->width * (size_t)upright->height, n = 0;
  for (size_t i = 0; i < count; i++)
    if (upright->distance.v[i] > -12.0f) {
      sum += (double)upright->grey.v[i];
      n++;
    }
  return n ? sum / (double)n : 0.0;
}

static const udg_trace *trace_of(const udg_trace_bank *bank, char digit, double turn_rad) {
  const udg_trace *best = NULL;
  for (int i = 0; i < bank->trace_count; i++) {
    const udg_trace *t = &bank->traces[i];
    if (t->digit == digit && !t->mirrored &&
        (!best || fabs(t->turn_rad - turn_rad) < fabs(best->turn_rad - turn_rad)))
      best = t;
  }
  return best;
}

/* Digits that make an earlier date at a place, other than the present one. */
static char choose_digit(const udg_reference *reference, int place, unsigned number) {
  char can[10];
  unsigned n = 0;
  for (char d = '0'; d < reference->dates[0].places[place].digit; d++)
    if (reference->has_digit[d - '0'] &&
        (place > 0 || d != '0' || reference->dates[0].place_count == 1))
      can[n++] = d;
  return n ? can[number % n] : 0;
}

/* Adds the trace to the photo's pixels; 0 when there is none to add. */
static int plant(const udg_inspector *inspector, unsigned number, double strength, udg_image *image,
                 planted *what) {
  const udg_date_work *work = &inspector->dates[0];
  const udg_upright *u = &work->upright;
  const udg_trace_bank *bank = work->bank;
  what->place = (int)(number % (unsigned)u->place_count);
  what->digit = choose_digit(inspector->reference, what->place, number / 3);
  const udg_trace *trace =
      what->digit ? trace_of(bank, what->digit, u->place_turn_rad[what->place]) : NULL;
  if (!trace)
    return 0;
  what->dx = OFFSETS[number % OFFSET_COUNT][0];
  what->dy = OFFSETS[number % OFFSET_COUNT][1];
  const udg_trace *own =
      trace_of(bank, u->date->places[what->place].digit, u->place_turn_rad[what->place]);
  int size = bank->size;
  udg_plane window = {0}, present = {0}, distance = {0};
  udg_message message;
  if (udg_plane_create(&inspector->settings, size, size, &window) != UDG_OK ||
      udg_plane_create(&inspector->settings, size, size, &present) != UDG_OK ||
      udg_plane_create(&inspector->settings, size, size, &distance) != UDG_OK ||
      udg_relief_distance_within(&inspector->settings,
                                 &inspector->reference->digits[what->digit - '0'], u->px_per_mm,
                                 trace->turn_rad, 0.5 * size, 0.5 * size, UDG_UPRIGHT_REACH_PX,
                                 &distance, &message) != UDG_OK)
    return 0;
  /* First order in the slope, and second. */
  udg_trace_draw(trace, work->light, (float)strength, (float)(strength * strength), size, window.v);
  udg_trace_draw(own, work->light, 1.0f, 1.0f, size, present.v);
  udg_homography to_px =
      udg_homography_similarity(u->px_per_mm, 0.0, u->origin_px[0], u->origin_px[1]);
  udg_homography back, to_upright;
  udg_homography_invert(&inspector->registration.date_to_photo, &back);
  to_upright = udg_homography_after(&to_px, &back);
  double cx = u->place_px[what->place][0] + what->dx * UDG_UPRIGHT_DIGIT_PX;
  double cy = u->place_px[what->place][1] + what->dy * UDG_UPRIGHT_DIGIT_PX;
  double all = 0.0, open = 0.0;
  for (uint32_t y = 0; y < image->height; y++)
    for (uint32_t x = 0; x < image->width; x++) {
      double ux, uy;
      udg_homography_apply(&to_upright, x + 0.5, y + 0.5, &ux, &uy);
      double wx = ux - cx + 0.5 * size, wy = uy - cy + 0.5 * size;
      if (wx < 1.0 || wy < 1.0 || wx > size - 1.0 || wy > size - 1.0 || ux < 0.0 || uy < 0.0 ||
          ux > u->width || uy > u->height)
        continue;
      double t = (double)udg_plane_sample(&window, wx, wy);
      double d = (double)udg_plane_sample(&u->distance, ux, uy);
      double px = ux - u->place_px[what->place][0] + 0.5 * size;
      double py = uy - u->place_px[what->place][1] + 0.5 * size;
      double p = d > 0.0 ? (double)udg_plane_sample(&present, px, py) : 0.0;
      /* The higher of the two shows: on the present digit's shoulder, up to the trace's. */
      double high =
          strength * udg_relief_profile((double)udg_plane_sample(&distance, wx, wy), u->bevel_px);
      double over = d <= 0.0 ? 1.0 : high > udg_relief_profile(d, u->bevel_px) ? 1.0 : 0.0;
      double change = over * (t - p);
      uint8_t *pixel = image->grey + (size_t)y * image->width + x;
      all += fabs(t);
      open += over * fabs(t);
      *pixel = (uint8_t)fmin(fmax(*pixel + change + 0.5, 0.0), 255.0);
    }
  what->visible = all > 0.0 ? open / all : 0.0;
  udg_plane_destroy(&inspector->settings, &window);
  udg_plane_destroy(&inspector->settings, &present);
  udg_plane_destroy(&inspector->settings, &distance);
  return 1;
}

int main(int argc, char **argv) {
  udg_message message = {""};
  udg_reference *reference = NULL;
  udg_inspector *inspector = NULL;
  if (argc < 4) {
    fprintf(stderr, "usage: plant REFERENCE STRENGTH PHOTO...\n");
    return 2;
  }
  if (udg_reference_from_file(NULL, argv[1], &reference, &message) != UDG_OK ||
      udg_inspector_create(NULL, reference, &inspector, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 2;
  }
  double strength = atof(argv[2]);
  const char *date = reference->dates[0].text;
  for (int i = 3; i < argc; i++) {
    udg_image *image = NULL;
    udg_result result;
    planted what = {0};
    if (udg_image_from_file(NULL, argv[i], &image, &message) != UDG_OK ||
        udg_inspect(inspector, image, date, &result, &message) != UDG_OK) {
      fprintf(stderr, "%s\n", message.text);
      udg_image_destroy(image);
      continue;
    }
    double brightness = result.judged ? brightness_of(&inspector->dates[0].upright) : 0.0;
    peak_levels = result.judged ? inspector->dates[0].light->peak : 0.0;
    noise_levels = result.judged ? inspector->dates[0].residual->noise : 0.0;
    misfit_levels = result.judged ? inspector->dates[0].light->rms : 0.0;
    print_result(argv[i], &result, reference, NULL, brightness);
    if (result.judged && strength > 0.0 && plant(inspector, (unsigned)i, strength, image, &what) &&
        udg_inspect(inspector, image, date, &result, &message) == UDG_OK)
      print_result(argv[i], &result, reference, &what, brightness);
    udg_image_destroy(image);
  }
  udg_inspector_destroy(inspector);
  udg_reference_destroy(reference);
  return 0;
}
