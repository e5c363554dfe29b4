/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Rims drawn by the test, found again. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>

#include <cmocka.h>

#include "coin.h"
#include "coin_internal.h"
#include "support.h"

static const double pi = 3.14159265358979323846;

static udg_settings settings;

typedef struct drawn {
  double x, y, a, b, angle; /* rim, px; radians */
  double level;             /* of the metal, grey levels */
} drawn;

/* Grey ground with a soft grain of s.d. about `grain`. */
static udg_plane ground(int width, int height, double level, double grain, uint64_t seed) {
  udg_plane p = {0}, scratch = {0};
  assert_int_equal(udg_plane_create(&settings, width, height, &p), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, width, height, &scratch), UDG_OK);
  for (int i = 0; i < width * height; i++)
    p.v[i] = (float)(level + 7 * grain * (test_random(&seed) / 4294967296.0 - 0.5));
  udg_plane_blur(&p, 0.8, &scratch);
  udg_plane_destroy(&settings, &scratch);
  return p;
}

/* Grey level of a coin at the position (u, v) of its unit disc: a raised rim, a
 * ring of beads, a few strokes, lit from the upper left. */
static double metal(double u, double v, double level) {
  double rho = hypot(u, v), towards = rho > 0 ? -(0.8 * u + 0.6 * v) / rho : 0;
  double value = level;
  value -= 45 * towards * exp(-pow((rho - 0.91) / 0.012, 2));
  value += 30 * towards * exp(-pow((rho - 0.985) / 0.012, 2));
  if (rho > 0.84 && rho < 0.88)
    value += 22 * cos(60 * atan2(v, u));
  if (fabs(u) < 0.3 && fabs(v) < 0.4 && fmod(fabs(u), 0.15) < 0.05)
    value += 35;
  return value;
}

/* Nine samples a pixel. */
static void draw(udg_plane *p, const drawn *coin) {
  double c = cos(coin->angle), s = sin(coin->angle);
  for (int j = 0; j < p->height; j++)
    for (int i = 0; i < p->width; i++) {
      double sum = 0;
      int hit = 0;
      if (hypot(i - coin->x, j - coin->y) > coin->a + 2)
        continue;
      for (int k = 0; k < 9; k++) {
        double x = i + (k % 3 + 0.5) / 3 - coin->x, y = j + (k / 3 + 0.5) / 3 - coin->y;
        double u = (c * x + s * y) / coin->a, v = (-s * x + c * y) / coin->b;
        if (u * u + v * v > 1)
          continue;
        hit++;
        sum += metal(u, v, coin->level);
      }
      float *at = udg_plane_row(p, j) + i;
      *at = (float)((sum + (9 - hit) * (double)*at) / 9);
    }
}

static udg_coin_result find(const udg_plane *p) {
  udg_coin_state *state = NULL;
  udg_coin_result found;
  assert_int_equal(udg_coin_create(&settings, &state, NULL), UDG_OK);
  assert_int_equal(udg_coin_find(state, udg_photo_of(p), &found, NULL), UDG_OK);
  udg_coin_destroy(state);
  return found;
}

/* `share` of the longer semi-axis for centre and axes; the angle where the axes
 * differ by a tenth. */
static void assert_found(const udg_coin_result *found, const drawn *coin, double share) {
  int near = -1;
  for (int i = 0; i < found->count; i++)
    if (hypot(found->coins[i].centre[0] - coin->x, found->coins[i].centre[1] - coin->y) <
        share * coin->a)
      near = i;
  assert_true(near >= 0);
  const udg_ellipse *e = &found->coins[near];
  assert_true(fabs(e->semi[0] - coin->a) < share * coin->a);
  assert_true(fabs(e->semi[1] - coin->b) < share * coin->a);
  assert_true(e->semi[0] >= e->semi[1]);
  if (coin->a - coin->b > 0.1 * coin->a)
    assert_true(fabs(sin(e->angle_rad - coin->angle)) < 0.05);
  assert_true(e->quality > 0 && e->quality <= 1);
}

static void one_coin_of_any_size_and_tilt(void **state) {
  (void)state;
  static const drawn coins[] = {
      {400, 300, 285, 285, 0, 130},       {410, 290, 150, 141, 0.4, 150},
      {200, 420, 62, 62, 0, 160},         {520, 260, 190, 160, -1.1, 110},
      {388.4, 311.7, 240, 225, 1.2, 100}, {600, 130, 100, 97, 0.2, 30},
  };
  for (size_t i = 0; i < sizeof coins / sizeof coins[0]; i++) {
    udg_plane p = ground(800, 600, 75, 5, 3 + i);
    draw(&p, &coins[i]);
    udg_coin_result found = find(&p);
    assert_int_equal(found.count, 1);
    assert_found(&found, &coins[i], 0.006);
    assert_true(found.coins[0].inside > 0.99);
    udg_plane_destroy(&settings, &p);
  }
}

