/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Scores of traces the test has laid itself, and of pure noise.
 * Outside values: upper points of chi-square with one degree of freedom, 3.84146 (5 %), 6.63490
 * (1 %), 10.8276 (0.1 %): NIST/SEMATECH e-Handbook 1.3.6.7.4 (from memory). */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene, few; /* all digits; 1, 4, 7 and 8 only */
static stage_work work, few_work;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 60.0, 0.1, 0.0);
  stage_open(&few, &given, 1);
  stage_work_open(&few, &few_work);
  stage_aim(&few, 60.0, 0.0, 0.0);
  return 0;
}

static int tear_down(void **state) {
  (void)state;
  stage_work_close(&few_work);
  stage_close(&few);
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

/* An earlier digit beside the present one at `place`, lower by `share`. */
static stage_digit beside(const stage_scene *s, int place, char digit, double dx_mm, double dy_mm,
                          double turn_rad, double share) {
  stage_digit d = stage_present(s, place);
  d.digit = digit;
  d.centre_mm[0] += dx_mm;
  d.centre_mm[1] += dy_mm;
  d.turn_rad += turn_rad;
  d.share = share;
  return d;
}

static const udg_hypothesis *strongest(const stage_work *w) {
  const udg_hypothesis *best = NULL;
  for (int i = 0; i < w->score->count; i++) {
    const udg_hypothesis *h = &w->score->hypotheses[i];
    if (h->kind == UDG_TRACE_DOUBLED || h->kind == UDG_TRACE_MIRRORED)
      continue; /* these digits' mirrored 5 is a 2 */
    if (!best || h->energy * h->share > best->energy * best->share)
      best = h;
  }
  assert_non_null(best);
  return best;
}

static void check_numbers(const stage_work *w) {
  for (int i = 0; i < w->score->count; i++) {
    const udg_hypothesis *h = &w->score->hypotheses[i];
    assert_true(h->energy >= 0.0 && isfinite(h->energy));
    assert_true(h->share >= 0.0 && h->share <= 1.0);
    assert_true(h->visible >= 0.0 && h->visible <= 1.0);
    assert_true(h->complete >= 0.0 && h->complete <= 1.0);
    assert_true(h->missing >= 0.0 && h->missing <= 1.0);
    assert_true(h->largest >= 0.0 && h->largest <= 1.0);
    assert_true(isfinite(h->amplitude) && isfinite(h->around) && isfinite(h->uneven));
    assert_true(isfinite(h->odd) && isfinite(h->even) && isfinite(h->norm));
  }
}

/* Each digit and kind once at each place: 0-9 with the seven mirrored ones, and the date. */
static void every_hypothesis_is_there_once(void **state) {
  (void)state;
  stage_strike(&scene);
  stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 3.0);
  stage_score(&scene, &work);
  check_numbers(&work);
  assert_int_equal(work.score->count, 4 * 17 + 1);
  for (int place = 0; place < 4; place++)
    for (char d = '0'; d <= '9'; d++) {
      char present = "1847"[place];
      int found = 0;
      for (udg_trace_kind kind = UDG_TRACE_EARLIER; kind <= UDG_TRACE_LATER; kind++)
        found += stage_hypothesis(&work, place, d, kind) != NULL;
      assert_int_equal(found, 1);
      if (d == present)
        assert_non_null(stage_hypothesis(&work, place, d, UDG_TRACE_SAME));
      else if (d < present)
        assert_non_null(stage_hypothesis(&work, place, d, UDG_TRACE_EARLIER));
      else /* 1848 and 1849 are later, but 1838 comes before 1847 */
        assert_non_null(
            stage_hypothesis(&work, place, d, place > 1 ? UDG_TRACE_EARLIER : UDG_TRACE_LATER));
      assert_int_equal(stage_hypothesis(&work, place, d, UDG_TRACE_MIRRORED) != NULL,
                       !udg_digit_symmetric(d));
    }
  assert_non_null(stage_hypothesis(&work, -1, 0, UDG_TRACE_DOUBLED));
}

