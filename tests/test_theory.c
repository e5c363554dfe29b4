/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Does the detector do what theory says it can?  Ideal pictures: I = level + b p + c q of the
 * height model and of a trace beside it, blurred, white normal noise.  Pose (shift, turn, scale)
 * and light are estimated from each picture by the library's own fit; the trace is a known
 * digit at a known offset from the present one.
 *
 * Theory: with r signal columns after projection F has the noncentral F distribution (Scharf &
 * Friedlander, IEEE Trans. Signal Processing 42(8), 1994), lambda from the true pose and light.
 * Under sanitizers a tenth of the trials is run and chance allowed for. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <underdigit/reference.h>

#include "align.h"
#include "relief.h"
#include "spline.h"
#include "stats.h"
#include "subspace.h"
#include "support.h"
#include "template.h"

#if defined(__SANITIZE_ADDRESS__)
#define SLOW 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(memory_sanitizer)
#define SLOW 1
#endif
#endif
#ifdef SLOW
enum { TRIALS = 200, LAMBDAS = 2 };
static const double LAMBDA[LAMBDAS] = {10, 25};
static const double POINTS = 0.10; /* 0.03 and twice the s.d. of a share of 200 */
#else
enum { TRIALS = 2000, LAMBDAS = 6 };
static const double LAMBDA[LAMBDAS] = {5, 10, 15, 20, 25, 30};
static const double POINTS = 0.03;
#endif
static const double ALPHA[2] = {1e-2, 1e-3};

static const char REFERENCE[] =
    "{\"format\": \"underdigit-reference/1\", \"name\": \"Theorem token\","
    "\"coin\": {\"diameter_mm\": 24, \"date_origin_mm\": [0, 9]},"
    "\"relief\": {\"height_mm\": 0.07, \"bevel_mm\": 0.17},"
    "\"digits\": {"
    "\"1\": {\"outline\": \"M-.12-.8H.12V.8H-.12Z\"},"
    "\"4\": {\"outline\": \"M.1-.8H.3V.2H.45V.42H.3V.8H.08V.42H-.5V.2Z M.08-.35L-.22.2H.08Z\"},"
    "\"7\": {\"outline\": \"M-.45-.8H.45V-.6L0 .8H-.25L.18-.55H-.45Z\"},"
    "\"8\": {\"outline\": \"M-.4-.8H.4V.8H-.4Z M-.2-.6V-.1H.2V-.6Z M-.2.1V.6H.2V.1Z\"}},"
    "\"dates\": [{\"date\": \"1847\", \"height_mm\": 1.6, \"slack_mm\": 0.05, \"slack_deg\": 2,"
    "\"places\": [{\"digit\": \"1\", \"centre_mm\": [-1.5, -0.8]},"
    "{\"digit\": \"8\", \"centre_mm\": [-0.6, -0.8]},"
    "{\"digit\": \"4\", \"centre_mm\": [0.55, -0.8]},"
    "{\"digit\": \"7\", \"centre_mm\": [1.65, -0.8]}]}]}";

enum { WIDTH = 136, HEIGHT = 60, HALF_PX = 26 };
static const double PX_PER_MM = 18.0, BLUR_PX = 0.8;
/* Levels: enough that pose and light are uncertain, and so little that misfit shows. */
static const double NOISE = 10.0, QUIET = 2.0;
/* The place that is looked at: the 4. */
static const int PLACE = 2;

/* Slopes, their derivatives, the trace's slopes: fine planes, blurred as the photo is. */
enum { P, Q, HXX, HXY, HYY, TRACE_P, TRACE_Q, PLANES };
/* Rows of the detector: level and two ramps, then the planes. */
enum { BACKGROUND = 3, NUISANCE = BACKGROUND + TRACE_P };

static udg_settings settings;
static udg_reference *reference;
static udg_template relief;
static udg_plane fine[PLANES];
static udg_patch_set patches;
static udg_aligner *aligner;
static udg_plane photo, prepared; /* the same as spline coefficients */
static uint64_t seed = 20;

static double unit(void) {
  return (test_random(&seed) + 0.5) / 4294967296.0;
}

/* Two independent ones by Box and Muller. */
static void two_normals(double out[2]) {
  double radius = sqrt(-2.0 * log(unit())), angle = 6.283185307179586 * unit();
  out[0] = radius * cos(angle);
  out[1] = radius * sin(angle);
}

