/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "strike.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "name.h"
#include "relief.h"
#include "relit_patch.h"

enum {
  FILLS = 5,
  WEARS = 3,
  BLURS = 3,
  BEVELS = 3,
  COMMON = WEARS * BLURS * BEVELS, /* what all regions share */
  GRID = COMMON * FILLS,
  LETTERS_MAX = 12, /* of one region */
  ROUNDS = 2
};

/* Resolution, px to a digit's height: shoulders must be some pixels wide. */
static const double FINE = 28.0;

static const double FILL[FILLS] = {0.4, 0.55, 0.7, 0.85, 1.0};
static const double WEAR[WEARS] = {0.0, 0.35, 0.7};
static const double BLUR_PX[BLURS] = {0.4, 0.9, 1.6};
static const double BEVEL[BEVELS] = {0.85, 1.0, 1.18};
/* Chance of a width of the shoulder before anything is seen: +-10 %, one s.d. (estimate). */
static const double BEVEL_SD = 0.1;
/* Share of the height from which on a weak strike lacks something, and a worn top's softness. */
static const double UNFILLED_FROM = 0.35, WORN_SOFT = 0.2;
static const double WEAR_CUT = 0.5, WEAR_BLUR = 0.3;
/* Misfit comes in patches: so many pixels of it tell as much as one would by itself. By drawn
 * coins, so that 90 % intervals hold 90 % of the truths. */
static const double PIXELS_ALIKE = 50.0;
/* From which share on a strike is full, and the chance that is asked for to say either. */
static const double FULL_FROM = 0.8, SURE = 0.9;

/* Log odds of a digit from which on its die counts as seen. */
static const double DIE_SEEN = 1.5;

typedef struct region {
  char name[32];
  int things;
  udg_relit_sums sums[GRID];
} region;

int udg_strike_wanted(const udg_reference *reference, size_t date_index) {
  for (size_t i = 0; i < reference->expected_count; i++) {
    const udg_expected *e = &reference->expected[i];
    if ((size_t)e->date_index == date_index && (e->usually_weak || e->marker_count))
      return 1;
  }
  for (size_t i = 0; i < reference->design_count; i++)
    if (reference->design[i].region[0])
      return 1;
  return 0;
}

static float supposed(double y, double fill, double wear) {
  double up = fmax(y - UNFILLED_FROM, 0.0) / (1.0 - UNFILLED_FROM);
  double h = y - (1.0 - fill) * up * up * (3.0 - 2.0 * up);
  double cap = 1.0 - WEAR_CUT * wear, t = (h - cap + WORN_SOFT) / (2.0 * WORN_SOFT);
  if (wear > 0.0 && t > 0.0)
    h = t >= 1.0 ? cap : h - WORN_SOFT * t * t;
  return (float)h;
}

/* All suppositions about what is open. */
static void take(udg_relit_patch *patch, region *to) {
  const udg_plane *distance = &patch->look->patch.base;
  int count = distance->width * distance->height;
  const udg_look_scene *scene = &patch->look->scene;
  double height_mm = scene->reference->dates[scene->date_index].height_mm;
  double bevel_mm = scene->reference->bevel_mm, full_px = bevel_mm * patch->px_per_mm;
  for (int g = 0; g < GRID; g += BLURS) { /* blur runs fastest: the relief is the same */
    double fill = FILL[g / COMMON], wear = WEAR[g / (BLURS * BEVELS) % WEARS];
    double bevel_px = BEVEL[g / BLURS % BEVELS] * full_px;
    for (int i = 0; i < count; i++)
      patch->height.v[i] =
          supposed(udg_relief_profile((double)distance->v[i], bevel_px), fill, wear);
    for (int b = 0; b < BLURS; b++) {
      double soft = WEAR_BLUR * wear * bevel_mm * FINE / height_mm;
      udg_relit_sums one;
      udg_relit_patch_take(patch, hypot(BLUR_PX[b], soft), &one);
      udg_relit_add(&to->sums[g + b], &one);
    }
  }
  to->things++;
}

