/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: the whole inspection of a small grey plane.  Four bytes choose size, reference,
 * search and ground, the rest are pixels, repeated to the end. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { SIDE_MAX = 140, HEAD_BYTES = 4 };

/* One that gives the coin's diameter, one that does not. */
static const udg_reference *reference_of(int with_coin) {
  static udg_reference *kept[2];
  if (!kept[with_coin]) {
    udg_message message = {""};
    const char *path = with_coin ? UDG_FUZZ_DATA "/coin.json" : UDG_FUZZ_DATA "/close_up.json";
    if (udg_reference_from_file(NULL, path, &kept[with_coin], &message) != UDG_OK)
      abort();
  }
  return kept[with_coin];
}

/* Kept from input to input, as a host keeps them: making one costs more than using it. */
static udg_inspector *inspector_of(int with_coin, int tall, int turned) {
  static udg_inspector *kept[2][2][2];
  udg_inspector **at = &kept[with_coin][tall][turned];
  if (!*at) {
    udg_settings s;
    udg_settings_default(&s, sizeof s);
    s.digit_height_min_px = tall ? 30 : 20;
    s.digit_height_max_px = tall ? 40 : 23;
    s.turn_max_deg = turned ? 8 : 0;
    s.flag_p_value = tall ? 0.5 : 0.01;
    s.min_power = turned ? 0 : 0.5;
    if (udg_inspector_create(&s, reference_of(with_coin), at, NULL) != UDG_OK)
      abort();
  }
  return *at;
}

static int within(double value, double low, double high) {
  return value >= low && value <= high; /* not for NaN */
}

static void check_finding(const udg_finding *f) {
  if (f->kind < UDG_VERDICT_UNDECIDED || f->kind > UDG_VERDICT_STRAY || f->place < 0 ||
      f->place > UDG_PLACES_MAX || (f->digit && (f->digit < '0' || f->digit > '9')))
    abort();
  if (!isfinite(f->offset_mm[0]) || !isfinite(f->offset_mm[1]) || !isfinite(f->turn_deg) ||
      !within(f->strength, 0, 1) || !within(f->visible_share, 0, 1 + 1e-9) ||
      !isfinite(f->log_ratio))
    abort();
}

static void check_result(const udg_result *r) {
  if (r->verdict < UDG_VERDICT_UNDECIDED || r->verdict > UDG_VERDICT_STRAY ||
      !within(r->p_value, 1e-300, 1) || !isfinite(r->evidence) ||
      (r->verdict != UDG_VERDICT_UNDECIDED && !r->judged) ||
      (r->verdict == UDG_VERDICT_UNDECIDED && r->reason_count == 0))
    abort();
  for (int i = 0; i < 9; i++)
    if (!isfinite(r->date_to_photo[i]))
      abort();
  if (r->other_count < 0 || r->other_count > UDG_OTHERS_MAX || r->reason_count > UDG_REASONS_MAX ||
      r->limit_count > UDG_REASONS_MAX || r->stage_count > UDG_STAGES_MAX)
    abort();
  if (r->judged)
    check_finding(&r->finding);
  for (int i = 0; i < r->other_count; i++)
    check_finding(&r->others[i]);
  char *text = NULL;
  if (udg_result_to_json(NULL, r, "plane", &text, NULL) != UDG_OK || !text || strchr(text, '\n'))
    abort();
  udg_text_destroy(NULL, text);
}

static void check_views(const udg_inspector *inspector, int judged) {
  for (int kind = UDG_VIEW_UPRIGHT; kind <= UDG_VIEW_EVIDENCE; kind++) {
    udg_view view;
    if (udg_inspector_view(inspector, (udg_view_kind)kind, &view) != UDG_OK) {
      if (judged)
        abort();
      continue;
    }
    for (int i = 0; i < view.width * view.height; i++)
      if (!isfinite(view.pixels[i]))
        abort();
  }
}

static udg_image *plane_of(const uint8_t *data, size_t size) {
  static uint8_t pixels[SIDE_MAX * SIDE_MAX];
  const uint32_t width = 1 + data[0] % SIDE_MAX, height = 1 + data[1] % SIDE_MAX;
  for (size_t i = 0; i < (size_t)width * height; i++)
    pixels[i] = size > HEAD_BYTES ? data[HEAD_BYTES + i % (size - HEAD_BYTES)] : data[3];
  udg_image *image = NULL;
  if (udg_image_from_grey(NULL, pixels, width, height, width, &image, NULL) != UDG_OK)
    abort();
  return image;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size < HEAD_BYTES)
    return 0;
  const int with_coin = data[2] & 1;
  udg_inspector *inspector = inspector_of(with_coin, data[2] >> 1 & 1, data[2] >> 2 & 1);
  const char *date = data[2] >> 3 & 1 ? udg_reference_date(reference_of(with_coin), 0) : NULL;
  udg_image *image = plane_of(data, size);
  udg_result result;
  udg_message message = {""};
  if (udg_inspect(inspector, image, date, &result, &message) != UDG_OK)
    abort();
  check_result(&result);
  check_views(inspector, result.judged);
  udg_image_destroy(image);
  return 0;
}
