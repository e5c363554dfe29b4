/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relit.h"

#include <math.h>
#include <string.h>

#include "eight.h"
#include "gram.h"
#include "linalg.h"
#include "wider.h"

enum {
  COLUMNS = UDG_RELIT_COLUMNS,
  GROUND = UDG_RELIT_GROUND,
  STRIDE = UDG_RELIT_STRIDE,
  TARGET = GROUND + COLUMNS,
  WIDTH = TARGET + 1,
  SHADOWS = 2
};
_Static_assert(WIDTH <= STRIDE, "a pixel's row is too long");

enum { EIGHT = UDG_EIGHT }; /* pixels side by side */

/* Levels from which on a difference to the field counts by its logarithm. */
static const double SOFT_LEVELS = 15.0;
/* Keeps a column that no edge shows at zero. */
static const double RIDGE = 1e-6;
/* Spread of what keeps light out of crevices, bevels. */
static const double CREVICE = 1.0;
/* Steepness of the rays that bound a shadow, relief per length: lamps 27 and 45 degrees up. */
static const double RAY[SHADOWS] = {0.5, 1.0};
/* No relief casts a shadow longer than this, px. */
enum { REACH_MOST = 64 };
/* Pixels about a plane that repeat its border, for rays and differences; whole vectors go on over
 * a line's end. */
enum { AROUND = REACH_MOST + EIGHT };

/* Pixels of the mask side by side in a line. */
typedef struct run {
  int x, y, count;
} run;

struct udg_relit {
  udg_settings settings;
  int size_most;
  udg_plane wide;
  udg_plane around; /* the softened relief and what is about it; it begins at (AROUND, AROUND) */
  float *scratch;   /* of blurring */
  float *columns;   /* WIDTH of them, `apart` values from each other, and room for whole tiles */
  size_t apart;
  udg_plane mask; /* the one that `runs` are of */
  run *runs;
  int run_count, pixels;
  udg_part part; /* where they lie */
};

static udg_status planes_create(udg_relit *made) {
  const udg_settings *settings = &made->settings;
  const int size = made->size_most, more = size + 2 * AROUND;
  udg_status status = udg_plane_create(settings, size + EIGHT, size + EIGHT, &made->wide);
  if (status == UDG_OK)
    status = udg_plane_create(settings, more, more, &made->around);
  if (status == UDG_OK)
    status = udg_plane_create(settings, size, size, &made->mask);
  return status;
}

udg_status udg_relit_create(const udg_settings *settings, int size_most, udg_relit **relit,
                            udg_message *message) {
  udg_relit *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  made->settings = *settings;
  made->size_most = size_most;
  const size_t size = (size_t)size_most, whole = UDG_GRAM_PIXELS;
  made->apart = (size * size + 2 * whole) / whole * whole;
  udg_status status = planes_create(made);
  made->scratch =
      udg_memory_get(settings, udg_plane_blur_scratch(size_most, size_most), sizeof *made->scratch);
  made->columns = udg_memory_get(settings, made->apart * STRIDE, sizeof *made->columns);
  made->runs = udg_memory_get(settings, size * (size + 1) / 2, sizeof *made->runs);
  if (status != UDG_OK || !made->scratch || !made->columns || !made->runs) {
    udg_relit_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  }
  *relit = made;
  return UDG_OK;
}

void udg_relit_destroy(udg_relit *relit) {
  if (!relit)
    return;
  udg_settings settings = relit->settings;
  udg_plane *planes[] = {&relit->wide, &relit->around, &relit->mask};
  for (size_t k = 0; k < sizeof planes / sizeof *planes; k++)
    udg_plane_destroy(&settings, planes[k]);
  udg_memory_drop(&settings, relit->scratch);
  udg_memory_drop(&settings, relit->columns);
  udg_memory_drop(&settings, relit->runs);
  udg_memory_drop(&settings, relit);
}

