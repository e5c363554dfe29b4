/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The coin is laid out round and flat, turned in steps; at each step the part
 * where the date would be is searched as a close-up is, over the turns between
 * the steps and a little of scale. */
#include "coin_locate.h"

#include <math.h>
#include <string.h>

#include "rescale.h"

#define TAU 6.28318530717958647692
#define STEPS 6

/* Height of the digits in the parts searched. */
static const double HEIGHT_PX = 24;
/* The rim found may be its inner edge or a shadow: scales from 0.89 to 1.12. */
static const double HEIGHT_MIN_PX = 22.65, HEIGHT_MAX_PX = 22.7;
static const double TURN_MAX_DEG = 31; /* just over half a step */
/* Digits lower than this in the photo show no shapes. */
static const double HEIGHT_USEFUL_PX = 7;
/* How far a date lies off its place because the rim was found a little off:
 * standard deviation, share of the coin's radius. */
static const double PLACE_SD = 0.06;
/* The score is no likelihood: the place counts this part of what it would. */
static const double PLACE_WEIGHT = 0.25;
/* Share of the digits that have to lie in the photo. */
static const double IN_PHOTO_MIN = 0.7;
/* Lead of the best score over the next at which a date and something else are as
 * likely, and how fast that changes: logistic fit to whole coins of six types,
 * their other sides, and coins of other types. */
static const double LEAD_EVEN = 0.18, LEAD_SPREAD = 0.02;
/* Where the first search leaves doubt the scales between its own are tried too. */
static const double BETWEEN_SCALES = 1.058, LEAD_SURE = 0.30;
/* Further than so many of these it is something else. */
static const double PLACE_MAX = 3, PLACE_BEFORE = 4.5;

struct udg_coin_locator {
  udg_settings settings;
  const udg_reference *reference;
  udg_find_state *find;
  udg_buffer coin, part, scratch;
  udg_find_pool spots[STEPS];
};

udg_status udg_coin_locator_create(const udg_settings *settings, const udg_reference *reference,
                                   udg_coin_locator **locator, udg_message *message) {
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_coin_locator *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for dates on coins");
  made->settings = resolved;
  made->reference = reference;
  resolved.digit_height_min_px = HEIGHT_MIN_PX;
  resolved.digit_height_max_px = HEIGHT_MAX_PX;
  resolved.turn_max_deg = TURN_MAX_DEG;
  udg_status status = udg_find_create(&resolved, reference, &made->find, message);
  if (status != UDG_OK) {
    udg_memory_drop(&resolved, made);
    return status;
  }
  *locator = made;
  return UDG_OK;
}

void udg_coin_locator_lend(udg_coin_locator *locator, udg_templates *templates) {
  udg_find_lend(locator->find, templates);
}

void udg_coin_locator_destroy(udg_coin_locator *locator) {
  if (!locator)
    return;
  udg_settings settings = locator->settings;
  udg_find_destroy(locator->find);
  udg_buffer_destroy(&settings, &locator->coin);
  udg_buffer_destroy(&settings, &locator->part);
  udg_buffer_destroy(&settings, &locator->scratch);
  udg_memory_drop(&settings, locator);
}

/* The coin's plane (mm from its centre, as it lies) -> photo: a circle seen at a
 * slant is drawn together along the ellipse's short axis. */
static udg_homography coin_to_photo(const udg_ellipse *coin, double radius_mm) {
  double c = cos(coin->angle_rad), s = sin(coin->angle_rad);
  double a = coin->semi[0] / radius_mm, b = coin->semi[1] / radius_mm;
  double across = (a - b) * c * s;
  return (udg_homography){{a * c * c + b * s * s, across, coin->centre[0], across,
                           a * s * s + b * c * c, coin->centre[1], 0, 0, 1}};
}

/* Box in the date plane, mm, that holds a date set off its place by the search's
 * turns and by what the rim may be off. */
typedef struct part_box {
  double low[2], high[2];
} part_box;

