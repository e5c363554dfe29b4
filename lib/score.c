/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "score.h"

#include <math.h>
#include <string.h>

/* Shares of the light that a trace is drawn with: its slopes are flatter than
 * the present digit's, so what grows with the square of the slope counts less. */
static const float DRAW_ODD = 1.0f, DRAW_EVEN = 0.6f;
/* A trace all but covered has no amplitude to speak of. */
static const double VISIBLE_MIN = 0.02;
static const double CELL = 0.2;      /* side of a cell, digit heights */
static const double CELL_MIN = 0.01; /* cells with less of the expected energy do not count */
static const double DISC = 0.75;     /* radius of the surroundings, digit heights */
static const double OUTLINE_PX = 0.75; /* pixels so near are the outline's own */
enum { CELLS = 16 };                 /* a side; covers 3.2 digit heights */

/* What each window and spectrum holds. */
enum { W_WEIGHT, W_RESIDUAL, W_TRACE, W_NUMERATOR, W_NORM, W_ENERGY };
enum { S_WEIGHT, S_WEIGHTED, S_SQUARE, S_TRACE, S_WORK };

udg_status udg_score_create(const udg_settings *settings, const udg_upright *upright,
                            const udg_trace_bank *bank, udg_score **score, udg_message *message) {
  udg_score *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the scores");
  made->settings = *settings;
  udg_status status = udg_plane_create(settings, upright->width, upright->height, &made->best);
  size_t pixels = (size_t)bank->size * (size_t)bank->size;
  size_t bins = (size_t)bank->size * (size_t)bank->plan->half_width;
  for (int i = 0; i < 6 && status == UDG_OK; i++)
    if (!(made->window[i] = udg_memory_get(settings, pixels, sizeof(float))))
      status = UDG_ERROR_MEMORY;
  for (int i = 0; i < 3 * (upright->date->place_count + 1) && status == UDG_OK; i++)
    if (!(made->shared[i] = udg_memory_get(settings, pixels, sizeof(float))))
      status = UDG_ERROR_MEMORY;
  for (int i = 0; i < 5 && status == UDG_OK; i++)
    if (!(made->spectrum[i] = udg_memory_get(settings, bins, sizeof(udg_complex))))
      status = UDG_ERROR_MEMORY;
  if (status != UDG_OK) {
    udg_score_destroy(made);
    return udg_fail(message, status, "no memory for the scores");
  }
  *score = made;
  return UDG_OK;
}

void udg_score_destroy(udg_score *score) {
  if (!score)
    return;
  udg_settings settings = score->settings;
  udg_plane_destroy(&settings, &score->best);
  for (int i = 0; i < 6; i++)
    udg_memory_drop(&settings, score->window[i]);
  for (int i = 0; i < 3 * (UDG_PLACES_MAX + 1); i++)
    udg_memory_drop(&settings, score->shared[i]);
  for (int i = 0; i < 5; i++)
    udg_memory_drop(&settings, score->spectrum[i]);
  udg_memory_drop(&settings, score);
}

/* The window of `size` px whose first pixel is (left, top) of the plane; 0 outside. */
static void cut_out(const udg_plane *plane, int left, int top, int size, float *window) {
  for (int y = 0; y < size; y++) {
    int py = top + y;
    for (int x = 0; x < size; x++) {
      int px = left + x;
      int inside = px >= 0 && py >= 0 && px < plane->width && py < plane->height;
      window[y * size + x] = inside ? udg_plane_row(plane, py)[px] : 0.0f;
    }
  }
}

/* Windows and spectra of the photo around one place. */
static void prepare(udg_score *score, const udg_residual *residual, const udg_trace_bank *bank,
                    int left, int top) {
  int size = bank->size;
  size_t count = (size_t)size * (size_t)size;
  float *work = score->window[W_TRACE];
  cut_out(&residual->weight, left, top, size, score->window[W_WEIGHT]);
  cut_out(&residual->white, left, top, size, score->window[W_RESIDUAL]);
  memcpy(work, score->window[W_WEIGHT], count * sizeof *work);
  udg_fft_forward(bank->plan, work, score->spectrum[S_WEIGHT]);
  for (size_t i = 0; i < count; i++)
    work[i] = score->window[W_WEIGHT][i] * score->window[W_RESIDUAL][i];
  udg_fft_forward(bank->plan, work, score->spectrum[S_WEIGHTED]);
  for (size_t i = 0; i < count; i++)
    work[i] =
        score->window[W_WEIGHT][i] * score->window[W_RESIDUAL][i] * score->window[W_RESIDUAL][i];
  udg_fft_forward(bank->plan, work, score->spectrum[S_SQUARE]);
}

