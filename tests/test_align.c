/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Registration against the Cramer-Rao bound, with the light unknown:
 *     J = (1/s^2) D^T (I - P_N) D,
 * D the derivatives of the picture by shift, turn and ln scale, N what unknown
 * light can do (Robinson & Milanfar, IEEE Trans. Image Processing 13(9), 2004). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "align.h"
#include "align_moments.h"
#include "linalg.h"
#include "spline.h"
#include "support.h"

#define PI 3.14159265358979323846

/* Trials in each cell; a rms of so many has a relative s.d. of 1/sqrt(2 TRIALS) =
 * 2.2 %.  The bound must be met to 10 % in each of 72 cells and 4 figures. */
#if defined(__SANITIZE_ADDRESS__) || defined(UDG_TEST_SHORT)
#define TRIALS 500
#define AZIMUTH_STEP 6 /* sanitizers are slow: 4 azimuths of the lamp there */
#else
#define TRIALS 1000
#define AZIMUTH_STEP 1
#endif

static udg_settings settings;

static uint64_t random_state;

static double uniform(void) {
  random_state = random_state * 6364136223846793005u + 1442695040888963407u;
  return ((double)(random_state >> 33) + 0.5) / 2147483648.0;
}

static double normal(void) {
  return sqrt(-2 * log(uniform())) * cos(2 * PI * uniform());
}

/* Value and slopes of a column at (x, y), px from the centre. */
typedef void (*column_function)(double x, double y, double *t, double *t_x, double *t_y);

/* A relief that has no symmetry: three hills. */
static const double HILLS[3][5] = {/* x, y, height, s.d. x, s.d. y */
                                   {-5, -2, 1.0, 4.0, 2.6},
                                   {5, 3, 0.8, 2.5, 3.8},
                                   {1, -6, -0.6, 3.0, 2.2}};

/* Derivative of the relief, a times by x and b times by y, a + b <= 2. */
static double relief(double x, double y, int a, int b) {
  double sum = 0;
  for (int i = 0; i < 3; i++) {
    const double *h = HILLS[i];
    double u = (x - h[0]) / h[3], v = (y - h[1]) / h[4];
    double factor_x = a == 0 ? 1 : a == 1 ? -u : u * u - 1;
    double factor_y = b == 0 ? 1 : b == 1 ? -v : v * v - 1;
    sum += h[2] * exp(-0.5 * (u * u + v * v)) * factor_x / pow(h[3], a) * factor_y / pow(h[4], b);
  }
  return sum;
}

static double relief_numeric(double x, double y, int a, int b) {
  const double e = 1e-4;
  return a > 0 ? (relief(x + e, y, a - 1, b) - relief(x - e, y, a - 1, b)) / (2 * e)
               : (relief(x, y + e, a, b - 1) - relief(x, y - e, a, b - 1)) / (2 * e);
}

static void column_level(double x, double y, double *t, double *t_x, double *t_y) {
  (void)x, (void)y;
  *t = 1;
  *t_x = *t_y = 0;
}

static void column_p(double x, double y, double *t, double *t_x, double *t_y) {
  *t = relief(x, y, 1, 0);
  *t_x = relief(x, y, 2, 0);
  *t_y = relief(x, y, 1, 1);
}

static void column_q(double x, double y, double *t, double *t_x, double *t_y) {
  *t = relief(x, y, 0, 1);
  *t_x = relief(x, y, 1, 1);
  *t_y = relief(x, y, 0, 2);
}

static double blob_a, blob_b;

static void column_blob(double x, double y, double *t, double *t_x, double *t_y) {
  *t = exp(-x * x / (2 * blob_a * blob_a) - y * y / (2 * blob_b * blob_b));
  *t_x = -x / (blob_a * blob_a) * *t;
  *t_y = -y / (blob_b * blob_b) * *t;
}

