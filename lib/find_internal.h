/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the date stage share. */
#ifndef UDG_FIND_INTERNAL_H
#define UDG_FIND_INTERNAL_H

#include "find.h"
#include "rescale.h"
#include "template.h"

#define UDG_FIND_CHANNELS 2 /* flattened grey level; density of edges */
#define UDG_FIND_KERNELS 6  /* of all channels together */
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

#define UDG_FIND_MIPS 12

typedef struct udg_find_pooled {
  double x, y; /* px of the photo */
  double height_px, turn_rad, score;
  udg_homography date_to_photo;
} udg_find_pooled;

/* A photo whose sides are shorter holds no date, and could not be made smaller. */
enum { PHOTO_SIDE_MIN = 8 };

struct udg_find_state {
  udg_settings settings;
  const udg_reference *reference;
  udg_fft *fft;
  udg_find_model **models; /* by date, NULL until asked for */
  udg_aligner *aligner;
  int aligner_pixels;
  int mip_count;
  udg_buffer mips[UDG_FIND_MIPS];  /* photo at 1, 1/2, 1/4 ... */
  udg_buffer edges[UDG_FIND_MIPS]; /* density of its edges, at 1/2 of that */
  udg_buffer flat[UDG_FIND_CHANNELS], first, second, window;
  float *tile_pixels, *tile_score;
  float *tile_share[UDG_FIND_CHANNELS]; /* 1 / energy in the window */
  udg_complex *spectrum[UDG_FIND_CHANNELS], *product;
  size_t tile_room;
  int pool_count;
  udg_find_pooled pool[UDG_FIND_POOL];
  int out_of_memory, stopped; /* while candidates were verified */
};

/* Keeps the pool sorted, best first, one entry a spot. */
void udg_find_pool_add(udg_find_state *state, const udg_find_pooled *found);
/* Fits the date at what the search left in the pool; best first afterwards. */
void udg_find_verify(udg_find_state *state, const udg_find_model *model, const udg_plane *grey,
                     const udg_find_wish *wish);

#endif
