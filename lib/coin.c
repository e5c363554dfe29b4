/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "coin.h"

#include <math.h>
#include <string.h>

#include "coin_internal.h"

#define TAU 6.28318530717958647692

/* Longer side of the copy that is searched: a coin of a tenth of the shorter
 * side still has a radius of some 20 px there. */
static const double SEARCH_SIDE_PX = 720;
/* Longer side of the copy on which rims are refined: 0.1 % of a coin that fills
 * it is more than a pixel. */
static const double REFINE_SIDE_PX = 1600;
static const double RADIUS_MIN_SHARE = 0.042; /* of the shorter side */
static const double RADIUS_MIN_PX = 10;
static const double RADIUS_MAX_SHARE = 0.62; /* of the longer side */
/* A faint rim with this share of the quality asked for may be one, if large. */
static const double DOUBTFUL_SHARE = 0.7, DOUBTFUL_RADIUS_PX = 70;
/* Ellipses that differ by less than this share of the radius are one. */
static const double SAME_SHARE = 0.01;
/* An outer ellipse takes an inner one's place with this share of its quality. */
static const double OUTER_QUALITY = 0.68;
/* When their centres are this near, shares of the inner one's radius: the far edge of a
 * shadow and the near side of the rim make an ellipse, too, but not about the centre. */
static const double CENTRE_SHARE = 0.02;
/* Coins that lie on each other share less than this of the smaller. */
static const double OVERLAP_MAX = 0.25;
/* How far beyond an ellipse a fainter rim is looked for, shares of its radius, and the share
 * of its support against the ground that such a rim has at least. */
static const double BEYOND_STEP = 0.01, BEYOND_SHARE = 0.65;
/* Nearer than this, px of the searched copy, it is the same edge. */
static const double EDGE_PX = 3;
enum { BEYOND_STEPS = 10 };
enum { ELLIPSES_MAX = 2 * UDG_COIN_SEEDS_MAX };
static const double INSIDE_MIN = 0.4, ASPECT_MIN = 0.7;

/* Loops of letters and digits are small, rims of coins to be read are not: what
 * is asked of a small ellipse is more.  Radii in px of the searched copy. */
static const double QUALITY_LARGE = 0.32, QUALITY_SMALL = 0.58;
static const double RADIUS_LARGE_PX = 120, RADIUS_SMALL_PX = 40;

struct udg_coin_state {
  udg_settings settings;
  udg_photo photo;       /* in hand */
  int fine_box;          /* rims are refined in means of so many pixels each way */
  udg_buffer scratch[3]; /* what is made on the way */
  udg_coin_edges edges;
  udg_coin_votes *votes;
  udg_coin_polar *polar;
};

udg_status udg_coin_create(const udg_settings *settings, udg_coin_state **state,
                           udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_coin_state *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the coin stage");
  made->settings = resolved;
  if (udg_coin_votes_create(&resolved, &made->votes) != UDG_OK ||
      udg_coin_polar_create(&resolved, &made->polar) != UDG_OK) {
    udg_coin_destroy(made);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the coin stage");
  }
  *state = made;
  return UDG_OK;
}

void udg_coin_destroy(udg_coin_state *state) {
  if (!state)
    return;
  udg_settings settings = state->settings;
  for (int i = 0; i < 3; i++)
    udg_buffer_destroy(&settings, &state->scratch[i]);
  udg_coin_edges_destroy(&settings, &state->edges);
  udg_coin_votes_destroy(state->votes);
  udg_coin_polar_destroy(&settings, state->polar);
  udg_memory_drop(&settings, state);
}

/* Means of whole pixels until the longer side is below twice `side`. */
static int boxes_for(int width, int height, double side) {
  int longer = width > height ? width : height, shorter = width < height ? width : height;
  int k = (int)fmax(floor(longer / side), 1);
  return k < shorter ? k : shorter;
}

