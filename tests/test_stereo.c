/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Relief from pictures under unknown lamps, and faces of coins under different ones. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "face.h"
#include "stereo.h"
#include "support.h"

enum { SIDE = 96, LAMPS = 7 };

static test_allocator allocator;

/* Unlike itself in every other turn: bumps of different size about a middle. */
static double height_at(double u, double v) {
  static const double bump[][4] = {{0.45, 0.1, 0.16, 1.0},   {-0.3, 0.35, 0.1, 0.8},
                                   {-0.1, -0.5, 0.2, -0.6},  {0.2, -0.2, 0.07, 0.9},
                                   {-0.55, -0.2, 0.12, 0.7}, {0.1, 0.6, 0.08, 1.0},
                                   {0.62, -0.35, 0.06, 1.0}, {-0.45, -0.5, 0.06, 1.0},
                                   {0.5, 0.5, 0.05, 1.0},    {-0.62, 0.12, 0.05, 1.0}};
  double h = 0.0;
  for (size_t i = 0; i < sizeof bump / sizeof *bump; i++) {
    double x = (u - bump[i][0]) / bump[i][2], y = (v - bump[i][1]) / bump[i][2];
    h += 0.1 * bump[i][2] * bump[i][3] * exp(-0.5 * (x * x + y * y));
  }
  return h;
}

static double shade(double u, double v, double azimuth) {
  const double step = 1e-3;
  double p = (height_at(u + step, v) - height_at(u - step, v)) / (2.0 * step);
  double q = (height_at(u, v + step) - height_at(u, v - step)) / (2.0 * step);
  return cos(azimuth) * p + sin(azimuth) * q;
}

static double unit_of(int x) {
  return (x + 0.5 - 0.5 * SIDE) / (0.4 * SIDE);
}

/* Seven lamps whose directions nobody tells: the surface comes back but for its scale and
 * sign, correlation 0.99 with the truth where the bumps are. */
static void surface_comes_back(void **state) {
  (void)state;
  udg_settings settings = test_settings(&allocator);
  udg_fft *fft = NULL;
  udg_plane pictures[LAMPS], height = {0};
  uint64_t random = 3;
  memset(pictures, 0, sizeof pictures);
  assert_int_equal(udg_fft_create(&settings, &fft, NULL), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, SIDE, SIDE, &height), UDG_OK);
  for (int k = 0; k < LAMPS; k++) {
    assert_int_equal(udg_plane_create(&settings, SIDE, SIDE, &pictures[k]), UDG_OK);
    for (int y = 0; y < SIDE; y++)
      for (int x = 0; x < SIDE; x++)
        udg_plane_row(&pictures[k], y)[x] =
            (float)(shade(unit_of(x), unit_of(y), 0.3 + 0.8 * k) +
                    0.002 * ((double)(test_random(&random) % 1000) / 500.0 - 1.0) + 0.3);
  }
  assert_int_equal(udg_stereo_height(&settings, fft, pictures, LAMPS, &height, NULL), UDG_OK);
  double aa = 0.0, ab = 0.0, bb = 0.0, am = 0.0, bm = 0.0;
  for (int pass = 0; pass < 2; pass++)
    for (int y = 0; y < SIDE; y++)
      for (int x = 0; x < SIDE; x++) {
        double a = height_at(unit_of(x), unit_of(y)), b = (double)udg_plane_row(&height, y)[x];
        if (pass == 0) {
          am += a / (SIDE * SIDE);
          bm += b / (SIDE * SIDE);
        } else {
          aa += (a - am) * (a - am);
          ab += (a - am) * (b - bm);
          bb += (b - bm) * (b - bm);
        }
      }
  print_message("correlation %.4f\n", ab / sqrt(aa * bb));
  assert_true(fabs(ab) / sqrt(aa * bb) > 0.98);
  /* The same light again and again tells one slope only. */
  for (int k = 0; k < LAMPS; k++)
    for (size_t i = 0; i < SIDE * SIDE; i++)
      pictures[k].v[i] = 1.0f;
  assert_int_equal(udg_stereo_height(&settings, fft, pictures, LAMPS, &height, NULL),
                   UDG_ERROR_ARGUMENT);
  for (int k = 0; k < LAMPS; k++)
    udg_plane_destroy(&settings, &pictures[k]);
  udg_plane_destroy(&settings, &height);
  udg_fft_destroy(fft);
  assert_int_equal(allocator.live, 0);
}

