/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "plane.h"

#include <math.h>
#include <string.h>

#include "four.h"
#include "taps.h"
#include "wider.h"

udg_status udg_plane_create_raw(const udg_settings *settings, int width, int height,
                                udg_plane *plane) {
  if (width <= 0 || height <= 0)
    return UDG_ERROR_ARGUMENT;
  float *v = NULL;
  if ((size_t)height <= SIZE_MAX / (size_t)width)
    v = udg_memory_raw(settings, (size_t)width * (size_t)height, sizeof *v);
  if (!v)
    return UDG_ERROR_MEMORY;
  plane->width = width;
  plane->height = height;
  plane->v = v;
  return UDG_OK;
}

udg_status udg_plane_create(const udg_settings *settings, int width, int height, udg_plane *plane) {
  udg_status status = udg_plane_create_raw(settings, width, height, plane);
  if (status == UDG_OK)
    memset(plane->v, 0, (size_t)width * (size_t)height * sizeof *plane->v);
  return status;
}

void udg_plane_destroy(const udg_settings *settings, udg_plane *plane) {
  if (!plane)
    return;
  udg_memory_drop(settings, plane->v);
  *plane = (udg_plane){0};
}

/* Keys, "Cubic convolution interpolation for digital image processing", IEEE
 * Trans. ASSP 29(6), 1981, with a = -1/2 (the only a that is exact on
 * quadratics).  Weights of the samples at -1, 0, 1, 2 for a point at t in [0, 1). */
static void keys_weights(float t, float w[4]) {
  const float t2 = t * t, t3 = t2 * t;
  w[0] = -0.5f * t3 + t2 - 0.5f * t;
  w[1] = 1.5f * t3 - 2.5f * t2 + 1.0f;
  w[2] = -1.5f * t3 + 2.0f * t2 + 0.5f * t;
  w[3] = 0.5f * t3 - 0.5f * t2;
}

static inline int clamp_int(int i, int low, int high) {
  return i < low ? low : i > high ? high : i;
}

/* Coordinate of a sample position, at most three samples outside: beyond two
 * nothing changes, and the cast to int stays defined for huge values and NaN. */
static inline double clamp_position(double u, int n) {
  return !(u >= -3.0) ? -3.0 : u > n + 2.0 ? n + 2.0 : u;
}

float udg_plane_sample(const udg_plane *plane, double x, double y) {
  const double u = clamp_position(x - 0.5, plane->width);
  const double v = clamp_position(y - 0.5, plane->height);
  /* floor() without the call: the cast cuts towards zero, so shift to positive. */
  const int iu = (int)(u + 4.0) - 4, iv = (int)(v + 4.0) - 4;
  const int i = iu - 1, j = iv - 1;
  float wx[4], wy[4], sum = 0.0f;
  keys_weights((float)(u - iu), wx);
  keys_weights((float)(v - iv), wy);
  if (i >= 0 && j >= 0 && i + 3 < plane->width && j + 3 < plane->height)
    return udg_four_by_four(udg_plane_row(plane, j) + i, plane->width, wx, wy);
  for (int b = 0; b < 4; b++) {
    const float *row = udg_plane_row(plane, clamp_int(j + b, 0, plane->height - 1));
    float line = 0.0f;
    for (int a = 0; a < 4; a++)
      line += wx[a] * row[clamp_int(i + a, 0, plane->width - 1)];
    sum += wy[b] * line;
  }
  return sum;
}

void udg_cubic_take(double x, double y, udg_cubic *cubic) {
  const double u = clamp_position(x - 0.5, 1 << 24), v = clamp_position(y - 0.5, 1 << 24);
  const int iu = (int)(u + 4.0) - 4, iv = (int)(v + 4.0) - 4;
  cubic->i = iu - 1;
  cubic->j = iv - 1;
  keys_weights((float)(u - iu), cubic->wx);
  keys_weights((float)(v - iv), cubic->wy);
}

UDG_WIDER
static void weigh_rows(const float *const row[4], const float wy[4], int count,
                       float *restrict out) {
  const float *r0 = row[0], *r1 = row[1], *r2 = row[2], *r3 = row[3];
  const float w0 = wy[0], w1 = wy[1], w2 = wy[2], w3 = wy[3];
  for (int x = 0; x < count; x++)
    out[x] = w0 * r0[x] + w1 * r1[x] + w2 * r2[x] + w3 * r3[x];
}

/* Not itself in clones: a choice at load time is seen outside the library whatever its visibility,
 * and clang names it otherwise. */
void udg_plane_weigh_rows(const float *const row[4], const float wy[4], int count,
                          float *restrict out) {
  weigh_rows(row, wy, count, out);
}