typedef struct scene {
  int half, columns;
  column_function column[3];
  double light[3];
  udg_patch_set set;
  udg_plane photo, clean;
  udg_aligner *aligner;
  float *storage;
} scene;

/* One pixel of the patch is one mm: then both are px. */
static void scene_open(scene *s, int background) {
  int side = 2 * s->half + 1, count = side * side, k = s->columns;
  s->storage = calloc((size_t)count * (size_t)(4 + UDG_SWELLS + 3 * k), sizeof(float));
  float *at = s->storage;
  udg_patch *patch = &s->set.patches[0];
  s->set.patch_count = 1;
  s->set.column_count = s->set.column_stride = k;
  s->set.background_count = background;
  s->set.radius_mm = s->half;
  s->set.px_per_mm = 1;
  patch->count = count;
  float **plain[] = {&patch->u,        &patch->v,        &patch->n_x,     &patch->n_y,
                     &patch->swell[0], &patch->swell[1], &patch->swell[2]};
  for (size_t i = 0; i < 4 + UDG_SWELLS; i++, at += count)
    *plain[i] = at;
  patch->t = at;
  patch->t_x = at + k * count;
  patch->t_y = at + 2 * k * count;
  for (int i = 0; i < count; i++) {
    double x = i % side - s->half, y = i / side - s->half;
    patch->u[i] = (float)x;
    patch->v[i] = (float)y;
    for (int c = 0; c < k; c++) {
      double t, t_x, t_y;
      s->column[c](x, y, &t, &t_x, &t_y);
      patch->t[i * k + c] = (float)t;
      patch->t_x[i * k + c] = (float)t_x;
      patch->t_y[i * k + c] = (float)t_y;
    }
  }
  assert_int_equal(udg_aligner_create(&settings, count, &s->aligner), UDG_OK);
  int wide = side + 16;
  assert_int_equal(udg_plane_create(&settings, wide, wide, &s->photo), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, wide, wide, &s->clean), UDG_OK);
}

static void scene_close(scene *s) {
  udg_plane_destroy(&settings, &s->clean);
  udg_plane_destroy(&settings, &s->photo);
  udg_aligner_destroy(s->aligner);
  free(s->storage);
  *s = (scene){0};
}

/* The picture without noise at a pose (shift from the middle of the photo). */
static void scene_draw(scene *s, double shift_x, double shift_y, double turn, double scale) {
  double middle = s->clean.width / 2.0;
  for (int j = 0; j < s->clean.height; j++)
    for (int i = 0; i < s->clean.width; i++) {
      double dx = (i + 0.5 - middle - shift_x) / scale, dy = (j + 0.5 - middle - shift_y) / scale;
      double x = cos(turn) * dx + sin(turn) * dy, y = -sin(turn) * dx + cos(turn) * dy, sum = 0;
      for (int c = 0; c < s->columns; c++) {
        double t, t_x, t_y;
        s->column[c](x, y, &t, &t_x, &t_y);
        sum += s->light[c] * t;
      }
      udg_plane_row(&s->clean, j)[i] = (float)sum;
    }
}

static void scene_noise(scene *s, double sigma) {
  size_t count = (size_t)s->clean.width * (size_t)s->clean.height;
  for (size_t i = 0; i < count; i++)
    s->photo.v[i] = s->clean.v[i] + (float)(sigma * normal());
  udg_spline_prepare(&s->photo);
}

static const udg_align_settings PLAIN = {.global_count = 4,
                                         .clip_level = INFINITY,
                                         .correlation_px = 1,
                                         .iterations_max = 12,
                                         .stop_px = 1e-3};

static udg_align_pose start_pose(const scene *s) {
  double middle = s->photo.width / 2.0;
  return (udg_align_pose){.date_to_photo = udg_homography_similarity(1, 0, middle, middle)};
}

