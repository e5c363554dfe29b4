/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Traces as a photo would show them, against the lit model of the very same digits. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "relief.h"
#include "stage_scene.h"

static test_allocator allocator;
static stage_scene scene;
static stage_work work;
static float *window;

static int set_up(void **state) {
  (void)state;
  udg_settings given = test_settings(&allocator);
  stage_open(&scene, &given, 0);
  stage_work_open(&scene, &work);
  stage_aim(&scene, 60.0, 0.0, 0.0);
  stage_strike(&scene);
  stage_expose(&scene, STAGE_LAMBERT, 0.7, 120.0, 0.5, 0.0);
  stage_subtract(&scene, &work);
  window = malloc(sizeof *window * (size_t)work.bank->size * (size_t)work.bank->size);
  return window == NULL;
}

static int tear_down(void **state) {
  (void)state;
  free(window);
  stage_work_close(&work);
  stage_close(&scene);
  return 0;
}

static const udg_trace *trace_of(char digit, int mirrored, double turn_rad) {
  for (int i = 0; i < work.bank->trace_count; i++) {
    const udg_trace *t = &work.bank->traces[i];
    if (t->digit == digit && t->mirrored == mirrored && fabs(t->turn_rad - turn_rad) < 1e-6)
      return t;
  }
  return NULL;
}

/* Ten digits and the mirrored ones that do not look like themselves, at five turns; no more. */
static void every_digit_is_there_once(void **state) {
  (void)state;
  const double degree = acos(-1.0) / 180.0;
  int expected = 0;
  for (char digit = '0'; digit <= '9'; digit++)
    for (int turn = -2; turn <= 2; turn++)
      for (int mirrored = 0; mirrored <= !udg_digit_symmetric(digit); mirrored++) {
        assert_non_null(trace_of(digit, mirrored, 3.0 * turn * degree));
        expected++;
      }
  assert_int_equal(work.bank->trace_count, expected);
  assert_null(trace_of('8', 1, 0.0));
  assert_true(udg_digit_symmetric('0') && udg_digit_symmetric('1') && !udg_digit_symmetric('6'));
  /* All offsets fit without wrapping round: half a digit each side beyond the reach. */
  assert_int_equal(work.bank->reach_px, (int)(0.38 * 48));
  assert_true(work.bank->size >= 2 * (work.bank->reach_px + 24 + 5));
}

/* The middle digits drawn as traces with all of the light are what the model shows less its
 * ground and covers: same shape (correlation 0.98), same size (10 %).  Turns by a fraction of
 * a pixel: the nearest whole offset is compared. */
static void a_drawn_trace_is_the_lit_digit(void **state) {
  (void)state;
  int size = work.bank->size;
  for (int place = 1; place < 3; place++) {
    const udg_trace *t = trace_of("1847"[place], 0, 0.0);
    assert_non_null(t);
    udg_trace_draw(t, work.light, 1.0f, 1.0f, size, window);
    int left = (int)floor(work.upright.place_px[place][0] - 0.5 * size + 0.5);
    int top = (int)floor(work.upright.place_px[place][1] - 0.5 * size + 0.5);
    double xx = 0.0, xy = 0.0, yy = 0.0, x1 = 0.0, y1 = 0.0, n = 0.0;
    for (int i = 0; i < t->pixel_count; i++) {
      int at = t->pixels[i].at, px = left + at % size, py = top + at / size;
      size_t k = (size_t)py * (size_t)work.upright.width + (size_t)px;
      if (px < 0 || py < 0 || px >= work.upright.width || py >= work.upright.height ||
          (int)work.upright.owner.v[k] != place)
        continue;
      double a = (double)window[at], b = (double)work.light->model.v[k];
      n += 1.0;
      x1 += a;
      y1 += b;
      xx += a * a;
      xy += a * b;
      yy += b * b;
    }
    xx -= x1 * x1 / n;
    xy -= x1 * y1 / n;
    yy -= y1 * y1 / n;
    assert_true(n > 900.0);
    assert_true(xy / sqrt(xx * yy) > 0.97);
    test_near(xy / xx, 1.0, 0.1);
  }
}

/* Outside the pixels listed nothing is drawn, and the shares scale the parts. */
static void shares_scale_the_parts(void **state) {
  (void)state;
  int size = work.bank->size;
  size_t count = (size_t)size * (size_t)size;
  const udg_trace *t = trace_of('5', 0, 0.0);
  float *odd = malloc(3 * count * sizeof *odd);
  assert_non_null(odd);
  float *even = odd + count, *both = even + count;
  memset(both, 0x7f, count * sizeof *both);
  udg_trace_draw(t, work.light, 1.0f, 0.0f, size, odd);
  udg_trace_draw(t, work.light, 0.0f, 1.0f, size, even);
  udg_trace_draw(t, work.light, 0.5f, 2.0f, size, both);
  size_t drawn = 0;
  for (size_t i = 0; i < count; i++) {
    test_near(both[i], 0.5f * odd[i] + 2.0f * even[i], 1e-3);
    drawn += both[i] != 0.0f;
  }
  assert_true(drawn <= (size_t)t->pixel_count && drawn > (size_t)t->pixel_count / 2);
  free(odd);
}

