/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Draws a coin: which class, which trace, which marks, how worn. */
#include "scene.h"

#include <math.h>
#include <string.h>

#include "marker.h"
#include "view.h"

const char *const ti_class_names[TI_CLASS_COUNT] = {"clean", "underdigit", "repunched", "doubled",
                                                    "crack", "scratch",    "chip",      "fragment"};
const char *const ti_profile_names[TI_PROFILE_COUNT] = {"smooth", "slope", "round", "hollow"};

const char *const ti_markers_names[TI_MARKERS_COUNT] = {"die", "none", "all", "half"};

enum {
  STREAM_COIN = 1,
  STREAM_VIEW = 2,
  STREAM_RIM = 5,
  STREAM_TRAY = 6,
  STREAM_MARKERS = 7,
  STREAM_STRIKE = 8
};

void ti_options_defaults(ti_options *options) {
  *options = (ti_options){.class_fixed = -1,
                          .date_fixed = -1,
                          .digit_px = {28, 150},
                          .turn_rad = {-0.2, 0.2},
                          .ideal_noise = 5,
                          .ideal_contrast = 120,
                          .strength = {0.12, 0.85},
                          .strike = {1, 1},
                          .wear = {-1, -1},
                          .profile = -1,
                          .coin_px = {500, 1250},
                          .coins = 1};
}

void ti_scene_place(const ti_scene *scene, int place, const ti_offset *offset, double centre[2],
                    double *turn_rad) {
  const udg_place *nominal = &scene->date->places[place];
  centre[0] = nominal->centre_mm[0] + offset->dx;
  centre[1] = nominal->centre_mm[1] + offset->dy;
  *turn_rad = nominal->turn_rad + offset->turn_rad;
}

static ti_class draw_class(ti_rng *rng) {
  /* Far more traces than in listings, so that a set of some hundred has enough
   * of each to measure with. */
  static const double share[TI_CLASS_COUNT] = {0.28, 0.38, 0.08, 0.06, 0.05, 0.07, 0.04, 0.04};
  double u = ti_rng_unit(rng);
  for (int c = 0; c < TI_CLASS_COUNT; c++) {
    if (u < share[c])
      return (ti_class)c;
    u -= share[c];
  }
  return TI_CLEAN;
}

static ti_offset draw_slack(ti_rng *rng, const ti_scene *s) {
  double x = ti_rng_normal(rng), y = ti_rng_normal(rng), turn = ti_rng_normal(rng);
  /* The library knows a date in the hub by a slack of 0. */
  return (ti_offset){x * s->date->slack_mm, y * s->date->slack_mm, turn * s->date->slack_rad};
}

/* An offset up to about a third of the digit's height that is not next to nothing. */
static ti_offset draw_trace_offset(ti_rng *rng, const ti_scene *s, double reach) {
  double h = s->date->height_mm, r = h * ti_rng_range(rng, 0.05, reach);
  double angle = ti_rng_range(rng, 0, 6.283185307179586);
  return (ti_offset){r * cos(angle), r * sin(angle), 0.035 * ti_rng_normal(rng)};
}

static const udg_expected *draw_expected(ti_rng *rng, const ti_scene *s) {
  const udg_reference *ref = s->reference;
  int index = (int)(s->date - ref->dates), count = 0;
  for (size_t k = 0; k < ref->expected_count; k++)
    count += ref->expected[k].date_index == index;
  double listed = ti_rng_unit(rng);
  int wanted = count ? ti_rng_pick(rng, count) : -1;
  if (listed > 0.65)
    return NULL;
  for (size_t k = 0; k < ref->expected_count; k++)
    if (ref->expected[k].date_index == index && wanted-- == 0)
      return &ref->expected[k];
  return NULL;
}

/* The last digits of a date are the ones that get changed. */
static int draw_place(ti_rng *rng, const ti_scene *s) {
  double u = ti_rng_unit(rng);
  int n = s->date->place_count;
  int back = u < 0.62 ? 0 : u < 0.92 ? 1 : u < 0.98 ? 2 : 3;
  return back < n ? n - 1 - back : n - 1;
}

