/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The relief of a date in the hub, set once or twice, against the photo (relit.h). */
#ifndef UDG_HUB_FIT_H
#define UDG_HUB_FIT_H

#include "relit_patch.h"

enum {
  UDG_HUB_CELLS_MAX = 140,
  UDG_HUB_STRENGTHS = 3,
  UDG_HUB_BLURS = 5,
  UDG_HUB_BEVELS = 5,
  UDG_HUB_SOFTS = UDG_HUB_BLURS * UDG_HUB_BEVELS
};

/* Displacements of the second image, a patch pixel apart. */
typedef struct udg_hub_cells {
  int count;
  int dx[UDG_HUB_CELLS_MAX], dy[UDG_HUB_CELLS_MAX];
} udg_hub_cells;

/* What a second image is supposed to be. */
typedef struct udg_hub_second {
  int strength; /* -1: there is none */
  double shift_mm[2];
} udg_hub_second;

typedef struct udg_hub_fit {
  udg_relit_patch at;
  double step_mm; /* between cells */
  /* Heights of shoulders by pixel of what is known to be there, for a width of the shoulder, and
   * of the outline supposed instead; the first as of fit->at.opened. */
  udg_plane profile, other_profile;
  udg_part profile_filled, other_filled; /* where they are not 0 */
  double profile_px;
  int profile_of;
  udg_hub_cells cells;
  int strengths;                 /* of the second image */
  unsigned char *wanted, *known; /* what the table is to have, and has */
  size_t table_size;
  int count; /* digits that can be looked at */
  int place[UDG_PLACES_MAX];
  int soft;                  /* how soft shoulders are in this photo */
  udg_relit_sums *soft_sums; /* [soft][digit], one supposition */
  udg_relit_sums *twice;     /* udg_hub_fit_twice() */
} udg_hub_fit;

/* Second images displaced by `least` digit heights at the least: what is nearer can be the softness
 * of an edge. `strengths`: how many of them, see hub_fit.c. */
udg_status udg_hub_fit_create(udg_look *look, double least, int strengths, udg_hub_fit *fit,
                              udg_message *message);
void udg_hub_fit_destroy(udg_hub_fit *fit);

/* Sums of what is open, its relief set twice as `second` says; with `other`, the second image
 * is of the distances in fit->at.other, else of what is known to be there. */
void udg_hub_fit_take(udg_hub_fit *fit, const udg_hub_second *second, int other, int soft,
                      udg_relit_sums *sums);

/* The softness that leaves least of one supposition about all digits, into fit->soft, and its sums
 * into fit->soft_sums: downhill from the middle. */
udg_status udg_hub_fit_soften(udg_hub_fit *fit, const udg_hub_second *second, udg_message *message);

/* Every `every`-th pixel both ways is wanted in the table, of one strength or of all (-1). */
void udg_hub_fit_want(udg_hub_fit *fit, int strength, int every);
/* Fills fit->twice at fit->soft with what is wanted and not yet known. */
udg_status udg_hub_fit_table(udg_hub_fit *fit, udg_message *message);
/* Nothing is known or wanted: for another softness. */
void udg_hub_fit_forget(udg_hub_fit *fit);
/* Whether the table has a second image of all digits. */
int udg_hub_fit_has(const udg_hub_fit *fit, int strength, int cell);
/* The cell one pixel further in x and y (-1, 0, 1), or -1. */
int udg_hub_fit_beside(const udg_hub_fit *fit, int cell, int dx, int dy);
/* Displacement of a cell, mm. */
void udg_hub_fit_shift(const udg_hub_fit *fit, int cell, double shift_mm[2]);

/* The legend's part in a hub set twice, displaced at the date by hub->shift_mm: fills the
 * letters' fields and the turn.  `digits`: their sums, set twice. */
udg_status udg_hub_legend(udg_hub_fit *fit, const udg_relit_sums *digits, int strength,
                          udg_hub_finding *hub, udg_message *message);

/* One of the eight symmetries of the square, by a generator that `state` goes through. */
int udg_hub_random_way(uint32_t *state);

/* Where the table has a second image of a digit. */
static inline int udg_hub_fit_at(const udg_hub_fit *fit, int strength, int digit, int cell) {
  return (digit * UDG_HUB_STRENGTHS + strength) * fit->cells.count + cell;
}

static inline udg_relit_sums *udg_hub_fit_twice(const udg_hub_fit *fit, int strength, int digit,
                                                int cell) {
  return &fit->twice[udg_hub_fit_at(fit, strength, digit, cell)];
}

#endif