/* Taps kept for one pass; a wider Gaussian takes several passes. */
enum { KERNEL_REACH = UDG_GAUSSIAN_REACH, STRIP = 512 };
/* The widest that takes one. */
static const double WIDEST = KERNEL_REACH / 4.0;

int udg_gaussian_half(double sigma, float weight[KERNEL_REACH + 1]) {
  const int reach = clamp_int((int)ceil(4.0 * sigma), 1, KERNEL_REACH);
  double sum = 0.0, w[KERNEL_REACH + 1];
  for (int k = 0; k <= reach; k++) {
    w[k] = exp(-0.5 * k * k / (sigma * sigma));
    sum += k == 0 ? w[k] : 2.0 * w[k];
  }
  for (int k = 0; k <= reach; k++)
    weight[k] = (float)(w[k] / sum);
  return reach;
}

/* A strip of a row with what is around it, and where the taps find it. */
typedef struct row_work {
  float *around;
  const float *left[KERNEL_REACH + 1], *right[KERNEL_REACH + 1];
} row_work;

/* A row with its mirrored ends around it is cut into strips.  Float sums: at most
 * KERNEL_REACH + 1 positive weights that add up to 1 lose less than 1e-5 of the largest
 * pixel. */
static void blur_row(const row_work *work, const float *in, int n, const float *w, int reach,
                     float *out) {
  float *around = work->around;
  for (int x0 = 0; x0 < n; x0 += STRIP) {
    const int strip = n - x0 < STRIP ? n - x0 : STRIP;
    const int first =
        x0 < reach ? reach - x0 : 0; /* what of it lies in the row: first <= x < end */
    const int end = n - x0 + reach < strip + 2 * reach ? n - x0 + reach : strip + 2 * reach;
    for (int x = 0; x < first; x++)
      around[x] = in[udg_plane_mirror(x0 - reach + x, n)];
    memcpy(around + first, in + x0 - reach + first, sizeof *in * (size_t)(end - first));
    for (int x = end; x < strip + 2 * reach; x++)
      around[x] = in[udg_plane_mirror(x0 - reach + x, n)];
    udg_taps_sum(w, work->left, work->right, reach, strip, out + x0);
  }
}

static void blur_column(const udg_plane *in, int y, const float *w, int reach, float *out) {
  const float *above[KERNEL_REACH + 1], *below[KERNEL_REACH + 1];
  for (int k = 0; k <= reach; k++) {
    above[k] = udg_plane_row(in, udg_plane_mirror(y - k, in->height));
    below[k] = udg_plane_row(in, udg_plane_mirror(y + k, in->height));
  }
  udg_taps_sum(w, above, below, reach, in->width, out);
}

/* Where the taps lie in a strip. */
static row_work row_work_of(float *around, int reach) {
  row_work work = {.around = around};
  for (int k = 0; k <= reach; k++) {
    work.left[k] = around + reach - k;
    work.right[k] = around + reach + k;
  }
  return work;
}

static void blur_rows(const udg_plane *in, const float *w, int reach, udg_plane *out) {
  float around[STRIP + 2 * KERNEL_REACH];
  const row_work work = row_work_of(around, reach);
  for (int y = 0; y < in->height; y++)
    blur_row(&work, udg_plane_row(in, y), in->width, w, reach, udg_plane_row(out, y));
}

static void blur_columns(const udg_plane *in, const float *w, int reach, udg_plane *out) {
  for (int y = 0; y < in->height; y++)
    blur_column(in, y, w, reach, udg_plane_row(out, y));
}

void udg_plane_blur(udg_plane *plane, double sigma_px, udg_plane *scratch) {
  if (!(sigma_px > 0.0))
    return;
  /* At sigma = 2 n the slowest wave that n mirrored samples hold is down to
   * exp(-2 pi^2 (2 n)^2 / (2 n)^2) = 3e-9: wider makes no difference. */
  const int longer = plane->width > plane->height ? plane->width : plane->height;
  const double sigma = fmin(sigma_px, 2.0 * longer);
  const int passes = sigma <= WIDEST ? 1 : (int)ceil((sigma / WIDEST) * (sigma / WIDEST));
  float w[KERNEL_REACH + 1];
  const int reach = udg_gaussian_half(sigma / sqrt(passes), w);
  for (int pass = 0; pass < passes; pass++) {
    blur_rows(plane, w, reach, scratch);
    blur_columns(scratch, w, reach, plane);
  }
}

/* Lines of the part between the two passes, of rows above and below it as well. */
static size_t part_stride(int width) {
  return (size_t)(width + 7) / 8 * 8;
}

size_t udg_plane_blur_scratch(int width, int height) {
  return (size_t)(width + 2 * KERNEL_REACH + 8) +
         (size_t)(height + 2 * KERNEL_REACH) * part_stride(width);
}