static void run_add(udg_relit *relit, int x, int y, int count) {
  udg_part *part = &relit->part;
  relit->runs[relit->run_count++] = (run){x, y, count};
  relit->pixels += count;
  part->x0 = x < part->x0 ? x : part->x0;
  part->x1 = x + count > part->x1 ? x + count : part->x1;
  part->y0 = y < part->y0 ? y : part->y0;
  part->y1 = y + 1 > part->y1 ? y + 1 : part->y1;
}

/* The mask's runs; one mask comes with many reliefs. */
static void runs_take(udg_relit *relit, const udg_plane *mask) {
  const int size = mask->width;
  const size_t bytes = (size_t)size * (size_t)size * sizeof *mask->v;
  if (relit->mask.width == size && memcmp(relit->mask.v, mask->v, bytes) == 0)
    return;
  relit->mask.width = relit->mask.height = size;
  memcpy(relit->mask.v, mask->v, bytes);
  relit->run_count = relit->pixels = 0;
  relit->part = (udg_part){size, size, 0, 0};
  for (int y = 0; y < size; y++) {
    const float *usable = udg_plane_row(mask, y);
    for (int x = 0; x < size; x++) {
      int first = x;
      while (x < size && usable[x] > 0.0f)
        x++;
      if (x > first)
        run_add(relit, first, y, x - first);
    }
  }
}

/* Eight floats anywhere. */
typedef float loose __attribute__((vector_size(EIGHT * sizeof(float)), aligned(4), may_alias));
#define AT(from) (*(const loose *)(from))

static inline __attribute__((always_inline)) void raise_to(const udg_eight *least, udg_eight *v) {
  typedef int32_t lanes __attribute__((vector_size(sizeof(udg_eight))));
  const lanes is = *least > *v;
  *v = (udg_eight)((is & (lanes)*least) | (~is & (lanes)*v));
}

/* Where the rays to the lamp are after so many px: whole px and what is left of one; how far each
 * has risen. */
typedef struct ray_step {
  int dx, dy;
  float u, v, down[SHADOWS];
} ray_step;

typedef struct rays {
  int reach[SHADOWS]; /* the first, which rises least, reaches farthest */
  ray_step steps[REACH_MOST];
} rays;

static void rays_take(const udg_relit_view *view, rays *to) {
  const double c = cos(view->azimuth_rad), s = sin(view->azimuth_rad);
  double fall[SHADOWS];
  for (int k = 0; k < SHADOWS; k++) {
    fall[k] = RAY[k] / fmax(view->relief_px, 1e-3);
    to->reach[k] = (int)fmin(ceil(1.0 / fall[k]), REACH_MOST);
  }
  for (int t = 0; t < to->reach[0]; t++) {
    double x = c * (t + 1), y = s * (t + 1);
    ray_step *step = &to->steps[t];
    *step = (ray_step){.dx = (int)floor(x),
                       .dy = (int)floor(y),
                       .u = (float)(x - floor(x)),
                       .v = (float)(y - floor(y))};
    for (int k = 0; k < SHADOWS; k++)
      step->down[k] = (float)(fall[k] * (t + 1));
  }
}

/* How far the relief towards the lamp stands above each ray to it. */
static inline __attribute__((always_inline)) void cast(const float *own, ptrdiff_t stride,
                                                       const rays *to, udg_eight shadow[SHADOWS]) {
  const udg_eight here = AT(own);
  udg_eight first = {0}, second = {0};
  for (int t = 0; t < to->reach[0]; t++) {
    const ray_step *step = &to->steps[t];
    const float *at = own + step->dy * stride + step->dx, *under = at + stride;
    const udg_eight u = UDG_EIGHT_ALL(step->u), v = UDG_EIGHT_ALL(step->v);
    const udg_eight above = AT(at) + u * (AT(at + 1) - AT(at));
    const udg_eight below = AT(under) + u * (AT(under + 1) - AT(under));
    const udg_eight over = above + v * (below - above) - here;
    const udg_eight one = over - UDG_EIGHT_ALL(step->down[0]),
                    two = over - UDG_EIGHT_ALL(step->down[1]);
    raise_to(&one, &first);
    if (t < to->reach[1])
      raise_to(&two, &second);
  }
  shadow[0] = first;
  shadow[1] = second;
}

