/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Outlines from photographs alone: coins that the test strikes itself, flat discs with two
 * digits and some bumps, each turned its own way under its own lamp. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/underdigit.h>

#include "pose.h"
#include "reference_internal.h"
#include "relief.h"
#include "support.h"

enum { COINS = 7, SIDE = 300, FINE = 480 };
static const char DATE[] = "74";
static const double DIAMETER_MM = 6.0, RADIUS_PX = 118.0, BEVEL_MM = 0.16, RELIEF_MM = 0.1;

static const char truth_json[] =
    "{\"format\": \"underdigit-reference/1\", \"name\": \"Quillmarsh toll token\","
    " \"coin\": {\"diameter_mm\": 6, \"date_origin_mm\": [0, 1.7]}, \"digits\": {"
    "\"3\": {\"outline\": \"M-.4-.8H.4V.8H-.4V.6H.2V.1H-.3V-.1H.2V-.6H-.4Z\"},"
    "\"4\": {\"outline\": \"M.1-.8H.35V.2H.45V.45H.35V.8H.1V.45H-.45V.2ZM.1-.3L-.15.2H.1Z\"},"
    "\"7\": {\"outline\": \"M-.4-.8H.4V-.55L.05.8H-.2L.12-.55H-.4Z\"}},"
    " \"dates\": [{\"date\": \"74\", \"height_mm\": 1.6, \"places\": ["
    "{\"digit\": \"7\", \"centre_mm\": [-0.65, -0.8]},"
    "{\"digit\": \"4\", \"centre_mm\": [0.65, -0.8]}]}]}";

static udg_settings settings;
static udg_reference *truth;
static udg_plane height; /* mm, the upright coin from -1.2 to 1.2 radii */
static udg_image *coins[COINS], *other_side;
static double box[4];

static double smooth(double t) {
  t = fmin(fmax(t, 0.0), 1.0);
  return t * t * (3.0 - 2.0 * t);
}

static const double FINE_PX_PER_MM = FINE / (1.2 * 6.0);

/* Unlike itself in every other turn: bumps of different size in the upper half; the other side
 * has others. */
static double bumps_at(double u, double v, int other) {
  static const double bump[2][7][3] = {{{0.45, -0.3, 0.1},
                                        {-0.35, -0.45, 0.07},
                                        {0.05, -0.62, 0.09},
                                        {-0.68, -0.15, 0.06},
                                        {0.68, -0.05, 0.05},
                                        {-0.1, -0.28, 0.05},
                                        {0.3, -0.68, 0.04}},
                                       {{0.0, 0.1, 0.25},
                                        {0.5, 0.5, 0.03},
                                        {-0.55, 0.45, 0.04},
                                        {-0.6, -0.3, 0.03},
                                        {0.1, -0.7, 0.05},
                                        {0.7, -0.2, 0.04},
                                        {0.1, 0.75, 0.03}}};
  double h = 0.0;
  for (int i = 0; i < 7; i++) {
    const double *at = bump[other][i];
    double x = (u - at[0]) / at[2], y = (v - at[1]) / at[2];
    h += RELIEF_MM * exp(-0.5 * (x * x + y * y));
  }
  return h;
}

static void strike(int other) {
  udg_plane distance = {0};
  const udg_date *date = &truth->dates[0];
  assert_int_equal(udg_plane_create(&settings, FINE, FINE, &distance), UDG_OK);
  for (int i = 0; i < FINE * FINE; i++) {
    double u = 2.4 * (i % FINE + 0.5) / FINE - 1.2, v = 2.4 * (i / FINE + 0.5) / FINE - 1.2;
    /* The rim stands out. */
    height.v[i] = (float)(bumps_at(u, v, other) + RELIEF_MM * smooth((hypot(u, v) - 0.93) / 0.03));
  }
  for (int p = 0; p < date->place_count && !other; p++) {
    const udg_place *place = &date->places[p];
    double x = 0.5 * FINE + FINE_PX_PER_MM * (truth->date_origin_mm[0] + place->centre_mm[0]);
    double y = 0.5 * FINE + FINE_PX_PER_MM * (truth->date_origin_mm[1] + place->centre_mm[1]);
    assert_int_equal(udg_relief_distance(&settings, &truth->digits[place->digit - '0'],
                                         FINE_PX_PER_MM, 0.0, x, y, &distance, NULL),
                     UDG_OK);
    for (int i = 0; i < FINE * FINE; i++)
      height.v[i] +=
          (float)(RELIEF_MM * smooth(0.5 + (double)distance.v[i] / (BEVEL_MM * FINE_PX_PER_MM)));
  }
  udg_plane_destroy(&settings, &distance);
}