/* shift x, y (px), turn (rad), ln scale */
static void pose_read(const scene *s, const udg_align_pose *pose, double out[4]) {
  const double *m = pose->date_to_photo.m;
  double middle = s->photo.width / 2.0;
  out[0] = m[2] / m[8] - middle;
  out[1] = m[5] / m[8] - middle;
  out[2] = atan2(m[3], m[0]);
  out[3] = log(hypot(m[0], m[3]) / m[8]);
}

/* Bounds (s.d.) of shift x, y, turn, ln scale, then of the azimuth of columns 1, 2. */
static void bounds(const scene *s, double sigma, double out[5]) {
  enum { N = 8 };
  int n = s->columns + 4;
  double j[N * N] = {0}, inverse[N * N];
  const udg_patch *patch = &s->set.patches[0];
  for (int i = 0; i < patch->count; i++) {
    double d[N], x = (double)patch->u[i], y = (double)patch->v[i], gx = 0, gy = 0;
    for (int c = 0; c < s->columns; c++) {
      double t_x, t_y;
      s->column[c](x, y, &d[c], &t_x, &t_y);
      gx += s->light[c] * t_x;
      gy += s->light[c] * t_y;
    }
    d[s->columns] = -gx;
    d[s->columns + 1] = -gy;
    d[s->columns + 2] = y * gx - x * gy;
    d[s->columns + 3] = -(x * gx + y * gy);
    for (int a = 0; a < n; a++)
      for (int b = 0; b < n; b++)
        j[a * N + b] += d[a] * d[b] / (sigma * sigma);
  }
  assert_int_equal(udg_cholesky_factor(j, n, N, 1e-14), 0);
  udg_cholesky_invert(j, n, N, inverse);
  for (int k = 0; k < 4; k++)
    out[k] = sqrt(inverse[(s->columns + k) * (N + 1)]);
  out[4] = 0;
  if (s->columns == 3) {
    double a = s->light[1], b = s->light[2], r2 = a * a + b * b;
    double g[2] = {-b / r2, a / r2};
    for (int k = 0; k < 2; k++)
      for (int l = 0; l < 2; l++)
        out[4] += g[k] * g[l] * inverse[(1 + k) * N + 1 + l];
    out[4] = sqrt(out[4]);
  }
}

/* Closed forms, printed by Robinson & Milanfar's J for a blob of 100 levels,
 * 9 x 5 px, noise 10; computed with SciPy 1.10.1; gain unknown. */
static void blob_meets_its_bounds(void **state) {
  (void)state;
  const double known[4] = {0.107047, 0.059471, 0.0135168, 0.00841044};
  scene s = {.half = 45, .columns = 1, .column = {column_blob}, .light = {100}};
  blob_a = 9;
  blob_b = 5;
  scene_open(&s, 0);
  scene_draw(&s, 0.3, -0.2, 0.02, 1.01);
  double computed[5], sums[4] = {0}, told[4] = {0};
  bounds(&s, 10, computed);
  random_state = 11;
  enum { RUNS = 500 };
  for (int run = 0; run < RUNS; run++) {
    scene_noise(&s, 10);
    udg_align_pose pose = start_pose(&s);
    udg_align_result fit;
    double found[4];
    const double truth[4] = {0.3, -0.2, 0.02, log(1.01)};
    udg_align_run(s.aligner, &s.set, &s.photo, &PLAIN, &pose, &fit);
    assert_int_equal(fit.undetermined, 0);
    pose_read(&s, &pose, found);
    for (int k = 0; k < 4; k++) {
      sums[k] += (found[k] - truth[k]) * (found[k] - truth[k]);
      told[k] += sqrt(fit.covariance[k][k]);
    }
  }
  for (int k = 0; k < 4; k++) {
    assert_true(fabs(computed[k] / known[k] - 1) < 1e-3);
    /* 500 runs: s.d. 3.2 % of a rms. */
    assert_true(fabs(sqrt(sums[k] / RUNS) / known[k] - 1) < 0.10);
    /* Between pixels the spline is a mean of several, so the residual shows
     * somewhat less noise than the pixels have. */
    assert_true(told[k] / RUNS / known[k] > 0.8 && told[k] / RUNS / known[k] < 1.03);
  }
  scene_close(&s);
}