static part_box part_of(const udg_reference *reference, const udg_date *date) {
  part_box box = {{INFINITY, INFINITY}, {-INFINITY, -INFINITY}};
  const double *origin = reference->date_origin_mm;
  double turn_max = TURN_MAX_DEG * TAU / 360;
  double margin = 0.75 * date->height_mm + 1.5 * PLACE_SD * reference->diameter_mm / 2;
  for (int k = 0; k < date->place_count; k++) {
    double x = origin[0] + date->places[k].centre_mm[0];
    double y = origin[1] + date->places[k].centre_mm[1];
    for (int t = -8; t <= 8; t++) {
      double c = cos(turn_max * t / 8), s = sin(turn_max * t / 8);
      double at[2] = {c * x - s * y - origin[0], s * x + c * y - origin[1]};
      for (int i = 0; i < 2; i++) {
        box.low[i] = fmin(box.low[i], at[i] - margin);
        box.high[i] = fmax(box.high[i], at[i] + margin);
      }
    }
  }
  return box;
}

/* Lays out the part; `to_coin` maps its px to the coin's reduced copy. */
static udg_status part_make(udg_coin_locator *locator, const udg_homography *to_coin, int width,
                            int height) {
  udg_status status = udg_buffer_size(&locator->settings, &locator->part, width, height);
  if (status != UDG_OK)
    return status;
  for (int j = 0; j < height; j++)
    for (int i = 0; i < width; i++) {
      double x, y;
      udg_homography_apply(to_coin, i + 0.5, j + 0.5, &x, &y);
      udg_plane_row(&locator->part.plane, j)[i] = udg_plane_sample(&locator->coin.plane, x, y);
    }
  return UDG_OK;
}

/* Off its place by so many standard deviations: `pose` maps the date plane to the
 * coin's plane, so that a turn about the coin's centre takes the origin along. */
static double off_place(const udg_reference *reference, const udg_homography *pose) {
  const double *origin = reference->date_origin_mm;
  double turn = atan2(pose->m[3] - pose->m[1], pose->m[0] + pose->m[4]);
  double scale = udg_homography_scale(pose, 0, 0), x, y;
  udg_homography_apply(pose, 0, 0, &x, &y);
  double there_x = scale * (cos(turn) * origin[0] - sin(turn) * origin[1]);
  double there_y = scale * (sin(turn) * origin[0] + cos(turn) * origin[1]);
  return hypot(x - there_x, y - there_y) / (PLACE_SD * reference->diameter_mm / 2);
}

static int same_place(const udg_candidate *a, const udg_candidate *b) {
  double ax, ay, bx, by;
  udg_homography_apply(&a->date_to_photo, 0, 0, &ax, &ay);
  udg_homography_apply(&b->date_to_photo, 0, 0, &bx, &by);
  double turn = remainder(a->turn_rad - b->turn_rad, TAU);
  return hypot(ax - bx, ay - by) < 0.5 * a->digit_height_px && fabs(turn) < 0.2;
}

/* Keeps the best, best first, one a place. */
static void candidate_add(udg_find_result *result, const udg_candidate *found) {
  for (int i = 0; i < result->count; i++)
    if (same_place(&result->candidates[i], found)) {
      if (result->candidates[i].score >= found->score)
        return;
      memmove(&result->candidates[i], &result->candidates[i + 1],
              (size_t)(result->count - i - 1) * sizeof *found);
      result->count--;
      i--;
    }
  int at = result->count;
  while (at > 0 && result->candidates[at - 1].score < found->score)
    at--;
  if (at >= UDG_CANDIDATES_MAX)
    return;
  int moved = result->count < UDG_CANDIDATES_MAX ? result->count - at : UDG_CANDIDATES_MAX - 1 - at;
  memmove(&result->candidates[at + 1], &result->candidates[at], (size_t)moved * sizeof *found);
  result->candidates[at] = *found;
  if (result->count < UDG_CANDIDATES_MAX)
    result->count++;
}