static double height_at(double x_mm, double y_mm) {
  return (double)udg_plane_sample(&height, 0.5 * FINE + FINE_PX_PER_MM * x_mm,
                                  0.5 * FINE + FINE_PX_PER_MM * y_mm);
}

/* The coin turned by `turn` on dark cloth, lit from `azimuth` in the photo. */
static udg_image *photograph(double turn, double azimuth, uint64_t random) {
  static uint8_t pixels[SIDE * SIDE];
  const double scale = 2.0 * RADIUS_PX / DIAMETER_MM, c = cos(turn), s = sin(turn), step = 0.02;
  for (int i = 0; i < SIDE * SIDE; i++) {
    double px = (i % SIDE + 0.5 - 0.5 * SIDE) / scale, py = (i / SIDE + 0.5 - 0.5 * SIDE) / scale;
    double x = c * px + s * py, y = c * py - s * px;
    double p = (height_at(x + step, y) - height_at(x - step, y)) / (2.0 * step);
    double q = (height_at(x, y + step) - height_at(x, y - step)) / (2.0 * step);
    double lit = cos(azimuth - turn) * p + sin(azimuth - turn) * q;
    double level = hypot(x, y) < 0.5 * DIAMETER_MM ? 120.0 + 90.0 * lit : 30.0;
    level += test_random(&random) % 5 - 2.0;
    pixels[i] = (uint8_t)fmin(fmax(level + 0.5, 0.0), 255.0);
  }
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, pixels, SIDE, SIDE, SIDE, &image, NULL), UDG_OK);
  return image;
}

static int group_set_up(void **state) {
  (void)state;
  udg_settings_default(&settings, sizeof settings);
  if (udg_reference_from_memory(&settings, truth_json, sizeof truth_json - 1, "truth", NULL, 0,
                                &truth, NULL) != UDG_OK ||
      udg_plane_create(&settings, FINE, FINE, &height) != UDG_OK)
    return 1;
  strike(0);
  for (int i = 0; i < COINS; i++)
    coins[i] = photograph(i == 0 ? 0.0 : 0.4 + 1.7 * i, 0.3 + 2.1 * i, 11 + (uint64_t)i);
  strike(1);
  other_side = photograph(1.0, 2.0, 99);
  /* The date with a quarter of a millimetre around it. */
  const double scale = 2.0 * RADIUS_PX / DIAMETER_MM;
  box[0] = 0.5 * SIDE + scale * (-1.05 - 0.25);
  box[1] = 0.5 * SIDE + scale * (1.7 - 1.6 - 0.25);
  box[2] = scale * 2.65;
  box[3] = scale * 2.1;
  return 0;
}

static int group_tear_down(void **state) {
  (void)state;
  for (int i = 0; i < COINS; i++)
    udg_image_destroy(coins[i]);
  udg_image_destroy(other_side);
  udg_plane_destroy(&settings, &height);
  udg_reference_destroy(truth);
  return 0;
}