/* `present` itself when the reference has no other. */
static char draw_other_digit(ti_rng *rng, const ti_scene *s, char present) {
  char others[10];
  int count = 0;
  for (int d = 0; d < 10; d++)
    if (s->reference->has_digit[d] && '0' + d != present)
      others[count++] = (char)('0' + d);
  int k = ti_rng_pick(rng, count ? count : 1);
  return count ? others[k] : present;
}

static double draw_strength(ti_rng *rng, const ti_options *o) {
  double u = ti_rng_unit(rng), v = ti_rng_unit(rng);
  return o->strength[0] + (o->strength[1] - o->strength[0]) * 0.5 * (u + v);
}

static void draw_under(ti_rng *rng, const ti_options *o, ti_scene *s) {
  ti_trace *t = &s->coin.under;
  const udg_expected *e = draw_expected(rng, s);
  ti_offset spread = draw_trace_offset(rng, s, 0.24);
  t->place = e ? e->place - 1 : draw_place(rng, s);
  t->digit = e ? e->earlier : draw_other_digit(rng, s, s->date->text[t->place]);
  t->offset = spread;
  if (e) {
    t->offset.dx = e->offset_mm[0] + 0.6 * e->tolerance_mm * ti_rng_normal(rng);
    t->offset.dy = e->offset_mm[1] + 0.6 * e->tolerance_mm * ti_rng_normal(rng);
  }
  if (s->in_hub) {
    t->offset.dx *= 0.6;
    t->offset.dy *= 0.6;
    t->offset.turn_rad = 0;
  }
  t->strength = draw_strength(rng, o);
  t->polish = ti_rng_chance(rng, 0.25) ? ti_rng_range(rng, 0.02, 0.35) : 0;
  s->coin.has_under = 1;
  if (s->in_hub) {
    /* The earlier date comes with the whole hub: every digit is doubled. */
    s->coin.has_doubling = 1;
    s->coin.doubling = t->offset;
    s->coin.doubling_strength = t->strength;
  }
}

static void draw_repunched(ti_rng *rng, const ti_options *o, ti_scene *s) {
  ti_trace *t = &s->coin.under;
  t->place = draw_place(rng, s);
  t->digit = s->date->text[t->place];
  t->offset = draw_trace_offset(rng, s, 0.2);
  t->strength = draw_strength(rng, o);
  t->polish = 0;
  s->coin.has_under = 1;
}

static void draw_doubled(ti_rng *rng, const ti_options *o, ti_scene *s) {
  double h = s->date->height_mm, r = h * ti_rng_range(rng, 0.03, 0.12);
  double angle = ti_rng_range(rng, 0, 6.283185307179586);
  s->coin.doubling = (ti_offset){r * cos(angle), r * sin(angle), 0};
  s->coin.doubling_strength = fmax(0.35, draw_strength(rng, o));
  s->coin.has_doubling = 1;
}

static void draw_fragment(ti_rng *rng, ti_scene *s) {
  ti_coin *c = &s->coin;
  double h = s->date->height_mm, half = 2.0 * h;
  const udg_date *d = s->date;
  c->fragment_digit = draw_other_digit(rng, s, '\0');
  const udg_outline *outline = &s->reference->digits[c->fragment_digit - '0'];
  /* A corner of the punch: what lies within a disc about a point of its edge. */
  size_t at = (size_t)ti_rng_pick(rng, (int)outline->point_count);
  c->fragment_cut[0] = outline->points[2 * at];
  c->fragment_cut[1] = outline->points[2 * at + 1];
  c->fragment_cut[2] = h * ti_rng_range(rng, 0.22, 0.5);
  /* Above or below the date, sometimes touching a digit. */
  double side = ti_rng_chance(rng, 0.5) ? -1 : 1;
  double away =
      ti_rng_chance(rng, 0.3) ? ti_rng_range(rng, 0.35, 0.6) : ti_rng_range(rng, 0.6, 0.95);
  c->fragment.dx = ti_rng_range(rng, -half, half);
  c->fragment.dy = d->places[0].centre_mm[1] + side * away * h;
  c->fragment.turn_rad = ti_rng_range(rng, -0.5, 0.5);
  c->fragment_strength = ti_rng_range(rng, 0.2, 0.6);
  c->has_fragment = 1;
}

