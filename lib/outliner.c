/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Whole coins turned onto each other, and the relief that they share. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "appearance.h"
#include "outliner_closeup.h"
#include "outliner_internal.h"
#include "reference_internal.h"
#include "stereo.h"

/* Of the rounds of turning, those that weigh each coin by its lead, and those in which none
 * weighs more than the first photo. */
enum { PHOTOS_MIN = 3, ROUNDS = 6, SOFT_ROUNDS = 4, ANCHOR_ROUNDS = 2, EDGE_ROUNDS = 3 };
/* Certainty from which on a coin shows the others' side.  What a few coins share is noisier than
 * a learned face, so that less than one half is asked: a lead of 0.115; of made coins of two
 * types and real ones of two sides, own ones led by 0.14 and more, others by 0.07 at most. */
static const double CERTAIN = 0.2;
/* The frame: radius of the coin in it, and how much of a side it takes. */
static const double RADIUS_MIN_PX = 64.0, RADIUS_MAX_PX = 200.0, SIDE_SHARE = 2.25;
static const double GROUND_SHARE = 0.12; /* of the radius */
/* The design ends before the rim: shares of the radius. */
static const double FADE_FROM = 0.86, FADE_TO = 0.94;
static const double DIAMETER_MM = 20.0;
/* No digit is told in less. */
static const double BOX_MIN_PX = 8.0;
/* A date within this share of the rim's radius is small. */
static const double NEAR_SHARE = 0.5;
/* Around the box on a close-up, share of its height. */
static const double BOX_MARGIN = 0.5;

typedef struct outliner_entry {
  udg_learn_photo told;
  udg_plane coin; /* the photo around the rim */
  udg_ellipse rim;
  udg_plane face;
  double turn_rad;                               /* against the common face */
  double next_turn_rad, weight, lead, certainty; /* while that is searched */
  udg_ellipse circle; /* what the pictures are laid by: the rim, or a circle around the date */
  double lay_turn_rad;
} outliner_entry;

struct udg_outliner {
  udg_settings settings;
  const udg_reference *digits;
  char date[UDG_PLACES_MAX + 1];
  double box_given[4]; /* px of the first photo as stored */
  double box_px[4];    /* in the first entry's `coin` */
  double diameter_mm;
  udg_coin_state *coins;
  udg_fft *fft;
  udg_face_work work;
  udg_closeup *closeup; /* on a first photo without rim */
  udg_closeup *near;    /* that, or the like for small dates on whole coins; NULL: the whole side */
  udg_plane common;     /* face of the side, as the first photo lies */
  udg_plane others;     /* scratch: that without one coin */
  size_t count, room;
  outliner_entry *entries;
};

static int is_date(const char *date) {
  size_t n = strlen(date);
  return n >= 1 && n <= UDG_PLACES_MAX && date[strspn(date, "0123456789")] == '\0';
}

udg_status udg_outliner_create(const udg_settings *settings, const udg_reference *digits,
                               const char *date, const double box[4], double diameter_mm,
                               udg_outliner **outliner, udg_message *message) {
  if (!date || !box || !outliner || !is_date(date))
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "udg_outliner_create: a date of 1 to 8 digits and a box are needed");
  *outliner = NULL;
  if (!(box[2] > 0.0 && box[3] > 0.0 && fabs(box[0]) <= 1e6 && fabs(box[1]) <= 1e6 &&
        box[2] <= 1e6 && box[3] <= 1e6) ||
      !(diameter_mm >= 0.0 && diameter_mm <= 1000.0))
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "the box has no area, or the diameter is out of bounds");
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_outliner *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to learn outlines");
  made->settings = resolved;
  made->digits = digits;
  memcpy(made->date, date, strlen(date));
  memcpy(made->box_given, box, sizeof made->box_given);
  made->diameter_mm = diameter_mm > 0.0                     ? diameter_mm
                      : digits && digits->diameter_mm > 0.0 ? digits->diameter_mm
                                                            : DIAMETER_MM;
  udg_status status = udg_coin_create(&made->settings, &made->coins, message);
  if (status == UDG_OK)
    status = udg_fft_create(&made->settings, &made->fft, message);
  if (status == UDG_OK)
    status = udg_face_work_create(&made->settings, &made->work);
  if (status == UDG_OK)
    status = udg_plane_create(&made->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &made->common);
  if (status == UDG_OK)
    status = udg_plane_create(&made->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &made->others);
  if (status != UDG_OK) {
    udg_outliner_destroy(made);
    return udg_fail(message, status, "no memory to learn outlines");
  }
  *outliner = made;
  return UDG_OK;
}