/* Offset to 0.03 mm (2 % of the height), turn to the nearest step. */
static void a_laid_trace_is_found_in_its_place(void **state) {
  (void)state;
  static const struct {
    int place;
    char digit;
    double dx_mm, dy_mm, turn_deg, azimuth;
  } cases[] = {{3, '6', 0.21, -0.13, 0.0, 0.6},
               {2, '3', -0.17, 0.22, 3.0, 2.5},
               {1, '7', 0.30, 0.10, -3.0, -1.9},
               {3, '2', -0.23, -0.19, 6.0, -0.3}};
  for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
    stage_strike(&scene);
    stage_digit d = beside(&scene, cases[k].place, cases[k].digit, cases[k].dx_mm, cases[k].dy_mm,
                           cases[k].turn_deg * acos(-1.0) / 180.0, 0.5);
    stage_lay(&scene, &d);
    stage_expose(&scene, STAGE_LINEAR, cases[k].azimuth, 60.0, 0.6, 2.0);
    stage_score(&scene, &work);
    check_numbers(&work);
    const udg_hypothesis *h = strongest(&work);
    assert_int_equal(h->place, cases[k].place);
    assert_int_equal(h->digit, cases[k].digit);
    assert_int_equal(h->kind, UDG_TRACE_EARLIER);
    test_near(h->offset_px[0] / 30.0, cases[k].dx_mm, 0.03);
    test_near(h->offset_px[1] / 30.0, cases[k].dy_mm, 0.03);
    test_near(h->turn_rad * 180.0 / acos(-1.0), cases[k].turn_deg, 1e-6);
    assert_true(h->share > 0.4);
    assert_true(h->complete > 0.75);
    /* The evidence picture peaks where the trace is centred. */
    float most = 0.0f;
    int at[2] = {0, 0};
    for (int y = 0; y < work.score->best.height; y++)
      for (int x = 0; x < work.score->best.width; x++)
        if (udg_plane_row(&work.score->best, y)[x] > most) {
          most = udg_plane_row(&work.score->best, y)[x];
          at[0] = x;
          at[1] = y;
        }
    test_near(at[0], work.upright.place_px[h->place][0] + h->offset_px[0], 1.6);
    test_near(at[1], work.upright.place_px[h->place][1] + h->offset_px[1], 1.6);
  }
}

/* Amplitude against the height laid: in proportion, and near it (linear light; the outer
 * strokes' weights and the ground's removal take up to a fifth). */
static void amplitude_measures_the_height(void **state) {
  (void)state;
  double amplitude[3], odd[3];
  for (int k = 0; k < 3; k++) {
    double share = 0.2 + 0.2 * k;
    stage_strike(&scene);
    stage_digit d = beside(&scene, 3, '6', 0.21, -0.13, 0.0, share);
    stage_lay(&scene, &d);
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 1.0);
    stage_score(&scene, &work);
    const udg_hypothesis *h = stage_hypothesis(&work, 3, '6', UDG_TRACE_EARLIER);
    amplitude[k] = h->amplitude / share;
    odd[k] = h->odd / share;
    print_message("share %.1f: amplitude %.3f, odd %.3f, even %.3f, share %.2f\n", share,
                  h->amplitude, h->odd, h->even, h->share);
    test_near(amplitude[k], 1.0, 0.25);
    test_near(odd[k], 1.0, 0.25);
  }
  test_near(amplitude[0] / amplitude[2], 1.0, 0.15);
}

/* The same trace with its upper half polished away: strokes are missed. */
static void missing_strokes_are_missed(void **state) {
  (void)state;
  double complete[2], missing[2];
  for (int k = 0; k < 2; k++) {
    stage_strike(&scene);
    udg_plane before = {0};
    assert_int_equal(
        udg_plane_create(&scene.settings, scene.height.width, scene.height.height, &before),
        UDG_OK);
    size_t bytes = sizeof(float) * (size_t)before.width * (size_t)before.height;
    memcpy(before.v, scene.height.v, bytes);
    stage_digit d = beside(&scene, 3, '2', 0.24, -0.16, 0.0, 0.6);
    stage_lay(&scene, &d);
    if (k == 1) /* upper half of the raster: above the digit's middle */
      memcpy(scene.height.v, before.v,
             sizeof(float) * (size_t)before.width * (size_t)(before.height / 2 + 48 - 54));
    udg_plane_destroy(&scene.settings, &before);
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 2.0);
    stage_score(&scene, &work);
    const udg_hypothesis *h = stage_hypothesis(&work, 3, '2', UDG_TRACE_EARLIER);
    complete[k] = h->complete;
    missing[k] = h->missing;
  }
  assert_true(complete[0] > 0.8 && missing[0] < 0.1);
  assert_true(complete[1] < complete[0] - 0.15);
  assert_true(missing[1] > missing[0] + 0.1);
}

/* The nearer a trace lies under the present digit, the less of it can be seen. */
static void covered_strokes_are_not_visible(void **state) {
  (void)state;
  double visible[2];
  for (int k = 0; k < 2; k++) {
    stage_strike(&scene);
    stage_digit d = beside(&scene, 1, '6', k ? 0.10 : 0.38, k ? 0.05 : 0.30, 0.0, 0.6);
    stage_lay(&scene, &d);
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 2.0);
    stage_score(&scene, &work);
    visible[k] = stage_hypothesis(&work, 1, '6', UDG_TRACE_EARLIER)->visible;
  }
  assert_true(visible[0] > visible[1] + 0.15);
  assert_true(visible[1] < 0.5);
}

