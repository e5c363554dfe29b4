/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the date stage share. */
#ifndef UDG_FIND_INTERNAL_H
#define UDG_FIND_INTERNAL_H

#include "find.h"
#include "rescale.h"
#include "template.h"

#define UDG_FIND_CHANNELS 2 /* flattened grey level; density of edges */
#define UDG_FIND_KERNELS 6 /* of all channels together */
#define UDG_FIND_TURNS_MAX 64
#define UDG_FIND_POOL 48

/* Height of the digits in the scaled copies that are searched. */
extern const double udg_find_height_px;

/* Kernels of one date at one turn, as spectra of one tile size. */
typedef struct udg_find_turn {
  double turn_rad;
  /* Orthonormal within a channel: their correlations' squares add up to the
   * energy they explain. */
  udg_complex *kernels[UDG_FIND_KERNELS];
} udg_find_turn;

/* Kernels first[c] .. first[c + 1] - 1 belong to channel c. */
extern const int udg_find_first[UDG_FIND_CHANNELS + 1];

typedef struct udg_find_model {
  udg_template shape;
  const udg_fft_plan *plan; /* of a tile */
  int reach[2];             /* of the kernels from the centre, px */
  udg_complex *window;      /* spectrum of 1 on the upright date and its margin */
  double window_px;         /* pixels of the window */
  int turn_count;
  udg_find_turn turns[UDG_FIND_TURNS_MAX];
  udg_patch_set coarse, middle; /* for verification */
} udg_find_model;

udg_status udg_find_model_create(const udg_settings *settings, const udg_reference *reference,
                                 size_t date_index, udg_fft *fft, udg_find_model *model,
                                 udg_message *message);
void udg_find_model_destroy(const udg_settings *settings, udg_find_model *model);

/* Takes the local mean away and divides by the local contrast: a blown
 * highlight then weighs little more than a soft shoulder. In place. */
void udg_find_flatten(udg_plane *plane, double height_px, udg_plane *mean, udg_plane *scratch);

#endif