static void entry_destroy(const udg_settings *settings, outliner_entry *entry) {
  udg_plane_destroy(settings, &entry->coin);
  udg_plane_destroy(settings, &entry->face);
}

void udg_outliner_destroy(udg_outliner *outliner) {
  if (!outliner)
    return;
  udg_settings settings = outliner->settings;
  for (size_t i = 0; i < outliner->count; i++)
    entry_destroy(&settings, &outliner->entries[i]);
  udg_memory_drop(&settings, outliner->entries);
  udg_closeup_destroy(&settings, outliner->closeup);
  udg_plane_destroy(&settings, &outliner->common);
  udg_plane_destroy(&settings, &outliner->others);
  udg_face_work_destroy(&settings, &outliner->work);
  udg_fft_destroy(outliner->fft);
  udg_coin_destroy(outliner->coins);
  udg_memory_drop(&settings, outliner);
}

static void leave_out(outliner_entry *entry, udg_learn_fate fate, const char *why) {
  entry->told.fate = fate;
  snprintf(entry->told.why, sizeof entry->told.why, "%s", why);
}

/* The photo around the rim with a tenth of the radius to spare. */
static udg_status keep_coin(const udg_outliner *outliner, const udg_plane *grey,
                            const udg_ellipse *rim, outliner_entry *entry, double corner[2]) {
  int low[2], high[2];
  for (int axis = 0; axis < 2; axis++) {
    int limit = axis ? grey->height : grey->width;
    low[axis] = (int)fmax(floor(rim->centre[axis] - 1.1 * rim->semi[0]), 0.0);
    high[axis] = (int)fmin(ceil(rim->centre[axis] + 1.1 * rim->semi[0]), limit);
    corner[axis] = low[axis];
    if (high[axis] - low[axis] < 8)
      return UDG_ERROR_ARGUMENT;
  }
  udg_status status =
      udg_plane_create(&outliner->settings, high[0] - low[0], high[1] - low[1], &entry->coin);
  for (int y = low[1]; y < high[1] && status == UDG_OK; y++)
    memcpy(udg_plane_row(&entry->coin, y - low[1]), udg_plane_row(grey, y) + low[0],
           sizeof(float) * (size_t)(high[0] - low[0]));
  entry->rim = *rim;
  entry->rim.centre[0] -= corner[0];
  entry->rim.centre[1] -= corner[1];
  return status;
}

static int surrounds(const udg_ellipse *rim, const double box_px[4]) {
  for (int corner = 0; corner < 4; corner++) {
    double x = box_px[0] + (corner & 1 ? box_px[2] : 0.0) - rim->centre[0];
    double y = box_px[1] + (corner & 2 ? box_px[3] : 0.0) - rim->centre[1];
    if (hypot(x, y) > 1.05 * rim->semi[0])
      return 0;
  }
  return 1;
}

/* Of several coins the clearest; on the first photo the one that the box is on; 0: none. */
static int choose(const udg_outliner *outliner, const udg_coin_result *rims, udg_ellipse *rim) {
  if (outliner->count > 0 && rims->count > 0)
    *rim = rims->coins[0];
  if (outliner->count > 0)
    return rims->count > 0;
  for (int i = 0; i < rims->count; i++) {
    const double *box = outliner->box_px;
    *rim = rims->coins[i];
    /* A doubtful one must hold all of the box. */
    double off =
        hypot(box[0] + 0.5 * box[2] - rim->centre[0], box[1] + 0.5 * box[3] - rim->centre[1]);
    if (i < rims->sure_count ? off < rim->semi[1] : surrounds(rim, box))
      return 1;
  }
  return 0;
}

/* The rim, or, when the first photo shows the date alone, the circle that stands for it. */
static udg_status find_rim(udg_outliner *outliner, const udg_plane *grey, udg_ellipse *rim,
                           int *found, udg_message *message) {
  udg_coin_result rims = {0};
  udg_status status = UDG_OK;
  *found = 1;
  if (outliner->closeup)
    return udg_closeup_find(&outliner->settings, outliner->closeup, grey, &outliner->work, rim,
                            message);
  status = udg_coin_find(outliner->coins, grey, &rims, message);
  if (status != UDG_OK)
    return status;
  *found = choose(outliner, &rims, rim);
  if (*found || outliner->count > 0)
    return UDG_OK;
  *found = 1;
  *rim = udg_closeup_circle(outliner->box_px);
  return udg_closeup_create(&outliner->settings, outliner->fft, grey, outliner->box_px,
                            &outliner->work, &outliner->closeup, message);
}