static region *region_of(region *regions, int *count, const char *name) {
  for (int r = 0; r < *count; r++)
    if (strcmp(regions[r].name, name) == 0)
      return &regions[r];
  if (*count == UDG_STRIKES_MAX)
    return NULL;
  snprintf(regions[*count].name, sizeof regions->name, "%s", name);
  return &regions[(*count)++];
}

static udg_status take_all(udg_relit_patch *patch, region *regions, int *count,
                           udg_message *message) {
  const udg_look_scene *scene = &patch->look->scene;
  const udg_reference *reference = scene->reference;
  int places = reference->dates[scene->date_index].place_count;
  *count = 0;
  region *to = region_of(regions, count, "date");
  for (int i = 0; i < places + (int)reference->design_count; i++) {
    int usable = 0;
    if (udg_stop_wanted(&patch->look->settings))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking at the strike");
    if (i >= places) {
      const udg_design_item *item = &reference->design[i - places];
      to = item->region[0] ? region_of(regions, count, item->region) : NULL;
      if (!to || to->things == LETTERS_MAX)
        continue;
    }
    udg_status status = i < places ? udg_relit_patch_digit(patch, i, &usable, message)
                                   : udg_relit_patch_item(patch, i - places, &usable, message);
    if (status != UDG_OK)
      return status;
    if (usable)
      take(patch, to);
  }
  return UDG_OK;
}

/* Log of what one supposition about all regions is worth. */
static double worth(const region *regions, int count, int common, const int *fill) {
  udg_relit_sums all = {0};
  for (int r = 0; r < count; r++)
    udg_relit_add(&all, &regions[r].sums[fill[r] * COMMON + common]);
  double off = (BEVEL[common / BLURS % BEVELS] - 1.0) / BEVEL_SD;
  return -0.5 * all.pixels / PIXELS_ALIKE * log(fmax(udg_relit_rest(&all), 1e-3)) - 0.5 * off * off;
}

/* The other regions at what suits them best under `common`. */
static void settle(const region *regions, int count, int common, int *fill) {
  for (int r = 0; r < count; r++)
    fill[r] = FILLS - 1;
  for (int round = 0; round < ROUNDS; round++)
    for (int r = 0; r < count; r++) {
      double best = -HUGE_VAL;
      int at = 0;
      for (int f = 0; f < FILLS; f++) {
        fill[r] = f;
        double w = worth(regions, count, common, fill);
        if (w > best) {
          best = w;
          at = f;
        }
      }
      fill[r] = at;
    }
}

/* Mean and 90 % interval of chances over rising values, each standing for all that is nearest. */
static void sum_up(const double *chance, const double *value, int n, double *mean,
                   double interval[2]) {
  double below = 0.0;
  *mean = 0.0;
  interval[0] = value[0];
  interval[1] = value[n - 1];
  for (int i = 0; i < n; i++) {
    *mean += chance[i] * value[i];
    if (below < 0.05 && below + chance[i] >= 0.05)
      interval[0] = i ? 0.5 * (value[i - 1] + value[i]) : value[i];
    if (below < 0.95 && below + chance[i] >= 0.95)
      interval[1] = i + 1 < n ? 0.5 * (value[i] + value[i + 1]) : value[i];
    below += chance[i];
  }
  interval[0] = fmin(interval[0], *mean); /* of few values both ends can be the same */
  interval[1] = fmax(interval[1], *mean);
}

static void normalise(double *logs, int n) {
  double most = -HUGE_VAL, sum = 0.0;
  for (int i = 0; i < n; i++)
    most = fmax(most, logs[i]);
  for (int i = 0; i < n; i++)
    sum += logs[i] = exp(logs[i] - most);
  for (int i = 0; i < n; i++)
    logs[i] /= sum;
}