static void large_photo_is_reduced_and_scaled_back(void **state) {
  (void)state;
  const drawn coin = {1730.5, 1410.5, 900, 870, 0.5, 140};
  udg_plane p = ground(3600, 2700, 60, 6, 5);
  draw(&p, &coin);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 1);
  /* Refined on a copy of half the size: 0.1 % is half a pixel of that. */
  assert_found(&found, &coin, 0.001);
  udg_plane_destroy(&settings, &p);
}

static void several_coins_on_a_plate(void **state) {
  (void)state;
  const drawn plate = {450, 350, 330, 330, 0, 40};
  static const drawn coins[] = {
      {330, 250, 90, 88, 0.3, 120}, {540, 250, 90, 88, 0.3, 140}, {430, 430, 90, 88, 0.3, 105}};
  udg_plane p = ground(900, 700, 110, 9, 17);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++)
      if (hypot(i + 0.5 - plate.x, j + 0.5 - plate.y) < plate.a)
        udg_plane_row(&p, j)[i] = (float)plate.level + 0.1f * udg_plane_row(&p, j)[i];
  for (int i = 0; i < 3; i++)
    draw(&p, &coins[i]);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 3);
  for (int i = 0; i < 3; i++)
    assert_found(&found, &coins[i], 0.01);
  udg_plane_destroy(&settings, &p);
}

static void coin_cut_by_the_border(void **state) {
  (void)state;
  /* Centre 90 px from the lower border: cos t = 0.45 leaves 1 - acos(0.45) / pi =
   * 65 % of the rim in the photo. */
  const drawn coin = {380, 510, 200, 200, 0, 140};
  udg_plane p = ground(800, 600, 70, 4, 23);
  draw(&p, &coin);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 1);
  assert_found(&found, &coin, 0.01);
  assert_true(fabs(found.coins[0].inside - (1 - acos(0.45) / pi)) < 0.02);
  udg_plane_destroy(&settings, &p);
}

/* A soft-edged disc off the coin's centre, darker than the ground. */
static void shadow_is_not_the_rim(void **state) {
  (void)state;
  const drawn coin = {400, 300, 200, 196, 0.7, 120};
  udg_plane p = ground(800, 600, 150, 4, 29);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++) {
      double d = hypot(i + 0.5 - coin.x - 18, j + 0.5 - coin.y - 22) - 203;
      udg_plane_row(&p, j)[i] -= (float)(60 / (1 + exp(d / 4)));
    }
  draw(&p, &coin);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 1);
  assert_found(&found, &coin, 0.01);
  udg_plane_destroy(&settings, &p);
}

/* A disc that stands out of the ground faintly, with a strongly edged coin on it: its own
 * edge is the outermost. */
static void faint_rim_beyond_a_strong_edge(void **state) {
  (void)state;
  const drawn disc = {400, 300, 212, 212, 0, 75}, coin = {400, 301, 200, 199, 0, 170};
  udg_plane p = ground(800, 600, 62, 2, 51);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++)
      if (hypot(i + 0.5 - disc.x, j + 0.5 - disc.y) < disc.a)
        udg_plane_row(&p, j)[i] += 13.0f;
  draw(&p, &coin);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 1);
  assert_found(&found, &disc, 0.01);
  udg_plane_destroy(&settings, &p);
}

/* A shadow with a hard edge: its far edge and the coin's near side lie on an ellipse that
 * is larger than the rim and not about its centre. */
static void hard_shadow_is_not_the_rim(void **state) {
  (void)state;
  const drawn coin = {400, 300, 200, 200, 0, 120};
  udg_plane p = ground(800, 600, 150, 4, 53);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++) {
      double d = hypot(i + 0.5 - coin.x + 14, j + 0.5 - coin.y - 6) - 202;
      udg_plane_row(&p, j)[i] -= (float)(70 / (1 + exp(d / 1.5)));
    }
  draw(&p, &coin);
  udg_coin_result found = find(&p);
  assert_int_equal(found.count, 1);
  assert_found(&found, &coin, 0.01);
  udg_plane_destroy(&settings, &p);
}