/* The first photo's box in the pixels of its decoded copy; ARGUMENT beyond them. */
static udg_status scale_box(udg_outliner *outliner, const udg_image *image, udg_message *message) {
  double *box = outliner->box_px;
  for (int i = 0; i < 4; i++)
    box[i] = outliner->box_given[i] / image->scale;
  if (box[0] < -1.0 || box[1] < -1.0 || box[0] + box[2] > image->width + 1.0 ||
      box[1] + box[3] > image->height + 1.0)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box reaches beyond the first photo");
  return UDG_OK;
}

static udg_status look_at(udg_outliner *outliner, const udg_image *image, outliner_entry *entry,
                          udg_plane *grey, udg_message *message) {
  udg_ellipse rim;
  double corner[2];
  int found;
  udg_status status = outliner->count == 0 ? scale_box(outliner, image, message) : UDG_OK;
  if (status == UDG_OK)
    status = find_rim(outliner, grey, &rim, &found, message);
  if (status != UDG_OK)
    return status;
  if (!found) {
    leave_out(entry, UDG_LEARN_NO_DATE, "no whole coin was found");
    return UDG_OK;
  }
  status = keep_coin(outliner, grey, &rim, entry, corner);
  if (status == UDG_OK)
    status = udg_plane_create(&outliner->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &entry->face);
  if (status == UDG_OK)
    status = udg_face_take(&outliner->settings, &entry->coin, &entry->rim, &outliner->work,
                           &entry->face);
  if (status == UDG_ERROR_ARGUMENT) {
    leave_out(entry, UDG_LEARN_NO_DATE, "no whole coin was found");
    return UDG_OK;
  }
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for another coin");
  if (outliner->count == 0)
    for (int i = 0; i < 4; i++)
      outliner->box_px[i] -= i < 2 ? corner[i] : 0.0;
  return UDG_OK;
}

static udg_status make_room(udg_outliner *outliner, udg_message *message) {
  if (outliner->count < outliner->room)
    return UDG_OK;
  size_t room = 2 * outliner->room + 16;
  outliner_entry *entries = udg_memory_get(&outliner->settings, room, sizeof *entries);
  if (!entries)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for another photo");
  if (outliner->count > 0)
    memcpy(entries, outliner->entries, outliner->count * sizeof *entries);
  udg_memory_drop(&outliner->settings, outliner->entries);
  outliner->entries = entries;
  outliner->room = room;
  return UDG_OK;
}

udg_status udg_outliner_add(udg_outliner *outliner, const udg_image *image, const char *name,
                            udg_message *message) {
  if (!outliner || !image)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_outliner_add: NULL argument");
  udg_status status = make_room(outliner, message);
  if (status != UDG_OK)
    return status;
  outliner_entry *entry = &outliner->entries[outliner->count];
  memset(entry, 0, sizeof *entry);
  const char *shown = name ? name : "memory";
  size_t length = strlen(shown), room = sizeof entry->told.name - 1;
  snprintf(entry->told.name, sizeof entry->told.name, "%s",
           shown + (length > room ? length - room : 0));
  udg_plane grey = {0};
  status = udg_plane_create(&outliner->settings, (int)image->width, (int)image->height, &grey);
  if (status != UDG_OK)
    udg_fail(message, status, "no memory for the photo's grey levels");
  for (size_t i = 0; status == UDG_OK && i < (size_t)image->width * image->height; i++)
    grey.v[i] = (float)image->grey[i];
  if (status == UDG_OK)
    status = look_at(outliner, image, entry, &grey, message);
  udg_plane_destroy(&outliner->settings, &grey);
  if (status != UDG_OK) {
    entry_destroy(&outliner->settings, entry);
    return status;
  }
  outliner->count++;
  return UDG_OK;
}

static size_t used_count(const udg_outliner *outliner) {
  size_t n = 0;
  for (size_t i = 0; i < outliner->count; i++)
    n += outliner->entries[i].told.fate == UDG_LEARN_USED;
  return n;
}