static udg_outliner *outliner_with(const udg_settings *hooks, const udg_reference *digits,
                                   int count) {
  udg_outliner *outliner = NULL;
  char name[32];
  assert_int_equal(udg_outliner_create(hooks, digits, DATE, box, DIAMETER_MM, &outliner, NULL),
                   UDG_OK);
  for (int i = 0; i < count; i++) {
    snprintf(name, sizeof name, "coin-%d", i);
    assert_int_equal(udg_outliner_add(outliner, coins[i], name, NULL), UDG_OK);
  }
  return outliner;
}

/* Height, places and shapes against those that the coins were struck with; a shape is read at
 * a part of its shoulder's height, so it is wider by less than a bevel. */
static void check_shapes(const udg_reference *learned) {
  const udg_date *date = &truth->dates[0];
  udg_place_view a, b;
  assert_int_equal(udg_reference_place(learned, DATE, 1, &a), UDG_OK);
  assert_int_equal(udg_reference_place(learned, DATE, 2, &b), UDG_OK);
  print_message("height %.3f of %.3f mm, centres %.3f of %.3f mm apart\n", a.height_mm,
                date->height_mm, b.centre_mm[0] - a.centre_mm[0], 1.3);
  test_near(a.height_mm, date->height_mm, BEVEL_MM);
  test_near(b.centre_mm[0] - a.centre_mm[0], 1.3, 0.5 * BEVEL_MM);
  test_near(b.centre_mm[1], a.centre_mm[1], 0.5 * BEVEL_MM);
  double diameter_mm, origin_mm[2];
  udg_reference_coin(learned, &diameter_mm, origin_mm);
  test_near(origin_mm[0], truth->date_origin_mm[0], 0.5 * BEVEL_MM);
  test_near(origin_mm[1], truth->date_origin_mm[1], BEVEL_MM);
  for (const char *digit = DATE; *digit; digit++) {
    udg_outline_view seen, real;
    assert_int_equal(udg_reference_outline(learned, *digit, &seen), UDG_OK);
    assert_int_equal(udg_reference_outline(truth, *digit, &real), UDG_OK);
    assert_int_equal(seen.contour_count, real.contour_count); /* the 4 has its hole */
    for (int axis = 0; axis < 2; axis++) {
      double low = INFINITY, high = -INFINITY;
      const udg_outline *own = &truth->digits[*digit - '0'];
      for (size_t i = 0; i < seen.point_count; i++) {
        low = fmin(low, seen.points[2 * i + (size_t)axis]);
        high = fmax(high, seen.points[2 * i + (size_t)axis]);
      }
      test_near(high - low, own->high[axis] - own->low[axis], 1.5 * BEVEL_MM);
    }
  }
}

/* What was learned finds the date on a coin that it has not seen, whatever its turn. */
static void check_use(const udg_reference *learned) {
  const double turn = 2.2;
  udg_inspector *inspector = NULL;
  static udg_result result;
  strike(0);
  udg_image *unseen = photograph(turn, 1.0, 77);
  assert_int_equal(udg_inspector_create(NULL, learned, &inspector, NULL), UDG_OK);
  assert_int_equal(udg_inspect(inspector, unseen, NULL, &result, NULL), UDG_OK);
  assert_string_equal(result.date, DATE);
  assert_int_equal(result.coin_index, 1);
  assert_true(result.date_to_photo[8] != 0.0);
  /* Middle of the date by both. */
  const double scale = 2.0 * RADIUS_PX / DIAMETER_MM, middle = -0.8;
  double got[2], y = truth->date_origin_mm[1] + middle;
  double want[2] = {0.5 * SIDE - scale * sin(turn) * y, 0.5 * SIDE + scale * cos(turn) * y};
  udg_homography found;
  memcpy(found.m, result.date_to_photo, sizeof found.m);
  udg_homography_apply(&found, 0.0, middle, &got[0], &got[1]);
  double off = hypot(got[0] - want[0], got[1] - want[1]) / (1.6 * scale);
  print_message("date found %.3f digit heights off\n", off);
  assert_true(off < 0.1);
  udg_image_destroy(unseen);
  udg_inspector_destroy(inspector);
}