/* The copy to search in, where the edges' x will be; 1 px of it shows `*reduction` px of the photo.
 */
static udg_status copy_make(udg_coin_state *state, udg_photo grey, double *reduction) {
  const udg_settings *settings = &state->settings;
  state->photo = grey;
  state->fine_box = boxes_for(grey.width, grey.height, REFINE_SIDE_PX);
  int width = grey.width / state->fine_box, height = grey.height / state->fine_box;
  int box = boxes_for(width, height, SEARCH_SIDE_PX);
  udg_status status = udg_rescale_boxes(settings, grey, state->fine_box, box, &state->scratch[1],
                                        &state->scratch[0]);
  if (status != UDG_OK)
    return status;
  const udg_plane *boxed = &state->scratch[0].plane;
  double factor = fmin(SEARCH_SIDE_PX / fmax(boxed->width, boxed->height), 1);
  *reduction = state->fine_box * box / factor;
  return udg_rescale_smooth(settings, boxed, factor, &state->edges.x, &state->scratch[0],
                            &state->scratch[1]);
}

/* One number from the support all round; what is hidden by the photo's border
 * counts a part. */
static double quality_of(const udg_ellipse *e) {
  double seen = fmin(e->inside / 0.9, 1);
  return (0.6 * e->support + 0.4 * e->weakest) * (0.75 + 0.25 * seen);
}

static double mean_radius(const udg_ellipse *e) {
  return sqrt(e->semi[0] * e->semi[1]);
}

static double quality_asked(const udg_ellipse *e) {
  double small = log(RADIUS_LARGE_PX / mean_radius(e)) / log(RADIUS_LARGE_PX / RADIUS_SMALL_PX);
  return QUALITY_LARGE + (QUALITY_SMALL - QUALITY_LARGE) * fmin(fmax(small, 0), 1);
}

static void ellipse_fill(udg_coin_state *state, const udg_coin_shape *shape, udg_ellipse *ellipse) {
  udg_coin_measure(&state->edges, shape, ellipse);
  ellipse->beyond = udg_coin_beyond(&state->edges, shape);
  udg_coin_shape_axes(shape, ellipse->semi, &ellipse->angle_rad);
  memcpy(ellipse->centre, shape->c, sizeof shape->c);
  ellipse->quality = quality_of(ellipse);
  ellipse->sure = ellipse->quality >= quality_asked(ellipse);
}

/* Another seed has led to the same ellipse. */
static int seen_before(const udg_ellipse *all, int count, const udg_ellipse *e) {
  for (int i = 0; i < count; i++) {
    double near = SAME_SHARE * all[i].semi[0];
    if (fabs(all[i].centre[0] - e->centre[0]) < near &&
        fabs(all[i].centre[1] - e->centre[1]) < near && fabs(all[i].semi[0] - e->semi[0]) < near &&
        fabs(all[i].semi[1] - e->semi[1]) < near)
      return 1;
  }
  return 0;
}

/* Adds the ellipse that a seed leads to, in px of the small copy, if it is a new
 * one and a rim.  `radius_min` in px of that copy; 1 px of it is fine_factor px of
 * the fine one. */
static void seed_fit(udg_coin_state *state, udg_coin_ring ring, double fine_factor,
                     double radius_min, udg_ellipse *all, int *count) {
  udg_coin_shape shape;
  udg_ellipse *e = &all[*count];
  if (udg_coin_polar_fit(state->polar, &state->edges, ring, &shape) < 0.2)
    return;
  ellipse_fill(state, &shape, e);
  if (e->quality < DOUBTFUL_SHARE * quality_asked(e) || seen_before(all, *count, e))
    return;
  shape = udg_coin_shape_scaled(&shape, fine_factor);
  udg_coin_refine(state->photo, state->fine_box, &shape);
  shape = udg_coin_shape_scaled(&shape, 1 / fine_factor);
  ellipse_fill(state, &shape, e);
  if (e->inside >= INSIDE_MIN && e->semi[1] > 0.9 * radius_min &&
      e->semi[1] >= ASPECT_MIN * e->semi[0] &&
      (e->sure ||
       (e->quality >= DOUBTFUL_SHARE * quality_asked(e) && mean_radius(e) >= DOUBTFUL_RADIUS_PX)) &&
      !seen_before(all, *count, e))
    (*count)++;
}