/* The whitened trace, its spectrum in S_TRACE, its pixels in W_TRACE.  Gives
 * back its whole energy. */
static double draw(udg_score *score, const udg_trace *trace, const udg_light *light,
                   const float *gain, const udg_trace_bank *bank, float odd, float even) {
  const udg_fft_plan *plan = bank->plan;
  size_t count = (size_t)bank->size * (size_t)bank->size;
  size_t bins = (size_t)plan->half_width * (size_t)bank->size;
  udg_trace_draw(trace, light, odd, even, bank->size, score->window[W_TRACE]);
  udg_fft_forward(plan, score->window[W_TRACE], score->spectrum[S_TRACE]);
  for (size_t i = 0; i < bins; i++) {
    score->spectrum[S_TRACE][i].re *= gain[i];
    score->spectrum[S_TRACE][i].im *= gain[i];
    score->spectrum[S_WORK][i].re = score->spectrum[S_TRACE][i].re * plan->scale;
    score->spectrum[S_WORK][i].im = score->spectrum[S_TRACE][i].im * plan->scale;
  }
  udg_fft_inverse(plan, score->spectrum[S_WORK], score->window[W_TRACE]);
  double energy = 0.0;
  for (size_t i = 0; i < count; i++)
    energy += (double)score->window[W_TRACE][i] * (double)score->window[W_TRACE][i];
  return energy;
}

/* W_NUMERATOR, W_NORM and W_ENERGY for all offsets (circular). */
static void correlate(udg_score *score, const udg_trace *trace, const udg_trace_bank *bank) {
  const udg_fft_plan *plan = bank->plan;
  size_t count = (size_t)bank->size * (size_t)bank->size;
  udg_complex *work = score->spectrum[S_WORK];
  udg_fft_correlate(plan, score->spectrum[S_WEIGHTED], score->spectrum[S_TRACE], work);
  udg_fft_inverse(plan, work, score->window[W_NUMERATOR]);
  for (size_t i = 0; i < count; i++)
    score->window[W_NORM][i] = score->window[W_TRACE][i] * score->window[W_TRACE][i];
  udg_fft_forward(plan, score->window[W_NORM], work);
  udg_fft_correlate(plan, score->spectrum[S_WEIGHT], work, work);
  udg_fft_inverse(plan, work, score->window[W_NORM]);
  udg_fft_correlate(plan, score->spectrum[S_SQUARE], trace->support, work);
  udg_fft_inverse(plan, work, score->window[W_ENERGY]);
}

static size_t wrapped(int size, int dx, int dy) {
  int x = dx < 0 ? dx + size : dx, y = dy < 0 ? dy + size : dy;
  return (size_t)y * (size_t)size + (size_t)x;
}

typedef struct peak {
  double rank, energy, share, amplitude, visible;
} peak;

static peak peak_at(const udg_score *score, int size, double whole, int dx, int dy) {
  size_t at = wrapped(size, dx, dy);
  double numerator = (double)score->window[W_NUMERATOR][at];
  double norm = fmax((double)score->window[W_NORM][at], VISIBLE_MIN * whole);
  double local = fmax((double)score->window[W_ENERGY][at], 1e-2);
  peak p = {0.0, 0.0, 0.0, 0.0, 0.0};
  p.visible = whole > 0.0 ? fmin((double)score->window[W_NORM][at] / whole, 1.0) : 0.0;
  if (numerator <= 0.0 || norm <= 0.0)
    return p;
  p.energy = numerator * numerator / norm;
  p.share = fmin(p.energy / local, 0.999);
  p.amplitude = numerator / norm;
  p.rank = p.energy * p.share;
  return p;
}