static void tell_region(const double *chance, udg_strike_finding *f) {
  double full = 0.0;
  sum_up(chance, FILL, FILLS, &f->full, f->full_interval);
  for (int i = 0; i < FILLS; i++)
    full += FILL[i] > FULL_FROM ? chance[i] : 0.0;
  f->answer = full >= SURE         ? UDG_STRIKE_FULL
              : full <= 1.0 - SURE ? UDG_STRIKE_WEAK
                                   : UDG_STRIKE_CANNOT_TELL;
}

static void tell(const region *regions, int count, udg_result *result) {
  double each[UDG_STRIKES_MAX][GRID], wear[WEARS] = {0.0};
  for (int c = 0; c < COMMON; c++) {
    int fill[UDG_STRIKES_MAX];
    settle(regions, count, c, fill);
    for (int r = 0; r < count; r++) {
      int own = fill[r];
      for (int f = 0; f < FILLS; f++) {
        fill[r] = f;
        each[r][f * COMMON + c] = worth(regions, count, c, fill);
      }
      fill[r] = own;
    }
  }
  for (int r = 0; r < count; r++) {
    double chance[FILLS] = {0.0};
    normalise(each[r], GRID);
    for (int g = 0; g < GRID; g++)
      chance[g / COMMON] += each[r][g];
    udg_strike_finding *f = &result->strikes[r];
    *f = (udg_strike_finding){.things = regions[r].things};
    snprintf(f->region, sizeof f->region, "%s", regions[r].name);
    if (regions[r].things > 0)
      tell_region(chance, f);
    else
      f->full_interval[1] = 1.0;
  }
  for (int g = 0; g < GRID; g++)
    wear[g / (BLURS * BEVELS) % WEARS] += each[0][g];
  sum_up(wear, WEAR, WEARS, &result->wear, result->wear_interval);
  result->strike_count = count;
}

udg_status udg_strike_look(udg_look *look, const udg_look_scene *scene, udg_result *result,
                           udg_message *message) {
  udg_relit_patch patch;
  int count;
  udg_look_begin(look, scene);
  region *regions = udg_memory_get(&look->settings, UDG_STRIKES_MAX, sizeof *regions);
  if (!regions)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the strike");
  udg_status status = udg_relit_patch_create(look, FINE, &patch, message);
  if (status == UDG_OK) {
    status = take_all(&patch, regions, &count, message);
    udg_relit_patch_destroy(&patch);
  }
  if (status == UDG_OK)
    tell(regions, count, result);
  udg_memory_drop(&look->settings, regions);
  return status;
}

const char *udg_strike_answer_text(udg_strike_answer answer) {
  static const char *const texts[] = {"cannot tell", "full", "weak"};
  return (size_t)answer < 3 ? texts[answer] : "unknown";
}

/* A digit or a marker of this die shows. */
static int seen(const udg_result *result, const udg_expected *e) {
  for (int d = 0; d < result->die_count; d++) {
    const udg_die_finding *die = &result->dies[d];
    if (strcmp(e->id, die->id) == 0 && (die->present > 0 || die->digit_log_ratio > DIE_SEEN))
      return 1;
  }
  const udg_finding *f = &result->finding;
  return result->verdict == UDG_VERDICT_UNDERDIGIT && f->place == e->place &&
         f->digit == e->earlier;
}

void udg_strike_words(const udg_reference *reference, size_t date_index, udg_result *result) {
  if (result->strike_count == 0)
    return;
  udg_strike_answer date = result->strikes[0].answer;
  for (size_t i = 0; i < reference->expected_count; i++) {
    const udg_expected *e = &reference->expected[i];
    if ((size_t)e->date_index != date_index || !seen(result, e))
      continue;
    if (e->usually_weak > 0 && date == UDG_STRIKE_FULL)
      udg_result_reason(result, "sharply struck for die %s, which usually is weak", e->id);
    if (e->usually_weak < 0 && date == UDG_STRIKE_WEAK)
      udg_result_reason(result, "weakly struck for die %s, which usually is full", e->id);
  }
}
