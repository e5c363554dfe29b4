/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "relit.h"

#include <math.h>
#include <string.h>

#include "eight.h"
#include "gram.h"
#include "linalg.h"
#include "relit_rays.h"
#include "wider.h"

/* A pixel's columns, as they are summed: those that are the same whatever is supposed, those that
 * a level relief has, too, and those that its slopes have. */
enum {
  COLUMNS = UDG_RELIT_COLUMNS,
  GROUND = UDG_RELIT_GROUND,
  STRIDE = UDG_RELIT_STRIDE,
  SHADOWS = UDG_RELIT_SHADOWS,
  TARGET = GROUND,
  OWN = TARGET + 1,
  HERE = OWN,
  CREVICE_IS,
  HOLLOW,
  SHADOW,
  SLOPES = SHADOW + SHADOWS,
  WIDTH = OWN + COLUMNS
};
/* Lines of a matrix are summed three at a time: from here on none is left over. */
enum { STEEP_FROM = WIDTH - 24, LEVEL_FROM = SLOPES - 6 };
_Static_assert((int)STEEP_FROM <= (int)OWN && (int)LEVEL_FROM <= (int)OWN,
               "all that is not the same is summed");
_Static_assert(WIDTH <= STRIDE, "a pixel's row is too long");
/* The light's columns in their order among the sums. */
static const unsigned char LIGHT[COLUMNS] = {
    SLOPES,      SLOPES + 1,  SLOPES + 2,  SLOPES + 3, SLOPES + 4, HERE,
    SLOPES + 5,  SLOPES + 6,  SLOPES + 7,  SLOPES + 8, SLOPES + 9, SLOPES + 10,
    SLOPES + 11, SLOPES + 12, SLOPES + 13, CREVICE_IS, HOLLOW,     SLOPES + 14,
    SLOPES + 15, SLOPES + 16, SHADOW,      SHADOW + 1};

/* Levels from which on a difference to the field counts by its logarithm. */
static const double SOFT_LEVELS = 15.0;
/* Keeps a column that no edge shows at zero. */
static const double RIDGE = 1e-6;
/* Spread of what keeps light out of crevices, bevels. */
static const double CREVICE = 1.0;
/* Pixels about a plane that repeat its border, for rays and differences; whole vectors go on over
 * a line's end. */
enum { EIGHT = UDG_EIGHT, AROUND = UDG_RELIT_REACH_MOST + EIGHT };

/* Pixels of the mask side by side in a line. */
typedef struct run {
  int x, y, count;
} run;

struct udg_relit {
  udg_settings settings;
  int size_most;
  udg_plane wide;
  udg_plane grey;   /* the one that `base` is of */
  udg_plane around; /* the softened relief and what is about it; it begins at (AROUND, AROUND) */
  float *scratch;   /* of blurring */
  /* WIDTH of them, `apart` values from each other, and room for whole tiles; then SLOPES of those
   * pixels where the relief is level. */
  float *columns, *level;
  size_t apart;
  int steep_count, level_count;
  double base[STRIDE * STRIDE]; /* sums of the first OWN columns over all pixels */
  udg_plane mask;               /* the one that `runs` are of */
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
    status = udg_plane_create(settings, size + EIGHT, size + EIGHT, &made->grey);
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
  made->columns = udg_memory_get(settings, made->apart * (STRIDE + SLOPES), sizeof *made->columns);
  made->runs = udg_memory_get(settings, size * (size + 1) / 2, sizeof *made->runs);
  if (status != UDG_OK || !made->scratch || !made->columns || !made->runs) {
    udg_relit_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for reliefs");
  }
  made->level = made->columns + made->apart * STRIDE;
  *relit = made;
  return UDG_OK;
}

