/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Learning from plain coins: drawn ones, whose truth the generator knows. */
#include <math.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

#include "appearance.h"
#include "evidence.h"
#include "learn_internal.h"
#include "made.h"
#include "reference_internal.h"
#include "support.h"

static made m;
static const char *const DATE = "1868";

static int group_set_up(void **state) {
  (void)state;
  return made_open(&m, "vellacombe");
}

static int group_tear_down(void **state) {
  (void)state;
  made_close(&m);
  test_directory_remove();
  return 0;
}

static size_t date_index(const udg_reference *reference, const char *date) {
  size_t i = 0;
  while (strcmp(reference->dates[i].text, date) != 0)
    i++;
  return i;
}

static ti_options options_of(ti_class cls, int design) {
  ti_options options;
  ti_options_defaults(&options);
  options.class_fixed = (int)cls;
  options.date_fixed = (int)date_index(m.reference, DATE);
  options.design = design;
  options.digit_px[0] = 60;
  options.digit_px[1] = 110;
  options.strength[0] = 0.6;
  options.strength[1] = 0.8;
  return options;
}

static udg_image *draw(const ti_options *options, uint64_t seed, int index, ti_scene *scene) {
  udg_plane grey = {0};
  udg_image *image = NULL;
  made_draw(&m, options, seed, index, scene, &grey);
  size_t count = (size_t)grey.width * (size_t)grey.height;
  uint8_t *bytes = malloc(count);
  assert_non_null(bytes);
  for (size_t i = 0; i < count; i++)
    bytes[i] = (uint8_t)fminf(fmaxf(grey.v[i] + 0.5f, 0.0f), 255.0f);
  assert_int_equal(udg_image_from_grey(NULL, bytes, (uint32_t)grey.width, (uint32_t)grey.height,
                                       (size_t)grey.width, &image, NULL),
                   UDG_OK);
  free(bytes);
  udg_plane_destroy(&m.settings, &grey);
  return image;
}

/* How far the drawn digits stray, summed over the photos added. */
static double strayed_mm[UDG_PLACES_MAX];

static void add(udg_learner *learner, const ti_options *options, uint64_t seed, int index,
                const char *name) {
  ti_scene scene;
  udg_image *image = draw(options, seed, index, &scene);
  assert_int_equal(udg_learner_add(learner, image, name, NULL), UDG_OK);
  udg_image_destroy(image);
  for (int p = 0; p < scene.date->place_count; p++)
    strayed_mm[p] += scene.coin.digits[p].dx;
}

static udg_learner *learner_with(const udg_reference *reference, const ti_options *options,
                                 uint64_t seed, int count) {
  udg_learner *learner = NULL;
  memset(strayed_mm, 0, sizeof strayed_mm);
  assert_int_equal(udg_learner_create(NULL, reference, DATE, &learner, NULL), UDG_OK);
  for (int i = 0; i < count; i++) {
    char name[32];
    snprintf(name, sizeof name, "plain-%d", i);
    add(learner, options, seed, i, name);
  }
  return learner;
}

static udg_learn_fate fate_of(const udg_learner *learner, const char *name, char *why) {
  udg_learn_photo photo;
  for (size_t i = 0; udg_learner_photo(learner, i, &photo) == UDG_OK; i++)
    if (strcmp(photo.name, name) == 0) {
      snprintf(why, UDG_REASON_BYTES, "%s", photo.why);
      return photo.fate;
    }
  fail_msg("no photo %s", name);
  return UDG_LEARN_USED;
}

/* The last digit's place in the reference is 6 % of its height off; the learner puts it
 * to where these coins have it, to within 1 %, and moves the others by little. */