/* Eigenvalues of [[2 1 0] [1 2 1] [0 1 2]] are 2 - sqrt 2, 2, 2 + sqrt 2. */
static void eigenvalues_are_right(void **state) {
  (void)state;
  double matrix[9] = {2, 1, 0, 1, 2, 1, 0, 1, 2}, values[3], vectors[9];
  udg_symmetric_eigen(matrix, 3, values, vectors);
  test_near(values[0], 2.0 - sqrt(2.0), 1e-12);
  test_near(values[1], 2.0, 1e-12);
  test_near(values[2], 2.0 + sqrt(2.0), 1e-12);
  test_near(fabs(vectors[0]), 0.5, 1e-12); /* (1, -sqrt 2, 1) / 2 */
  test_near(fabs(vectors[3]), sqrt(0.5), 1e-12);
}

enum { PHOTO = 240 };

/* The coin in a photo: turned, lit, tilted a little. */
static void photograph(udg_plane *photo, const udg_ellipse *rim, double turn_rad, double azimuth) {
  udg_homography map = udg_face_map(rim, turn_rad), back;
  assert_true(udg_homography_invert(&map, &back));
  for (int y = 0; y < photo->height; y++)
    for (int x = 0; x < photo->width; x++) {
      double u, v;
      udg_homography_apply(&back, x + 0.5, y + 0.5, &u, &v);
      /* The lamp stays where it is when the coin turns. */
      double level = hypot(u, v) < 1.0 ? 120.0 + 400.0 * shade(u, v, azimuth - turn_rad) : 40.0;
      udg_plane_row(photo, y)[x] = (float)fmin(fmax(level, 0.0), 255.0);
    }
}

/* Coins turned by many angles under lamps from other sides: the turn is told to 2 degrees;
 * a picture of noise is no such coin. */
static void faces_tell_the_turn(void **state) {
  (void)state;
  const double tau = 2.0 * acos(-1.0);
  udg_settings settings = test_settings(&allocator);
  udg_face_work work;
  udg_plane photo = {0}, upright = {0}, turned = {0};
  udg_ellipse rim = {.centre = {121.5, 118.0}, .semi = {92.0, 90.0}, .angle_rad = 0.4};
  assert_int_equal(udg_face_work_create(&settings, &work), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, PHOTO, PHOTO, &photo), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &upright), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &turned), UDG_OK);
  photograph(&photo, &rim, 0.0, 0.5);
  assert_int_equal(udg_face_take(&settings, udg_photo_of(&photo), &rim, &work, &upright), UDG_OK);
  for (int k = 0; k < 12; k++) {
    double turn = 0.15 + k * tau / 12.0;
    photograph(&photo, &rim, turn, 0.5 + 1.1 * k);
    assert_int_equal(udg_face_take(&settings, udg_photo_of(&photo), &rim, &work, &turned), UDG_OK);
    udg_face_match match = udg_face_compare(&turned, &upright);
    double off = remainder(match.turn_rad - turn, tau);
    if (fabs(off) > 0.035 || match.likeness < match.runner_up + 0.1)
      fail_msg("turn %.3f told as %.3f (likeness %.2f, runner-up %.2f)", turn, match.turn_rad,
               match.likeness, match.runner_up);
  }
  uint64_t random = 8;
  for (size_t i = 0; i < PHOTO * PHOTO; i++)
    photo.v[i] = (float)(test_random(&random) % 256);
  assert_int_equal(udg_face_take(&settings, udg_photo_of(&photo), &rim, &work, &turned), UDG_OK);
  udg_face_match match = udg_face_compare(&turned, &upright);
  assert_true(udg_face_certainty(&match) < 0.1);
  udg_plane_destroy(&settings, &photo);
  udg_plane_destroy(&settings, &upright);
  udg_plane_destroy(&settings, &turned);
  udg_face_work_destroy(&settings, &work);
  assert_int_equal(allocator.live, 0);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(surface_comes_back),
      cmocka_unit_test(eigenvalues_are_right),
      cmocka_unit_test(faces_tell_the_turn),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