static void blur(udg_plane *plane, udg_plane *scratch) {
  udg_plane_blur(plane, BLUR_PX * relief.px_per_mm / PX_PER_MM, scratch);
}

/* The trace shows where the present digits do not cover it. */
static void make_trace(int digit, double dx_mm, double dy_mm) {
  const udg_place *place = &reference->dates[0].places[PLACE];
  udg_plane distance = {0};
  int w = relief.p.width, h = relief.p.height;
  assert_int_equal(udg_plane_create(&settings, w, h, &distance), UDG_OK);
  assert_int_equal(
      udg_relief_distance(&settings, &reference->digits[digit], relief.px_per_mm, 0.0,
                          relief.origin_px[0] + relief.px_per_mm * (place->centre_mm[0] + dx_mm),
                          relief.origin_px[1] + relief.px_per_mm * (place->centre_mm[1] + dy_mm),
                          &distance, NULL),
      UDG_OK);
  double bevel_px = relief.bevel_mm * relief.px_per_mm;
  for (size_t i = 0; i < (size_t)w * (size_t)h; i++)
    distance.v[i] = (float)udg_relief_profile((double)distance.v[i], bevel_px);
  float factor = (float)(bevel_px / 3.0); /* as the template's: 1 at the steepest */
  for (int y = 1; y + 1 < h; y++)
    for (int x = 1; x + 1 < w; x++) {
      const float *row = udg_plane_row(&distance, y) + x;
      float open = udg_plane_row(&relief.distance, y)[x] > 0.0f ? 0.0f : factor;
      udg_plane_row(&fine[TRACE_P], y)[x] = open * (row[1] - row[-1]);
      udg_plane_row(&fine[TRACE_Q], y)[x] = open * (row[w] - row[-w]);
    }
  blur(&fine[TRACE_P], &distance);
  blur(&fine[TRACE_Q], &distance);
  udg_plane_destroy(&settings, &distance);
}

static void differentiate(const udg_plane *from, int across, udg_plane *to) {
  float half = (float)(0.5 * relief.px_per_mm);
  size_t next = across ? (size_t)1 : (size_t)from->width;
  for (int y = 1; y + 1 < from->height; y++)
    for (int x = 1; x + 1 < from->width; x++) {
      const float *at = udg_plane_row(from, y) + x;
      udg_plane_row(to, y)[x] = half * (at[next] - *(at - next));
    }
}

static int set_up(void **state) {
  (void)state;
  udg_settings_resolve(&settings, NULL);
  assert_int_equal(udg_reference_from_memory(&settings, REFERENCE, sizeof REFERENCE - 1, "theory",
                                             NULL, 0, &reference, NULL),
                   UDG_OK);
  assert_int_equal(udg_template_create(&settings, reference, 0, &relief, NULL), UDG_OK);
  udg_plane scratch = {0};
  assert_int_equal(udg_plane_create(&settings, relief.p.width, relief.p.height, &scratch), UDG_OK);
  for (int k = 0; k < PLANES; k++)
    assert_int_equal(udg_plane_create(&settings, relief.p.width, relief.p.height, &fine[k]),
                     UDG_OK);
  udg_template_column(&relief, UDG_COLUMN_P, &fine[P]);
  udg_template_column(&relief, UDG_COLUMN_Q, &fine[Q]);
  blur(&fine[P], &scratch);
  blur(&fine[Q], &scratch);
  differentiate(&fine[P], 1, &fine[HXX]);
  differentiate(&fine[P], 0, &fine[HXY]);
  differentiate(&fine[Q], 0, &fine[HYY]);
  udg_plane_destroy(&settings, &scratch);
  assert_int_equal(
      udg_template_patches(&settings, &relief, PX_PER_MM, BLUR_PX / PX_PER_MM, 0.0, &patches, NULL),
      UDG_OK);
  patches.column_count = UDG_COLUMN_Q + 1; /* matt metal: level, ramps, p, q */
  assert_int_equal(udg_aligner_create(&settings, udg_patch_set_pixels(&patches), &aligner), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, WIDTH, HEIGHT, &photo), UDG_OK);
  assert_int_equal(udg_plane_create(&settings, WIDTH, HEIGHT, &prepared), UDG_OK);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  for (int k = 0; k < PLANES; k++)
    udg_plane_destroy(&settings, &fine[k]);
  udg_plane_destroy(&settings, &photo);
  udg_plane_destroy(&settings, &prepared);
  udg_aligner_destroy(aligner);
  udg_patch_set_destroy(&settings, &patches);
  udg_template_destroy(&settings, &relief);
  udg_reference_destroy(reference);
  return 0;
}