/* The plane's border repeated about it, as far as `part` and `more` px about that reach. */
static void surround(udg_plane *around, int size, const udg_part *part, int more) {
  const int stride = around->width, from = part->y0 - more, to = part->y1 + more;
  float *own = udg_plane_row(around, AROUND) + AROUND;
  for (int y = from < 0 ? 0 : from; y < to && y < size; y++) {
    float *row = own + (ptrdiff_t)y * stride;
    for (int x = part->x0 - more; x < 0; x++)
      row[x] = row[0];
    for (int x = size; x < part->x1 + more; x++)
      row[x] = row[size - 1];
  }
  const int first = part->x0 - more;
  const size_t bytes = (size_t)(part->x1 + more - first) * sizeof *own;
  for (int y = from; y < to; y++)
    if (y < 0 || y >= size)
      memcpy(own + (ptrdiff_t)y * stride + first,
             own + (ptrdiff_t)(y < 0 ? 0 : size - 1) * stride + first, bytes);
}

static udg_part part_about(const udg_part *part, int more, int size) {
  return (udg_part){part->x0 > more ? part->x0 - more : 0, part->y0 > more ? part->y0 - more : 0,
                    part->x1 + more < size ? part->x1 + more : size,
                    part->y1 + more < size ? part->y1 + more : size};
}

static udg_part part_common(const udg_part *a, const udg_part *b) {
  return (udg_part){a->x0 > b->x0 ? a->x0 : b->x0, a->y0 > b->y0 ? a->y0 : b->y0,
                    a->x1 < b->x1 ? a->x1 : b->x1, a->y1 < b->y1 ? a->y1 : b->y1};
}

/* The relief softened where `part` needs it; gives where it is not 0. */
static udg_part soften(udg_relit *relit, const udg_plane *height, double blur_px,
                       const udg_part *part, const udg_plane *soft, ptrdiff_t stride) {
  const udg_part own = udg_plane_filled(height);
  udg_part filled = part_about(&own, udg_plane_blur_reach(blur_px), height->width);
  filled = part_common(&filled, part);
  for (int y = part->y0; y < part->y1; y++)
    memset(soft->v + y * stride + part->x0, 0, (size_t)(part->x1 - part->x0) * sizeof *soft->v);
  if (own.x1 == 0 || filled.x0 >= filled.x1 || filled.y0 >= filled.y1)
    return (udg_part){0};
  udg_plane_blur_part(height, height->width, blur_px, own.y0, own.y1, &filled, soft->v, stride,
                      relit->scratch);
  return filled;
}

/* The relief softened, and that over a shoulder, where the mask needs them. */
static void planes_make(udg_relit *relit, const udg_relit_view *view, const udg_plane *height,
                        int reach) {
  const int size = height->width, about = reach + 2;
  const double spread = CREVICE * view->bevel_px;
  const int blurred = udg_plane_blur_reach(spread);
  const udg_part part = part_about(&relit->part, blurred > about ? blurred : about, size);
  const ptrdiff_t stride = relit->around.width;
  const udg_plane soft = {size, size, udg_plane_row(&relit->around, AROUND) + AROUND};
  const udg_part filled = soften(relit, height, view->blur_px, &part, &soft, stride);
  udg_plane_blur_part(&soft, stride, spread, filled.y0, filled.y1, &relit->part, relit->wide.v,
                      relit->wide.width, relit->scratch);
  surround(&relit->around, size, &relit->part, about);
}

/* Where a run's columns are made from: the relief there, `stride` from line to line, and the
 * same softened over a shoulder; `to`: px by which a full shoulder's steepest is 1. */
typedef struct source {
  const float *h, *wide;
  ptrdiff_t stride;
  float x, v, size, to;
} source;