static void outlines_come_from_photos(void **state) {
  (void)state;
  udg_message message = {""};
  udg_reference *learned = NULL;
  udg_outliner *outliner = outliner_with(NULL, NULL, COINS);
  assert_int_equal(udg_outliner_add(outliner, other_side, "other side", NULL), UDG_OK);
  if (udg_outliner_finish(outliner, &learned, &message) != UDG_OK)
    fail_msg("%s", message.text);
  udg_learn_photo photo;
  int used = 0;
  for (size_t i = 0; i < COINS; i++) {
    assert_int_equal(udg_outliner_photo(outliner, i, &photo), UDG_OK);
    used += photo.fate == UDG_LEARN_USED;
  }
  print_message("%d of %d used\n", used, COINS);
  assert_true(used >= COINS - 1);
  assert_int_equal(udg_outliner_photo(outliner, COINS, &photo), UDG_OK);
  assert_string_equal(photo.name, "other side");
  assert_int_equal(photo.fate, UDG_LEARN_UNLIKE);
  assert_non_null(strstr(photo.why, "the other side"));
  assert_int_equal(udg_outliner_photo(outliner, COINS + 1, &photo), UDG_ERROR_ARGUMENT);
  udg_outliner_destroy(outliner);
  assert_int_equal(udg_reference_date_count(learned), 1);
  assert_string_equal(udg_reference_date(learned, 0), DATE);
  test_near(udg_reference_diameter_mm(learned), DIAMETER_MM, 1e-9);
  check_shapes(learned);
  check_use(learned);
  udg_reference_destroy(learned);
}

/* Another reference's digits that the date does not show come along at the date's height. */
static void other_digits_are_lent(void **state) {
  (void)state;
  udg_message message = {""};
  udg_reference *learned = NULL;
  udg_outline_view own, lent;
  udg_place_view place;
  udg_outliner *outliner = outliner_with(NULL, truth, COINS);
  if (udg_outliner_finish(outliner, &learned, &message) != UDG_OK)
    fail_msg("%s", message.text);
  udg_outliner_destroy(outliner);
  assert_int_equal(udg_reference_outline(truth, '3', &own), UDG_OK);
  assert_int_equal(udg_reference_outline(learned, '3', &lent), UDG_OK);
  assert_int_equal(udg_reference_place(learned, DATE, 1, &place), UDG_OK);
  assert_int_equal(lent.contour_count, own.contour_count);
  double factor = place.height_mm / truth->dates[0].height_mm;
  for (size_t i = 0; i < 2 * own.point_count && own.point_count == lent.point_count; i++)
    test_near(lent.points[i], factor * own.points[i], 1e-4); /* written to 0.1 um */
  udg_reference_destroy(learned);
}

/* Digits of a date a nanometre high would have to be made a billion times as large. */
static void lent_digits_must_fit(void **state) {
  (void)state;
  static const char hostile[] =
      "{\"format\": \"underdigit-reference/1\", \"name\": \"Motes\", \"digits\": {"
      "\"3\": {\"outline\": \"M0 0H900V900ZM0 1H90V99ZM0 2H90V99ZM0 3H90V99ZM0 4H90V99ZM0 "
      "5H90V99Z\"},"
      "\"1\": {\"outline\": \"M0 0H.1V.1Z\"}},"
      "\"dates\": [{\"date\": \"1\", \"height_mm\": 1e-9, \"places\": [{\"digit\": \"1\", "
      "\"centre_mm\": [0, 0]}]}]}";
  udg_message message = {""};
  udg_reference *digits = NULL, *learned = NULL;
  if (udg_reference_from_memory(NULL, hostile, sizeof hostile - 1, "motes", NULL, 0, &digits,
                                &message) != UDG_OK)
    fail_msg("%s", message.text);
  udg_outliner *outliner = outliner_with(NULL, digits, COINS);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_ERROR_REFERENCE);
  assert_null(learned);
  assert_non_null(strstr(message.text, "Motes: its digits reach beyond 1000 mm"));
  udg_outliner_destroy(outliner);
  udg_reference_destroy(digits);
}