/* A scratch has energy and explains little of itself as a digit; a trace of that energy does. */
static void a_scratch_leaves_most_unexplained(void **state) {
  (void)state;
  double share[2], complete[2], energy[2];
  for (int k = 0; k < 2; k++) {
    stage_strike(&scene);
    if (k == 0) {
      stage_digit d = beside(&scene, 3, '6', 0.21, -0.13, 0.0, 0.5);
      stage_lay(&scene, &d);
    }
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 2.0);
    for (int y = 0; k == 1 && y < scene.photo.height; y++)
      for (int x = 0; x < scene.photo.width; x++) {
        double off = (x - 0.62 * scene.photo.width) - 0.5 * (y - 0.5 * scene.photo.height);
        udg_plane_row(&scene.photo, y)[x] += (float)(60.0 * exp(-0.5 * off * off / 2.0));
      }
    stage_score(&scene, &work);
    const udg_hypothesis *best = NULL;
    for (int i = 0; i < work.score->count; i++) {
      const udg_hypothesis *h = &work.score->hypotheses[i];
      if (h->kind == UDG_TRACE_EARLIER && (!best || h->energy > best->energy))
        best = h;
    }
    share[k] = best->share;
    complete[k] = best->complete;
    energy[k] = best->energy;
  }
  assert_true(energy[1] > 20.0); /* it is not for want of energy */
  assert_true(share[0] > 2.0 * share[1]);
  assert_true(share[1] < 0.35);
  assert_true(complete[0] > complete[1]);
}

/* Cut in instead of raised: no digit there. */
static void a_cut_digit_is_no_trace(void **state) {
  (void)state;
  double rank[2];
  for (int k = 0; k < 2; k++) {
    stage_strike(&scene);
    stage_digit d = beside(&scene, 3, '6', 0.21, -0.13, 0.0, 0.5);
    stage_lay(&scene, &d);
    if (k == 1) { /* turn over what the trace added */
      udg_plane with = {0};
      size_t n = (size_t)scene.height.width * (size_t)scene.height.height;
      assert_int_equal(
          udg_plane_create(&scene.settings, scene.height.width, scene.height.height, &with),
          UDG_OK);
      memcpy(with.v, scene.height.v, n * sizeof *with.v);
      stage_strike(&scene);
      for (size_t i = 0; i < n; i++)
        scene.height.v[i] = 2.0f * scene.height.v[i] - with.v[i];
      udg_plane_destroy(&scene.settings, &with);
    }
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 2.0);
    stage_score(&scene, &work);
    /* At the place and digit laid; elsewhere in its window other edges may match. */
    const udg_hypothesis *h = stage_hypothesis(&work, 3, '6', UDG_TRACE_EARLIER);
    rank[k] = h->energy * h->share * h->complete;
    if (k == 1)
      assert_true(fabs(h->offset_px[0] / 30.0 - 0.21) > 0.03 ||
                  fabs(h->offset_px[1] / 30.0 + 0.13) > 0.03);
  }
  assert_true(rank[0] > 10.0 * rank[1]);
}

/* All digits struck twice, displaced alike: the shared displacement is found and wins over what
 * it was in the plain photo; each digit displaced its own way does not add up. */
static void a_shared_displacement_is_doubling(void **state) {
  (void)state;
  double rank[3];
  for (int k = 0; k < 3; k++) {
    stage_strike(&scene);
    for (int i = 0; k > 0 && i < 4; i++) {
      double angle = k == 1 ? 0.0 : 1.9 * i;
      double dx = 0.2 * cos(angle) + 0.1 * sin(angle), dy = 0.1 * cos(angle) - 0.2 * sin(angle);
      stage_digit d = beside(&scene, i, "1847"[i], dx, dy, 0.0, 0.5);
      stage_lay(&scene, &d);
    }
    stage_expose(&scene, STAGE_LINEAR, 0.6, 60.0, 0.6, 2.0);
    stage_score(&scene, &work);
    const udg_hypothesis *h = stage_hypothesis(&work, -1, 0, UDG_TRACE_DOUBLED);
    rank[k] = h->energy * h->share * h->complete;
    if (k == 1) {
      test_near(h->offset_px[0] / 30.0, 0.2, 0.04);
      test_near(h->offset_px[1] / 30.0, 0.1, 0.04);
      assert_true(h->complete > 0.7 && h->missing < 0.1 && h->largest < 0.6);
    }
  }
  assert_true(rank[1] > 20.0 * (rank[0] + 1.0));
  assert_true(rank[1] > 3.0 * rank[2]);
}

/* White noise under the trace: z2 at a fixed offset has the chi-square distribution with one
 * degree of freedom (negative amplitudes count in `shared`, so z is two-sided). Offsets 9 px
 * apart are nearly independent; three and a half s.d. of the shares are allowed. */