/* What a picture shows, or is thought to show. */
typedef struct scene {
  udg_homography date_to_photo;
  double b, c; /* levels for the steepest slope */
} scene;

static udg_homography pose(double scale, double turn_rad, double dx_px, double dy_px) {
  udg_homography middle = udg_homography_similarity(PX_PER_MM, 0.0, 0.5 * WIDTH, 0.5 * HEIGHT);
  udg_homography about = udg_homography_similarity(scale, turn_rad, 0.0, 0.0);
  udg_homography back =
      udg_homography_similarity(1.0, 0.0, -relief.centre_mm[0], -relief.centre_mm[1]);
  udg_homography centred = udg_homography_after(&about, &back);
  udg_homography placed = udg_homography_after(&middle, &centred);
  placed.m[2] += dx_px;
  placed.m[5] += dy_px;
  return placed;
}

static scene draw_scene(void) {
  double azimuth = 6.283185307179586 * unit(), contrast = 30.0 + 20.0 * unit();
  return (scene){pose(1.0 + 0.04 * (unit() - 0.5), 0.1 * (unit() - 0.5), 2.0 * (unit() - 0.5),
                      2.0 * (unit() - 0.5)),
                 contrast * cos(azimuth), contrast * sin(azimuth)};
}

/* Position of a pixel's centre on the fine planes. */
static void to_fine(const udg_homography *photo_to_date, int x, int y, double at[2]) {
  udg_homography_apply(photo_to_date, x + 0.5, y + 0.5, &at[0], &at[1]);
  for (int k = 0; k < 2; k++)
    at[k] = relief.origin_px[k] + relief.px_per_mm * at[k];
}

/* Pictures without noise: as many poses and lights, each used again and again. */
enum { SCENES = 100 };
static struct kept_scene {
  scene truth;
  float plain[WIDTH * HEIGHT], trace[WIDTH * HEIGHT]; /* levels; trace of full height */
  double gram;                                        /* projected energy of the trace */
} kept[SCENES];

static void render(struct kept_scene *k) {
  const scene *s = &k->truth;
  udg_homography inverse;
  assert_true(udg_homography_invert(&s->date_to_photo, &inverse));
  for (int y = 0; y < HEIGHT; y++)
    for (int x = 0; x < WIDTH; x++) {
      double at[2];
      to_fine(&inverse, x, y, at);
      k->plain[y * WIDTH + x] = (float)(120.0 + 0.1 * x - 0.05 * y +
                                        s->b * (double)udg_plane_sample(&fine[P], at[0], at[1]) +
                                        s->c * (double)udg_plane_sample(&fine[Q], at[0], at[1]));
      k->trace[y * WIDTH + x] =
          (float)(s->b * (double)udg_plane_sample(&fine[TRACE_P], at[0], at[1]) +
                  s->c * (double)udg_plane_sample(&fine[TRACE_Q], at[0], at[1]));
    }
}

static void take_picture(const struct kept_scene *k, double amplitude, double noise) {
  for (int i = 0; i < WIDTH * HEIGHT; i += 2) {
    double n[2];
    two_normals(n);
    for (int j = 0; j < 2; j++)
      photo.v[i + j] =
          (float)((double)k->plain[i + j] + amplitude * (double)k->trace[i + j] + noise * n[j]);
  }
}

/* [0]: one signal column, the trace under the light as known; [1]: its two slopes, under any
 * light. */
enum { KINDS = 2 };
typedef struct detectors {
  udg_subspace_result result[KINDS];
} detectors;