/* Two-dimensional quadratic through the 3 x 3 ranks around the best offset: a
 * separable one is skewed by directional light. Least squares on nine points. */
static void refine(const udg_score *score, int size, double whole, int dx, int dy,
                   double offset[2]) {
  double gx = 0.0, gy = 0.0, gxx = 0.0, gyy = 0.0, gxy = 0.0;
  for (int j = -1; j <= 1; j++) {
    for (int i = -1; i <= 1; i++) {
      double v = peak_at(score, size, whole, dx + i, dy + j).rank;
      gx += v * i / 6.0;
      gy += v * j / 6.0;
      gxy += v * i * j / 4.0;
      gxx += v * (i ? 1.0 : -2.0) / 3.0;
      gyy += v * (j ? 1.0 : -2.0) / 3.0;
    }
  }
  double determinant = gxx * gyy - gxy * gxy;
  offset[0] = dx;
  offset[1] = dy;
  if (gxx >= 0.0 || determinant <= 0.0)
    return; /* no hill: flat, or at the edge of the search */
  offset[0] += fmin(fmax(-(gyy * gx - gxy * gy) / determinant, -0.7), 0.7);
  offset[1] += fmin(fmax(-(gxx * gy - gxy * gx) / determinant, -0.7), 0.7);
}

/* How the energy is spread over the cells of the trace. */
static void look_at_cells(const udg_score *score, int size, int dx, int dy, udg_hypothesis *h) {
  double norm[CELLS * CELLS] = {0.0}, match[CELLS * CELLS] = {0.0};
  double whole = 0.0, matched = 0.0, cell_px = CELL * UDG_UPRIGHT_DIGIT_PX;
  for (int y = 0; y < size; y++) {
    for (int x = 0; x < size; x++) {
      float t = score->window[W_TRACE][y * size + x];
      int px = x + dx, py = y + dy;
      if (px < 0 || py < 0 || px >= size || py >= size || t == 0.0f)
        continue;
      double w = (double)score->window[W_WEIGHT][py * size + px];
      double r = (double)score->window[W_RESIDUAL][py * size + px];
      int cx = (int)floor((x - 0.5 * size) / cell_px) + CELLS / 2;
      int cy = (int)floor((y - 0.5 * size) / cell_px) + CELLS / 2;
      if (w <= 0.0 || cx < 0 || cy < 0 || cx >= CELLS || cy >= CELLS)
        continue;
      norm[cy * CELLS + cx] += w * (double)t * (double)t;
      match[cy * CELLS + cx] += w * r * (double)t;
      whole += w * (double)t * (double)t;
    }
  }
  double counted = 0.0, largest = 0.0;
  for (int i = 0; i < CELLS * CELLS; i++) {
    if (norm[i] <= CELL_MIN * whole)
      continue;
    double share = h->amplitude > 0.0 ? match[i] / norm[i] / h->amplitude : 0.0;
    h->complete += norm[i] * fmin(fmax(share, 0.0), 1.0);
    h->missing += share < 0.2 ? norm[i] : 0.0;
    h->uneven += norm[i] * (share - 1.0) * (share - 1.0);
    counted += norm[i];
    matched += match[i];
    largest = fmax(largest, match[i]);
    h->cells++;
  }
  if (counted > 0.0) {
    h->complete /= counted;
    h->missing /= counted;
    h->uneven /= counted;
  }
  h->largest = matched > 0.0 ? fmin(largest / matched, 1.0) : 1.0;
}