static void noise_scores_are_chi_square(void **state) {
  (void)state;
  static const double point[3] = {3.84146, 6.63490, 10.8276}, chance[3] = {0.05, 0.01, 0.001};
  enum { ROUNDS = 10 };
  int over[3] = {0, 0, 0}, n = 0;
  double sum = 0.0;
  stage_strike(&few);
  stage_expose(&few, STAGE_LINEAR, 0.6, 60.0, 0.6, 4.0);
  stage_subtract(&few, &few_work);
  size_t pixels = (size_t)few_work.upright.width * (size_t)few_work.upright.height;
  for (size_t i = 0; i < pixels; i++) /* unit weights where something may be seen */
    few_work.residual->weight.v[i] = few_work.residual->mask.v[i];
  for (int round = 0; round < ROUNDS; round++) {
    for (size_t i = 0; i < pixels; i++)
      few_work.residual->white.v[i] = (float)stage_normal(&few);
    assert_int_equal(udg_score_make(few_work.score, &few_work.upright, few_work.light,
                                    few_work.residual, few_work.bank, NULL),
                     UDG_OK);
    for (int place = 0; place < 4; place++)
      for (int dy = -18; dy <= 18; dy += 9)
        for (int dx = -18; dx <= 18; dx += 9) {
          size_t at = udg_score_map_index(few_work.score, dx, dy);
          double numerator = (double)few_work.score->shared[place][UDG_MAP_NUMERATOR][at];
          double norm = (double)few_work.score->shared[place][UDG_MAP_NORM][at];
          if (norm < 1.0)
            continue;
          double z2 = numerator * numerator / norm;
          sum += z2;
          n++;
          for (int k = 0; k < 3; k++)
            over[k] += z2 > point[k];
        }
  }
  print_message("z2 under noise: mean %.3f of %d, beyond the points %d %d %d\n", sum / n, n,
                over[0], over[1], over[2]);
  assert_true(n > 900);
  test_near(sum / n, 1.0, 3.5 * sqrt(2.0 / n));
  for (int k = 0; k < 3; k++)
    test_near(over[k], chance[k] * n, 3.5 * sqrt(chance[k] * n) + 0.5);
}

static int stop_after;
static int stop(void *user) {
  (void)user;
  return stop_after-- <= 0;
}

static void the_host_can_stop_it(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  given.cancel = stop;
  udg_settings_resolve(&given, &given);
  udg_score *other = NULL;
  assert_int_equal(udg_score_create(&given, &few_work.upright, few_work.bank, &other, NULL),
                   UDG_OK);
  static const int stops[3] = {0, 1, 50};
  for (int k = 0; k < 3; k++) {
    udg_message message = {""};
    stop_after = stops[k];
    assert_int_equal(udg_score_make(other, &few_work.upright, few_work.light, few_work.residual,
                                    few_work.bank, &message),
                     UDG_ERROR_CANCELLED);
    assert_non_null(strstr(message.text, "cancelled"));
    assert_int_equal(stop_after, -1); /* not asked again */
  }
  stop_after = 1000000;
  assert_int_equal(udg_score_make(other, &few_work.upright, few_work.light, few_work.residual,
                                  few_work.bank, NULL),
                   UDG_OK);
  assert_true(stop_after < 1000000 - 100); /* some hundred times a photo */
  udg_score_destroy(other);
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0;
  udg_score_destroy(NULL);
  for (size_t n = 1; n < 100; n++) {
    udg_score *other = NULL;
    allocator.fail_at = allocator.calls + n;
    udg_status status =
        udg_score_create(&few.settings, &few_work.upright, few_work.bank, &other, NULL);
    if (status == UDG_OK)
      status = udg_score_make(other, &few_work.upright, few_work.light, few_work.residual,
                              few_work.bank, NULL);
    allocator.fail_at = 0;
    udg_score_destroy(other);
    assert_int_equal(allocator.live, before);
    if (status == UDG_OK)
      break;
    assert_int_equal(status, UDG_ERROR_MEMORY);
    failed++;
  }
  assert_true(failed > 20 && failed < 99);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_hypothesis_is_there_once),
      cmocka_unit_test(a_laid_trace_is_found_in_its_place),
      cmocka_unit_test(amplitude_measures_the_height),
      cmocka_unit_test(missing_strokes_are_missed),
      cmocka_unit_test(covered_strokes_are_not_visible),
      cmocka_unit_test(a_scratch_leaves_most_unexplained),
      cmocka_unit_test(a_cut_digit_is_no_trace),
      cmocka_unit_test(a_shared_displacement_is_doubling),
      cmocka_unit_test(noise_scores_are_chi_square),
      cmocka_unit_test(the_host_can_stop_it),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