/* Pixels around the place.  `nuisance`: so many columns are used, in the order of the planes. */
static detectors detect(const scene *s, int nuisance) {
  udg_homography inverse;
  udg_subspace sums[KINDS];
  double middle[2];
  const double *centre = reference->dates[0].places[PLACE].centre_mm;
  assert_true(udg_homography_invert(&s->date_to_photo, &inverse));
  udg_homography_apply(&s->date_to_photo, centre[0], centre[1], &middle[0], &middle[1]);
  int left = (int)middle[0] - HALF_PX, top = (int)middle[1] - HALF_PX;
  for (int kind = 0; kind < KINDS; kind++)
    udg_subspace_begin(&sums[kind], nuisance, kind + 1);
  for (int y = top > 0 ? top : 0; y < top + 2 * HALF_PX && y < HEIGHT; y++)
    for (int x = left > 0 ? left : 0; x < left + 2 * HALF_PX && x < WIDTH; x++) {
      double at[2], row[NUISANCE + 2] = {1.0, (x - middle[0]) / HALF_PX, (y - middle[1]) / HALF_PX};
      double level = (double)udg_plane_row(&photo, y)[x] - 120.0;
      to_fine(&inverse, x, y, at);
      for (int k = 0; k < nuisance - BACKGROUND; k++)
        row[BACKGROUND + k] = (double)udg_plane_sample(&fine[k], at[0], at[1]);
      double p = (double)udg_plane_sample(&fine[TRACE_P], at[0], at[1]);
      double q = (double)udg_plane_sample(&fine[TRACE_Q], at[0], at[1]);
      row[nuisance] = s->b * p + s->c * q;
      udg_subspace_add(&sums[0], row, level, 1.0);
      row[nuisance] = p;
      row[nuisance + 1] = q;
      udg_subspace_add(&sums[1], row, level, 1.0);
    }
  detectors d;
  for (int kind = 0; kind < KINDS; kind++) {
    udg_subspace_solve(&sums[kind], &d.result[kind]);
    assert_int_equal(d.result[kind].signal, kind + 1);
  }
  return d;
}

static void make_scenes(int digit, double dx_mm, double dy_mm) {
  make_trace(digit, dx_mm, dy_mm);
  for (int i = 0; i < SCENES; i++) {
    kept[i].truth = draw_scene();
    render(&kept[i]);
    kept[i].gram =
        detect(&kept[i].truth, NUISANCE).result[0].gram[0]; /* of no matter which photo */
  }
}

/* Pose and light from the picture, starting up to a px, a degree and 2 % off. */
static scene estimate(const scene *truth) {
  static const udg_align_settings how = {.global_count = 4,
                                         .clip_level = 1e9,
                                         .noise_floor = 0.1,
                                         .correlation_px = 1,
                                         .iterations_max = 12,
                                         .stop_px = 0.002,
                                         .step_max_px = 2};
  udg_align_pose found = {.date_to_photo = truth->date_to_photo};
  udg_homography off =
      udg_homography_similarity(1.0 + 0.02 * (unit() - 0.5), 0.035 * (unit() - 0.5), 0.0, 0.0);
  udg_homography to_middle = udg_homography_similarity(1.0, 0.0, -0.5 * WIDTH, -0.5 * HEIGHT);
  udg_homography from_middle = udg_homography_similarity(
      1.0, 0.0, 0.5 * WIDTH + 1.4 * (unit() - 0.5), 0.5 * HEIGHT + 1.4 * (unit() - 0.5));
  udg_homography moved = udg_homography_after(&to_middle, &truth->date_to_photo);
  moved = udg_homography_after(&off, &moved);
  found.date_to_photo = udg_homography_after(&from_middle, &moved);
  udg_align_result result;
  memcpy(prepared.v, photo.v, (size_t)WIDTH * (size_t)HEIGHT * sizeof *photo.v);
  udg_spline_prepare(&prepared);
  udg_align_run(aligner, &patches, &prepared, &how, &found, &result);
  assert_int_equal(result.undetermined, 0);
  return (scene){found.date_to_photo, result.light[UDG_COLUMN_P], result.light[UDG_COLUMN_Q]};
}

typedef struct tally {
  int over[KINDS][2]; /* thresholds of ALPHA exceeded */
  double predicted[KINDS][2];
  double moved_px; /* rms error of the estimated place */
} tally;

/* `noise` 0: estimated from the rest. */
static void count(const detectors *d, double lambda, double noise, tally *t) {
  for (int kind = 0; kind < KINDS; kind++) {
    const udg_subspace_result *r = &d->result[kind];
    double p = noise > 0.0 ? udg_chi_square_upper(r->energy / (noise * noise), r->signal, 0.0)
                           : udg_f_upper(r->ratio, r->signal, r->rest_freedom, 0.0);
    for (int a = 0; a < 2; a++) {
      t->over[kind][a] += p < ALPHA[a];
      t->predicted[kind][a] = udg_f_power(ALPHA[a], r->signal, r->rest_freedom, lambda);
    }
  }
}