/* A row with its mirrored ends around it. */
static void row_around(const float *row, int n, int reach, float *around) {
  memcpy(around + reach, row, (size_t)n * sizeof *row);
  if (reach > n) {
    for (int k = 1; k <= reach; k++) {
      around[reach - k] = row[udg_plane_mirror(-k, n)];
      around[reach + n - 1 + k] = row[udg_plane_mirror(n - 1 + k, n)];
    }
    return;
  }
  for (int k = 0; k < reach; k++) {
    around[reach - 1 - k] = row[k];
    around[reach + n + k] = row[n - 1 - k];
  }
}

/* Whether a line has any; those that have it are counted in `used`. */
UDG_WIDER
static int line_used(const float *line, int count, int *restrict used) {
  int any = 0;
  for (int x = 0; x < count; x++) {
    const int is = line[x] != 0.0f;
    used[x] |= is;
    any |= is;
  }
  return any;
}

udg_part udg_plane_filled(const udg_plane *plane) {
  enum { MOST = 512 }; /* columns at a time */
  udg_part part = {plane->width, plane->height, 0, 0};
  for (int first = 0; first < plane->width; first += MOST) {
    int used[MOST] = {0};
    const int count = plane->width - first < MOST ? plane->width - first : MOST;
    for (int y = 0; y < plane->height; y++)
      if (line_used(udg_plane_row(plane, y) + first, count, used)) {
        part.y0 = y < part.y0 ? y : part.y0;
        part.y1 = y + 1 > part.y1 ? y + 1 : part.y1;
      }
    for (int x = 0; x < count; x++)
      if (used[x]) {
        part.x0 = first + x < part.x0 ? first + x : part.x0;
        part.x1 = first + x + 1;
      }
  }
  return part.x1 > 0 ? part : (udg_part){0};
}

int udg_plane_blur_reach(double sigma_px) {
  return sigma_px > 0.0 ? clamp_int((int)ceil(4.0 * fmin(sigma_px, WIDEST)), 1, KERNEL_REACH) : 0;
}

void udg_plane_blur_part(const udg_plane *plane, ptrdiff_t stride, double sigma_px, int y_first,
                         int y_end, const udg_part *part, float *out, ptrdiff_t out_stride,
                         float *scratch) {
  const int count = part->x1 - part->x0, width = plane->width, height = plane->height;
  const int longer = width > height ? width : height;
  float weight[KERNEL_REACH + 1] = {1.0f};
  int reach = 0;
  if (sigma_px > 0.0)
    reach = udg_gaussian_half(fmin(fmin(sigma_px, 2.0 * longer), WIDEST), weight);
  const ptrdiff_t apart = (ptrdiff_t)part_stride(width);
  float *around = scratch;
  float *first = scratch + width + 2 * KERNEL_REACH + 8 + reach * apart; /* the plane's line 0 */
  const int from = part->y0 - reach, to = part->y1 + reach;
  for (int y = from < 0 ? 0 : from; y < to && y < height; y++) {
    if (y < y_first || y >= y_end) {
      memset(first + y * apart, 0, (size_t)apart * sizeof *first);
      continue;
    }
    row_around(plane->v + y * stride, width, reach, around);
    udg_taps_even(weight, reach, around + reach + part->x0, 1, count, first + y * apart);
  }
  for (int y = from; y < to; y++)
    if (y < 0 || y >= height)
      memcpy(first + y * apart, first + udg_plane_mirror(y, height) * apart,
             (size_t)apart * sizeof *first);
  for (int y = part->y0; y < part->y1; y++)
    udg_taps_even(weight, reach, first + y * apart, apart, count, out + y * out_stride + part->x0);
}

/* Hoare's "FIND", Communications of the ACM 4(7), 1961, with the median of three
 * as the pivot. */
float udg_values_select(float *values, size_t count, size_t rank) {
  size_t low = 0, high = count - 1;
  while (low < high) {
    float a = values[low], b = values[low + (high - low) / 2], c = values[high];
    float pivot = a < b ? (b < c ? b : a < c ? c : a) : (a < c ? a : b < c ? c : b);
    size_t i = low, j = high;
    for (;;) {
      while (values[i] < pivot)
        i++;
      while (values[j] > pivot)
        j--;
      if (i >= j)
        break;
      float swapped = values[i];
      values[i++] = values[j];
      values[j--] = swapped;
    }
    /* All before i are at most the pivot, all after j at least. */
    if (i == j && rank == i)
      return pivot;
    if (rank < i)
      high = i - 1;
    else
      low = i == j ? i + 1 : i;
  }
  return values[rank];
}
