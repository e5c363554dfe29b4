/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "score.h"

#include <math.h>
#include <string.h>

#include "score_internal.h"

/* Windows and spectra are filled whenever they are used. */
static float *floats(const udg_score *score, size_t count, int *lacking) {
  float *block = udg_memory_raw(&score->settings, count, sizeof *block);
  *lacking |= !block;
  return block;
}

static udg_complex *spectrum(const udg_score *score, size_t bins, int *lacking) {
  udg_complex *block = udg_memory_raw(&score->settings, bins, sizeof *block);
  *lacking |= !block;
  return block;
}

static int take_memory(udg_score *score, const udg_trace_bank *bank) {
  size_t pixels = (size_t)bank->size * (size_t)bank->size;
  size_t offsets = (size_t)score->map_side * (size_t)score->map_side;
  int lacking = 0;
  score->gain = floats(score, pixels, &lacking);
  score->trace = floats(score, pixels, &lacking);
  score->whole = floats(score, pixels, &lacking);
  score->work = floats(score, pixels, &lacking);
  score->pair = spectrum(score, pixels, &lacking);
  score->of_trace = spectrum(score, pixels, &lacking);
  score->of_square = spectrum(score, pixels, &lacking);
  for (int k = 0; k < UDG_MAPS; k++) {
    score->product[k] = spectrum(score, pixels, &lacking);
    score->map[k] = floats(score, offsets, &lacking);
    if (score->map[k]) /* that of the local energy is not filled where nobody asks for it */
      memset(score->map[k], 0, offsets * sizeof *score->map[k]);
    for (int p = 0; p <= score->place_count; p++)
      score->shared[p][k] = floats(score, offsets, &lacking);
    for (int p = 0; p < score->place_count + UDG_SCORE_SPARE; p++)
      score->places[p].spectrum[k] = spectrum(score, pixels, &lacking);
  }
  for (int p = 0; p < score->place_count + UDG_SCORE_SPARE; p++) {
    score->places[p].weight = floats(score, pixels, &lacking);
    score->places[p].residual = floats(score, pixels, &lacking);
  }
  return !lacking;
}

udg_status udg_score_create(const udg_settings *settings, const udg_upright *upright,
                            const udg_trace_bank *bank, udg_score **score, udg_message *message) {
  udg_score *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the scores");
  made->settings = *settings;
  made->place_count = upright->date->place_count;
  made->map_side = 2 * bank->reach_px + 3;
  udg_status status = udg_plane_create(settings, upright->width, upright->height, &made->best);
  if (status == UDG_OK && !take_memory(made, bank))
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
  void *blocks[] = {score->gain,     score->trace,     score->whole, score->work,
                    score->of_trace, score->of_square, score->pair,  score->kept};
  for (size_t i = 0; i < sizeof blocks / sizeof *blocks; i++)
    udg_memory_drop(&settings, blocks[i]);
  for (int k = 0; k < UDG_MAPS; k++) {
    udg_memory_drop(&settings, score->map[k]);
    udg_memory_drop(&settings, score->product[k]);
    for (int p = 0; p <= UDG_PLACES_MAX; p++)
      udg_memory_drop(&settings, score->shared[p][k]);
    for (int p = 0; p < UDG_PLACES_MAX + UDG_SCORE_SPARE; p++)
      udg_memory_drop(&settings, score->places[p].spectrum[k]);
  }
  for (int p = 0; p < UDG_PLACES_MAX + UDG_SCORE_SPARE; p++) {
    udg_memory_drop(&settings, score->places[p].weight);
    udg_memory_drop(&settings, score->places[p].residual);
  }
  udg_plane_destroy(&settings, &score->best);
  udg_memory_drop(&settings, score);
}

static const udg_score_range ANYWHERE = {{0, 0}, -1};
/* Photos of one coin agree on an offset to within so many px: the windows' whole pixels and
 * what each registration is off. */
enum { CHOICE_REACH_PX = 2 };

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
static void share_displacement(udg_score *score, int place) {
  size_t count = (size_t)score->map_side * (size_t)score->map_side;
  for (int k = 0; k < UDG_MAPS; k++) {
    float *sum = score->shared[score->place_count][k];
    memcpy(score->shared[place][k], score->map[k], count * sizeof *sum);
    for (size_t i = 0; i < count; i++)
      sum[i] += score->map[k][i];
  }
}