static void shifted_place_is_put_back(void **state) {
  (void)state;
  udg_reference *wrong = NULL;
  udg_learn_report report;
  assert_int_equal(udg_reference_copy(m.reference, &wrong, NULL), UDG_OK);
  size_t index = date_index(wrong, DATE);
  double height = wrong->dates[index].height_mm;
  wrong->dates[index].places[3].centre_mm[0] += 0.06 * height;
  wrong->source = NULL;
  ti_options options = options_of(TI_CLEAN, 0);
  udg_learner *learner = learner_with(wrong, &options, 31, 12);
  assert_int_equal(udg_learner_finish(learner, &report, NULL), UDG_OK);
  print_message("used %d, error %.4f, spread %.4f mm (slack %.4f), shifts", report.used_count,
                report.place_error_mm, report.spread_mm, m.reference->dates[index].slack_mm);
  for (int p = 0; p < 4; p++)
    print_message(" %+.4f %+.4f", report.place_shift_mm[p][0], report.place_shift_mm[p][1]);
  print_message(" mm\n");
  assert_true(report.used_count >= 10);
  double others =
      (report.place_shift_mm[0][0] + report.place_shift_mm[1][0] + report.place_shift_mm[2][0]) / 3;
  double strayed = (strayed_mm[3] - (strayed_mm[0] + strayed_mm[1] + strayed_mm[2]) / 3) / 12;
  print_message("strayed %.4f mm\n", strayed);
  test_near(report.place_shift_mm[3][0] - others, -0.06 * height + strayed, 0.01 * height);
  for (int p = 0; p < 3; p++)
    for (int axis = 0; axis < 2; axis++)
      assert_true(fabs(report.place_shift_mm[p][axis]) < 0.015 * height);
  /* What digits stray by on these coins is the slack that they were drawn with. */
  test_near(report.spread_mm, m.reference->dates[index].slack_mm,
            0.4 * m.reference->dates[index].slack_mm);
  udg_learner_destroy(learner);
  udg_reference_destroy(wrong);
}

/* Among plain coins one with a strong trace, one of another coinage, the side without a
 * date, noise: each is named with what it is, the plain ones are used. */
static void intruders_are_named(void **state) {
  (void)state;
  char why[UDG_REASON_BYTES];
  udg_learn_report report;
  ti_options options = options_of(TI_CLEAN, 0);
  udg_learner *learner = learner_with(m.reference, &options, 32, 9);
  ti_options over = options_of(TI_UNDERDIGIT, 0);
  add(learner, &over, 32, 100, "overdate");
  ti_options other = options_of(TI_CLEAN, 0);
  other.date_fixed = (int)date_index(m.reference, "1867");
  add(learner, &other, 32, 101, "other date");
  udg_image *noise = NULL;
  uint8_t pixels[200 * 120];
  uint64_t random = 5;
  for (size_t i = 0; i < sizeof pixels; i++)
    pixels[i] = (uint8_t)(100 + test_random(&random) % 40);
  assert_int_equal(udg_image_from_grey(NULL, pixels, 200, 120, 200, &noise, NULL), UDG_OK);
  assert_int_equal(udg_learner_add(learner, noise, "noise", NULL), UDG_OK);
  udg_image_destroy(noise);
  assert_int_equal(udg_learner_finish(learner, &report, NULL), UDG_OK);
  udg_learn_photo photo;
  for (size_t i = 0; udg_learner_photo(learner, i, &photo) == UDG_OK; i++)
    if (photo.fate != UDG_LEARN_USED)
      print_message("%s: %d, %s\n", photo.name, (int)photo.fate, photo.why);
  assert_int_equal(fate_of(learner, "overdate", why), UDG_LEARN_OVERDATE);
  assert_non_null(strstr(why, "earlier"));
  assert_int_equal(fate_of(learner, "other date", why), UDG_LEARN_OTHER_DATE);
  assert_non_null(strstr(why, "1867"));
  assert_int_equal(fate_of(learner, "noise", why), UDG_LEARN_NO_DATE);
  assert_int_equal(report.photo_count, 12);
  assert_true(report.used_count >= 8);
  int lit = report.undirected_count;
  for (int i = 0; i < UDG_LEARN_SECTORS; i++)
    lit += report.sector_count[i];
  assert_int_equal(lit, report.used_count);
  udg_learner_destroy(learner);
}