/* Chips break out at the edge of a digit in the die. */
static void put_chip(ti_rng *rng, ti_scene *s, ti_mark *m) {
  int place = draw_place(rng, s);
  const udg_outline *outline = &s->reference->digits[s->date->text[place] - '0'];
  size_t at = (size_t)ti_rng_pick(rng, (int)outline->point_count);
  double centre[2], turn;
  ti_scene_place(s, place, &s->coin.digits[place], centre, &turn);
  double x = outline->points[2 * at], y = outline->points[2 * at + 1];
  double c = cos(turn), q = sin(turn), out = 0.5 * m->radius * ti_rng_unit(rng);
  double far = fmax(hypot(x, y), 1e-6);
  x += out * x / far;
  y += out * y / far;
  m->x = centre[0] + c * x - q * y;
  m->y = centre[1] + q * x + c * y;
}

static void draw_marks(ti_rng *rng, ti_scene *s, ti_class kind) {
  int more = kind == TI_SCRATCH ? 1 + ti_rng_pick(rng, 3) : 1 + ti_rng_pick(rng, 2);
  double half = 0.5 * s->date->height_mm * s->date->place_count;
  for (int k = 0; k < more && s->coin.mark_count < TI_MARKS_MAX; k++) {
    ti_mark *m = &s->coin.marks[s->coin.mark_count++];
    m->kind = kind;
    m->x = ti_rng_range(rng, -half, half);
    m->y = s->date->height_mm * ti_rng_range(rng, -1.15, 0.1);
    m->angle_rad = ti_rng_range(rng, 0, 3.141592653589793);
    m->length = s->date->height_mm * ti_rng_range(rng, 0.5, 3.0);
    m->width = ti_rng_range(rng, 0.03, kind == TI_CRACK ? 0.11 : 0.08);
    m->radius = s->date->height_mm * ti_rng_range(rng, 0.045, 0.17);
    m->height = ti_rng_range(rng, 0.16, 0.7);
    m->wander = ti_rng_bits(rng);
    if (kind == TI_CHIP)
      put_chip(rng, s, m);
  }
}

static void draw_condition(ti_rng *rng, ti_scene *s) {
  ti_coin *c = &s->coin;
  double p = ti_rng_unit(rng);
  c->profile = p < 0.5    ? TI_PROFILE_SMOOTH
               : p < 0.7  ? TI_PROFILE_SLOPE
               : p < 0.85 ? TI_PROFILE_ROUND
                          : TI_PROFILE_HOLLOW;
  c->relief_mm = s->reference->relief_mm * ti_rng_range(rng, 0.85, 1.1);
  c->bevel_mm = s->reference->bevel_mm * ti_rng_range(rng, 0.8, 1.2);
  c->strike_mm = ti_rng_range(rng, 0.006, 0.02);
  c->wear = ti_rng_chance(rng, 0.4) ? 0 : 0.75 * pow(ti_rng_unit(rng), 0.8);
  c->dents = ti_rng_poisson(rng, 2 + 7 * ti_rng_unit(rng));
  c->hairlines = ti_rng_poisson(rng, 16 * ti_rng_unit(rng));
  /* Most fields are smooth; one in five is pitted or leathery. */
  c->grain_mm = ti_rng_chance(rng, 0.2) ? ti_rng_log_range(rng, 0.001, 0.004)
                                        : ti_rng_range(rng, 0.0002, 0.0007);
  c->grain_size_mm = ti_rng_range(rng, 0.035, 0.08);
  c->dirt = ti_rng_chance(rng, 0.5) ? 0 : ti_rng_unit(rng);
  c->tone = ti_rng_unit(rng);
  c->rough = ti_rng_range(rng, 0.22, 0.5);
  c->diffuse = ti_rng_range(rng, 0.2, 0.6);
  c->metal = ti_rng_pick(rng, TI_METAL_COUNT);
}