/* Ground, then what light makes of the relief, of eight pixels: a column each. */
static inline __attribute__((always_inline)) void fill_eight(const source *from, const rays *light,
                                                             size_t apart, float *columns) {
  static const udg_eight steps = {0.5f, 1.5f, 2.5f, 3.5f, 4.5f, 5.5f, 6.5f, 7.5f};
  const float *h = from->h, *above = h - from->stride, *below = h + from->stride;
  const udg_eight to = UDG_EIGHT_ALL(from->to), half = UDG_EIGHT_ALL(0.5f * from->to),
                  v = UDG_EIGHT_ALL(from->v);
  const udg_eight u =
      UDG_EIGHT_ALL(2.0f) * (UDG_EIGHT_ALL(from->x) + steps) / UDG_EIGHT_ALL(from->size) -
      UDG_EIGHT_ALL(1.0f);
  const udg_eight here = AT(h), left = AT(h - 1), right = AT(h + 1);
  const udg_eight p = half * (right - left), q = half * (AT(below) - AT(above));
  const udg_eight s = p * p + q * q, pp = p * p, qq = q * q, crevice = AT(from->wide) - here;
  udg_eight shadow[SHADOWS], hollow = {0};
  raise_to(&crevice, &hollow);
  cast(h, from->stride, light, shadow);
  const udg_eight xy =
      UDG_EIGHT_ALL(0.25f) * (AT(below + 1) + AT(above - 1) - AT(above + 1) - AT(below - 1));
  *(loose *)(columns + 0 * apart) = UDG_EIGHT_ALL(1.0f);
  *(loose *)(columns + 1 * apart) = u;
  *(loose *)(columns + 2 * apart) = v;
  *(loose *)(columns + 3 * apart) = u * u;
  *(loose *)(columns + 4 * apart) = u * v;
  *(loose *)(columns + 5 * apart) = v * v;
  *(loose *)(columns + 6 * apart) = p;
  *(loose *)(columns + 7 * apart) = q;
  *(loose *)(columns + 8 * apart) = s;
  *(loose *)(columns + 9 * apart) = pp - qq;
  *(loose *)(columns + 10 * apart) = UDG_EIGHT_ALL(2.0f) * p * q;
  *(loose *)(columns + 11 * apart) = here;
  *(loose *)(columns + 12 * apart) = p * s;
  *(loose *)(columns + 13 * apart) = q * s;
  *(loose *)(columns + 14 * apart) = p * (pp - UDG_EIGHT_ALL(3.0f) * q * q);
  *(loose *)(columns + 15 * apart) = q * (UDG_EIGHT_ALL(3.0f) * p * p - qq);
  *(loose *)(columns + 16 * apart) = p * s * s;
  *(loose *)(columns + 17 * apart) = q * s * s;
  *(loose *)(columns + 18 * apart) = s * (pp - qq);
  *(loose *)(columns + 19 * apart) = UDG_EIGHT_ALL(2.0f) * p * q * s;
  *(loose *)(columns + 20 * apart) = s * s;
  *(loose *)(columns + 21 * apart) = crevice;
  *(loose *)(columns + 22 * apart) = hollow;
  *(loose *)(columns + 23 * apart) = to * (right + left - UDG_EIGHT_ALL(2.0f) * here);
  *(loose *)(columns + 24 * apart) = to * xy;
  *(loose *)(columns + 25 * apart) = to * (AT(below) + AT(above) - UDG_EIGHT_ALL(2.0f) * here);
  *(loose *)(columns + 26 * apart) = shadow[0];
  *(loose *)(columns + 27 * apart) = shadow[1];
}
_Static_assert(GROUND == 6 && TARGET == 28, "fill_eight() writes them");

/* The columns of all runs, one run behind the other: what a run's last eight have too many is
 * overwritten by the next. */
UDG_WIDER
static void runs_fill(udg_relit *relit, const udg_relit_view *view, const rays *light) {
  const ptrdiff_t stride = relit->around.width;
  const float size = (float)relit->mask.width, to = (float)(view->bevel_px / 1.5);
  const float *own = udg_plane_row(&relit->around, AROUND) + AROUND;
  float *columns = relit->columns;
  for (int r = 0; r < relit->run_count; r++) {
    const run *at = &relit->runs[r];
    const float *h = own + at->y * stride + at->x;
    const float *wide = udg_plane_row(&relit->wide, at->y) + at->x;
    const float v = 2.0f * ((float)at->y + 0.5f) / size - 1.0f;
    for (int x = 0; x < at->count; x += EIGHT) {
      const source from = {h + x, wide + x, stride, (float)(at->x + x), v, size, to};
      fill_eight(&from, light, relit->apart, columns + x);
    }
    memcpy(columns + TARGET * relit->apart, udg_plane_row(view->grey, at->y) + at->x,
           (size_t)at->count * sizeof *columns);
    columns += at->count;
  }
  for (int k = 0; k < WIDTH; k++)
    memset(columns + (size_t)k * relit->apart, 0, UDG_GRAM_PIXELS * sizeof *columns);
}