static tally run(double lambda, int trials) {
  tally t = {{{0, 0}, {0, 0}}, {{0.0, 0.0}, {0.0, 0.0}}, 0.0};
  const double *centre = reference->dates[0].places[PLACE].centre_mm;
  for (int i = 0; i < trials; i++) {
    const struct kept_scene *k = &kept[i % SCENES];
    take_picture(k, sqrt(lambda * NOISE * NOISE / k->gram), NOISE);
    scene truth = k->truth, found = estimate(&truth);
    detectors d = detect(&found, NUISANCE);
    count(&d, lambda, 0.0, &t);
    double u[2], v[2];
    udg_homography_apply(&truth.date_to_photo, centre[0], centre[1], &u[0], &u[1]);
    udg_homography_apply(&found.date_to_photo, centre[0], centre[1], &v[0], &v[1]);
    t.moved_px += (pow(u[0] - v[0], 2) + pow(u[1] - v[1], 2)) / trials;
  }
  t.moved_px = sqrt(t.moved_px);
  return t;
}

static void test_power(void **state) {
  (void)state;
  make_scenes(1, -0.36, 0.12); /* 4 over 1 */
  int wrong = 0;
  for (int i = 0; i < LAMBDAS; i++) {
    tally t = run(LAMBDA[i], TRIALS);
    for (int k = 0; k < 2 * KINDS; k++) {
      int kind = k / 2, a = k % 2;
      double share = t.over[kind][a] / (double)TRIALS;
      print_message(
          "F(%d), lambda %2.0f, alpha %g: power %.4f, predicted %.4f (place +- %.3f px)\n",
          kind + 1, LAMBDA[i], ALPHA[a], share, t.predicted[kind][a], t.moved_px);
      wrong += fabs(share - t.predicted[kind][a]) > POINTS;
    }
  }
  assert_int_equal(wrong, 0);
}

/* Within three and a half s.d. of a share of so many trials. */
static int is_chance(int over, int trials, double alpha) {
  return fabs(over - alpha * trials) <= 3.5 * sqrt(alpha * trials) + 0.5;
}

static void test_false_alarms(void **state) {
  (void)state;
  make_scenes(1, -0.36, 0.12);
  tally t = run(0.0, 2 * TRIALS);
  for (int k = 0; k < 2 * KINDS; k++) {
    int over = t.over[k / 2][k % 2];
    print_message("F(%d), no trace, alpha %g: %d of %d\n", k / 2 + 1, ALPHA[k % 2], over,
                  2 * TRIALS);
    assert_true(is_chance(over, 2 * TRIALS, ALPHA[k % 2]));
  }
}

/* A fifth of a pixel off: the columns for it keep the false alarms where they belong, and
 * without them there are several times as many. */
static void test_registration_columns(void **state) {
  (void)state;
  make_scenes(4, -0.05, 0.04); /* 4 over 4: its edges run along the present ones */
  tally with = {{{0, 0}, {0, 0}}, {{0.0, 0.0}, {0.0, 0.0}}, 0.0}, without = with;
  for (int i = 0; i < TRIALS; i++) {
    scene off = kept[i % SCENES].truth;
    take_picture(&kept[i % SCENES], 0.0, QUIET);
    double direction = 6.283185307179586 * unit();
    off.date_to_photo.m[2] += 0.2 * cos(direction);
    off.date_to_photo.m[5] += 0.2 * sin(direction);
    detectors d = detect(&off, NUISANCE), bare = detect(&off, BACKGROUND + HXX);
    count(&d, 0.0, QUIET, &with);
    count(&bare, 0.0, QUIET, &without);
  }
  for (int kind = 0; kind < KINDS; kind++) {
    print_message("F(%d), 0.2 px off, alpha 0.01: %d of %d with the columns, %d without\n",
                  kind + 1, with.over[kind][0], TRIALS, without.over[kind][0]);
    assert_true(is_chance(with.over[kind][0], TRIALS, ALPHA[0]));
    assert_true(without.over[kind][0] > 3 * (with.over[kind][0] + 1));
  }
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(test_power),
      cmocka_unit_test(test_false_alarms),
      cmocka_unit_test(test_registration_columns),
  };
  return cmocka_run_group_tests(tests, set_up, tear_down);
}