/* Sum of the faces as they lie upright, each with its weight. */
static void add_faces(udg_outliner *outliner) {
  udg_plane *common = &outliner->common;
  memset(common->v, 0, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  for (size_t i = 0; i < outliner->count; i++) {
    outliner_entry *e = &outliner->entries[i];
    if (e->face.v && e->weight > 0.0)
      udg_face_add(common, &e->face, e->turn_rad, e->weight);
  }
}

/* A coin against what the others share: its own part of the sum would be like it whatever it
 * shows. */
static udg_face_match match_others(udg_outliner *outliner, const outliner_entry *e) {
  memcpy(outliner->others.v, outliner->common.v, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  if (e->weight > 0.0)
    udg_face_add(&outliner->others, &e->face, e->turn_rad, -e->weight);
  udg_face_norm(&outliner->others);
  return udg_face_compare(&e->face, &outliner->others);
}

/* Turns against the others, from the first photo on, on which the box is upright and which stays
 * where it is.  Each counts by its lead at first, in the last rounds all or nothing. */
static void turn_upright(udg_outliner *outliner) {
  outliner_entry *first = &outliner->entries[0];
  first->weight = 1.0;
  for (int round = 0; round < ROUNDS; round++) {
    double most = 0.0;
    add_faces(outliner);
    for (size_t i = 0; i < outliner->count; i++) {
      outliner_entry *e = &outliner->entries[i];
      if (!e->face.v)
        continue;
      udg_face_match match = match_others(outliner, e);
      e->next_turn_rad = i == 0 && round == 0 ? 0.0 : match.turn_rad;
      e->certainty = udg_face_certainty(&match);
      e->lead = fmax(match.likeness - match.runner_up, 0.0);
      most = fmax(most, e->lead);
    }
    for (size_t i = 0; i < outliner->count; i++) {
      outliner_entry *e = &outliner->entries[i];
      e->turn_rad = e->next_turn_rad - first->next_turn_rad;
      e->weight = round < SOFT_ROUNDS ? e->lead : e->certainty >= CERTAIN ? 1.0 : 0.0;
    }
    if (round < ANCHOR_ROUNDS)
      first->weight = most;
  }
}

/* Who shows the side that the first photo and most others show; the common face is theirs. */
static void align(udg_outliner *outliner) {
  turn_upright(outliner);
  int first_alone = outliner->entries[0].certainty < CERTAIN;
  for (size_t i = 0; i < outliner->count; i++) {
    outliner_entry *e = &outliner->entries[i];
    if (!e->face.v)
      continue;
    e->told.fate = UDG_LEARN_USED;
    e->weight = i == 0 || (!first_alone && e->certainty >= CERTAIN) ? 1.0 : 0.0;
    if (e->weight > 0.0)
      continue;
    leave_out(e, UDG_LEARN_UNLIKE,
              first_alone ? "unlike the first photo, which has the box: another side or another "
                            "coin, or one of them is too unclear"
                          : "unlike the other coins: the other side, another coin, or too unclear");
  }
  add_faces(outliner);
  udg_face_norm(&outliner->common);
}

/* Close-ups once more, edge on edge: each onto the first, then onto what they share. */
static udg_status align_edges(udg_outliner *outliner, udg_message *message) {
  const udg_settings *settings = &outliner->settings;
  udg_plane like = {0}, sum = {0};
  const size_t pixels = (size_t)UDG_CLOSEUP_SIDE * UDG_CLOSEUP_SIDE;
  udg_status status = udg_plane_create(settings, UDG_CLOSEUP_SIDE, UDG_CLOSEUP_SIDE, &like);
  if (status == UDG_OK)
    status = udg_plane_create(settings, UDG_CLOSEUP_SIDE, UDG_CLOSEUP_SIDE, &sum);
  const outliner_entry *first = &outliner->entries[0];
  if (status == UDG_OK)
    status = udg_closeup_edges(settings, outliner->near, &first->coin, &first->circle, 0.0,
                               &outliner->work, &like);
  for (int round = 0; round < EDGE_ROUNDS && status == UDG_OK; round++) {
    memset(sum.v, 0, pixels * sizeof *sum.v);
    for (size_t i = 0; i < outliner->count && status == UDG_OK; i++) {
      outliner_entry *e = &outliner->entries[i];
      if (e->told.fate != UDG_LEARN_USED)
        continue;
      if (udg_stop_wanted(settings))
        status = UDG_ERROR_CANCELLED;
      else if (i > 0)
        udg_closeup_refine(settings, outliner->near, &e->coin, &like, &outliner->work, &e->circle,
                           &e->lay_turn_rad);
      udg_plane one = {0};
      if (status == UDG_OK)
        status = udg_plane_create(settings, UDG_CLOSEUP_SIDE, UDG_CLOSEUP_SIDE, &one);
      if (status == UDG_OK)
        status = udg_closeup_edges(settings, outliner->near, &e->coin, &e->circle, e->lay_turn_rad,
                                   &outliner->work, &one);
      for (size_t k = 0; k < pixels && status == UDG_OK; k++)
        sum.v[k] += one.v[k];
      udg_plane_destroy(settings, &one);
    }
    memcpy(like.v, sum.v, pixels * sizeof *like.v);
  }
  udg_plane_destroy(settings, &like);
  udg_plane_destroy(settings, &sum);
  if (status != UDG_OK)
    udg_fail(message, status, "the close-ups could not be laid on each other");
  return status;
}

/* Pictures are laid by the rim; where the date is small on the side, or the photos show nothing
 * else, by a circle around it and edge on edge. */
static udg_status choose_circles(udg_outliner *outliner, double unit[3], udg_message *message) {
  outliner_entry *first = &outliner->entries[0];
  udg_homography map = udg_face_map(&first->rim, 0.0), back;
  udg_ellipse circle = udg_closeup_circle(outliner->box_px);
  unit[0] = unit[1] = 0.0;
  unit[2] = 1.0;
  for (size_t i = 0; i < outliner->count; i++) {
    outliner->entries[i].circle = outliner->entries[i].rim;
    outliner->entries[i].lay_turn_rad = outliner->entries[i].turn_rad;
  }
  outliner->near = outliner->closeup;
  double share = circle.semi[0] / sqrt(first->rim.semi[0] * first->rim.semi[1]);
  if (outliner->closeup || share > NEAR_SHARE || !udg_homography_invert(&map, &back))
    return outliner->closeup ? align_edges(outliner, message) : UDG_OK;
  udg_homography_apply(&back, circle.centre[0], circle.centre[1], &unit[0], &unit[1]);
  if (hypot(unit[0], unit[1]) > 1.0)
    return UDG_OK; /* the box is not on the coin: told later */
  unit[2] = share;
  for (size_t i = 0; i < outliner->count; i++) {
    outliner_entry *e = &outliner->entries[i];
    double radius = share * sqrt(e->rim.semi[0] * e->rim.semi[1]);
    map = udg_face_map(&e->rim, e->turn_rad);
    e->circle = (udg_ellipse){.semi = {radius, radius}};
    udg_homography_apply(&map, unit[0], unit[1], &e->circle.centre[0], &e->circle.centre[1]);
  }
  udg_status status =
      udg_closeup_create(&outliner->settings, outliner->fft, &first->coin, outliner->box_px,
                         &outliner->work, &outliner->near, message);
  return status == UDG_OK ? align_edges(outliner, message) : status;
}

/* The circles' own, once the outlines are drawn. */
static void drop_near(udg_outliner *outliner) {
  if (outliner->near != outliner->closeup)
    udg_closeup_destroy(&outliner->settings, outliner->near);
  outliner->near = NULL;
}

static double frame_radius(const udg_outliner *outliner) {
  double sum = 0.0;
  for (size_t i = 0; i < outliner->count; i++) {
    const outliner_entry *e = &outliner->entries[i];
    if (e->told.fate == UDG_LEARN_USED)
      sum += sqrt(e->circle.semi[0] * e->circle.semi[1]);
  }
  double mean = sum / (double)used_count(outliner);
  return fmin(fmax(mean, RADIUS_MIN_PX), RADIUS_MAX_PX);
}

/* Towards the rim the design ends and the picture fades out. */
static void fade(udg_plane *picture, double radius_px) {
  for (int y = 0; y < picture->height; y++)
    for (int x = 0; x < picture->width; x++) {
      double r = hypot(x + 0.5 - 0.5 * picture->width, y + 0.5 - 0.5 * picture->height);
      double t = fmin(fmax((FADE_TO - r / radius_px) / (FADE_TO - FADE_FROM), 0.0), 1.0);
      udg_plane_row(picture, y)[x] *= (float)t;
    }
}

/* From 1 to 0 between half and all of the margin. */
static double faded(double beyond, double margin) {
  return fmin(fmax(2.0 - 2.0 * beyond / margin, 0.0), 1.0);
}

/* Of a close-up only the box and some way around it is kept, and nothing from beyond the
 * photo. */
static void fade_around(const udg_outliner *outliner, const outliner_entry *e,
                        const udg_homography *map, double radius_px, udg_plane *picture) {
  const udg_ellipse *circle = &outliner->entries[0].circle;
  const double *box = outliner->box_px;
  double half[2], middle[2], margin = BOX_MARGIN * box[3] / circle->semi[0];
  for (int axis = 0; axis < 2; axis++) {
    half[axis] = 0.5 * box[2 + axis] / circle->semi[0];
    middle[axis] = (box[axis] + 0.5 * box[2 + axis] - circle->centre[axis]) / circle->semi[0];
  }
  for (int y = 0; y < picture->height; y++)
    for (int x = 0; x < picture->width; x++) {
      double u = (x + 0.5 - 0.5 * picture->width) / radius_px, px, py;
      double v = (y + 0.5 - 0.5 * picture->height) / radius_px;
      udg_homography_apply(map, u, v, &px, &py);
      double inside = fmin(fmin(px, e->coin.width - px), fmin(py, e->coin.height - py));
      double share = faded(fabs(u - middle[0]) - half[0], margin) *
                     faded(fabs(v - middle[1]) - half[1], margin) *
                     fmin(fmax(inside / e->circle.semi[0] / margin, 0.0), 1.0);
      udg_plane_row(picture, y)[x] *= (float)share;
    }
}

/* The used coins upright, evened out; then their common relief. */
static udg_status find_relief(udg_outliner *outliner, udg_design *design, udg_message *message) {
  const udg_settings *settings = &outliner->settings;
  size_t used = used_count(outliner), n = 0;
  design->radius_px = frame_radius(outliner);
  int side = udg_fft_good_size((int)ceil(SIDE_SHARE * design->radius_px));
  udg_plane scratch[3] = {{0}, {0}, {0}};
  udg_plane *pictures = udg_memory_get(settings, used, sizeof *pictures);
  udg_status status = pictures ? UDG_OK : UDG_ERROR_MEMORY;
  for (int i = 0; i < 3 && status == UDG_OK; i++)
    status = udg_plane_create(settings, side, side, &scratch[i]);
  if (status == UDG_OK)
    status = udg_plane_create(settings, side, side, &design->height);
  for (size_t i = 0; i < outliner->count && status == UDG_OK; i++) {
    const outliner_entry *e = &outliner->entries[i];
    if (e->told.fate != UDG_LEARN_USED)
      continue;
    udg_homography map = udg_face_map(&e->circle, e->lay_turn_rad);
    status = udg_plane_create(settings, side, side, &pictures[n]);
    if (status == UDG_OK)
      status =
          udg_face_lay(settings, &e->coin, &map, design->radius_px, &outliner->work, &pictures[n]);
    if (status != UDG_OK)
      break;
    udg_face_even(&pictures[n], GROUND_SHARE * design->radius_px, &scratch[0], &scratch[1],
                  &scratch[2]);
    if (outliner->near)
      fade_around(outliner, e, &map, design->radius_px, &pictures[n++]);
    else
      fade(&pictures[n++], design->radius_px);
  }
  if (status != UDG_OK)
    udg_fail(message, status, "no memory to lay the photos on each other");
  else
    status = udg_stereo_height(settings, outliner->fft, pictures, n, &design->height, message);
  if (status == UDG_ERROR_ARGUMENT)
    status = UDG_ERROR_PHOTOS;
  for (size_t i = 0; pictures && i < used; i++)
    udg_plane_destroy(settings, &pictures[i]);
  for (int i = 0; i < 3; i++)
    udg_plane_destroy(settings, &scratch[i]);
  udg_memory_drop(settings, pictures);
  return status;
}

/* The box in the unit disc of the first photo's coin. */
static udg_status place_box(const udg_outliner *outliner, double box[4], udg_message *message) {
  udg_homography map = udg_face_map(&outliner->entries[0].circle, 0.0), back;
  const double *px = outliner->box_px;
  double far[2];
  if (px[2] < BOX_MIN_PX || px[3] < BOX_MIN_PX)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box is too small for a date on these photos");
  if (!udg_homography_invert(&map, &back))
    return udg_fail(message, UDG_ERROR_INTERNAL, "a rim without area");
  udg_homography_apply(&back, px[0], px[1], &box[0], &box[1]);
  udg_homography_apply(&back, px[0] + px[2], px[1] + px[3], &far[0], &far[1]);
  box[2] = far[0] - box[0];
  box[3] = far[1] - box[1];
  if (box[0] < -1.05 || box[1] < -1.05 || far[0] > 1.05 || far[1] > 1.05)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box reaches beyond the coin");
  return UDG_OK;
}

/* Close-ups have no size of their own: the box is as high as these digits, or this. */
static const double BOX_HEIGHT_MM = 1.5;

/* Of the circle that the pictures are laid by, `share` of the rim's. */
static double diameter_of(const udg_outliner *outliner, const double box[4], double share) {
  const udg_reference *digits = outliner->digits;
  double height = digits && digits->date_count > 0 ? digits->dates[0].height_mm : BOX_HEIGHT_MM;
  return outliner->closeup ? 2.0 * height / box[3] : share * outliner->diameter_mm;
}

/* The reference from its text, knowing the coin's face. */
static udg_status make_reference(const udg_outliner *outliner, const char *json,
                                 udg_reference **reference, udg_message *message) {
  udg_status status = udg_reference_from_memory(&outliner->settings, json, strlen(json),
                                                "learned outlines", NULL, 0, reference, message);
  if (status != UDG_OK || outliner->closeup) /* a circle that stands for a rim has no face */
    return status;
  udg_reference *made = *reference;
  made->appearances = udg_memory_get(&outliner->settings, 1, sizeof *made->appearances);
  status = made->appearances ? UDG_OK : UDG_ERROR_MEMORY;
  if (status == UDG_OK) {
    udg_appearance *known = &made->appearances[0];
    made->appearance_count = 1;
    memcpy(known->date, outliner->date, sizeof outliner->date);
    status = udg_plane_create(&outliner->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &known->face);
    if (status == UDG_OK)
      memcpy(known->face.v, outliner->common.v, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  }
  if (status == UDG_OK)
    return UDG_OK;
  udg_reference_destroy(made);
  *reference = NULL;
  return udg_fail(message, status, "no memory for the coin's face");
}

udg_status udg_outliner_finish(udg_outliner *outliner, udg_reference **reference,
                               udg_message *message) {
  if (!outliner || !reference)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_outliner_finish: NULL argument");
  *reference = NULL;
  if (outliner->count == 0)
    return udg_fail(message, UDG_ERROR_PHOTOS, "there are no photos to learn from");
  align(outliner);
  if (used_count(outliner) < PHOTOS_MIN)
    return udg_fail(message, UDG_ERROR_PHOTOS,
                    "only %zu of %zu photos show the same side of such a coin; at least %d are "
                    "needed",
                    used_count(outliner), outliner->count, PHOTOS_MIN);
  udg_design design = {.radius_px = 0.0};
  udg_drawn_date drawn = {.date = outliner->date, .digits = outliner->digits};
  double unit[3];
  char *json = NULL;
  udg_status status = choose_circles(outliner, unit, message);
  if (status == UDG_OK)
    status = place_box(outliner, drawn.box, message);
  if (status == UDG_OK) {
    drawn.diameter_mm = diameter_of(outliner, drawn.box, unit[2]);
    drawn.coin_mm = outliner->closeup ? 0.0 : outliner->diameter_mm;
    for (int axis = 0; axis < 2; axis++)
      drawn.middle_mm[axis] = 0.5 * outliner->diameter_mm * unit[axis];
    status = find_relief(outliner, &design, message);
  }
  if (status == UDG_OK)
    status = udg_outliner_draw(&outliner->settings, &design, &drawn, &json, message);
  if (status == UDG_OK)
    status = make_reference(outliner, json, reference, message);
  drop_near(outliner);
  udg_memory_drop(&outliner->settings, json);
  udg_plane_destroy(&outliner->settings, &design.height);
  return status;
}

udg_status udg_outliner_photo(const udg_outliner *outliner, size_t index, udg_learn_photo *photo) {
  if (!outliner || !photo || index >= outliner->count)
    return UDG_ERROR_ARGUMENT;
  *photo = outliner->entries[index].told;
  return UDG_OK;
}