/* Takes the ground away from all else: the Schur complement of its block. */
static void project(const double full[STRIDE * STRIDE], udg_relit_sums *sums) {
  double ground[GROUND * GROUND], part[GROUND], rest[COLUMNS + 1][GROUND];
  for (int i = 0; i < GROUND; i++)
    for (int k = 0; k <= i; k++)
      ground[i * GROUND + k] = full[i * STRIDE + k] + (i == k ? 1e-6 * sums->pixels + 1e-9 : 0.0);
  if (udg_cholesky_factor(ground, GROUND, GROUND, 1e-12) != 0)
    return;
  for (int i = 0; i <= COLUMNS; i++) {
    for (int k = 0; k < GROUND; k++)
      part[k] = full[(GROUND + i) * STRIDE + k];
    udg_cholesky_forward(ground, GROUND, GROUND, part);
    memcpy(rest[i], part, sizeof part);
  }
  for (int i = 0; i <= COLUMNS; i++)
    for (int k = 0; k <= i; k++) {
      double value = full[(GROUND + i) * STRIDE + GROUND + k];
      for (int g = 0; g < GROUND; g++)
        value -= rest[i][g] * rest[k][g];
      if (i < COLUMNS)
        sums->a[i * (i + 1) / 2 + k] = value;
      else if (k < COLUMNS)
        sums->b[k] = value;
      else
        sums->e = value;
    }
}

void udg_relit_hold(const udg_plane *grey, double level, udg_plane *held) {
  for (int i = 0; i < grey->width * grey->height; i++)
    held->v[i] = (float)(SOFT_LEVELS * asinh(((double)grey->v[i] - level) / SOFT_LEVELS));
}

void udg_relit_take(udg_relit *relit, const udg_relit_view *view, const udg_plane *height,
                    udg_relit_sums *sums) {
  double full[STRIDE * STRIDE] = {0.0};
  rays light;
  memset(sums, 0, sizeof *sums);
  runs_take(relit, view->mask);
  sums->pixels = relit->pixels;
  if (relit->pixels > 0) {
    rays_take(view, &light);
    planes_make(relit, view, height, light.reach[0]);
    runs_fill(relit, view, &light);
    udg_gram_columns_add(relit->columns, relit->apart, relit->pixels, WIDTH, STRIDE, full);
  }
  project(full, sums);
}

void udg_relit_add(udg_relit_sums *to, const udg_relit_sums *more) {
  to->pixels += more->pixels;
  to->e += more->e;
  for (int i = 0; i < COLUMNS; i++)
    to->b[i] += more->b[i];
  for (int i = 0; i < COLUMNS * (COLUMNS + 1) / 2; i++)
    to->a[i] += more->a[i];
}

double udg_relit_rest(const udg_relit_sums *sums) {
  double a[COLUMNS * COLUMNS], b[COLUMNS], explained = 0.0;
  memcpy(b, sums->b, sizeof b);
  for (int i = 0; i < COLUMNS; i++) {
    for (int k = 0; k <= i; k++)
      a[i * COLUMNS + k] = sums->a[i * (i + 1) / 2 + k];
    a[i * (COLUMNS + 1)] += RIDGE * sums->pixels + 1e-9;
  }
  if (udg_cholesky_factor(a, COLUMNS, COLUMNS, 1e-14) != 0)
    return sums->e;
  udg_cholesky_forward(a, COLUMNS, COLUMNS, b);
  for (int i = 0; i < COLUMNS; i++)
    explained += b[i] * b[i];
  return sums->e > explained ? sums->e - explained : 0.0;
}
