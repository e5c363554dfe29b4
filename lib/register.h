/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "register": from a rough pose to a homography, each digit's own small
 * shift and turn, and how well both are known. */
#ifndef UDG_REGISTER_H
#define UDG_REGISTER_H

#include "find.h"
#include "template.h"

/* How unlike the reference the shoulder of a worn coin may be, in digit heights. */
#define UDG_SWELL_SHARE 0.0125

typedef struct udg_registration {
  udg_homography date_to_photo; /* mm -> px of the plane given, centres at +0.5 */
  int place_count;
  double place_offset_mm[UDG_PLACES_MAX][2];     /* each digit off its nominal centre, date plane */
  double place_turn_rad[UDG_PLACES_MAX];         /* and off its nominal turn */
  double place_covariance[UDG_PLACES_MAX][3][3]; /* x, y (mm), turn (rad) */
  double covariance[16];       /* by rows: shift x, y (px of the plane), turn (rad), ln scale;
                                  digits' slack included */
  unsigned undetermined;       /* bit i: that row could not be told */
  double swell_mm[UDG_SWELLS]; /* see udg_align_pose */
  double rms;                  /* grey levels, unclipped pixels of the date and its margin */
  double noise;                /* robust s.d. of the residual, grey levels */
  double score;                /* share of the photo's variance there that the lit date explains */
  double runner_up;            /* best score anywhere else over `score`, 0-1 */
  double digit_height_px;
  double clipped;                 /* share of the date's pixels at the upper end */
  double inside;                  /* share of the date that lies in the photo */
  double light[UDG_COLUMN_COUNT]; /* coefficients of udg_column, grey levels */
  double light_azimuth_rad;       /* towards the lamp, clockwise from +x (y down), date plane */
} udg_registration;

typedef struct udg_register_state udg_register_state;

/* `reference` is kept and must outlive the state. */
udg_status udg_register_create(const udg_settings *settings, const udg_reference *reference,
                               udg_register_state **state, udg_message *message);
void udg_register_destroy(udg_register_state *state);
/* As udg_find_lend(). */
void udg_register_lend(udg_register_state *state, udg_templates *templates);

/* Registers the date at the best of the candidates (best first, count > 0). */
udg_status udg_register(udg_register_state *state, udg_photo grey, size_t date_index,
                        const udg_find_result *found, udg_registration *registration,
                        udg_message *message);
/* Only what share of the variance the date explains there, roughly registered, times the share of
 * it that lies in the photo; 0 where it cannot be registered. */
udg_status udg_register_try(udg_register_state *state, udg_photo grey, size_t date_index,
                            const udg_candidate *candidate, double *score, udg_message *message);

/* How a date is aligned to a photo: what is free, how far, how robust. */
udg_align_settings udg_register_settings(const udg_date *date);

#endif
