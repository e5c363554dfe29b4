/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Close-ups of a date laid onto the first one, on which a box marks it: no rim is needed.
 * A circle around the box stands for the rim; on the other photos it is looked for at
 * sizes of 0.45 to 2.2 of the first's and turns up to 12 degrees either way. */
#ifndef UDG_OUTLINER_CLOSEUP_H
#define UDG_OUTLINER_CLOSEUP_H

#include "face.h"
#include "fft.h"

typedef struct udg_closeup udg_closeup;

/* The circle around a box (left, top, width, height, px). */
udg_ellipse udg_closeup_circle(const double box_px[4]);

/* Remembers the first photo's date.  `fft` must outlive the result.  MEMORY; PHOTOS when
 * nothing shows in the box. */
udg_status udg_closeup_create(const udg_settings *settings, udg_fft *fft, const udg_plane *grey,
                              const double box_px[4], udg_face_work *work, udg_closeup **closeup,
                              udg_message *message);
void udg_closeup_destroy(const udg_settings *settings, udg_closeup *closeup);

/* The best circle on another photo; whether it is the same date its face must tell.  MEMORY. */
udg_status udg_closeup_find(const udg_settings *settings, udg_closeup *closeup,
                            const udg_plane *grey, udg_face_work *work, udg_ellipse *circle,
                            udg_message *message);

/* Edges of the date under a circle, turned, from the photo's own pixels: square sum 1 over
 * the box, 0 outside.  `edges` has UDG_CLOSEUP_SIDE pixels a side. */
enum { UDG_CLOSEUP_SIDE = 176 };
udg_status udg_closeup_edges(const udg_settings *settings, udg_closeup *closeup,
                             const udg_plane *grey, const udg_ellipse *circle, double turn_rad,
                             udg_face_work *work, udg_plane *edges);
/* Betters circle and turn until those edges lie on `like`. */
void udg_closeup_refine(const udg_settings *settings, udg_closeup *closeup, const udg_plane *grey,
                        const udg_plane *like, udg_face_work *work, udg_ellipse *circle,
                        double *turn_rad);

#endif