/* Share of the digits whose middle lies in the photo. */
static double in_photo(const udg_date *date, const udg_homography *date_to_photo, udg_photo photo) {
  int inside = 0;
  for (int k = 0; k < date->place_count; k++) {
    double x, y;
    const double *at = date->places[k].centre_mm;
    udg_homography_apply(date_to_photo, at[0], at[1], &x, &y);
    inside += x > 0 && y > 0 && x < photo.width && y < photo.height;
  }
  return date->place_count ? inside / (double)date->place_count : 0;
}

/* The date looked for on a coin. */
typedef struct search {
  udg_photo grey;
  size_t date_index;
  udg_homography flat;    /* the coin upright -> the photo */
  udg_homography to_copy; /* the photo -> the coin's reduced copy */
  double enlarge;         /* the part over the size that is searched for */
} search;

/* One step's turn, and where its part lies: on the coin, in the photo, in the reduced copy. */
typedef struct step {
  const udg_reference *reference;
  double turn;
  int size[2];
  udg_homography to_coin, to_photo, to_reduced;
  double promise; /* best score of its spots */
} step;

static step step_of(const udg_coin_locator *locator, const search *s, double turn) {
  const udg_reference *reference = locator->reference;
  const udg_date *date = &reference->dates[s->date_index];
  part_box box = part_of(reference, date);
  double px_per_mm = s->enlarge * HEIGHT_PX / date->height_mm;
  step own = {.reference = reference, .turn = turn};
  for (int i = 0; i < 2; i++)
    own.size[i] = (int)ceil((box.high[i] - box.low[i]) * px_per_mm);
  /* part px -> mm of the date plane -> coin upright -> coin as it lies -> photo */
  udg_homography to_mm =
      udg_homography_similarity(1 / px_per_mm, 0, box.low[0] + reference->date_origin_mm[0],
                                box.low[1] + reference->date_origin_mm[1]);
  udg_homography turned = udg_homography_similarity(1, turn, 0, 0);
  own.to_coin = udg_homography_after(&turned, &to_mm);
  own.to_photo = udg_homography_after(&s->flat, &own.to_coin);
  own.to_reduced = udg_homography_after(&s->to_copy, &own.to_photo);
  return own;
}

/* A fit moves a candidate a little: some that it would bring to their place are farther off. */
static int near_place(const void *user, const udg_candidate *candidate) {
  const step *s = user;
  udg_homography in_coin = udg_homography_after(&s->to_coin, &candidate->date_to_photo);
  return off_place(s->reference, &in_coin) <= PLACE_BEFORE;
}

static udg_status step_part(udg_coin_locator *locator, const step *own, udg_message *message) {
  udg_status status = part_make(locator, &own->to_reduced, own->size[0], own->size[1]);
  return status == UDG_OK ? status : udg_fail(message, status, "no memory to lay out a coin");
}

/* Spots of one step near its place. */
static udg_status step_search(udg_coin_locator *locator, const search *s, step *own,
                              udg_find_pool *spots, udg_find_result *result, udg_message *message) {
  const udg_find_wish wish = {near_place, own};
  udg_find_result found;
  udg_status status = step_part(locator, own, message);
  if (status == UDG_OK)
    status = udg_find_spots(locator->find, udg_photo_of(&locator->part.plane), s->date_index, &wish,
                            spots, &found, message);
  if (status != UDG_OK)
    return status;
  own->promise = spots->count ? spots->spots[0].score : 0;
  result->coarse_ms += found.coarse_ms;
  return UDG_OK;
}