/* Drawn around the date: a low relief pattern beside the third digit, as a leaf might be. */
static void leave_leaf(const udg_homography *date_to_photo, uint8_t *pixels, int width, int height,
                       const double light[2]) {
  udg_homography back;
  assert_true(udg_homography_invert(date_to_photo, &back));
  for (int y = 0; y < height; y++)
    for (int x = 0; x < width; x++) {
      double u, v, p = 0.0, q = 0.0;
      udg_homography_apply(&back, x + 0.5, y + 0.5, &u, &v);
      /* Two strokes that lean, about a tenth of a digit wide, round on top. */
      for (int k = 0; k < 2; k++) {
        double across = (u - 0.96 - 0.28 * k) * 0.9 + (v + 0.75) * 0.43;
        double along = (v + 0.75) * 0.9 - (u - 0.96 - 0.28 * k) * 0.43;
        double bump = exp(-across * across / 0.006 - along * along * along * along / 0.06);
        p += -across / 0.006 * bump * 0.9 * 0.055;
        q += -across / 0.006 * bump * 0.43 * 0.055;
      }
      double level = pixels[y * width + x] + light[0] * p + light[1] * q;
      pixels[y * width + x] = (uint8_t)fmin(fmax(level + 0.5, 0.0), 255.0);
    }
}

/* A plain or overdated coin with the leaf, lit as the photo's own lamp lights it. */
static udg_image *draw_with_leaf(const ti_options *options, uint64_t seed, int index) {
  ti_scene scene;
  udg_image *bare = draw(options, seed, index, &scene);
  const ti_lamp *lamp = &scene.light.lamps[0];
  double turn = lamp->azimuth_rad - scene.camera.roll_rad;
  double light[2] = {-110.0 * cos(turn), -110.0 * sin(turn)};
  int width = (int)udg_image_width(bare), height = (int)udg_image_height(bare);
  uint8_t *pixels = malloc((size_t)width * (size_t)height);
  assert_non_null(pixels);
  assert_int_equal(udg_image_grey(bare, NULL, (uint32_t)width, (uint32_t)height, pixels), UDG_OK);
  leave_leaf(&scene.camera.date_to_photo, pixels, width, height, light);
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, pixels, (uint32_t)width, (uint32_t)height,
                                       (size_t)width, &image, NULL),
                   UDG_OK);
  free(pixels);
  udg_image_destroy(bare);
  return image;
}

static double evidence_of(const udg_reference *reference, const udg_image *image,
                          udg_verdict *verdict) {
  udg_inspector *inspector = NULL;
  udg_result result;
  assert_int_equal(udg_inspector_create(NULL, reference, &inspector, NULL), UDG_OK);
  assert_int_equal(udg_inspect(inspector, image, DATE, &result, NULL), UDG_OK);
  udg_inspector_destroy(inspector);
  *verdict = result.verdict;
  return result.evidence;
}

/* A leaf beside the date raises the evidence of plain coins; once learned, no more, while a
 * strong trace elsewhere on such a coin is still found. */