/* A seed well inside the rim of a good coin, about its centre, is its beads or
 * its legend. */
static int seed_explained(const udg_ellipse *all, int count, const udg_coin_seed *seed) {
  for (int i = 0; i < count; i++) {
    double r = mean_radius(&all[i]);
    double d = hypot(all[i].centre[0] - seed->x, all[i].centre[1] - seed->y);
    if (all[i].quality > QUALITY_SMALL && d < 0.1 * r && seed->radius > 0.2 * r &&
        seed->radius < 0.97 * r)
      return 1;
  }
  return 0;
}

/* Share of the smaller circle's area that lies in the other. */
static double overlap(const udg_ellipse *a, const udg_ellipse *b) {
  double r = fmin(mean_radius(a), mean_radius(b)), s = fmax(mean_radius(a), mean_radius(b));
  double d = hypot(a->centre[0] - b->centre[0], a->centre[1] - b->centre[1]);
  if (d >= r + s)
    return 0;
  if (d <= s - r)
    return 1;
  double p = acos(fmin(fmax((d * d + r * r - s * s) / (2 * d * r), -1), 1));
  double q = acos(fmin(fmax((d * d + s * s - r * r) / (2 * d * s), -1), 1));
  double lens = r * r * (p - sin(2 * p) / 2) + s * s * (q - sin(2 * q) / 2);
  return lens / (TAU / 2 * r * r);
}

static void ellipses_sort(udg_ellipse *all, int count) {
  for (int i = 1; i < count; i++) {
    udg_ellipse moved = all[i];
    int j = i;
    for (; j > 0 && all[j - 1].quality < moved.quality; j--)
      all[j] = all[j - 1];
    all[j] = moved;
  }
}

/* A tray or plate holds several rims apart from each other. */
static int holds_coins(const udg_ellipse *all, int count, int plate) {
  int held = 0;
  for (int i = 0; i < count; i++) {
    if (i == plate || mean_radius(&all[i]) > 0.6 * mean_radius(&all[plate]) ||
        mean_radius(&all[i]) < 0.1 * mean_radius(&all[plate]) ||
        overlap(&all[i], &all[plate]) < 0.7 || all[i].quality < 0.8 * all[plate].quality)
      continue;
    int apart = 1;
    for (int j = 0; j < i; j++)
      if (j != plate && all[j].quality >= all[i].quality && overlap(&all[i], &all[j]) > 0.2)
        apart = 0;
    held += apart;
  }
  return held >= 2;
}

static int about_one_centre(const udg_ellipse *a, const udg_ellipse *b) {
  double d = hypot(a->centre[0] - b->centre[0], a->centre[1] - b->centre[1]);
  return overlap(a, b) > 0.9 && d < CENTRE_SHARE * mean_radius(a);
}

/* The better ones first: each takes what shares much of its ground with it.  Of
 * rims about one centre the outermost nearly as good is the coin's. */
static int ellipses_choose(udg_ellipse *all, int count) {
  int kept = 0;
  for (int i = 0; i < count; i++)
    if (holds_coins(all, count, i))
      all[i].quality = 0;
  ellipses_sort(all, count);
  for (int i = 0; i < count; i++) {
    udg_ellipse coin = all[i];
    if (!(coin.quality > 0))
      continue;
    for (int j = i + 1; j < count; j++)
      if (all[j].quality >= OUTER_QUALITY * all[i].quality &&
          mean_radius(&all[j]) > mean_radius(&coin) && about_one_centre(&all[i], &all[j]))
        coin = all[j];
    for (int j = i + 1; j < count; j++)
      if (overlap(&all[j], &all[i]) > OVERLAP_MAX || overlap(&all[j], &coin) > OVERLAP_MAX)
        all[j].quality = 0;
    all[kept++] = coin;
  }
  ellipses_sort(all, kept);
  return kept;
}