static void refused(const char *date, const double box_px[4], double diameter_mm) {
  udg_message message = {""};
  udg_outliner *outliner = NULL;
  assert_int_equal(udg_outliner_create(NULL, NULL, date, box_px, diameter_mm, &outliner, &message),
                   UDG_ERROR_ARGUMENT);
  assert_null(outliner);
  assert_true(message.text[0] != '\0');
}

static void arguments_are_checked(void **state) {
  (void)state;
  const double none[4] = {1, 1, 0, 5}, flat[4] = {1, 1, 5, -1}, far[4] = {2e6, 1, 5, 5};
  const double wide[4] = {1, 1, 2e6, 5}, high[4] = {1, 1, 5, 2e6}, nan_box[4] = {NAN, 1, 5, 5};
  const double low[4] = {1, -2e6, 5, 5};
  udg_outliner *outliner = NULL;
  udg_reference *learned = NULL;
  udg_learn_photo photo;
  udg_message message = {""};
  refused(NULL, box, 24);
  refused("", box, 24);
  refused("123456789", box, 24);
  refused("19a4", box, 24);
  refused(DATE, NULL, 24);
  refused(DATE, none, 24);
  refused(DATE, flat, 24);
  refused(DATE, far, 24);
  refused(DATE, low, 24);
  refused(DATE, wide, 24);
  refused(DATE, high, 24);
  refused(DATE, nan_box, 24);
  refused(DATE, box, -1);
  refused(DATE, box, 2000);
  refused(DATE, box, NAN);
  assert_int_equal(udg_outliner_create(NULL, NULL, DATE, box, 0, NULL, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_create(NULL, NULL, DATE, box, 0, &outliner, NULL), UDG_OK);
  assert_int_equal(udg_outliner_add(NULL, coins[0], "a", NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_add(outliner, NULL, "a", NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_photo(outliner, 0, &photo), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_photo(NULL, 0, &photo), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_finish(outliner, NULL, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_finish(NULL, &learned, NULL), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "no photos"));
  udg_outliner_destroy(outliner);
  udg_outliner_destroy(NULL);
}

/* Three of the other side, which are like each other, among four coins; then four of them against
 * the first photo, which has the box. */
static void some_of_the_other_side(void **state) {
  (void)state;
  enum { OTHERS = 4 };
  udg_message message = {""};
  udg_image *others[OTHERS];
  udg_learn_photo photo;
  udg_reference *learned = NULL;
  strike(1);
  for (int i = 0; i < OTHERS; i++)
    others[i] = photograph(0.9 + 1.1 * i, 0.5 + 1.6 * i, 61 + (uint64_t)i);
  strike(0);
  udg_outliner *outliner = outliner_with(NULL, NULL, 4);
  for (int i = 0; i < 3; i++)
    assert_int_equal(udg_outliner_add(outliner, others[i], "other side", NULL), UDG_OK);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_OK);
  udg_reference_destroy(learned);
  for (size_t i = 0; i < 7; i++) {
    assert_int_equal(udg_outliner_photo(outliner, i, &photo), UDG_OK);
    assert_int_equal(photo.fate, i < 4 ? UDG_LEARN_USED : UDG_LEARN_UNLIKE);
  }
  udg_outliner_destroy(outliner);
  outliner = outliner_with(NULL, NULL, 1);
  for (int i = 0; i < OTHERS; i++)
    assert_int_equal(udg_outliner_add(outliner, others[i], "other side", NULL), UDG_OK);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "only 1 of 5 photos"));
  assert_int_equal(udg_outliner_photo(outliner, 1, &photo), UDG_OK);
  assert_non_null(strstr(photo.why, "unlike the first photo"));
  udg_outliner_destroy(outliner);
  for (int i = 0; i < OTHERS; i++)
    udg_image_destroy(others[i]);
}