/* The support is the stroke and five pixels around it; its spectrum's first entry counts it. */
static void the_support_surrounds_the_outline(void **state) {
  (void)state;
  int size = work.bank->size;
  udg_plane distance = {0};
  assert_int_equal(udg_plane_create(&scene.settings, size, size, &distance), UDG_OK);
  for (int i = 0; i < work.bank->trace_count; i += 7) {
    const udg_trace *t = &work.bank->traces[i];
    udg_complex sums = work.bank->supports[i / 2][0];
    test_near((double)(i % 2 ? sums.im : sums.re), t->support_count, 0.01);
    if (t->mirrored)
      continue;
    assert_int_equal(udg_relief_distance(&scene.settings, &scene.reference->digits[t->digit - '0'],
                                         48.0 / 1.6, t->turn_rad, 0.5 * size, 0.5 * size, &distance,
                                         NULL),
                     UDG_OK);
    int inside = 0;
    for (int k = 0; k < size * size; k++)
      inside += distance.v[k] > -5.0f;
    assert_true(abs(inside - t->support_count) < inside / 100 + 40); /* the blurred rim */
    for (int k = 0; k < t->support_count; k++)
      assert_true(distance.v[t->support_at[k]] > -6.5f);
  }
  udg_plane_destroy(&scene.settings, &distance);
}

/* A mirrored digit covers the mirrored pixels, and for all but the 6 of these angular digits
 * not the same ones. */
static void decoys_are_mirrored(void **state) {
  (void)state;
  int size = work.bank->size, differ = 0;
  char *mark = calloc((size_t)size * (size_t)size, 1);
  assert_non_null(mark);
  for (char digit = '2'; digit <= '7'; digit++) {
    const udg_trace *t = trace_of(digit, 0, 0.0), *m = trace_of(digit, 1, 0.0);
    memset(mark, 0, (size_t)size * (size_t)size);
    for (int i = 0; i < t->support_count; i++)
      mark[t->support_at[i]] = 1;
    int same = 0, unlike = 0;
    for (int i = 0; i < m->support_count; i++) {
      int y = m->support_at[i] / size, x = m->support_at[i] % size;
      same += mark[y * size + size - 1 - x];
      unlike += !mark[m->support_at[i]];
    }
    assert_int_equal(same, m->support_count);
    assert_int_equal(m->support_count, t->support_count);
    differ += unlike > m->support_count / 25;
  }
  assert_true(differ >= 5);
  free(mark);
}

/* A digit at +6 degrees is the upright one turned clockwise, y down: the foot of the 7 goes left,
 * the head goes right. */
static void turns_are_clockwise(void **state) {
  (void)state;
  int size = work.bank->size;
  double slope[2];
  for (int k = 0; k < 2; k++) {
    const udg_trace *t = trace_of('1', 0, (k ? 6.0 : 0.0) * acos(-1.0) / 180.0);
    double xy = 0.0, yy = 0.0;
    for (int i = 0; i < t->support_count; i++) {
      double x = t->support_at[i] % size + 0.5 - 0.5 * size;
      double y = t->support_at[i] / size + 0.5 - 0.5 * size;
      xy += x * y;
      yy += y * y;
    }
    slope[k] = xy / yy;
  }
  test_near(slope[0], 0.0, 1e-6);
  /* The bar's own moments: 34 x 59 px wide with its support, not a line. */
  assert_true(slope[1] < -0.05 && slope[1] > -tan(6.5 * acos(-1.0) / 180.0));
}

static void memory_may_run_out_anywhere(void **state) {
  (void)state;
  size_t before = allocator.live, failed = 0, calls = allocator.calls;
  udg_trace_bank *bank = NULL;
  udg_trace_bank_destroy(NULL);
  assert_int_equal(
      udg_trace_bank_create(&scene.settings, scene.reference, 0, work.fft, &bank, NULL), UDG_OK);
  size_t all = allocator.calls - calls;
  udg_trace_bank_destroy(bank);
  for (size_t n = 1; n <= all; n += n < 12 ? 1 : all / 15) {
    udg_message message = {""};
    bank = NULL;
    allocator.fail_at = allocator.calls + n;
    assert_int_equal(
        udg_trace_bank_create(&scene.settings, scene.reference, 0, work.fft, &bank, &message),
        UDG_ERROR_MEMORY);
    allocator.fail_at = 0;
    assert_null(bank);
    assert_true(message.text[0] != '\0');
    assert_int_equal(allocator.live, before);
    failed++;
  }
  assert_true(failed > 20);
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_digit_is_there_once),
      cmocka_unit_test(a_drawn_trace_is_the_lit_digit),
      cmocka_unit_test(shares_scale_the_parts),
      cmocka_unit_test(the_support_surrounds_the_outline),
      cmocka_unit_test(decoys_are_mirrored),
      cmocka_unit_test(turns_are_clockwise),
      cmocka_unit_test(memory_may_run_out_anywhere),
  };
  int failed = cmocka_run_group_tests(tests, set_up, tear_down);
  return failed != 0 || allocator.live != 0; /* a failed teardown alone would pass */
}
