/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "date": where on a close-up the date is. */
#ifndef UDG_FIND_H
#define UDG_FIND_H

#include "photo.h"
#include "pose.h"
#include "template.h"

#define UDG_CANDIDATES_MAX 8

typedef struct udg_candidate {
  udg_homography date_to_photo; /* a similarity; px of the plane given, centres at +0.5 */
  double digit_height_px, turn_rad;
  double score; /* share of the photo's variance there that the lit date explains, 0-1 */
} udg_candidate;

/* Best first, no two of them on the same spot. */
typedef struct udg_find_result {
  int count;
  udg_candidate candidates[UDG_CANDIDATES_MAX];
  double runner_up; /* score of the second over that of the first, 0-1; 0 without a second */
  double coarse_ms, verify_ms;
} udg_find_result;

/* Scratch, and the templates, made when a date is first asked for. */
typedef struct udg_find_state udg_find_state;

/* `reference` is kept and must outlive the state. */
udg_status udg_find_create(const udg_settings *settings, const udg_reference *reference,
                           udg_find_state **state, udg_message *message);
void udg_find_destroy(udg_find_state *state);
/* Templates to use instead of its own, which must outlive the state; before a date is looked for.
 */
void udg_find_lend(udg_find_state *state, udg_templates *templates);

/* `grey`: encoded luma 0-255.  A photo too small for the date gives UDG_OK and
 * no candidate. */
udg_status udg_find_date(udg_find_state *state, udg_photo grey, size_t date_index,
                         udg_find_result *result, udg_message *message);

/* The same in two steps: spots that a search leaves, and the date fitted at them. */
#define UDG_FIND_POOL 48

typedef struct udg_find_pooled {
  double x, y; /* px of the photo */
  double height_px, turn_rad, score;
  udg_homography date_to_photo;
} udg_find_pooled;

typedef struct udg_find_pool {
  int count, room;
  udg_find_pooled spots[UDG_FIND_POOL]; /* best first */
} udg_find_pool;

/* What the caller knows of where the date may be; `keep` 0: anywhere. */
typedef struct udg_find_wish {
  int (*keep)(const void *user, const udg_candidate *candidate);
  const void *user;
} udg_find_wish;

/* As udg_find_date() but for the fits; milliseconds go into result->coarse_ms. */
udg_status udg_find_spots(udg_find_state *state, udg_photo grey, size_t date_index,
                          const udg_find_wish *wish, udg_find_pool *spots, udg_find_result *result,
                          udg_message *message);
/* `rival`: best score elsewhere; only what comes near it is fitted to the end. The other fields of
 * the result are filled. */
udg_status udg_find_fit(udg_find_state *state, udg_photo grey, size_t date_index,
                        const udg_find_pool *spots, double rival, udg_find_result *result,
                        udg_message *message);

#endif