static void leaf_stops_raising_evidence(void **state) {
  (void)state;
  enum { LEARN = 14, CHECK = 6 };
  ti_options options = options_of(TI_CLEAN, 0);
  udg_learner *learner = NULL;
  udg_reference *learned = NULL;
  udg_learn_report report;
  udg_message message = {""};
  assert_int_equal(udg_learner_create(NULL, m.reference, DATE, &learner, NULL), UDG_OK);
  for (int i = 0; i < LEARN; i++) {
    udg_image *image = draw_with_leaf(&options, 41, i);
    assert_int_equal(udg_learner_add(learner, image, "leaf", NULL), UDG_OK);
    udg_image_destroy(image);
  }
  assert_int_equal(udg_learner_finish(learner, &report, &message), UDG_OK);
  const char *path = test_path("leaf.json");
  assert_int_equal(udg_learner_write(learner, path, &message), UDG_OK);
  udg_learner_destroy(learner);
  if (udg_reference_from_file(NULL, path, &learned, &message) != UDG_OK)
    fail_msg("%s", message.text);
  double before = 0.0, after = 0.0;
  int flags_before = 0, flags_after = 0, found = 0;
  for (int i = 0; i < CHECK; i++) {
    udg_verdict verdict;
    udg_image *image = draw_with_leaf(&options, 42, i);
    before += evidence_of(m.reference, image, &verdict) / CHECK;
    flags_before += verdict != UDG_VERDICT_PLAIN;
    after += evidence_of(learned, image, &verdict) / CHECK;
    flags_after += verdict == UDG_VERDICT_UNDERDIGIT;
    udg_image_destroy(image);
  }
  ti_options over = options_of(TI_UNDERDIGIT, 0);
  for (int i = 0; i < CHECK; i++) {
    udg_verdict verdict;
    udg_image *image = draw_with_leaf(&over, 43, i);
    evidence_of(learned, image, &verdict);
    found += verdict == UDG_VERDICT_UNDERDIGIT;
    udg_image_destroy(image);
  }
  print_message(
      "used %d of %d, foretold %.3f; evidence %.2f -> %.2f, not plain %d, flagged after %d of "
      "%d; traces found %d of %d\n",
      report.used_count, LEARN, report.explained_share, before, after, flags_before, flags_after,
      CHECK, found, CHECK);
  assert_true(report.used_count >= LEARN - 4);
  /* Places that are right stay where they are. */
  for (int p = 0; p < report.place_count; p++)
    for (int axis = 0; axis < 2; axis++)
      assert_true(fabs(report.place_shift_mm[p][axis]) < 0.005 * m.reference->dates[0].height_mm);
  assert_true(before > after + 1.0);
  assert_true(flags_before > 0 && flags_after == 0);
  assert_true(found >= CHECK - 3);
  /* What plain coins of the type say of chance is in the file and counts. */
  udg_date *date = &learned->dates[date_index(learned, DATE)];
  const double shift = date->evidence_shift;
  udg_verdict verdict;
  udg_image *image = draw_with_leaf(&options, 42, 0);
  double with = evidence_of(learned, image, &verdict);
  date->evidence_shift = 0.0;
  assert_true(fabs(shift) > 1e-3 &&
              fabs(with - evidence_of(learned, image, &verdict) - shift) < 1e-9);
  udg_image_destroy(image);
  udg_reference_destroy(learned);
}

static int file_count(void) {
  return test_run("test \"$(ls -A %s | wc -l)\" = 0", test_directory()) == 0 ? 0 : 1;
}

/* The table's mean is the sum of x times the chance of x, here from its p-values on a fine grid;
 * the share that is believed is that of a normal prior of s.d. 0.4, worked by hand. */
static void shift_is_believed_as_far_as_it_is_known(void **state) {
  (void)state;
  double mean = 0.0, step = 0.01;
  for (double x = -14.0; x < 14.0; x += step)
    mean += (x + 0.5 * step) * (udg_evidence_p_value(x) - udg_evidence_p_value(x + step));
  assert_true(fabs(udg_learn_shift(mean, 2.0, 20)) < 0.1);
  assert_true(fabs(udg_learn_shift(-6.0, 2.0, 20) - udg_learn_shift(-5.0, 2.0, 20) -
                   0.16 / (0.16 + 4.0 / 20)) < 1e-9);
  assert_true(fabs(udg_learn_shift(-6.0, 0.0, 4) - udg_learn_shift(-5.0, 0.0, 4) -
                   0.16 / (0.16 + 1.0 / 4)) < 1e-9);
  assert_true(udg_learn_shift(-6.0, 2.0, 5) > 0.0 && udg_learn_shift(-3.0, 2.0, 5) < 0.0);
  assert_true(udg_learn_shift(-6.0, 2.0, 1) == 0.0 && udg_learn_shift(0.0, 0.0, 0) == 0.0);
}

