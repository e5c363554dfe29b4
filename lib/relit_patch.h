/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The patch of a digit of the date or of an item of the design, ready for suppositions about its
 * relief (relit.h). */
#ifndef UDG_RELIT_PATCH_H
#define UDG_RELIT_PATCH_H

#include "marker_look.h"
#include "relit.h"

enum { UDG_RELIT_KEPT_PLANES = 7 };

/* A digit's patch that was opened before: its scene does not change, so neither does it. */
typedef struct udg_relit_kept {
  int known, usable;
  double px_per_mm, usable_share;
  udg_look_spot spot;
  udg_homography to_photo;
  int size;
  float *planes; /* UDG_RELIT_KEPT_PLANES of size x size, one behind the other; or NULL */
} udg_relit_kept;

/* Scratch; after an open, the thing in it. */
typedef struct udg_relit_patch {
  udg_look *look;
  udg_relit *relit;
  double fine; /* px to a digit's height */
  double px_per_mm;
  udg_plane own;    /* px, distance to the thing's own outline, positive inside */
  udg_plane other;  /* for whoever supposes another outline */
  udg_plane mask;   /* its pixels: usable, and no other outline is nearer */
  udg_plane held;   /* grey levels as the fit takes them */
  udg_plane height; /* the relief supposed, shares of the full one */
  int opened;       /* counts what was opened */
  udg_relit_kept kept[UDG_PLACES_MAX];
} udg_relit_patch;

/* `fine` px to a digit's height, at most 48; less where a thing is too large for that.  The scene
 * of `look` stays as it is until the patch is destroyed. */
udg_status udg_relit_patch_create(udg_look *look, double fine, udg_relit_patch *patch,
                                  udg_message *message);
void udg_relit_patch_destroy(udg_relit_patch *patch);

/* `usable` 0 when too little of it can be seen. */
udg_status udg_relit_patch_digit(udg_relit_patch *patch, int place, int *usable,
                                 udg_message *message);
udg_status udg_relit_patch_item(udg_relit_patch *patch, int item, int *usable,
                                udg_message *message);
/* Sums of patch->height, softened by so many px of the resolution asked for. */
void udg_relit_patch_take(udg_relit_patch *patch, double blur_px, udg_relit_sums *sums);

#endif