static void round_blob_has_no_turn(void **state) {
  (void)state;
  scene s = {.half = 30, .columns = 1, .column = {column_blob}, .light = {100}};
  blob_a = blob_b = 6;
  scene_open(&s, 0);
  scene_draw(&s, 0.4, 0.1, 0, 1);
  random_state = 5;
  scene_noise(&s, 2);
  udg_align_pose pose = start_pose(&s);
  udg_align_result fit;
  double found[4];
  udg_align_run(s.aligner, &s.set, &s.photo, &PLAIN, &pose, &fit);
  pose_read(&s, &pose, found);
  assert_int_equal(fit.undetermined, 1u << 2);
  assert_true(isinf(fit.covariance[2][2]));
  assert_true(fabs(found[0] - 0.4) < 0.06 && fabs(found[1] - 0.1) < 0.06);
  assert_true(found[2] == 0);
  scene_close(&s);
}

/* A flat photo tells nothing and must say so. */
static void flat_photo_is_undetermined(void **state) {
  (void)state;
  scene s = {.half = 12, .columns = 3, .column = {column_level, column_p, column_q}};
  s.light[0] = 128;
  scene_open(&s, 1);
  scene_draw(&s, 0, 0, 0, 1);
  scene_noise(&s, 0);
  udg_align_pose pose = start_pose(&s);
  udg_align_result fit;
  udg_align_run(s.aligner, &s.set, &s.photo, &PLAIN, &pose, &fit);
  assert_int_equal(fit.undetermined, 15);
  assert_true(fit.explained < 0.5);
  scene_close(&s);
}

/* Light from `azimuth`, scaled to a relief of 120 grey levels from dark to bright. */
static void lamp_set(scene *s, double azimuth) {
  double low = INFINITY, high = -INFINITY;
  for (int y = -s->half; y <= s->half; y++)
    for (int x = -s->half; x <= s->half; x++) {
      double v = cos(azimuth) * relief(x, y, 1, 0) + sin(azimuth) * relief(x, y, 0, 1);
      low = fmin(low, v);
      high = fmax(high, v);
    }
  s->light[0] = 128;
  s->light[1] = 120 / (high - low) * cos(azimuth);
  s->light[2] = 120 / (high - low) * sin(azimuth);
}

static void lamp_case(scene *s, double azimuth, double sigma) {
  double bound[5], sums[5] = {0};
  lamp_set(s, azimuth);
  bounds(s, sigma, bound);
  scene_draw(s, 0.37, -0.23, 0.015, 0.99);
  const double truth[4] = {0.37, -0.23, 0.015, log(0.99)};
  for (int run = 0; run < TRIALS; run++) {
    udg_align_pose pose = start_pose(s);
    udg_align_result fit;
    double found[4];
    scene_noise(s, sigma);
    udg_align_run(s->aligner, &s->set, &s->photo, &PLAIN, &pose, &fit);
    assert_int_equal(fit.undetermined, 0);
    pose_read(s, &pose, found);
    for (int k = 0; k < 4; k++)
      sums[k] += (found[k] - truth[k]) * (found[k] - truth[k]);
    double off = remainder(atan2(fit.light[2], fit.light[1]) - azimuth, 2 * PI);
    sums[4] += off * off;
  }
  for (int k = 0; k < 5; k++) {
    double ratio = sqrt(sums[k] / TRIALS) / bound[k];
    if (!(fabs(ratio - 1) < 0.10))
      fail_msg("lamp %.0f degrees, noise %g, figure %d: rms %.3f of the bound", azimuth * 180 / PI,
               sigma, k, ratio);
  }
}