static udg_image *flat_image(void) {
  static uint8_t pixels[SIDE * SIDE];
  udg_image *image = NULL;
  memset(pixels, 90, sizeof pixels);
  assert_int_equal(udg_image_from_grey(NULL, pixels, SIDE, SIDE, SIDE, &image, NULL), UDG_OK);
  return image;
}

/* The first photo must show the coin that the box is on; on others no coin is their fate.
 * A name longer than the room for it keeps its end. */
static void photos_without_a_coin(void **state) {
  (void)state;
  char name[400];
  udg_message message = {""};
  udg_learn_photo photo;
  udg_reference *learned = NULL;
  udg_outliner *outliner = outliner_with(NULL, NULL, 0);
  udg_image *nothing = flat_image();
  memset(name, 'x', sizeof name - 1);
  name[sizeof name - 1] = '\0';
  memcpy(name + sizeof name - 6, "y.jpg", 5);
  assert_int_equal(udg_outliner_add(outliner, nothing, "flat.png", &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "no whole coin was found where the box is"));
  assert_non_null(strstr(message.text, "nothing shows"));
  assert_int_equal(udg_outliner_photo(outliner, 0, &photo), UDG_ERROR_ARGUMENT);
  assert_int_equal(udg_outliner_add(outliner, coins[0], name, &message), UDG_OK);
  assert_int_equal(udg_outliner_add(outliner, nothing, NULL, &message), UDG_OK);
  assert_int_equal(udg_outliner_photo(outliner, 0, &photo), UDG_OK);
  assert_int_equal(strlen(photo.name), sizeof photo.name - 1);
  assert_string_equal(photo.name + sizeof photo.name - 6, "y.jpg");
  assert_int_equal(udg_outliner_photo(outliner, 1, &photo), UDG_OK);
  assert_string_equal(photo.name, "memory");
  assert_int_equal(photo.fate, UDG_LEARN_NO_DATE);
  assert_string_equal(photo.why, "no whole coin was found");
  assert_int_equal(udg_outliner_add(outliner, coins[1], "second", &message), UDG_OK);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "only 2 of 3 photos"));
  assert_null(learned);
  udg_outliner_destroy(outliner);
  udg_image_destroy(nothing);
}

static udg_status finish_with_box(const char *date, const double box_px[4], udg_message *message) {
  udg_outliner *outliner = NULL;
  udg_reference *learned = NULL;
  assert_int_equal(udg_outliner_create(NULL, NULL, date, box_px, 6, &outliner, NULL), UDG_OK);
  for (int i = 0; i < COINS; i++)
    assert_int_equal(udg_outliner_add(outliner, coins[i], "coin", NULL), UDG_OK);
  udg_status status = udg_outliner_finish(outliner, &learned, message);
  assert_true((status == UDG_OK) == (learned != NULL));
  udg_reference_destroy(learned);
  udg_outliner_destroy(outliner);
  return status;
}

/* A box with more or fewer shapes than digits, one too small, one beyond the coin. */
static void boxes_that_hold_no_date(void **state) {
  (void)state;
  udg_message message = {""};
  double middle[2] = {box[0] + 0.5 * box[2], box[1] + 0.5 * box[3]};
  const double tiny[4] = {middle[0] - 1, middle[1] - 1, 2, 2};
  const double huge[4] = {-4000, -4000, 9000, 9000};
  assert_int_equal(finish_with_box("7", box, &message), UDG_ERROR_REFERENCE);
  assert_non_null(strstr(message.text, "2 shapes rise in the box, but 7 has 1 digits"));
  assert_int_equal(finish_with_box("743", box, &message), UDG_ERROR_REFERENCE);
  assert_int_equal(finish_with_box(DATE, tiny, &message), UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "too small"));
  udg_outliner *outliner = NULL;
  assert_int_equal(udg_outliner_create(NULL, NULL, DATE, huge, 6, &outliner, NULL), UDG_OK);
  assert_int_equal(udg_outliner_add(outliner, coins[0], "coin", &message), UDG_ERROR_ARGUMENT);
  assert_non_null(strstr(message.text, "beyond the first photo"));
  udg_outliner_destroy(outliner);
}