static udg_coin_shape shape_of(const udg_ellipse *e) {
  double c = cos(e->angle_rad), s = sin(e->angle_rad), a = e->semi[0], b = e->semi[1];
  return (udg_coin_shape){{e->centre[0], e->centre[1]},
                          {a * c * c + b * s * s, (a - b) * c * s, a * s * s + b * c * c}};
}

/* The rim about the same centre as `inner` that is farthest out of those that stand out of
 * the ground nearly as well as it does; 0: none. */
static int rim_beyond(udg_coin_state *state, const udg_ellipse *inner, double fine_factor,
                      udg_ellipse *outer) {
  double support[BEYOND_STEPS + 1];
  int farthest = 0;
  for (int i = 0; i <= BEYOND_STEPS; i++) {
    udg_coin_shape shape = shape_of(inner);
    for (int k = 0; k < 3; k++)
      shape.a[k] *= 1 + BEYOND_STEP * i;
    support[i] = udg_coin_beyond(&state->edges, &shape);
  }
  const int first = (int)ceil(EDGE_PX / (BEYOND_STEP * mean_radius(inner)));
  for (int i = 2; i < BEYOND_STEPS; i++)
    if (i >= first && support[i] >= support[i - 1] && support[i] >= support[i + 1] &&
        support[i] >= BEYOND_SHARE * inner->beyond)
      farthest = i;
  if (!farthest)
    return 0;
  udg_coin_shape shape = shape_of(inner);
  for (int k = 0; k < 3; k++)
    shape.a[k] *= 1 + BEYOND_STEP * farthest;
  shape = udg_coin_shape_scaled(&shape, fine_factor);
  udg_coin_refine(state->photo, state->fine_box, &shape);
  shape = udg_coin_shape_scaled(&shape, 1 / fine_factor);
  ellipse_fill(state, &shape, outer);
  return outer->beyond >= BEYOND_SHARE * inner->beyond && about_one_centre(inner, outer);
}

static int encloses(const udg_ellipse *outer, const udg_ellipse *inner) {
  udg_coin_shape shape = shape_of(inner);
  double c = cos(outer->angle_rad), s = sin(outer->angle_rad);
  for (int k = 0; k < 24; k++) {
    double p[2], n[2];
    udg_coin_shape_at(&shape, TAU * k / 24, p, n);
    double x = p[0] - outer->centre[0], y = p[1] - outer->centre[1];
    if (hypot((c * x + s * y) / outer->semi[0], (c * y - s * x) / outer->semi[1]) > 1 + SAME_SHARE)
      return 0;
  }
  return 1;
}

/* A strong edge within the rim makes a faint rim beside it look like texture: from each of
 * the edges about the coin's centre outwards, against the ground alone. */
static void go_outwards(udg_coin_state *state, const udg_ellipse *all, int count,
                        double fine_factor, udg_ellipse *coin) {
  const udg_ellipse found = *coin;
  for (int i = 0; i < count; i++) {
    udg_ellipse outer;
    if (all[i].quality < OUTER_QUALITY * found.quality || overlap(&all[i], &found) < 0.9 ||
        !rim_beyond(state, &all[i], fine_factor, &outer) ||
        outer.beyond < BEYOND_SHARE * found.beyond || !encloses(&outer, &found) ||
        !about_one_centre(&found, &outer) || mean_radius(&outer) <= mean_radius(coin))
      continue;
    memcpy(coin->centre, outer.centre, sizeof outer.centre);
    memcpy(coin->semi, outer.semi, sizeof outer.semi);
    coin->angle_rad = outer.angle_rad;
    coin->inside = outer.inside;
  }
}