/* Shift x, y, turn, scale and the lamp's azimuth, all round. */
static void lit_relief_meets_its_bounds(void **state) {
  (void)state;
  scene s = {.half = 18, .columns = 3, .column = {column_level, column_p, column_q}};
  scene_open(&s, 1);
  const double noises[3] = {2, 5, 10};
  random_state = 2024;
  for (int n = 0; n < 3; n++)
    for (int i = 0; i < 24; i += AZIMUTH_STEP)
      lamp_case(&s, i * PI / 12, noises[n]);
  scene_close(&s);
}

/* A lamp from the side skews the peak of a correlation, and fitting a parabola
 * to each axis alone then reads a shift of (0.5, 0) as (0.50, 0.27) with no noise
 * at all (computed with SciPy); a joint fit must not. */
static void light_is_not_taken_for_shift(void **state) {
  (void)state;
  scene s = {.half = 18, .columns = 3, .column = {column_level, column_p, column_q}};
  scene_open(&s, 1);
  for (int i = 0; i < 24; i++) {
    lamp_set(&s, i * PI / 12);
    scene_draw(&s, 0.5, 0, 0, 1);
    scene_noise(&s, 0);
    udg_align_pose pose = start_pose(&s);
    udg_align_result fit;
    double found[4];
    udg_align_run(s.aligner, &s.set, &s.photo, &PLAIN, &pose, &fit);
    pose_read(&s, &pose, found);
    /* Interpolation of hills 2.2 px wide is good to some 0.002 px. */
    assert_true(fabs(found[0] - 0.5) < 0.01 && fabs(found[1]) < 0.01);
    assert_true(fabs(found[2]) < 0.002 && fabs(found[3]) < 0.002);
  }
  scene_close(&s);
}

/* Blown highlights are left out instead of pulling. */
static void clipped_pixels_do_not_pull(void **state) {
  (void)state;
  scene s = {.half = 18, .columns = 3, .column = {column_level, column_p, column_q}};
  scene_open(&s, 1);
  lamp_set(&s, 0.7);
  s.light[0] = 215; /* the brightest fifth of the relief is beyond 255 */
  scene_draw(&s, 0.5, 0.2, 0, 1);
  size_t count = (size_t)s.photo.width * (size_t)s.photo.height;
  for (size_t i = 0; i < count; i++)
    s.clean.v[i] = fminf(s.clean.v[i], 255);
  scene_noise(&s, 0);
  double with[4], without[4];
  for (int k = 0; k < 2; k++) {
    udg_align_settings how = PLAIN;
    if (k == 0)
      how.clip_level = 250;
    udg_align_pose pose = start_pose(&s);
    udg_align_result fit;
    udg_align_run(s.aligner, &s.set, &s.photo, &how, &pose, &fit);
    pose_read(&s, &pose, k == 0 ? with : without);
    assert_true(k != 0 || fit.clipped > 0.005);
  }
  double left_out = hypot(with[0] - 0.5, with[1] - 0.2);
  assert_true(left_out < 0.03);
  assert_true(left_out < hypot(without[0] - 0.5, without[1] - 0.2));
  scene_close(&s);
}

/* With the sums that never change (align_moments.h) a fit goes the same way as with every pixel's
 * row in each step; where pixels lie outside they are left alone. */
