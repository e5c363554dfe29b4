/* SPDX-License-Identifier: GPL-2.0-or-later */
/* libFuzzer: the whole inspection of a small grey plane.  Four bytes choose size, reference,
 * search and ground, the rest are pixels, repeated to the end. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { SIDE_MAX = 140, TINY_SIDE_MAX = 48, HEAD_BYTES = 4, KINDS = 4 };

/* Bits of the third byte. */
enum {
  COIN = 1,
  TALL = 2,
  TURNED = 4,
  DATED = 8,
  TINY = 16,
  KNOWN = 32,
  BY_NUMBER = 64,
  TWICE = 128
};

/* One that gives the coin's diameter, one that does not; one digit alone, which is judged
 * ten times as fast; a die with markers, its date in the hub. */
static int kind_of(int choice) {
  return choice & TINY ? 2 : choice & KNOWN ? 3 : choice & COIN;
}

static const udg_reference *reference_of(int kind) {
  static udg_reference *kept[KINDS];
  static const char *const paths[KINDS] = {UDG_FUZZ_DATA "/close_up.json",
                                           UDG_FUZZ_DATA "/coin.json", UDG_FUZZ_DATA "/tiny.json",
                                           UDG_FUZZ_DATA "/known.json"};
  if (!kept[kind] && udg_reference_from_file(NULL, paths[kind], &kept[kind], NULL) != UDG_OK)
    abort();
  return kept[kind];
}

/* Kept from input to input, as a host keeps them: making one costs more than using it. */
static udg_inspector *inspector_of(int kind, int tall, int turned) {
  static udg_inspector *kept[KINDS][2][2];
  udg_inspector **at = &kept[kind][tall][turned];
  if (!*at) {
    udg_settings s;
    udg_settings_default(&s, sizeof s);
    s.digit_height_min_px = tall ? 30 : 20;
    s.digit_height_max_px = tall ? 40 : 23;
    s.turn_max_deg = turned ? 8 : 0;
    s.flag_p_value = tall ? 0.5 : 0.01;
    s.min_power = turned ? 0 : 0.5;
    if (udg_inspector_create(&s, reference_of(kind), at, NULL) != UDG_OK)
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
  const uint32_t most = data[2] & TINY ? TINY_SIDE_MAX : SIDE_MAX;
  const uint32_t width = 1 + data[0] % most, height = 1 + data[1] % most;
  for (size_t i = 0; i < (size_t)width * height; i++)
    pixels[i] = size > HEAD_BYTES ? data[HEAD_BYTES + i % (size - HEAD_BYTES)] : data[3];
  udg_image *image = NULL;
  if (udg_image_from_grey(NULL, pixels, width, height, width, &image, NULL) != UDG_OK)
    abort();
  return image;
}

static void check_markers(const udg_result *r) {
  if (r->marker_count < 0 || r->marker_count > UDG_MARKERS_MAX || r->die_count < 0 ||
      r->die_count > UDG_DIES_MAX)
    abort();
  for (int i = 0; i < r->marker_count; i++) {
    const udg_marker_finding *f = &r->markers[i];
    if (!isfinite(f->log_ratio) || !within(f->power, 0, 1) || !isfinite(f->at_mm[0]) ||
        !isfinite(f->at_mm[1]) || f->answer < UDG_MARKER_CANNOT_TELL ||
        f->answer > UDG_MARKER_ABSENT)
      abort();
  }
  for (int i = 0; i < r->die_count; i++)
    if (!isfinite(r->dies[i].log_ratio) || !within(r->dies[i].state, 0, 1))
      abort();
  if (r->strike_count < 0 || r->strike_count > UDG_STRIKES_MAX || !within(r->wear, 0, 1))
    abort();
  for (int i = 0; i < r->strike_count; i++)
    if (!within(r->strikes[i].full, 0, 1) || !within(r->strikes[i].full_interval[0], 0, 1) ||
        !within(r->strikes[i].full_interval[1], r->strikes[i].full_interval[0], 1))
      abort();
  const udg_hub_finding *hub = &r->hub;
  if (!isfinite(hub->log_ratio) || !isfinite(hub->shift_mm[0]) || !isfinite(hub->turn_deg) ||
      !isfinite(hub->digit_lead) || !isfinite(hub->rest_log_ratio))
    abort();
}

/* Two photos of the coin that are one: they must agree with each other. */
static void inspect_twice(udg_inspector *inspector, const udg_image *image, const char *date) {
  static udg_result each[2], joint;
  const udg_image *images[2] = {image, image};
  if (udg_inspect_same_coin(inspector, images, 2, date, each, &joint, NULL) != UDG_OK)
    abort();
  if (each[0].verdict != each[1].verdict || each[0].evidence != each[1].evidence)
    abort();
  check_result(&joint);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  if (size < HEAD_BYTES)
    return 0;
  const int choice = data[2], kind = kind_of(choice);
  udg_inspector *inspector = inspector_of(kind, (choice & TALL) != 0, (choice & TURNED) != 0);
  const char *date = choice & DATED ? udg_reference_date(reference_of(kind), 0) : NULL;
  udg_image *image = plane_of(data, size);
  static udg_result result;
  udg_message message = {""};
  udg_status status = choice & BY_NUMBER
                          ? udg_inspect_coin(inspector, image, 1, date, &result, &message)
                          : udg_inspect(inspector, image, date, &result, &message);
  if (status == UDG_OK) {
    check_result(&result);
    check_markers(&result);
    check_views(inspector, result.judged);
  } else if (status != UDG_ERROR_ARGUMENT || !(choice & BY_NUMBER) || !message.text[0]) {
    abort(); /* only a coin that is not there */
  }
  if (choice & TWICE)
    inspect_twice(inspector, image, date);
  udg_image_destroy(image);
  return 0;
}