static void give(const udg_ellipse *all, int count, double reduction, udg_coin_result *result) {
  for (int i = 0; i < count && i < UDG_COINS_MAX; i++) {
    udg_ellipse *coin = &result->coins[result->count++];
    *coin = all[i];
    for (int k = 0; k < 2; k++) {
      coin->centre[k] *= reduction;
      coin->semi[k] *= reduction;
    }
  }
}

/* Moves the sure ones to the front; their number. */
static int ellipses_keep_sure(udg_ellipse *all, int count) {
  int sure = 0;
  for (int i = 0; i < count; i++)
    if (all[i].sure)
      all[sure++] = all[i];
  return sure;
}

static void scratch_drop(udg_coin_state *state) {
  for (int i = 0; i < 3; i++)
    udg_buffer_destroy(&state->settings, &state->scratch[i]);
}

static udg_status find(udg_coin_state *state, udg_photo grey, udg_coin_result *result,
                       udg_message *message) {
  udg_coin_seed seeds[UDG_COIN_SEEDS_MAX];
  udg_ellipse all[ELLIPSES_MAX];
  int seed_count = 0, count = 0;
  double reduction;
  memset(result, 0, sizeof *result);
  if (grey.width < 48 || grey.height < 48)
    return UDG_OK;
  udg_status status = copy_make(state, grey, &reduction);
  const udg_plane *small = &state->edges.x.plane;
  if (status == UDG_OK && (small->width < 24 || small->height < 24))
    return UDG_OK;
  if (status == UDG_OK)
    status = udg_coin_edges_make(&state->settings, small, state->scratch, &state->edges);
  double low = fmax(RADIUS_MIN_SHARE * fmin(small->width, small->height), RADIUS_MIN_PX);
  double high = RADIUS_MAX_SHARE * fmax(small->width, small->height);
  if (status == UDG_OK)
    status = udg_coin_votes_count(state->votes, &state->edges, state->scratch, low, high, seeds,
                                  &seed_count);
  scratch_drop(state);
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory to look for coins");
  for (int i = 0; i < seed_count; i++) {
    if (udg_stop_wanted(&state->settings))
      return udg_fail(message, UDG_ERROR_CANCELLED, "cancelled while looking for coins");
    if (seed_explained(all, count, &seeds[i]))
      continue;
    udg_coin_polar_begin(state->polar, &state->edges, &seeds[i]);
    seed_fit(state, UDG_COIN_OUTERMOST, reduction / state->fine_box, low, all, &count);
    seed_fit(state, UDG_COIN_CLEAREST, reduction / state->fine_box, low, all, &count);
  }
  /* Sure rims first, so that no doubtful one takes their place. */
  udg_ellipse doubtful[ELLIPSES_MAX];
  int doubtful_count = count;
  memcpy(doubtful, all, (size_t)count * sizeof *all);
  int chosen = ellipses_choose(all, ellipses_keep_sure(all, count));
  for (int i = 0; i < chosen; i++)
    go_outwards(state, doubtful, doubtful_count, reduction / state->fine_box, &all[i]);
  give(all, chosen, reduction, result);
  result->sure_count = result->count;
  if (!result->sure_count) {
    doubtful_count = ellipses_choose(doubtful, doubtful_count);
    give(doubtful,
         doubtful_count < UDG_COINS_DOUBTFUL_MAX ? doubtful_count : UDG_COINS_DOUBTFUL_MAX,
         reduction, result);
  }
  return UDG_OK;
}

udg_status udg_coin_find(udg_coin_state *state, udg_photo grey, udg_coin_result *result,
                         udg_message *message) {
  udg_status status = find(state, grey, result, message);
  /* Half of all that an inspection of a large photo would hold, and not needed any more. */
  scratch_drop(state);
  udg_coin_edges_destroy(&state->settings, &state->edges);
  return status;
}