/* Energy in the surroundings that the trace would not touch. */
static void look_around(const udg_score *score, int size, int dx, int dy, const udg_trace *trace,
                        udg_hypothesis *h) {
  float *mark = score->window[W_ENERGY]; /* its correlation is no longer needed */
  memset(mark, 0, sizeof *mark * (size_t)size * (size_t)size);
  for (int i = 0; i < trace->support_count; i++) {
    int x = trace->support_at[i] % size + dx, y = trace->support_at[i] / size + dy;
    if (x >= 0 && y >= 0 && x < size && y < size)
      mark[y * size + x] = 1.0f;
  }
  double radius = DISC * UDG_UPRIGHT_DIGIT_PX, sum = 0.0, pixels = 0.0;
  for (int y = 0; y < size; y++) {
    for (int x = 0; x < size; x++) {
      double ux = x - 0.5 * size - dx, uy = y - 0.5 * size - dy;
      double w = (double)score->window[W_WEIGHT][y * size + x];
      double r = (double)score->window[W_RESIDUAL][y * size + x];
      if (w <= 0.0 || mark[y * size + x] > 0.0f || ux * ux + uy * uy > radius * radius)
        continue;
      sum += w * r * r;
      pixels += 1.0;
    }
  }
  h->around = pixels > 0.0 ? sum / pixels : 1.0;
}

/* Free amplitudes of the odd and the even part: how steep the trace is shows
 * in their proportion. */
static void split_amplitude(udg_score *score, int size, int dx, int dy, const udg_trace *trace,
                            const udg_light *light, const float *gain, const udg_trace_bank *bank,
                            udg_hypothesis *h) {
  size_t count = (size_t)size * (size_t)size;
  draw(score, trace, light, gain, bank, 1.0f, 0.0f);
  memcpy(score->window[W_NORM], score->window[W_TRACE], count * sizeof(float));
  draw(score, trace, light, gain, bank, 0.0f, 1.0f);
  double a = 0.0, b = 0.0, c = 0.0, u = 0.0, v = 0.0;
  for (int y = 0; y < size; y++) {
    for (int x = 0; x < size; x++) {
      int px = x + dx, py = y + dy;
      if (px < 0 || py < 0 || px >= size || py >= size)
        continue;
      double w = (double)score->window[W_WEIGHT][py * size + px];
      double r = (double)score->window[W_RESIDUAL][py * size + px];
      double odd = (double)score->window[W_NORM][y * size + x];
      double even = (double)score->window[W_TRACE][y * size + x];
      a += w * odd * odd;
      b += w * odd * even;
      c += w * even * even;
      u += w * r * odd;
      v += w * r * even;
    }
  }
  /* Half a unit of prior each keeps a part that the light does not show at 0. */
  a += 0.25;
  c += 0.25;
  double determinant = a * c - b * b;
  h->odd = (c * u - b * v) / determinant;
  h->even = (a * v - b * u) / determinant;
  h->covariance[0] = c / determinant;
  h->covariance[1] = -b / determinant;
  h->covariance[2] = a / determinant;
}

/* Share of the trace's outline, at a window that begins at (left, top), that no
 * present digit lies over. */
static double open_outline(const udg_upright *upright, const udg_trace *trace, int size, int left,
                           int top) {
  const double x_step = (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) / (UDG_LIGHT_STEPS - 1);
  int on = 0, open = 0;
  for (int i = 0; i < trace->pixel_count; i++) {
    const udg_edge_pixel *p = &trace->pixels[i];
    if (fabs(UDG_LIGHT_X_LOW + p->step * x_step) * upright->bevel_px > OUTLINE_PX)
      continue;
    int x = left + p->at % size, y = top + p->at / size;
    on++;
    if (x < 0 || y < 0 || x >= upright->width || y >= upright->height)
      continue;
    open += udg_plane_row(&upright->distance, y)[x] < 0.0f;
  }
  return on > 0 ? (double)open / on : 0.0;
}

static udg_trace_kind kind_of(const udg_date *date, int place, const udg_trace *trace) {
  if (trace->mirrored)
    return UDG_TRACE_MIRRORED;
  char present = date->places[place].digit;
  if (trace->digit == present)
    return UDG_TRACE_SAME;
  /* A larger digit comes from an earlier date when those to its left were smaller; in
   * the first two places that would be centuries ago. */
  return trace->digit < present || place > 1 ? UDG_TRACE_EARLIER : UDG_TRACE_LATER;
}

