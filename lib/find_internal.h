/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the date stage share. */
#ifndef UDG_FIND_INTERNAL_H
#define UDG_FIND_INTERNAL_H

#include "find.h"
#include "rescale.h"
#include "template.h"

#define UDG_FIND_CHANNELS 2 /* flattened grey level; density of edges */
#define UDG_FIND_KERNELS 3  /* of each channel */
#define UDG_FIND_TURNS_MAX 64
#define UDG_FIND_COARSE 32  /* spots of each size that the coarse search hands on */
#define UDG_FIND_SPOTS 1024 /* of all sizes */
#define UDG_FIND_LANES 8    /* centres of a row whose scores are computed together ... */
#define UDG_FIND_WIDE 16    /* ... and rows are filled up to twice as many */

/* Kernels of one date at one turn: the pixels of its window. */
typedef struct udg_find_turn {
  double turn_rad;
  int count;
  int16_t *x, *y; /* from the centre */
  /* UDG_FIND_KERNELS values a pixel.  Orthonormal within a channel: their correlations'
   * squares add up to the energy they explain. */
  float *values[UDG_FIND_CHANNELS];
} udg_find_turn;

/* The date as it is searched in copies in which its digits are so high. */
typedef struct udg_find_level {
  double height_px;
  double scale_step, turn_step_rad; /* from one searched size or turn to the next */
  int reach[2];                     /* of the kernels from the centre, px */
  int turn_count;
  udg_find_turn turns[UDG_FIND_TURNS_MAX];
  udg_find_turn upright; /* its pixels are the window that energies are taken over */
} udg_find_level;

typedef struct udg_find_model {
  udg_template shape; /* without its planes */
  udg_find_level coarse, fine;
  udg_patch_set rough, middle; /* for verification */
} udg_find_model;

udg_status udg_find_model_create(const udg_settings *settings, const udg_template *shape,
                                 udg_find_model *model, udg_message *message);
void udg_find_model_destroy(const udg_settings *settings, udg_find_model *model);

/* Takes the local mean away and divides by the local contrast: a blown
 * highlight then weighs little more than a soft shoulder. In place. */
void udg_find_flatten(udg_plane *plane, double height_px, udg_plane *mean, udg_plane *scratch);

#define UDG_FIND_MIPS 12

/* A photo whose sides are shorter holds no date, and could not be made smaller. */
enum { PHOTO_SIDE_MIN = 8 };

/* What the coarse search hands on. */
typedef struct udg_find_spot {
  double x, y, height_px, turn_rad;
} udg_find_spot;

/* Centres searched, px of the scaled copy: low <= at < end.  Computed are, beside them, what
 * fills the rows up to whole vectors: two of a row at a time or, in a narrow box, one of a row
 * and one of the next. */
typedef struct udg_find_box {
  int low[2], end[2];
  int narrow;
} udg_find_box;

struct udg_find_state {
  udg_settings settings;
  const udg_reference *reference;
  udg_templates *templates; /* lent, or */
  udg_templates *own;
  udg_find_model **models; /* by date, NULL until asked for */
  udg_aligner *aligner;
  int aligner_pixels;
  udg_photo photo; /* searched last */
  int box;         /* in means of so many pixels each way */
  int photo_copied, mip_count;
  udg_buffer mips[UDG_FIND_MIPS];  /* photo at 1, 1/2, 1/4 ... */
  udg_buffer edges[UDG_FIND_MIPS]; /* density of its edges, at 1/2 of that */
  udg_buffer flat[UDG_FIND_CHANNELS], first, second, window;
  udg_buffer padded[UDG_FIND_CHANNELS]; /* `flat` in a margin of zeros */
  udg_buffer share[UDG_FIND_CHANNELS];  /* of a box of centres: 1 / energy in the window */
  udg_buffer score;
  int32_t *offset; /* of a turn's pixels in `padded` */
  size_t offset_room;
  udg_find_pool pool, coarse; /* `coarse`: of one size */
  int spot_count;
  udg_find_spot spots[UDG_FIND_SPOTS];
  int out_of_memory, stopped; /* while candidates were verified */
};

/* What the stage shares with its own files. */
udg_status udg_find_channels_make(udg_find_state *state, const udg_find_level *level,
                                  double factor);
/* Every size at which the date fits into the photo, coarsely and then near the best spots:
 * fills state->pool. */
udg_status udg_find_search(udg_find_state *state, const udg_find_model *model, udg_photo grey);

/* Scores of one turn at each centre of a box go into state->score.  The energies are taken
 * by udg_find_box_energy() before, once for all turns. */
udg_status udg_find_box_energy(udg_find_state *state, const udg_find_level *level,
                               const udg_find_box *box);
udg_status udg_find_box_score(udg_find_state *state, const udg_find_level *level,
                              const udg_find_turn *turn, const udg_find_box *box);

/* Keeps a pool sorted, best first, one entry a spot. */
void udg_find_pool_add(udg_find_pool *pool, const udg_find_pooled *found);
/* Where the date would be at what the search left in the pool; what is not wished for goes. */
void udg_find_place(udg_find_state *state, const udg_find_model *model, const udg_find_wish *wish);
/* Fits the date at what is in the pool; best first afterwards. */
void udg_find_verify(udg_find_state *state, const udg_find_model *model, udg_photo grey,
                     double rival);

#endif