/* The very same photo thrice tells one light only. */
static void one_light_is_too_little(void **state) {
  (void)state;
  udg_message message = {""};
  udg_reference *learned = NULL;
  udg_outliner *outliner = outliner_with(NULL, NULL, 1);
  for (int i = 0; i < 2; i++)
    assert_int_equal(udg_outliner_add(outliner, coins[0], "again", NULL), UDG_OK);
  assert_int_equal(udg_outliner_finish(outliner, &learned, &message), UDG_ERROR_PHOTOS);
  assert_non_null(strstr(message.text, "do not differ in their light"));
  udg_outliner_destroy(outliner);
}

/* Any one allocation may fail: a clear status, nothing leaked, and what was there works on. */
static void memory_may_run_out(void **state) {
  (void)state;
  test_allocator allocator = {0};
  udg_settings hooks = test_settings(&allocator);
  udg_outliner *outliner = NULL;
  udg_message message;
  udg_status status = UDG_ERROR_MEMORY;
  int failures = 0;
  for (; status == UDG_ERROR_MEMORY; failures++) {
    message.text[0] = '\0';
    allocator.fail_at = allocator.calls + 1 + (size_t)failures;
    status = udg_outliner_create(&hooks, truth, DATE, box, 6, &outliner, &message);
    assert_true((status == UDG_OK) == (outliner != NULL));
    assert_true(status == UDG_OK || (allocator.live == 0 && message.text[0]));
  }
  assert_int_equal(status, UDG_OK);
  assert_true(failures > 5);
  for (int i = 0; i < 4; i++) {
    udg_learn_photo photo;
    for (status = UDG_ERROR_MEMORY, failures = 0; status == UDG_ERROR_MEMORY; failures++) {
      message.text[0] = '\0';
      allocator.fail_at = allocator.calls + 1 + (size_t)failures;
      status = udg_outliner_add(outliner, coins[i], "x", &message);
      assert_true(status == UDG_OK || message.text[0]);
    }
    assert_int_equal(status, UDG_OK);
    assert_int_equal(udg_outliner_photo(outliner, (size_t)i, &photo), UDG_OK);
    assert_int_equal(udg_outliner_photo(outliner, (size_t)i + 1, &photo), UDG_ERROR_ARGUMENT);
  }
  const size_t live = allocator.live;
  udg_reference *learned = NULL;
  for (status = UDG_ERROR_MEMORY, failures = 0; status == UDG_ERROR_MEMORY; failures++) {
    message.text[0] = '\0';
    allocator.fail_at = allocator.calls + 1 + (size_t)failures;
    status = udg_outliner_finish(outliner, &learned, &message);
    assert_true((status == UDG_OK) == (learned != NULL));
    /* Plans and scratch are kept for the next time. */
    assert_true(status == UDG_OK || (allocator.live <= live + 40 && message.text[0]));
  }
  if (status != UDG_OK)
    fail_msg("%s", message.text);
  assert_true(failures > 20);
  allocator.fail_at = 0;
  udg_reference_destroy(learned);
  udg_outliner_destroy(outliner);
  assert_int_equal(allocator.live, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(outlines_come_from_photos), cmocka_unit_test(other_digits_are_lent),
      cmocka_unit_test(lent_digits_must_fit),      cmocka_unit_test(arguments_are_checked),
      cmocka_unit_test(photos_without_a_coin),     cmocka_unit_test(some_of_the_other_side),
      cmocka_unit_test(boxes_that_hold_no_date),   cmocka_unit_test(one_light_is_too_little),
      cmocka_unit_test(memory_may_run_out),
  };
  return cmocka_run_group_tests(tests, group_set_up, group_tear_down);
}