/* A strike that does not fill the die about the date, and what else was asked for. */
static void draw_strike(const ti_options *o, ti_scene *s) {
  ti_rng rng = ti_rng_create(s->stream, (uint64_t)s->index, STREAM_STRIKE);
  ti_coin *c = &s->coin;
  double h = s->date->height_mm;
  c->fill = ti_rng_range(&rng, o->strike[0], o->strike[1]);
  c->fill_from = ti_rng_range(&rng, 0.25, 0.45);
  c->fill_at_mm[1] = -0.5 * h;
  c->fill_reach_mm = h + 0.5 * h * s->date->place_count;
  if (o->wear[0] >= 0)
    c->wear = ti_rng_range(&rng, o->wear[0], o->wear[1]);
  if (o->profile >= 0)
    c->profile = (ti_profile)o->profile;
}

/* As the theory has it: one height model, nothing on it. */
static void make_ideal(ti_coin *c, const ti_scene *s) {
  c->profile = TI_PROFILE_SMOOTH;
  c->relief_mm = s->reference->relief_mm;
  c->bevel_mm = s->reference->bevel_mm;
  c->strike_mm = c->wear = c->grain_mm = c->dirt = c->tone = 0;
  c->dents = c->hairlines = 0;
  c->fill = 1;
}

static void draw_coin(const ti_options *o, int attempt, ti_scene *s) {
  ti_rng rng = ti_rng_create(s->stream, (uint64_t)s->index, STREAM_COIN + 16 * (uint64_t)attempt);
  ti_rng first = ti_rng_create(s->stream, (uint64_t)s->index, STREAM_COIN);
  ti_coin *c = &s->coin;
  /* The class and the date stay when the trace is drawn anew, or classes whose
   * traces hide would become rare. */
  int date = ti_rng_pick(&first, (int)s->reference->date_count);
  if (o->date_fixed >= 0)
    date = o->date_fixed;
  s->date = &s->reference->dates[date];
  int since = s->reference->date_in_hub_since;
  int year = 0;
  for (const char *t = s->date->text; *t >= '0' && *t <= '9' && year < 100000; t++)
    year = 10 * year + (*t - '0');
  s->in_hub = since > 0 && year >= since;
  c->cls = draw_class(&first);
  if (o->class_fixed >= 0)
    c->cls = (ti_class)o->class_fixed;
  if (s->in_hub && c->cls == TI_REPUNCHED)
    c->cls = TI_DOUBLED; /* no digit is loose in a hub */
  int alone = draw_other_digit(&first, s, s->date->text[0]) == s->date->text[0];
  if (alone && (c->cls == TI_UNDERDIGIT || c->cls == TI_FRAGMENT))
    c->cls = TI_CLEAN; /* the reference has no digit to put there */
  draw_condition(&rng, s);
  if (o->overhead) /* even light shows most on a matt coin: nearly nothing */
    c->diffuse = 0.9;
  if (o->ideal)
    make_ideal(c, s);
  for (int k = 0; k < s->date->place_count; k++)
    c->digits[k] = draw_slack(&rng, s);
  switch (c->cls) {
  case TI_UNDERDIGIT:
    draw_under(&rng, o, s);
    break;
  case TI_REPUNCHED:
    draw_repunched(&rng, o, s);
    break;
  case TI_DOUBLED:
    draw_doubled(&rng, o, s);
    break;
  case TI_FRAGMENT:
    draw_fragment(&rng, s);
    break;
  case TI_CRACK:
  case TI_SCRATCH:
  case TI_CHIP:
    draw_marks(&rng, s, c->cls);
    break;
  case TI_CLEAN:
  case TI_CLASS_COUNT:
    break;
  }
}

uint64_t ti_scene_noise(const ti_scene *scene, uint64_t surface) {
  ti_rng rng = ti_rng_create(scene->stream, (uint64_t)scene->index, surface);
  return ti_rng_bits(&rng);
}

/* FNV-1a, so that two coinages with one seed do not lie in the same light. */
static uint64_t name_hash(const char *name) {
  uint64_t h = UINT64_C(0xcbf29ce484222325);
  for (; *name; name++)
    h = (h ^ (unsigned char)*name) * UINT64_C(0x100000001b3);
  return h;
}

