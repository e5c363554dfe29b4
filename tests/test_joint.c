/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Photos of one coin judged together, on the small coins of the fuzz corpus: coin_struck and
 * coin_struck_again show a 0 under the 7 of "17" in two lights, coin_bare is plain, coin_18 is of
 * another date. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

#include "support.h"

enum { STRUCK, AGAIN, BARE, OTHER_DATE, NOTHING, PLANES };

static udg_reference *reference;
static udg_inspector *inspector;
static udg_image *planes[PLANES];

static udg_image *plane(const char *name) {
  char path[512];
  snprintf(path, sizeof path, "%s/corpus/inspect/%s", UDG_FUZZ_FOLDER, name);
  test_bytes file = test_read_file(path);
  const uint32_t width = file.bytes[0] + 1u, height = file.bytes[1] + 1u;
  assert_true(file.count == 4 + (size_t)width * height);
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, file.bytes + 4, width, height, width, &image, NULL),
                   UDG_OK);
  test_bytes_free(&file);
  return image;
}

static int set_up(void **state) {
  (void)state;
  static const char *const names[] = {"coin_struck", "coin_struck_again", "coin_bare", "coin_18"};
  static const uint8_t flat[60 * 60];
  char path[512];
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  settings.digit_height_max_px = 30;
  settings.turn_max_deg = 8;
  snprintf(path, sizeof path, "%s/data/coin.json", UDG_FUZZ_FOLDER);
  for (int i = 0; i < NOTHING; i++)
    planes[i] = plane(names[i]);
  return udg_image_from_grey(NULL, flat, 60, 60, 60, &planes[NOTHING], NULL) != UDG_OK ||
         udg_reference_from_file(NULL, path, &reference, NULL) != UDG_OK ||
         udg_inspector_create(&settings, reference, &inspector, NULL) != UDG_OK;
}

static int tear_down(void **state) {
  (void)state;
  for (int i = 0; i < PLANES; i++)
    udg_image_destroy(planes[i]);
  udg_inspector_destroy(inspector);
  udg_reference_destroy(reference);
  return 0;
}

static udg_result each[3];

static udg_result joint_of(int count, const int *which) {
  static udg_result joint;
  const udg_image *images[3];
  udg_message message = {""};
  for (int i = 0; i < count; i++)
    images[i] = planes[which[i]];
  if (udg_inspect_same_coin(inspector, images, count, NULL, each, &joint, &message) != UDG_OK)
    fail_msg("%s", message.text);
  return joint;
}

static int reason_has(const udg_result *r, const char *what) {
  for (int i = 0; i < r->reason_count; i++)
    if (strstr(r->reasons[i], what))
      return 1;
  return 0;
}

/* What stays in two lights is surer than in the better of them. */
static void a_trace_that_stays_is_surer(void **state) {
  (void)state;
  const udg_result joint = joint_of(2, (int[]){STRUCK, AGAIN});
  assert_int_equal(joint.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_true(reason_has(&joint, "over the 2 photos that could be judged the trace stays"));
  assert_int_equal(joint.finding.place, 2);
  assert_int_equal(joint.finding.digit, '0');
  for (int i = 0; i < 2; i++) {
    assert_int_equal(each[i].verdict, UDG_VERDICT_UNDERDIGIT);
    assert_true(joint.p_value <= each[i].p_value);
    assert_true(joint.adequacy.power_strong >= each[i].adequacy.power_strong);
  }
  assert_true(joint.decoy_evidence < joint.evidence);
}

/* What one photo shows and another of the same coin does not is no trace. */
static void a_trace_in_one_light_alone_is_doubted(void **state) {
  (void)state;
  const udg_result joint = joint_of(3, (int[]){STRUCK, BARE, BARE});
  assert_int_equal(each[0].verdict, UDG_VERDICT_UNDERDIGIT);
  assert_int_equal(joint.verdict, UDG_VERDICT_UNDECIDED);
  assert_true(reason_has(&joint, "does not show alike in the others"));
  assert_true(joint.evidence < each[0].evidence - 1 && joint.p_value > each[0].p_value);
}

static void a_photo_without_a_date_does_not_count(void **state) {
  (void)state;
  const udg_result alone = joint_of(1, (int[]){STRUCK});
  const udg_result joint = joint_of(2, (int[]){NOTHING, STRUCK});
  assert_int_equal(each[0].judged, 0);
  assert_int_equal(joint.verdict, UDG_VERDICT_UNDERDIGIT);
  assert_true(joint.evidence == alone.evidence);
  const udg_result none = joint_of(2, (int[]){NOTHING, NOTHING});
  assert_int_equal(none.verdict, UDG_VERDICT_UNDECIDED);
  assert_int_equal(none.judged, 0);
  assert_true(reason_has(&none, "none of the 2 photos could be judged"));
}

/* The same photo twice says what it says alone, twice: 0.5 ln 2 by the rule in joint.c. */
static void as_many_count_as_have_a_say(void **state) {
  (void)state;
  const udg_result alone = joint_of(1, (int[]){STRUCK});
  const udg_result twice = joint_of(2, (int[]){STRUCK, STRUCK});
  test_near(twice.evidence - alone.evidence, 0.5 * log(2.0), 0.02);
}

static void photos_of_two_dates_are_not_one_coin(void **state) {
  (void)state;
  const udg_result joint = joint_of(3, (int[]){NOTHING, STRUCK, OTHER_DATE});
  assert_string_equal(each[1].date, "17");
  assert_string_equal(each[2].date, "18");
  assert_int_equal(joint.verdict, UDG_VERDICT_UNDECIDED);
  assert_int_equal(joint.judged, 0);
  assert_true(reason_has(&joint, "photo 2 reads as 17, photo 3 as 18"));
}

/* The coin's letters, which the reference does not know, may be taken for something else. */
static void plain_photos_are_not_flagged(void **state) {
  (void)state;
  const udg_result joint = joint_of(2, (int[]){OTHER_DATE, OTHER_DATE});
  assert_int_equal(joint.judged, 1);
  assert_true(joint.verdict != UDG_VERDICT_UNDERDIGIT && joint.verdict != UDG_VERDICT_UNDECIDED);
  assert_true(joint.reason_count > 0);
  assert_true(joint.p_value > 0.005);
}

static void arguments_are_checked(void **state) {
  (void)state;
  udg_result joint;
  udg_message message = {""};
  const udg_image *const images[1] = {planes[STRUCK]}, *const gap[1] = {NULL};
  assert_int_equal(udg_inspect_same_coin(NULL, images, 1, NULL, each, &joint, &message),
                   UDG_ERROR_ARGUMENT);
  assert_true(message.text[0] != '\0');
  assert_int_equal(udg_inspect_same_coin(inspector, NULL, 1, NULL, each, &joint, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect_same_coin(inspector, images, 0, NULL, each, &joint, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect_same_coin(inspector, images, 1, NULL, NULL, &joint, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect_same_coin(inspector, images, 1, NULL, each, NULL, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect_same_coin(inspector, gap, 1, NULL, each, &joint, NULL),
                   UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_inspect_same_coin(inspector, images, 1, "99", each, &joint, &message),
                   UDG_ERROR_DATE);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_trace_that_stays_is_surer),
      cmocka_unit_test(a_trace_in_one_light_alone_is_doubted),
      cmocka_unit_test(a_photo_without_a_date_does_not_count),
      cmocka_unit_test(as_many_count_as_have_a_say),
      cmocka_unit_test(photos_of_two_dates_are_not_one_coin),
      cmocka_unit_test(plain_photos_are_not_flagged),
      cmocka_unit_test(arguments_are_checked),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