/* Best offset of one trace; the evidence picture takes the earlier digits. */
static peak search(udg_score *score, const udg_trace_bank *bank, double whole, int left, int top,
                   int show, int best[2], double *mean_norm) {
  double sum = 0.0;
  peak found = {-1.0, 0.0, 0.0, 0.0, 0.0};
  for (int dy = -bank->reach_px; dy <= bank->reach_px; dy++) {
    for (int dx = -bank->reach_px; dx <= bank->reach_px; dx++) {
      peak p = peak_at(score, bank->size, whole, dx, dy);
      sum += fmax((double)score->window[W_NORM][wrapped(bank->size, dx, dy)], 0.0);
      int x = left + bank->size / 2 + dx, y = top + bank->size / 2 + dy;
      if (show && x >= 0 && y >= 0 && x < score->best.width && y < score->best.height) {
        float *shown = udg_plane_row(&score->best, y) + x;
        *shown = fmaxf(*shown, (float)p.rank);
      }
      if (p.rank > found.rank) {
        found = p;
        best[0] = dx;
        best[1] = dy;
      }
    }
  }
  int side = 2 * bank->reach_px + 1;
  *mean_norm = sum / ((double)side * side);
  return found;
}

static udg_hypothesis *slot_of(udg_score *score, int place, char digit, udg_trace_kind kind) {
  for (int i = 0; i < score->count; i++) {
    udg_hypothesis *h = &score->hypotheses[i];
    if (h->place == place && h->digit == digit && h->kind == kind)
      return h;
  }
  udg_hypothesis *h = &score->hypotheses[score->count++];
  memset(h, 0, sizeof *h);
  h->place = place;
  h->digit = digit;
  h->kind = kind;
  return h;
}

/* Keeps a present digit's own correlations for the displacement shared by all. */
static void share_displacement(udg_score *score, int size, int place) {
  size_t count = (size_t)size * (size_t)size;
  for (int k = 0; k < 3; k++) {
    const float *from = score->window[W_NUMERATOR + k];
    float *own = score->shared[3 * (place + 1) + k], *sum = score->shared[k];
    memcpy(own, from, count * sizeof *own);
    for (size_t i = 0; i < count; i++)
      sum[i] = place > 0 ? sum[i] + from[i] : from[i];
  }
}

/* The whole date struck twice: one amplitude and one displacement for all places. */
static void score_doubling(udg_score *score, const udg_upright *upright, const udg_trace_bank *bank,
                           double whole) {
  udg_hypothesis *h = slot_of(score, -1, 0, UDG_TRACE_DOUBLED);
  for (int k = 0; k < 3; k++)
    memcpy(score->window[W_NUMERATOR + k], score->shared[k],
           sizeof(float) * (size_t)bank->size * (size_t)bank->size);
  int at[2] = {0, 0};
  peak found = search(score, bank, whole, 0, 0, 0, at, &h->norm);
  refine(score, bank->size, whole, at[0], at[1], h->offset_px);
  h->energy = found.energy;
  h->share = found.share;
  h->amplitude = found.amplitude;
  h->visible = found.visible;
  h->cells = upright->place_count;
  size_t i = wrapped(bank->size, at[0], at[1]);
  double norm = 0.0, matched = 0.0, largest = 0.0;
  for (int place = 0; place < upright->place_count; place++) {
    double n = (double)score->shared[3 * (place + 1)][i];
    double d = (double)score->shared[3 * (place + 1) + 1][i];
    double share = d > 0.0 && h->amplitude > 0.0 ? n / d / h->amplitude : 0.0;
    h->complete += d * fmin(fmax(share, 0.0), 1.0);
    h->missing += share < 0.2 ? d : 0.0;
    h->uneven += d * (share - 1.0) * (share - 1.0);
    norm += d;
    matched += n;
    largest = fmax(largest, n);
  }
  if (norm > 0.0) {
    h->complete /= norm;
    h->missing /= norm;
    h->uneven /= norm;
  }
  h->largest = matched > 0.0 ? fmin(largest / matched, 1.0) : 1.0;
}

