/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Coins of the outliner laid onto each other: by their faces, then, where the date is small, by its
 * edges. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "outliner_internal.h"

/* Of the rounds of turning, those that weigh each coin by its lead, and those in which none
 * weighs more than the first photo. */
enum { ROUNDS = 6, SOFT_ROUNDS = 4, ANCHOR_ROUNDS = 2, EDGE_ROUNDS = 3 };
/* Certainty from which on a coin shows the others' side.  What a few coins share is noisier than
 * a learned face, so that less than one half is asked: a lead of 0.115; of made coins of two
 * types and real ones of two sides, own ones led by 0.14 and more, others by 0.07 at most. */
static const double CERTAIN = 0.2;
/* A date within this share of the rim's radius is small. */
static const double NEAR_SHARE = 0.5;

size_t udg_outliner_used(const udg_outliner *outliner) {
  size_t n = 0;
  for (size_t i = 0; i < outliner->count; i++)
    n += outliner->entries[i].told.fate == UDG_LEARN_USED;
  return n;
}

void udg_outliner_leave_out(udg_outliner_entry *entry, udg_learn_fate fate, const char *why) {
  entry->told.fate = fate;
  snprintf(entry->told.why, sizeof entry->told.why, "%s", why);
}

/* Sum of the faces as they lie upright, each with its weight. */
static void add_faces(udg_outliner *outliner) {
  udg_plane *common = &outliner->common;
  memset(common->v, 0, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  for (size_t i = 0; i < outliner->count; i++) {
    udg_outliner_entry *e = &outliner->entries[i];
    if (e->face.v && e->weight > 0.0)
      udg_face_add(common, &e->face, e->turn_rad, e->weight);
  }
}

/* A coin against what the others share: its own part of the sum would be like it whatever it
 * shows. */
static udg_face_match match_others(udg_outliner *outliner, const udg_outliner_entry *e) {
  memcpy(outliner->others.v, outliner->common.v, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  if (e->weight > 0.0)
    udg_face_add(&outliner->others, &e->face, e->turn_rad, -e->weight);
  udg_face_norm(&outliner->others);
  return udg_face_compare(&e->face, &outliner->others);
}

/* Turns against the others, from the first photo on, on which the box is upright and which stays
 * where it is.  Each counts by its lead at first, in the last rounds all or nothing. */
static void turn_upright(udg_outliner *outliner) {
  udg_outliner_entry *first = &outliner->entries[0];
  first->weight = 1.0;
  for (int round = 0; round < ROUNDS; round++) {
    double most = 0.0;
    add_faces(outliner);
    for (size_t i = 0; i < outliner->count; i++) {
      udg_outliner_entry *e = &outliner->entries[i];
      if (!e->face.v)
        continue;
      udg_face_match match = match_others(outliner, e);
      e->next_turn_rad = i == 0 && round == 0 ? 0.0 : match.turn_rad;
      e->certainty = udg_face_certainty(&match);
      e->lead = fmax(match.likeness - match.runner_up, 0.0);
      most = fmax(most, e->lead);
    }
    for (size_t i = 0; i < outliner->count; i++) {
      udg_outliner_entry *e = &outliner->entries[i];
      e->turn_rad = e->next_turn_rad - first->next_turn_rad;
      e->weight = round < SOFT_ROUNDS ? e->lead : e->certainty >= CERTAIN ? 1.0 : 0.0;
    }
    if (round < ANCHOR_ROUNDS)
      first->weight = most;
  }
}

/* Who shows the side that the first photo and most others show; the common face is theirs. */
void udg_outliner_align(udg_outliner *outliner) {
  turn_upright(outliner);
  int first_alone = outliner->entries[0].certainty < CERTAIN;
  for (size_t i = 0; i < outliner->count; i++) {
    udg_outliner_entry *e = &outliner->entries[i];
    if (!e->face.v)
      continue;
    e->told.fate = UDG_LEARN_USED;
    e->weight = i == 0 || (!first_alone && e->certainty >= CERTAIN) ? 1.0 : 0.0;
    if (e->weight > 0.0)
      continue;
    udg_outliner_leave_out(
        e, UDG_LEARN_UNLIKE,
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
  const udg_outliner_entry *first = &outliner->entries[0];
  if (status == UDG_OK)
    status = udg_closeup_edges(settings, outliner->near, &first->coin, &first->circle, 0.0,
                               &outliner->work, &like);
  for (int round = 0; round < EDGE_ROUNDS && status == UDG_OK; round++) {
    memset(sum.v, 0, pixels * sizeof *sum.v);
    for (size_t i = 0; i < outliner->count && status == UDG_OK; i++) {
      udg_outliner_entry *e = &outliner->entries[i];
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
udg_status udg_outliner_circles(udg_outliner *outliner, double unit[3], udg_message *message) {
  udg_outliner_entry *first = &outliner->entries[0];
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
    udg_outliner_entry *e = &outliner->entries[i];
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