/* Fits a step's spots, adds what is found near its place. */
static udg_status step_fit(udg_coin_locator *locator, const search *s, const step *own,
                           const udg_find_pool *spots, udg_find_result *result,
                           udg_message *message) {
  const udg_date *date = &own->reference->dates[s->date_index];
  udg_find_result found = {.count = 0};
  double rival = result->count > 0 ? result->candidates[0].score : 0.0;
  udg_status status = step_part(locator, own, message);
  if (status == UDG_OK)
    status = udg_find_fit(locator->find, udg_photo_of(&locator->part.plane), s->date_index, spots,
                          rival, &found, message);
  for (int i = 0; status == UDG_OK && i < found.count; i++) {
    udg_candidate *c = &found.candidates[i];
    udg_homography in_coin = udg_homography_after(&own->to_coin, &c->date_to_photo);
    double off = off_place(own->reference, &in_coin);
    c->date_to_photo = udg_homography_after(&own->to_photo, &c->date_to_photo);
    if (off > PLACE_MAX || in_photo(date, &c->date_to_photo, s->grey) < IN_PHOTO_MIN)
      continue;
    c->score *= exp(-0.5 * off * off * PLACE_WEIGHT);
    c->turn_rad = remainder(c->turn_rad + own->turn, TAU);
    c->digit_height_px = date->height_mm * udg_homography_scale(&c->date_to_photo, 0, 0);
    candidate_add(result, c);
  }
  result->verify_ms += found.verify_ms;
  return status;
}

/* All steps' turns: those that promise most are fitted first, so that others need only be fitted
 * to the end where they come near them. */
static udg_status steps_search(udg_coin_locator *locator, const search *s, udg_find_result *result,
                               udg_message *message) {
  step steps[STEPS];
  udg_status status = UDG_OK;
  int done[STEPS] = {0};
  for (int k = 0; k < STEPS && status == UDG_OK; k++) {
    steps[k] = step_of(locator, s, TAU * k / STEPS);
    status = step_search(locator, s, &steps[k], &locator->spots[k], result, message);
  }
  for (int n = 0; n < STEPS && status == UDG_OK; n++) {
    int next = -1;
    for (int k = 0; k < STEPS; k++)
      if (!done[k] && (next < 0 || steps[k].promise > steps[next].promise))
        next = k;
    done[next] = 1;
    status = step_fit(locator, s, &steps[next], &locator->spots[next], result, message);
  }
  return status;
}

/* Score of the best less that of the next. */
static double lead_of(const udg_find_result *result) {
  double next = result->count > 1 ? result->candidates[1].score : 0;
  return result->count ? result->candidates[0].score - next : 0;
}

double udg_coin_certainty(const udg_find_result *result) {
  return result->count ? 1 / (1 + exp((LEAD_EVEN - lead_of(result)) / LEAD_SPREAD)) : 0;
}

udg_status udg_coin_locate(udg_coin_locator *locator, udg_photo grey, size_t date_index,
                           const udg_ellipse *coin, udg_find_result *result, udg_message *message) {
  const udg_reference *reference = locator->reference;
  memset(result, 0, sizeof *result);
  if (date_index >= reference->date_count)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "no date number %zu", date_index);
  const udg_date *date = &reference->dates[date_index];
  double radius_mm = reference->diameter_mm / 2;
  if (!(radius_mm > 0) ||
      date->height_mm * sqrt(coin->semi[0] * coin->semi[1]) / radius_mm < HEIGHT_USEFUL_PX)
    return UDG_OK;
  search s = {.grey = grey, .date_index = date_index, .flat = coin_to_photo(coin, radius_mm)};
  const double centre[2] = {0, 0}, half[2] = {1.1 * radius_mm, 1.1 * radius_mm};
  udg_status status = udg_rescale_window(&locator->settings, grey, &s.flat, centre, half,
                                         HEIGHT_PX / date->height_mm, &locator->coin,
                                         &locator->scratch, &s.to_copy);
  if (status != UDG_OK)
    udg_fail(message, status, "no memory for the copy of a coin");
  for (int pass = 0; pass < 2 && status == UDG_OK; pass++) {
    if (pass && lead_of(result) > LEAD_SURE)
      break;
    s.enlarge = pass ? BETWEEN_SCALES : 1;
    status = steps_search(locator, &s, result, message);
  }
  udg_buffer_destroy(&locator->settings, &locator->coin);
  udg_buffer_destroy(&locator->settings, &locator->scratch);
  if (result->count > 1 && result->candidates[0].score > 0)
    result->runner_up = result->candidates[1].score / result->candidates[0].score;
  return status;
}