/* The whole date struck twice: one amplitude and one displacement for all places. */
static void score_doubling(udg_score *score, double whole) {
  udg_hypothesis *h = slot_of(score, -1, 0, UDG_TRACE_DOUBLED);
  size_t count = (size_t)score->map_side * (size_t)score->map_side;
  udg_match match;
  for (int k = 0; k < UDG_MAPS; k++)
    memcpy(score->map[k], score->shared[score->place_count][k], count * sizeof(float));
  udg_score_search(score, whole, 0, 0, 0, &match);
  for (int axis = 0; axis < 2; axis++)
    h->offset_px[axis] = match.refined[axis];
  h->norm = match.mean_norm;
  h->energy = match.peak.energy;
  h->share = match.peak.share;
  h->amplitude = match.peak.amplitude;
  h->visible = match.visible;
  h->cells = score->place_count;
  size_t i = udg_score_map_index(score, match.offset[0], match.offset[1]);
  double norm = 0.0, matched = 0.0, largest = 0.0;
  for (int place = 0; place < score->place_count; place++) {
    double n = (double)score->shared[place][UDG_MAP_NUMERATOR][i];
    double d = (double)score->shared[place][UDG_MAP_NORM][i];
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

/* The best trace of a hypothesis so far. */
typedef struct leader {
  const udg_trace *trace;
  udg_match match;
} leader;

/* Made for this place, not for one that is turned otherwise. */
static int fits_place(const udg_date *date, int place, const udg_trace *trace) {
  return fabs(trace->turn_rad - date->places[place].turn_rad) <= 0.2;
}

int udg_score_kind(const udg_date *date, int place, const udg_trace *trace) {
  return fits_place(date, place, trace) ? (int)kind_of(date, place, trace) : -1;
}

/* Where photos together say the trace is, if it is the one they chose; else reach 0 and
 * nothing to look for. */
static int chosen(const udg_score_choice *choice, int place, int trace, char digit,
                  udg_trace_kind kind, udg_score_range *range) {
  for (int i = 0; i < choice->count; i++) {
    if (choice->of[i].place != place || choice->of[i].trace != trace ||
        choice->of[i].digit != digit || choice->of[i].kind != kind)
      continue;
    *range = (udg_score_range){{choice->of[i].offset_px[0], choice->of[i].offset_px[1]},
                               CHOICE_REACH_PX};
    return 1;
  }
  return 0;
}

static void keep_maps(udg_score *score, const udg_trace_bank *bank, int place, int trace,
                      double whole) {
  size_t count = (size_t)score->map_side * (size_t)score->map_side;
  float *to = score->kept + udg_score_kept_at(score, bank, place, trace);
  for (int k = 0; k < UDG_MAPS; k++)
    memcpy(to + (size_t)k * count, score->map[k], count * sizeof *to);
  to[UDG_MAPS * count] = (float)whole;
}

/* One trace at one place, correlated before. */
static void score_trace(udg_score *score, const udg_date *date, const udg_trace_bank *bank,
                        int place, int number, double whole, leader *leaders) {
  const udg_score_place *at = &score->places[place];
  const udg_trace *trace = &bank->traces[number];
  udg_trace_kind kind = kind_of(date, place, trace);
  udg_score_range range = ANYWHERE;
  udg_match match;
  udg_score_take(score, bank, number % 2);
  if (kind == UDG_TRACE_SAME && fabs(trace->turn_rad - date->places[place].turn_rad) < 1e-6)
    share_displacement(score, place);
  if (score->keep)
    keep_maps(score, bank, place, number, whole);
  if (score->choice && !chosen(score->choice, place, number, trace->digit, kind, &range))
    return;
  int first = bank->size / 2 - bank->reach_px;
  udg_score_search_near(score, whole, &range, kind == UDG_TRACE_EARLIER, at->left + first,
                        at->top + first, &match);
  leader *best = &leaders[slot_of(score, place, trace->digit, kind) - score->hypotheses];
  if (!best->trace || match.peak.rank > best->match.peak.rank)
    *best = (leader){trace, match};
}

static void describe(udg_score *score, const udg_upright *upright, const udg_light *light,
                     const udg_trace_bank *bank, const leader *best, udg_hypothesis *h) {
  const udg_score_place *at = &score->places[h->place];
  const udg_match *match = &best->match;
  for (int axis = 0; axis < 2; axis++) {
    double centre = (axis ? at->top : at->left) + 0.5 * bank->size + match->refined[axis];
    h->offset_px[axis] = centre - upright->place_px[h->place][axis];
  }
  h->turn_rad = best->trace->turn_rad - upright->date->places[h->place].turn_rad;
  h->norm = match->mean_norm;
  h->energy = match->peak.energy;
  h->share = match->peak.share;
  h->amplitude = match->peak.amplitude;
  udg_score_look(score, upright, light, bank, best->trace, match, h);
}

/* Gain of whitening and ground removal over the window's spectrum. */
static void fill_gain(const udg_residual *residual, int size, float *gain) {
  for (int y = 0; y <= size / 2; y++) {
    for (int x = 0; x <= size / 2; x++) {
      double fx = (double)x / size, fy = (double)y / size, f = sqrt(fx * fx + fy * fy);
      float g = (float)(udg_residual_whitening(residual, f) * udg_residual_highpass(f));
      int across = (size - x) % size, down = (size - y) % size;
      gain[y * size + x] = gain[y * size + across] = g;
      gain[down * size + x] = gain[down * size + across] = g;
    }
  }
}

/* Windows, and every hypothesis in the order of places and digits. */
static void begin(udg_score *score, const udg_upright *upright, const udg_residual *residual,
                  const udg_trace_bank *bank) {
  const udg_date *date = upright->date;
  fill_gain(residual, bank->size, score->gain);
  score->count = 0;
  score->looked_at = NULL;
  memset(&score->fragment, 0, sizeof score->fragment);
  score->spot_count = 0;
  memset(&score->chip, 0, sizeof score->chip);
  memset(&score->twice, 0, sizeof score->twice);
  memset(score->best.v, 0, sizeof(float) * (size_t)score->best.width * (size_t)score->best.height);
  for (int k = 0; k < UDG_MAPS; k++)
    memset(score->shared[score->place_count][k], 0,
           sizeof(float) * (size_t)score->map_side * (size_t)score->map_side);
  for (int place = 0; place < score->place_count; place++) {
    udg_score_place *at = &score->places[place];
    at->left = (int)floor(upright->place_px[place][0] - 0.5 * bank->size + 0.5);
    at->top = (int)floor(upright->place_px[place][1] - 0.5 * bank->size + 0.5);
    udg_score_prepare(score, residual, bank, place);
    for (int i = 0; i < bank->trace_count; i++)
      if (fits_place(date, place, &bank->traces[i]))
        slot_of(score, place, bank->traces[i].digit, kind_of(date, place, &bank->traces[i]));
  }
}

/* A pair of traces is drawn once for all places: how it looks depends on the light alone.  Adds
 * the present digits' whole energy, mean over their turns, to `own`. */
static udg_status score_pair(udg_score *score, const udg_date *date, const udg_light *light,
                             const udg_trace_bank *bank, int pair, leader *leaders, double *own) {
  double whole[2];
  int first = 2 * pair, end = first + 2 < bank->trace_count ? first + 2 : bank->trace_count;
  udg_score_draw(score, light, bank, pair, whole);
  for (int place = 0; place < score->place_count; place++) {
    int correlated = 0;
    for (int i = first; i < end; i++) {
      if (!fits_place(date, place, &bank->traces[i]))
        continue;
      if (udg_stop_wanted(&score->settings))
        return UDG_ERROR_CANCELLED;
      if (!correlated)
        udg_score_correlate(score, bank, pair, place);
      correlated = 1;
      score_trace(score, date, bank, place, i, whole[i - first], leaders);
      if (kind_of(date, place, &bank->traces[i]) == UDG_TRACE_SAME)
        *own += whole[i - first] / UDG_TRACE_TURNS;
    }
  }
  return UDG_OK;
}

udg_status udg_score_make(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_residual *residual, const udg_trace_bank *bank,
                          udg_message *message) {
  const udg_date *date = upright->date;
  leader leaders[UDG_HYPOTHESES_MAX];
  double own = 0.0;
  memset(leaders, 0, sizeof leaders);
  if (score->keep && !score->kept) {
    size_t maps = udg_score_kept_at(score, bank, score->place_count, 0);
    if (!(score->kept = udg_memory_get(&score->settings, maps, sizeof *score->kept)))
      return udg_fail(message, UDG_ERROR_MEMORY, "no memory to keep the scores");
  }
  begin(score, upright, residual, bank);
  score->misfit = light->rms / fmax(light->peak, 1.0);
  for (int i = 0; i < udg_trace_pair_count(bank); i++)
    if (score_pair(score, date, light, bank, i, leaders, &own) != UDG_OK)
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled by the host");
  for (int i = 0; i < bank->trace_count; i++)
    for (int k = 0; k < score->count; k++)
      if (leaders[k].trace == &bank->traces[i])
        describe(score, upright, light, bank, &leaders[k], &score->hypotheses[k]);
  score_doubling(score, own);
  return UDG_OK;
}
