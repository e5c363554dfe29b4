/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the learner share. */
#ifndef UDG_LEARN_INTERNAL_H
#define UDG_LEARN_INTERNAL_H

#include <underdigit/learn.h>

#include "appearance.h"
#include "image_internal.h"
#include "pipeline.h"

/* Fewer photos tell no coin from the type. */
enum { UDG_LEARN_PHOTOS_MIN = 3 };

/* Planes of one photo laid on the nominal date, what the maps are made from. */
typedef struct udg_learn_layer {
  double term[UDG_APPEARANCE_TERMS];
  double scale;     /* levels */
  double noise;     /* of the residual's field, over `scale` */
  double gain;      /* whitening of strokes, 1 / levels */
  udg_plane value;  /* residual over `scale` */
  udg_plane mask;   /* 1: seen, 0: under a digit, clipped, outside */
  udg_plane left;   /* filled in the second pass: energy of the whitened residual that the
                       appearance learned from the others left over, over its variance, cut */
  udg_plane weight; /* and 1 / that variance */
  udg_plane share;  /* scratch: this photo's part in what all of them say of a pixel */
} udg_learn_layer;

typedef struct udg_learn_entry {
  udg_learn_photo told;
  udg_learn_photo verdict; /* what `told` becomes when all photos were looked at */
  udg_image *crop;         /* the photo around the date; NULL when nothing was found */
  udg_candidate candidate;
  udg_registration registration; /* of the crop, with the places learned so far */
  double misfit[UDG_PLACES_MAX]; /* at each digit, over the photo's own */
  udg_learn_layer layer;
} udg_learn_entry;

struct udg_learner {
  udg_settings settings;
  const udg_reference *given;
  size_t date_index;
  udg_reference *trial;     /* a copy with free slack, places as learned so far */
  udg_inspector *inspector; /* on `trial` */
  size_t count, room;
  udg_learn_entry *entries;
  udg_plane distance, owner; /* of the nominal date on the upright plane */
  int ready;                 /* learned, may be written */
  udg_learn_report report;
  double slack_mm, slack_deg; /* to write */
  /* Evidence on the used photos, each under what the others taught. */
  double plain_mean, plain_sd;
  size_t plain_count;
  udg_appearance learned;
};

/* Robust mean of each place's offset and turn over the used photos: into the
 * trial reference's places and the report; in the last round, as far as they are
 * believed. */
void udg_learn_places(udg_learner *learner, int last);

/* Layer planes for the trial date; the photo's are where its digits sit. */
udg_status udg_learn_layer_fill(udg_learner *learner, udg_learn_entry *entry, udg_message *message);
/* Second pass, after the inspector scored the photo with an appearance. */
void udg_learn_layer_judge(udg_learner *learner, udg_learn_entry *entry);
void udg_learn_layer_destroy(const udg_settings *settings, udg_learn_layer *layer);

/* Photos are left out by folds, so that many photos cost no more than their number
 * times this. */
enum { UDG_LEARN_FOLDS = 24 };

/* Terms p, q, flat, mean from the used layers, all but those of a fold (-1: all),
 * into `made`; its variance is left alone. */
udg_status udg_learn_terms(udg_learner *learner, int fold, udg_appearance *made,
                           double *explained_share, udg_message *message);
/* The variance from the second pass. */
udg_status udg_learn_variance(udg_learner *learner, udg_appearance *made, udg_message *message);

/* The crop into the inspector, registered from the pose known so far. */
udg_status udg_learn_register_again(udg_learner *learner, udg_learn_entry *entry,
                                    udg_message *message);
/* From the registration known to the scores, with `appearance` (NULL: none). */
udg_status udg_learn_score_again(udg_learner *learner, udg_learn_entry *entry,
                                 const udg_appearance *appearance, udg_message *message);

/* Evidence on the photos learned from, when all else is learned. */
udg_status udg_learn_plain(udg_learner *learner, udg_message *message);
/* What is added to evidence on a type whose plain coins have this mean and s.d. of it, of `count`
 * photos; 0 when it cannot be told from the table's. */
double udg_learn_shift(double mean, double sd, size_t count);

/* Reference as JSON with what was learned; `sidecar` is the file it shall name. */
udg_status udg_learn_json(const udg_learner *learner, const char *sidecar, char **text,
                          udg_message *message);

#endif
