/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "measure.h"

#include <math.h>
#include <string.h>

/* The box inside the plane, `margin` px off its edge. */
static udg_box inside(const udg_plane *grey, const udg_box *box, int margin) {
  udg_box b = *box;
  b.left = b.left > margin ? b.left : margin;
  b.top = b.top > margin ? b.top : margin;
  b.right = b.right < grey->width - margin ? b.right : grey->width - margin;
  b.bottom = b.bottom < grey->height - margin ? b.bottom : grey->height - margin;
  return b;
}

udg_clipped udg_measure_clipped(const udg_plane *grey, const udg_box *box) {
  udg_box b = inside(grey, box, 0);
  udg_clipped share = {0.0, 0.0};
  double count = 0.0;
  for (int y = b.top; y < b.bottom; y++) {
    const float *row = udg_plane_row(grey, y);
    for (int x = b.left; x < b.right; x++) {
      share.bright += row[x] >= UDG_CLIPPED_BRIGHT;
      share.dark += row[x] <= UDG_CLIPPED_DARK;
      count += 1.0;
    }
  }
  if (count > 0.0) {
    share.bright /= count;
    share.dark /= count;
  }
  return share;
}

/* Block means of |answer| by their logarithm, in steps of 2 %. */
enum { BINS = 700, BLOCK = 8 };
static const double STEP = 0.02, LOWEST = 1e-3; /* levels */

typedef struct histogram {
  int bins[BINS];
  int count;
  double sum; /* of |answer| over all blocks */
} histogram;

static void keep(histogram *h, double sum) {
  double mean = sum / (BLOCK * BLOCK);
  int bin = mean > LOWEST ? 1 + (int)(log(mean / LOWEST) / STEP) : 0;
  h->bins[bin < BINS ? bin : BINS - 1]++;
  h->count++;
  h->sum += sum;
}

/* Where the block means are densest, looked for upwards from their lower
 * quarter: mean shift with a Gaussian window, which is the maximum of the
 * windowed density (Comaniciu & Meer, IEEE PAMI 24(5), 2002).
 *   spread  s.d. of ln(block mean) in white noise */
static double densest(const histogram *h, double spread) {
  int quarter = 0, bin = 0;
  while (bin < BINS - 1 && (quarter += h->bins[bin]) * 4 < h->count)
    bin++;
  if (bin == 0)
    return 0.0; /* a quarter of the region has no noise at all */
  double at = bin;
  for (int round = 0; round < 30; round++) {
    double sum = 0.0, weights = 0.0;
    for (int i = 1; i < BINS; i++) {
      double u = (i - at) * STEP / spread;
      if (h->bins[i] == 0 || fabs(u) > 4.0)
        continue;
      double w = h->bins[i] * exp(-0.5 * u * u);
      sum += w * i;
      weights += w;
    }
    double next = weights > 0.0 ? sum / weights : at;
    if (fabs(next - at) < 1e-3)
      break;
    at = next;
  }
  /* ln of a mean lies half its variance below the logarithm of the expectation. */
  return LOWEST * exp((at - 0.5) * STEP + 0.5 * spread * spread);
}

/* |I * M| at x, y. */
static float answer(const udg_plane *grey, int x, int y) {
  const float *a = udg_plane_row(grey, y - 1) + x, *b = udg_plane_row(grey, y) + x,
              *c = udg_plane_row(grey, y + 1) + x;
  float ends = a[-1] - 2.0f * a[0] + a[1] + c[-1] - 2.0f * c[0] + c[1];
  return fabsf(ends - 2.0f * (b[-1] - 2.0f * b[0] + b[1]));
}

/* The same on means of 2 x 2 px, the middle one's first pixel at x, y. */
static float coarse_answer(const udg_plane *grey, int x, int y) {
  float line[6];
  for (int j = 0; j < 6; j++) {
    const float *row = udg_plane_row(grey, y - 2 + j) + x - 2;
    line[j] = row[0] + row[1] - 2.0f * (row[2] + row[3]) + row[4] + row[5];
  }
  return 0.25f * fabsf(line[0] + line[1] - 2.0f * (line[2] + line[3]) + line[4] + line[5]);
}

static int has_clipped(const udg_plane *grey, int left, int top, int right, int bottom) {
  int clipped = 0;
  for (int y = top; y < bottom; y++) {
    const float *row = udg_plane_row(grey, y);
    for (int x = left; x < right; x++)
      clipped |= (row[x] >= UDG_CLIPPED_BRIGHT) | (row[x] <= UDG_CLIPPED_DARK);
  }
  return clipped;
}

/* `step` 1: pixels; 2: means of 2 x 2, in blocks of twice the size. */
static void gather(const udg_plane *grey, const udg_box *box, int step, histogram *h) {
  memset(h, 0, sizeof *h);
  int margin = step == 1 ? 1 : 3, size = BLOCK * step;
  udg_box b = inside(grey, box, margin);
  for (int top = b.top; top + size <= b.bottom; top += size) {
    for (int left = b.left; left + size <= b.right; left += size) {
      if (has_clipped(grey, left - margin, top - margin, left + size + margin, top + size + margin))
        continue;
      float sum = 0.0f;
      for (int y = top; y < top + size; y += step)
        for (int x = left; x < left + size; x += step)
          sum += step == 1 ? answer(grey, x, y) : coarse_answer(grey, x, y);
      keep(h, (double)sum);
    }
  }
}

void udg_measure_noise(const udg_plane *grey, const udg_box *box, udg_noise *noise) {
  /* s.d. of the mean of 64 neighbouring |answers| over their mean, white normal
   * noise: 0.7555 / 8 for independent ones; neighbours share most of their
   * pixels, which a simulation puts at this. */
  static const double BLOCK_SPREAD = 0.167;
  const double to_sigma = sqrt(acos(-1.0) / 2.0) / 6.0;
  histogram h;
  memset(noise, 0, sizeof *noise);
  gather(grey, box, 1, &h);
  if (h.count == 0)
    return;
  noise->blocks = h.count;
  noise->whole = to_sigma * h.sum / ((double)h.count * BLOCK * BLOCK);
  noise->sigma = to_sigma * densest(&h, BLOCK_SPREAD);
  gather(grey, box, 2, &h);
  /* A mean of four has half the s.d. */
  noise->coarse = h.count > 0 ? 2.0 * to_sigma * densest(&h, BLOCK_SPREAD) : noise->sigma;
}