/* Loops such as digits have, bars, grain, a ramp, nothing at all. */
static void close_ups_and_grounds_hold_no_coin(void **state) {
  (void)state;
  udg_plane p = ground(640, 300, 120, 5, 31);
  for (int j = 0; j < p.height; j++)
    for (int i = 0; i < p.width; i++) {
      float *at = udg_plane_row(&p, j) + i;
      double loop = hypot((i - 200) / 0.8, j - 110) - 42,
             other = hypot((i - 200) / 0.9, j - 200) - 50;
      double bar = fabs(i - 420.0) - 25;
      double edge =
          fmin(fmin(fabs(loop), fabs(other)), fabs(bar) + (fabs(j - 150.0) > 100 ? 50 : 0));
      *at += (float)(50 * exp(-edge * edge / 18) * (i + j > 330 ? 1 : -1));
    }
  assert_int_equal(find(&p).count, 0);
  udg_plane_destroy(&settings, &p);
  for (int grain = 0; grain < 3; grain++) {
    p = ground(500, 400, 120, 12 * grain, 37);
    for (int k = 0; grain == 0 && k < p.width * p.height; k++)
      p.v[k] = (float)(k % p.width) * 0.3f;
    assert_int_equal(find(&p).count, 0);
    udg_plane_destroy(&settings, &p);
  }
  static const int sizes[][2] = {{1, 1}, {47, 47}, {48, 48}, {5000, 48}, {48, 3000}};
  for (int i = 0; i < 5; i++) {
    p = ground(sizes[i][0], sizes[i][1], 120, 3, 41);
    assert_int_equal(find(&p).count, 0);
    udg_plane_destroy(&settings, &p);
  }
}

/* The eigenvalues of [[2, 1], [1, 3]] are (5 +- sqrt 5) / 2 and the first
 * eigenvector lies at half the angle of (2 - 3, 2): the closed form of the
 * symmetric 2 x 2 problem, worked by hand. */
static void axes_of_a_known_matrix(void **state) {
  (void)state;
  const udg_coin_shape shape = {{0, 0}, {2, 1, 3}};
  double semi[2], angle, point[2], normal[2];
  udg_coin_shape_axes(&shape, semi, &angle);
  assert_true(fabs(semi[0] - (5 + sqrt(5)) / 2) < 1e-12);
  assert_true(fabs(semi[1] - (5 - sqrt(5)) / 2) < 1e-12);
  assert_true(fabs(angle - atan2(2, -1) / 2) < 1e-12);
  for (int k = 0; k < 12; k++) { /* x^T A^-2 x = 1, normal along A^-2 x */
    udg_coin_shape_at(&shape, k, point, normal);
    double g[2] = {(10 * point[0] - 5 * point[1]) / 25, (-5 * point[0] + 5 * point[1]) / 25};
    assert_true(fabs(point[0] * g[0] + point[1] * g[1] - 1) < 1e-12);
    assert_true(fabs(normal[0] * g[1] - normal[1] * g[0]) < 1e-12);
    assert_true(normal[0] * g[0] + normal[1] * g[1] > 0);
  }
}

static int stop(void *user) {
  (void)user;
  return 1;
}

static void memory_and_cancel(void **state) {
  (void)state;
  const drawn coin = {200, 150, 100, 100, 0, 140};
  udg_plane p = ground(400, 300, 70, 4, 43);
  draw(&p, &coin);
  udg_status status = UDG_ERROR_MEMORY;
  size_t fail_at = 1;
  for (; status != UDG_OK && fail_at < 200; fail_at++) {
    test_allocator a = {.fail_at = fail_at};
    udg_settings s = test_settings(&a);
    udg_coin_state *coins = NULL;
    udg_coin_result found;
    udg_message message = {{0}};
    status = udg_coin_create(&s, &coins, &message);
    if (status == UDG_OK)
      status = udg_coin_find(coins, udg_photo_of(&p), &found, &message);
    if (status != UDG_OK) {
      assert_int_equal(status, UDG_ERROR_MEMORY);
      assert_true(message.text[0] != 0);
    }
    udg_coin_destroy(coins);
    assert_int_equal(a.live, 0);
  }
  assert_int_equal(status, UDG_OK);
  assert_true(fail_at > 10);
  udg_settings s = settings;
  s.cancel = stop;
  udg_coin_state *coins = NULL;
  udg_coin_result found;
  assert_int_equal(udg_coin_create(&s, &coins, NULL), UDG_OK);
  assert_int_equal(udg_coin_find(coins, udg_photo_of(&p), &found, NULL), UDG_ERROR_CANCELLED);
  udg_coin_destroy(coins);
  udg_coin_destroy(NULL);
  udg_plane_destroy(&settings, &p);
}

int main(void) {
  udg_settings_default(&settings, sizeof settings);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(one_coin_of_any_size_and_tilt),
      cmocka_unit_test(large_photo_is_reduced_and_scaled_back),
      cmocka_unit_test(several_coins_on_a_plate),
      cmocka_unit_test(coin_cut_by_the_border),
      cmocka_unit_test(shadow_is_not_the_rim),
      cmocka_unit_test(faint_rim_beyond_a_strong_edge),
      cmocka_unit_test(hard_shadow_is_not_the_rim),
      cmocka_unit_test(close_ups_and_grounds_hold_no_coin),
      cmocka_unit_test(axes_of_a_known_matrix),
      cmocka_unit_test(memory_and_cancel),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