/* Two photos teach nothing: said so, nothing to write. */
static void two_photos_are_too_few(void **state) {
  (void)state;
  udg_message message = {""};
  udg_learn_report report = {0};
  ti_options options = options_of(TI_CLEAN, 0);
  udg_learner *learner = learner_with(m.reference, &options, 33, 2);
  assert_int_equal(udg_learner_finish(learner, &report, &message), UDG_ERROR_PHOTOS);
  assert_true(report.used_count <= 2 && report.photo_count == 2);
  assert_non_null(strstr(message.text, "of 2 photos can be learned from; at least 3"));
  assert_int_equal(udg_learner_write(learner, test_path("few.json"), &message), UDG_ERROR_ARGUMENT);
  assert_int_equal(access(test_path("few.json"), F_OK), -1);
  udg_learner_destroy(learner);
  assert_int_equal(udg_learner_create(NULL, m.reference, "1066", &learner, &message),
                   UDG_ERROR_DATE);
  assert_null(learner);
  udg_learner_destroy(NULL);
}

/* Files of at most so many bytes, as on a full disk. */
static void limit_files(rlim_t bytes, struct rlimit *before) {
  struct rlimit limit;
  assert_int_equal(getrlimit(RLIMIT_FSIZE, before), 0);
  limit = *before;
  limit.rlim_cur = bytes;
  signal(SIGXFSZ, SIG_IGN);
  assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
}

/* The files appear whole, replace what was there whole, or not at all; unknown fields, other
 * dates and what was learned of them stay. */
static void files_are_whole_or_not_there(void **state) {
  (void)state;
  udg_message message = {""};
  struct rlimit before;
  char first[300], second[300];
  assert_int_equal(test_run("rm -f %s/*", test_directory()), 0);
  ti_options options = options_of(TI_CLEAN, 0);
  udg_learner *learner = learner_with(m.reference, &options, 34, 3);
  if (udg_learner_finish(learner, NULL, &message) != UDG_OK)
    fail_msg("%s", message.text);
  const char *path = test_path("learned.json");
  static const rlim_t room[] = {0, 100, 4096, 200000};
  for (size_t i = 0; i < sizeof room / sizeof *room; i++) {
    limit_files(room[i], &before);
    udg_status status = udg_learner_write(learner, path, &message);
    setrlimit(RLIMIT_FSIZE, &before);
    assert_int_equal(status, UDG_ERROR_IO);
    assert_int_equal(file_count(), 0);
  }
  assert_int_equal(udg_learner_write(learner, test_path("no/such/folder.json"), &message),
                   UDG_ERROR_IO);
  assert_non_null(strstr(message.text, "folder"));
  assert_int_equal(udg_learner_write(learner, path, &message), UDG_OK);
  udg_reference *learned = NULL;
  if (udg_reference_from_file(NULL, path, &learned, &message) != UDG_OK)
    fail_msg("%s", message.text);
  snprintf(first, sizeof first, "%s", learned->appearance_name);
  assert_int_equal(learned->appearance_count, 1);
  assert_string_equal(learned->appearances[0].date, DATE);
  assert_int_equal(learned->date_count, m.reference->date_count);
  assert_int_equal(learned->expected_count, m.reference->expected_count);
  assert_string_equal(udg_reference_name(learned), udg_reference_name(m.reference));

  /* Learning from the learned one: the old sidecar goes once the new one is in place. */
  udg_learner *again = learner_with(learned, &options, 35, 3);
  assert_int_equal(udg_learner_finish(again, NULL, &message), UDG_OK);
  test_bytes kept = test_read_file(path);
  limit_files(4096, &before);
  assert_int_equal(udg_learner_write(again, path, &message), UDG_ERROR_IO);
  setrlimit(RLIMIT_FSIZE, &before);
  test_bytes now = test_read_file(path);
  assert_int_equal(kept.count, now.count);
  assert_memory_equal(kept.bytes, now.bytes, kept.count);
  test_bytes_free(&kept);
  test_bytes_free(&now);
  assert_int_equal(access(test_path(first), F_OK), 0);
  assert_int_equal(udg_learner_write(again, path, &message), UDG_OK);
  udg_reference_destroy(learned);
  assert_int_equal(udg_reference_from_file(NULL, path, &learned, &message), UDG_OK);
  snprintf(second, sizeof second, "%s", learned->appearance_name);
  assert_string_not_equal(first, second);
  assert_int_equal(access(test_path(first), F_OK), -1);
  udg_reference_destroy(learned);

  /* Damage to the sidecar is told with the file and the byte. */
  test_bytes side = test_read_file(test_path(second));
  side.bytes[side.count / 2] ^= 1;
  test_write_file(test_path(second), side.bytes, side.count);
  assert_int_equal(udg_reference_from_file(NULL, path, &learned, &message), UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, second));
  assert_non_null(strstr(message.text, "checksum"));
  remove(test_path(second));
  assert_int_equal(udg_reference_from_file(NULL, path, &learned, &message), UDG_ERROR_IO);
  assert_non_null(strstr(message.text, "appearance"));
  test_bytes_free(&side);
  udg_learner_destroy(again);
  udg_learner_destroy(learner);
}