/* Gives back the trace's whole energy. */
static double score_trace(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const float *gain, const udg_trace_bank *bank, int place, int left,
                          int top, const udg_trace *trace) {
  double whole = draw(score, trace, light, gain, bank, DRAW_ODD, DRAW_EVEN);
  correlate(score, trace, bank);
  udg_trace_kind kind = kind_of(upright->date, place, trace);
  double off = trace->turn_rad - upright->date->places[place].turn_rad;
  if (kind == UDG_TRACE_SAME && fabs(off) < 1e-6)
    share_displacement(score, bank->size, place);
  int at[2] = {0, 0};
  double mean_norm = 0.0;
  peak found = search(score, bank, whole, left, top, kind == UDG_TRACE_EARLIER, at, &mean_norm);
  udg_hypothesis *h = slot_of(score, place, trace->digit, kind);
  if (h->cells > 0 && found.rank <= h->energy * h->share)
    return whole;
  udg_hypothesis made = {.place = place, .digit = trace->digit, .kind = kind};
  double offset[2];
  refine(score, bank->size, whole, at[0], at[1], offset);
  for (int axis = 0; axis < 2; axis++) {
    double centre = (axis ? top : left) + 0.5 * bank->size + offset[axis];
    made.offset_px[axis] = centre - upright->place_px[place][axis];
  }
  made.turn_rad = trace->turn_rad - upright->date->places[place].turn_rad;
  made.norm = mean_norm;
  made.energy = found.energy;
  made.share = found.share;
  made.amplitude = found.amplitude;
  made.visible = open_outline(upright, trace, bank->size, left + at[0], top + at[1]);
  look_at_cells(score, bank->size, at[0], at[1], &made);
  look_around(score, bank->size, at[0], at[1], trace, &made);
  split_amplitude(score, bank->size, at[0], at[1], trace, light, gain, bank, &made);
  if (made.cells == 0)
    made.cells = 1; /* wholly covered: still the best of its kind */
  *h = made;
  return whole;
}

/* Gain of whitening and ground removal over the window's spectrum. */
static void fill_gain(const udg_residual *residual, const udg_fft_plan *plan, float *gain) {
  for (int y = 0; y < plan->height; y++) {
    for (int x = 0; x < plan->half_width; x++) {
      double fx = (double)x / plan->width;
      double fy = (double)(y <= plan->height / 2 ? y : y - plan->height) / plan->height;
      double f = sqrt(fx * fx + fy * fy);
      gain[y * plan->half_width + x] =
          (float)(udg_residual_whitening(residual, f) * udg_residual_highpass(f));
    }
  }
}

udg_status udg_score_make(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_residual *residual, const udg_trace_bank *bank,
                          udg_message *message) {
  float *gain = udg_memory_get(&score->settings,
                               (size_t)bank->plan->half_width * (size_t)bank->size, sizeof *gain);
  if (!gain)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the scores");
  fill_gain(residual, bank->plan, gain);
  score->count = 0;
  memset(score->best.v, 0, sizeof(float) * (size_t)score->best.width * (size_t)score->best.height);
  udg_status status = UDG_OK;
  double own = 0.0;
  for (int place = 0; place < upright->place_count && status == UDG_OK; place++) {
    int left = (int)floor(upright->place_px[place][0] - 0.5 * bank->size + 0.5);
    int top = (int)floor(upright->place_px[place][1] - 0.5 * bank->size + 0.5);
    prepare(score, residual, bank, left, top);
    double nominal = upright->date->places[place].turn_rad;
    for (int i = 0; i < bank->trace_count; i++) {
      if (score->settings.cancel && score->settings.cancel(score->settings.user)) {
        status = udg_fail(message, UDG_ERROR_CANCELLED, "cancelled by the host");
        break;
      }
      if (fabs(bank->traces[i].turn_rad - nominal) > 0.2)
        continue; /* made for a place that is turned otherwise */
      double whole =
          score_trace(score, upright, light, gain, bank, place, left, top, &bank->traces[i]);
      if (kind_of(upright->date, place, &bank->traces[i]) == UDG_TRACE_SAME)
        own += whole / UDG_TRACE_TURNS;
    }
  }
  if (status == UDG_OK)
    score_doubling(score, upright, bank, own);
  udg_memory_drop(&score->settings, gain);
  return status;
}