/* Whether the coin's trace is the one that this entry describes. */
static int is_of_die(const ti_scene *s, const udg_expected *e) {
  return s->coin.cls == TI_UNDERDIGIT && (int)(s->date - s->reference->dates) == e->date_index &&
         s->coin.under.place == e->place - 1 && s->coin.under.digit == e->earlier;
}

static void draw_markers(const ti_options *o, ti_scene *s) {
  const udg_reference *ref = s->reference;
  ti_rng rng = ti_rng_create(s->stream, (uint64_t)s->index, STREAM_MARKERS);
  for (size_t k = 0; k < ref->marker_count && k < 64; k++) {
    const udg_marker *m = &ref->markers[k];
    const udg_expected *e = &ref->expected[m->expected_index];
    double u = ti_rng_unit(&rng), worn = s->coin.under.polish / 0.35;
    int of_date = (int)(s->date - ref->dates) == e->date_index;
    int there = m->life == UDG_MARKER_EVERY || (m->life == UDG_MARKER_LATE) == (worn > u);
    if (o->markers == TI_MARKERS_DIE)
      there &= is_of_die(s, e);
    else
      there = o->markers == TI_MARKERS_ALL || (o->markers == TI_MARKERS_HALF && u < 0.5);
    if (there && of_date)
      s->coin.markers |= UINT64_C(1) << k;
  }
  /* A hub that is set a second time is turned about some point of the coin as well. */
  if (ref->design_count && s->in_hub && s->coin.has_doubling) {
    double h = s->date->height_mm;
    s->coin.hub_about_mm[0] = h * ti_rng_range(&rng, -2, 2);
    s->coin.hub_about_mm[1] = h * ti_rng_range(&rng, -4, 0);
    s->coin.doubling.turn_rad = 0.02 * (ti_rng_unit(&rng) - 0.5);
    s->coin.under.offset.turn_rad = s->coin.doubling.turn_rad;
  }
}

void ti_scene_draw(const udg_reference *reference, const ti_options *options, uint64_t seed,
                   int index, int view, int attempt, ti_scene *scene) {
  memset(scene, 0, sizeof *scene);
  scene->reference = reference;
  scene->seed = seed;
  scene->stream = seed ^ name_hash(reference->name);
  scene->index = index;
  scene->view = view;
  draw_coin(options, attempt, scene);
  ti_rng rng = ti_rng_create(scene->stream, (uint64_t)index, STREAM_VIEW + 16 * (uint64_t)view);
  scene->ideal = options->ideal;
  scene->has_design = options->whole || options->design;
  ti_rng rim = ti_rng_create(scene->stream, (uint64_t)index, STREAM_RIM);
  double clock = 1 + ti_rng_pick(&rim, 12);
  scene->coin.has_rim_cut = scene->has_design && ti_rng_chance(&rim, 0.2);
  scene->coin.rim_cut_clock = scene->coin.has_rim_cut ? clock : 0;
  draw_markers(options, scene);
  if (!options->ideal)
    draw_strike(options, scene);
  ti_view_draw(&rng, options, scene);
}

/* The other side of the same coin: same metal, same life. */
static void turn_over(const ti_coin *date_side, ti_coin *coin) {
  coin->other_side = 1;
  coin->metal = date_side->metal;
  coin->wear = date_side->wear;
  coin->tone = date_side->tone;
  coin->dirt = date_side->dirt;
  coin->grain_mm = date_side->grain_mm;
  coin->rough = date_side->rough;
  coin->diffuse = date_side->diffuse;
}

void ti_scene_draw_tray(const udg_reference *reference, const ti_options *options, uint64_t seed,
                        int index, int view, int count, const int *attempts, ti_scene *scenes) {
  for (int k = 0; k < count; k++) {
    ti_scene_draw(reference, options, seed, index * TI_COINS_MAX + k, view, attempts[k],
                  &scenes[k]);
    if (options->both_sides && k % 2)
      turn_over(&scenes[k - 1].coin, &scenes[k].coin);
  }
  ti_rng rng = ti_rng_create(scenes[0].stream, (uint64_t)index, STREAM_TRAY + 16 * (uint64_t)view);
  ti_view_lay(&rng, options, count, scenes);
}