/* Writing what was learned with the n-th allocation failing, for every n until none does: told,
 * and either both files are there or none. */
static void write_with_failures(test_allocator *allocator, const udg_learner *learner) {
  const char *path = test_path("starved.json");
  size_t failures = 0;
  for (int failed = 1; failed; failures++) {
    udg_message message = {""};
    const size_t live = allocator->live, last = allocator->calls + 1 + failures;
    allocator->fail_at = last;
    udg_status status = udg_learner_write(learner, path, &message);
    failed = allocator->calls >= last;
    allocator->fail_at = 0;
    assert_int_equal(allocator->live, live);
    assert_true(status == UDG_OK || (failed && status == UDG_ERROR_MEMORY && message.text[0]));
    assert_int_equal(access(path, F_OK), status == UDG_OK ? 0 : -1);
    /* The sidecar's name hangs on its content: take both away together. */
    assert_int_equal(test_run("test \"$(ls %s | grep -c starved)\" = %d", test_directory(),
                              status == UDG_OK ? 2 : 0),
                     0);
    assert_int_equal(test_run("rm -f %s/starved*", test_directory()), 0);
  }
  assert_true(failures > 5);
}

/* Any one allocation may fail: a clear status, nothing leaked, and once there is memory again
 * what was added can be learned from. */
static void memory_may_run_out(void **state) {
  (void)state;
  test_allocator allocator = {0};
  udg_settings settings = test_settings(&allocator);
  ti_options options = options_of(TI_CLEAN, 0);
  ti_scene scene;
  udg_image *images[3];
  for (int i = 0; i < 3; i++)
    images[i] = draw(&options, 36, i, &scene);
  size_t total = 0;
  for (size_t step = 0; step < 24; step++) {
    udg_learner *learner = NULL;
    size_t start = allocator.calls;
    allocator.fail_at = step == 0 ? 0 : start + 1 + (step * step * total) / (24 * 24);
    udg_status status = udg_learner_create(&settings, m.reference, DATE, &learner, NULL);
    for (int i = 0; i < 3 && status == UDG_OK; i++)
      status = udg_learner_add(learner, images[i], "x", NULL);
    int added = status == UDG_OK;
    if (added)
      status = udg_learner_finish(learner, NULL, NULL);
    assert_int_equal(status, step == 0 ? UDG_OK : UDG_ERROR_MEMORY);
    total = step == 0 ? allocator.calls - start : total;
    allocator.fail_at = 0;
    if (step == 0)
      write_with_failures(&allocator, learner);
    if (added && step % 3 == 1)
      assert_int_equal(udg_learner_finish(learner, NULL, NULL), UDG_OK);
    udg_learner_destroy(learner);
    assert_int_equal(allocator.live, 0);
  }
  for (int i = 0; i < 3; i++)
    udg_image_destroy(images[i]);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(shifted_place_is_put_back),
      cmocka_unit_test(intruders_are_named),
      cmocka_unit_test(leaf_stops_raising_evidence),
      cmocka_unit_test(shift_is_believed_as_far_as_it_is_known),
      cmocka_unit_test(two_photos_are_too_few),
      cmocka_unit_test(files_are_whole_or_not_there),
      cmocka_unit_test(memory_may_run_out),
  };
  return cmocka_run_group_tests(tests, group_set_up, group_tear_down);
}
