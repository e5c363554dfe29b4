/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Prints what the stages measure on each photo, one JSON object a line: the
 * material that tests/bench/calibrate.py fits the verdict's weights on.
 *   features REFERENCE [--date YYYY] PHOTO...
 * Without --date the photo's own truth file is not looked at: each date of the
 * reference is registered and the one that fits best is taken. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "evidence.h"
#include "pipeline.h"

static void print_hypothesis(const udg_score *score, const udg_reference *reference,
                             const udg_date *date, const udg_hypothesis *h, int first) {
  double feature[UDG_FEATURE_COUNT];
  udg_evidence_features(score, reference, date, h, feature);
  printf("%s{\"place\":%d,\"digit\":\"%c\",\"kind\":%d,\"dx\":%.4f,\"dy\":%.4f,\"turn\":%.4f,"
         "\"energy\":%.5g,\"share\":%.5g,\"amplitude\":%.5g,\"visible\":%.5g,\"complete\":%.5g,"
         "\"missing\":%.5g,\"uneven\":%.5g,\"largest\":%.5g,\"cells\":%d,\"around\":%.5g,"
         "\"odd\":%.5g,\"even\":%.5g,\"c00\":%.5g,\"c01\":%.5g,\"c11\":%.5g,\"norm\":%.5g,"
         "\"height\":%.5g,\"crossing\":%.5g,"
         "\"x\":[",
         first ? "" : ",", h->place, h->digit ? h->digit : '-', (int)h->kind,
         h->offset_px[0] / UDG_UPRIGHT_DIGIT_PX, h->offset_px[1] / UDG_UPRIGHT_DIGIT_PX,
         h->turn_rad, h->energy, h->share, h->amplitude, h->visible, h->complete, h->missing,
         h->uneven, h->largest, h->cells, h->around, h->odd, h->even, h->covariance[0],
         h->covariance[1], h->covariance[2], h->norm, h->height, h->crossing);
  for (int i = 0; i < UDG_FEATURE_COUNT; i++)
    printf("%s%.5g", i ? "," : "", feature[i]);
  printf("]}");
}

static void print_twice(const udg_twice_seen *seen, const udg_date *date) {
  printf("{\"digits\":%d,\"one\":%.4g,\"gain\":%.4g,\"away\":%.4g,\"all\":%.4g,\"anew\":%.4g}",
         seen->digits, seen->one, seen->all_gain,
         hypot(seen->all_shift_mm[0], seen->all_shift_mm[1]) / date->height_mm, seen->all,
         seen->anew);
}

static void print_photo(const udg_inspector *inspector, const char *photo, size_t date) {
  const udg_registration *r = &inspector->registration;
  const udg_date_work *work = &inspector->dates[date];
  printf("{\"photo\":\"%s\",\"date_to_photo\":[", photo);
  for (int i = 0; i < 9; i++)
    printf("%s%.9g", i ? "," : "", r->date_to_photo.m[i]);
  printf("],\"score\":%.5g,\"runner_up\":%.5g,\"rms\":%.5g,\"digit_height_px\":%.4g,"
         "\"clipped\":%.4g,\"swell\":%.4g,\"light_rms\":%.4g,\"peak\":%.4g,"
         "\"directional\":%.4g,\"noise\":%.4g,\"line\":[%.4g,%.4g,%.4g],"
         "\"fragment\":[",
         r->score, r->runner_up, r->rms, r->digit_height_px, r->clipped, r->swell_mm[0],
         work->light->rms, work->light->peak, work->light->directional_share, work->residual->noise,
         work->score->line.length_px / UDG_UPRIGHT_DIGIT_PX, work->score->line.relief,
         work->score->line.energy);
  if (work->score->fragment.digit)
    print_hypothesis(work->score, inspector->reference, work->upright.date, &work->score->fragment,
                     1);
  printf("],\"twice\":");
  print_twice(&work->score->twice, work->upright.date);
  printf(",\"hypotheses\":[");
  for (int i = 0; i < work->score->count; i++)
    print_hypothesis(work->score, inspector->reference, work->upright.date,
                     &work->score->hypotheses[i], i == 0);
  printf("]}\n");
}

int main(int argc, char **argv) {
  udg_message message = {{0}};
  udg_reference *reference = NULL;
  udg_inspector *inspector = NULL;
  if (argc < 3) {
    fprintf(stderr, "usage: features REFERENCE PHOTO...\n");
    return 2;
  }
  if (udg_reference_from_file(NULL, argv[1], &reference, &message) != UDG_OK ||
      udg_inspector_create(NULL, reference, &inspector, &message) != UDG_OK) {
    fprintf(stderr, "%s\n", message.text);
    return 2;
  }
  const char *wanted = argc > 4 && strcmp(argv[2], "--date") == 0 ? argv[3] : NULL;
  for (int i = wanted ? 4 : 2; i < argc; i++) {
    udg_image *image = NULL;
    udg_status status = udg_image_from_file(NULL, argv[i], &image, &message);
    if (status == UDG_OK)
      status = udg_pipeline_take(inspector, image, &message);
    size_t date = 0;
    if (status == UDG_OK)
      status = udg_pipeline_locate_best(inspector, wanted, &date, &message);
    if (status == UDG_OK && inspector->found.count > 0)
      status = udg_pipeline_score(inspector, date, &message);
    if (status == UDG_OK && inspector->found.count > 0)
      status = udg_pipeline_twice(inspector, date, &message);
    if (status != UDG_OK)
      fprintf(stderr, "%s: %s\n", argv[i], message.text);
    else if (inspector->found.count > 0)
      print_photo(inspector, argv[i], date);
    udg_image_destroy(image);
  }
  udg_inspector_destroy(inspector);
  udg_reference_destroy(reference);
  return 0;
}