static void moments_give_the_same_fit(void **state) {
  (void)state;
  scene s = {.half = 18, .columns = 3, .column = {column_level, column_p, column_q}};
  udg_align_moments *moments = NULL;
  scene_open(&s, 1);
  lamp_set(&s, 0.7);
  scene_draw(&s, 0.5, 0.2, 0.02, 0.98);
  scene_noise(&s, 3);
  assert_int_equal(udg_align_moments_create(&settings, &s.set, &moments), UDG_OK);
  for (int outside = 0; outside < 2; outside++) {
    double found[2][4];
    udg_align_result fit[2];
    for (int k = 0; k < 2; k++) {
      udg_align_settings how = PLAIN;
      how.iterations_max = 3; /* on its way: one step's rest would tell otherwise */
      udg_align_pose pose = start_pose(&s);
      if (outside)
        pose.date_to_photo = udg_homography_similarity(1, 0, 14, 14);
      s.set.moments = k ? moments : NULL;
      udg_align_run(s.aligner, &s.set, &s.photo, &how, &pose, &fit[k]);
      pose_read(&s, &pose, found[k]);
    }
    assert_true(outside ? fit[0].inside < 1 : fit[0].inside == 1);
    assert_int_equal(fit[0].iterations, fit[1].iterations);
    for (int k = 0; k < 4; k++)
      test_near(found[1][k], found[0][k], 1e-5);
    for (int k = 0; k < 4; k++)
      test_near(fit[1].covariance[k][k] / fit[0].covariance[k][k], 1, 1e-4);
    for (int k = 0; k < 3; k++)
      test_near(fit[1].light[k], fit[0].light[k], 1e-3);
    test_near(fit[1].explained, fit[0].explained, 1e-6);
    test_near(fit[1].sigma, fit[0].sigma, 1e-4);
  }
  s.set.moments = NULL;
  udg_align_moments_destroy(&settings, moments);
  scene_close(&s);
}

/* Derivatives by differences. */
static void derivatives_of_the_test_are_right(void **state) {
  (void)state;
  for (int i = 0; i < 20; i++) {
    double x = i - 9.5, y = 7 - i * 0.8;
    assert_true(fabs(relief_numeric(x, y, 1, 0) - relief(x, y, 1, 0)) < 1e-7);
    assert_true(fabs(relief_numeric(x, y, 2, 0) - relief(x, y, 2, 0)) < 1e-7);
    assert_true(fabs(relief_numeric(x, y, 0, 2) - relief(x, y, 0, 2)) < 1e-7);
    assert_true(fabs(relief_numeric(x, y, 1, 1) - relief(x, y, 1, 1)) < 1e-7);
  }
}

/* Points in the middle, at the rim, outside and nowhere, of every count up to two blocks and more.
 */
static void samples_side_by_side_are_the_same(void **state) {
  (void)state;
  enum { W = 19, H = 13, MOST = 70 };
  udg_plane plane = {0};
  double x[MOST], y[MOST];
  float values[MOST + 1];
  assert_int_equal(udg_plane_create(&settings, W, H, &plane), UDG_OK);
  for (int i = 0; i < W * H; i++)
    plane.v[i] = (float)normal();
  for (int i = 0; i < MOST; i++) {
    x[i] = W * (1.3 * uniform() - 0.15);
    y[i] = i % 7 == 3 ? (double)NAN : H * (0.8 * uniform() + 0.1);
  }
  for (int count = 0; count <= MOST; count++) {
    values[count] = -9.0f;
    udg_spline_samples(&plane, x, y, count, values);
    for (int i = 0; i < count; i++)
      assert_true(values[i] == udg_spline_sample(&plane, x[i], y[i]));
    assert_true(values[count] == -9.0f);
  }
  udg_plane_destroy(&settings, &plane);
}

int main(void) {
  udg_settings_default(&settings, sizeof settings);
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(derivatives_of_the_test_are_right),
      cmocka_unit_test(samples_side_by_side_are_the_same),
      cmocka_unit_test(blob_meets_its_bounds),
      cmocka_unit_test(round_blob_has_no_turn),
      cmocka_unit_test(flat_photo_is_undetermined),
      cmocka_unit_test(lit_relief_meets_its_bounds),
      cmocka_unit_test(light_is_not_taken_for_shift),
      cmocka_unit_test(clipped_pixels_do_not_pull),
      cmocka_unit_test(moments_give_the_same_fit),
  };
  return cmocka_run_group_tests(tests, NULL, NULL);
}