void udg_relit_destroy(udg_relit *relit) {
  if (!relit)
    return;
  udg_settings settings = relit->settings;
  udg_plane *planes[] = {&relit->wide, &relit->grey, &relit->around, &relit->mask};
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

/* The view's grey levels and its mask's runs; one view comes with many reliefs. Whether they are
 * new. */
static int view_take(udg_relit *relit, const udg_plane *mask, const udg_plane *grey) {
  const int size = mask->width;
  const size_t bytes = (size_t)size * (size_t)size * sizeof *mask->v;
  if (relit->mask.width == size && memcmp(relit->mask.v, mask->v, bytes) == 0 &&
      memcmp(relit->grey.v, grey->v, bytes) == 0)
    return 0;
  relit->mask.width = relit->mask.height = size;
  relit->grey.width = relit->grey.height = size;
  memcpy(relit->mask.v, mask->v, bytes);
  memcpy(relit->grey.v, grey->v, bytes);
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
  return 1;
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
  const float *h, *wide, *grey;
  ptrdiff_t stride;
  float x, v, size, to;
} source;

static inline __attribute__((always_inline)) void put(const udg_eight *value, size_t apart,
                                                      int column, float *columns) {
  *(udg_eight_loose *)(columns + (size_t)column * apart) = *value;
}
#define PUT(column, value)                                                                         \
  do {                                                                                             \
    const udg_eight put_this = (value);                                                            \
    put(&put_this, apart, (column), columns);                                                      \
  } while (0)

/* Ground and grey levels of eight pixels: a column each. */
static inline __attribute__((always_inline)) void fill_base(const source *from, size_t apart,
                                                            float *columns) {
  static const udg_eight steps = {0.5f, 1.5f, 2.5f, 3.5f, 4.5f, 5.5f, 6.5f, 7.5f};
  const udg_eight v = UDG_EIGHT_ALL(from->v);
  const udg_eight u =
      UDG_EIGHT_ALL(2.0f) * (UDG_EIGHT_ALL(from->x) + steps) / UDG_EIGHT_ALL(from->size) -
      UDG_EIGHT_ALL(1.0f);
  PUT(0, UDG_EIGHT_ALL(1.0f));
  PUT(1, u);
  PUT(2, v);
  PUT(3, u * u);
  PUT(4, u * v);
  PUT(5, v * v);
  PUT(TARGET, UDG_EIGHT_AT(from->grey));
}
_Static_assert(GROUND == 6, "fill_base() writes them");

/* What light makes of the relief's slopes. */
static inline __attribute__((always_inline)) void
fill_slopes(const source *from, const udg_eight *slope_x, const udg_eight *slope_y,
            const udg_eight bent[3], size_t apart, float *columns) {
  const udg_eight p = *slope_x, q = *slope_y, to = UDG_EIGHT_ALL(from->to);
  const udg_eight s = p * p + q * q, pp = p * p, qq = q * q;
  PUT(SLOPES + 0, p);
  PUT(SLOPES + 1, q);
  PUT(SLOPES + 2, s);
  PUT(SLOPES + 3, pp - qq);
  PUT(SLOPES + 4, UDG_EIGHT_ALL(2.0f) * p * q);
  PUT(SLOPES + 5, p * s);
  PUT(SLOPES + 6, q * s);
  PUT(SLOPES + 7, p * (pp - UDG_EIGHT_ALL(3.0f) * q * q));
  PUT(SLOPES + 8, q * (UDG_EIGHT_ALL(3.0f) * p * p - qq));
  PUT(SLOPES + 9, p * s * s);
  PUT(SLOPES + 10, q * s * s);
  PUT(SLOPES + 11, s * (pp - qq));
  PUT(SLOPES + 12, UDG_EIGHT_ALL(2.0f) * p * q * s);
  PUT(SLOPES + 13, s * s);
  for (int k = 0; k < 3; k++)
    PUT(SLOPES + 14 + k, to * bent[k]);
}
_Static_assert(SLOPES + 17 == WIDTH, "fill_slopes() writes them");

static inline __attribute__((always_inline)) int any(const udg_eight *const *of, int count) {
  typedef int32_t lanes __attribute__((vector_size(sizeof(udg_eight))));
  lanes all = {0};
  int64_t part[sizeof all / sizeof(int64_t)], bits = 0;
  for (int k = 0; k < count; k++)
    all |= *of[k] != 0.0f;
  memcpy(part, &all, sizeof all);
  for (size_t k = 0; k < sizeof part / sizeof *part; k++)
    bits |= part[k];
  return bits != 0;
}

/* Columns of eight pixels of which `count` are wanted, behind those that are there: what there is
 * too many of is overwritten by the next. */
static inline __attribute__((always_inline)) void
fill_eight(udg_relit *relit, const source *from, const udg_relit_rays *light, int count) {
  const size_t apart = relit->apart;
  const float *h = from->h, *above = h - from->stride, *below = h + from->stride;
  const udg_eight half = UDG_EIGHT_ALL(0.5f * from->to);
  const udg_eight here = UDG_EIGHT_AT(h), left = UDG_EIGHT_AT(h - 1), right = UDG_EIGHT_AT(h + 1);
  const udg_eight p = half * (right - left), q = half * (UDG_EIGHT_AT(below) - UDG_EIGHT_AT(above));
  const udg_eight crevice = UDG_EIGHT_AT(from->wide) - here, twice = UDG_EIGHT_ALL(2.0f) * here;
  const udg_eight bent[3] = {right + left - twice,
                             UDG_EIGHT_ALL(0.25f) *
                                 (UDG_EIGHT_AT(below + 1) + UDG_EIGHT_AT(above - 1) -
                                  UDG_EIGHT_AT(above + 1) - UDG_EIGHT_AT(below - 1)),
                             UDG_EIGHT_AT(below) + UDG_EIGHT_AT(above) - twice};
  udg_eight shadow[SHADOWS], hollow = {0};
  udg_relit_cast(h, from->stride, light, shadow);
  const udg_eight *slopes[] = {&p, &q, &bent[0], &bent[1], &bent[2]};
  const udg_eight *flats[] = {&here, &crevice, &shadow[0], &shadow[1]};
  const int steep = any(slopes, 5);
  if (!steep && !any(flats, 4))
    return;
  float *columns = steep ? relit->columns + relit->steep_count : relit->level + relit->level_count;
  udg_eight_raise(&crevice, &hollow);
  fill_base(from, apart, columns);
  PUT(HERE, here);
  PUT(CREVICE_IS, crevice);
  PUT(HOLLOW, hollow);
  PUT(SHADOW, shadow[0]);
  PUT(SHADOW + 1, shadow[1]);
  if (steep)
    fill_slopes(from, &p, &q, bent, apart, columns);
  *(steep ? &relit->steep_count : &relit->level_count) += count;
}
_Static_assert(SHADOWS == 2, "fill_eight() writes them");

static source source_of(const udg_relit *relit, const run *at, double bevel_px) {
  return (source){.h = udg_plane_row(&relit->around, AROUND + at->y) + AROUND + at->x,
                  .wide = udg_plane_row(&relit->wide, at->y) + at->x,
                  .grey = udg_plane_row(&relit->grey, at->y) + at->x,
                  .stride = relit->around.width,
                  .x = (float)at->x,
                  .v = 2.0f * ((float)at->y + 0.5f) / (float)relit->mask.width - 1.0f,
                  .size = (float)relit->mask.width,
                  .to = (float)(bevel_px / 1.5)};
}

static inline __attribute__((always_inline)) void source_on(source *from) {
  from->h += EIGHT;
  from->wide += EIGHT;
  from->grey += EIGHT;
  from->x += (float)EIGHT;
}

static void pad(float *columns, size_t apart, int width) {
  for (int k = 0; k < width; k++)
    memset(columns + (size_t)k * apart, 0, UDG_GRAM_PIXELS * sizeof *columns);
}

/* The columns of all runs, one run behind the other: those pixels where the relief has slopes, and
 * those where it is level; where it is 0, and neither dark nor in a shadow, it adds nothing. */
UDG_WIDER
static void runs_fill(udg_relit *relit, const udg_relit_view *view, const udg_relit_rays *light) {
  relit->steep_count = relit->level_count = 0;
  for (int r = 0; r < relit->run_count; r++) {
    const run *at = &relit->runs[r];
    source from = source_of(relit, at, view->bevel_px);
    for (int x = 0; x < at->count; x += EIGHT, source_on(&from))
      fill_eight(relit, &from, light, at->count - x < EIGHT ? at->count - x : EIGHT);
  }
  pad(relit->columns + relit->steep_count, relit->apart, WIDTH);
  pad(relit->level + relit->level_count, relit->apart, SLOPES);
}

/* The columns that are the same whatever is supposed, and their sums. */
static void base_take(udg_relit *relit, const udg_relit_view *view) {
  float *columns = relit->columns;
  for (int r = 0; r < relit->run_count; r++) {
    const run *at = &relit->runs[r];
    source from = source_of(relit, at, view->bevel_px);
    for (int x = 0; x < at->count; x += EIGHT, source_on(&from))
      fill_base(&from, relit->apart, columns + x);
    columns += at->count;
  }
  pad(columns, relit->apart, OWN);
  memset(relit->base, 0, sizeof relit->base);
  udg_gram_columns_add(relit->columns, relit->apart, relit->pixels, 0, OWN, STRIDE, relit->base);
}

static double sum_at(const double full[STRIDE * STRIDE], int i, int k) {
  return i > k ? full[i * STRIDE + k] : full[k * STRIDE + i];
}

/* Takes the ground away from all else: the Schur complement of its block. */
static void project(const double full[STRIDE * STRIDE], udg_relit_sums *sums) {
  double ground[GROUND * GROUND], rest[COLUMNS + 1][GROUND];
  for (int i = 0; i < GROUND; i++)
    for (int k = 0; k <= i; k++)
      ground[i * GROUND + k] = full[i * STRIDE + k] + (i == k ? 1e-6 * sums->pixels + 1e-9 : 0.0);
  if (udg_cholesky_factor(ground, GROUND, GROUND, 1e-12) != 0)
    return;
  for (int i = 0; i <= COLUMNS; i++) {
    const int column = i < COLUMNS ? LIGHT[i] : TARGET;
    memcpy(rest[i], full + column * STRIDE, sizeof rest[i]);
    udg_cholesky_forward(ground, GROUND, GROUND, rest[i]);
  }
  for (int i = 0; i <= COLUMNS; i++)
    for (int k = 0; k <= i; k++) {
      double value = sum_at(full, i < COLUMNS ? LIGHT[i] : TARGET, k < COLUMNS ? LIGHT[k] : TARGET);
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
  udg_relit_rays light;
  memset(sums, 0, sizeof *sums);
  if (view_take(relit, view->mask, view->grey))
    base_take(relit, view);
  sums->pixels = relit->pixels;
  if (relit->pixels > 0) {
    udg_relit_rays_take(view, &light);
    planes_make(relit, view, height, light.reach[0]);
    runs_fill(relit, view, &light);
    udg_gram_columns_add(relit->columns, relit->apart, relit->steep_count, STEEP_FROM, WIDTH,
                         STRIDE, full);
    udg_gram_columns_add(relit->level, relit->apart, relit->level_count, LEVEL_FROM, SLOPES, STRIDE,
                         full);
  }
  memcpy(full, relit->base, OWN * STRIDE * sizeof *full);
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
