/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The path of a photograph: the only place that joins the stages.  Inside of an
 * inspector, open for tests and measuring programs. */
#ifndef UDG_PIPELINE_H
#define UDG_PIPELINE_H

#include <underdigit/inspect.h>

#include "budget.h"
#include "coin_locate.h"
#include "face.h"
#include "find.h"
#include "marker_check.h"
#include "register_twice.h"
#include "score.h"

/* Scratch of one date, made when it is first inspected. */
typedef struct udg_date_work {
  int ready;
  udg_registration evened; /* of the last close-up, on the grey levels held down */
  udg_find_result spots;   /* what it began with */
  int passed_over;         /* it was not looked for: another led clearly */
  udg_upright upright;
  udg_light *light;
  udg_residual *residual;
  udg_trace_bank *bank;
  udg_trace_bank *turned; /* made when a field first shows something */
  udg_score *score;
} udg_date_work;

struct udg_inspector {
  udg_budget budget;
  udg_settings settings; /* hooks through `budget` */
  int used;              /* scratch of earlier photos may be held */
  const udg_reference *reference;
  udg_fft *fft;
  udg_templates *templates; /* of all stages */
  udg_find_state *find;
  udg_register_state *registers;
  udg_register_twice *registers_twice; /* made when a date may be set twice */
  udg_coin_state *coins;               /* these two only with a reference that gives the diameter */
  udg_coin_locator *locator;
  udg_face_work faces; /* only with a reference that knows the coin's face */
  udg_plane face;
  double face_certainty;
  udg_coin_result rims; /* of the last photo */
  int coin;             /* of these the one with the date; -1: none, or a close-up */
  double certainty;     /* that the date was found on a coin, 0-1; -1: a close-up */
  udg_look *look;       /* made when a date with markers is first judged */
  udg_date_work *dates; /* reference->date_count of them */
  udg_photo grey;       /* the photo in hand, whose pixels are borrowed */
  udg_photo even;       /* the same with its extremes held down, for finding and registering */
  float grey_level[256], even_level[256];
  udg_buffer window;              /* a part of it */
  int keep_maps;                  /* the scores keep their maps, for several photos together */
  const udg_score_choice *choice; /* where they said that traces are; NULL: nothing said */
  int shown;                      /* date whose planes the views show; -1: none */
  udg_plane view_residual;
  udg_registration registration; /* of that date */
  udg_find_result found;
};

/* Share of the variance explained, times one less the runner-up's ratio: how far
 * the date leads over every other spot. */
double udg_registration_lead(const udg_registration *registration);
/* Finds and registers one date; 0 candidates leave `found.count` 0. */
udg_status udg_pipeline_locate(udg_inspector *inspector, size_t date_index, udg_message *message);
/* The same for the date asked for, or, with NULL, for each date of the reference;
 * the one whose lit model explains most is kept. DATE when there is no such date. */
udg_status udg_pipeline_locate_best(udg_inspector *inspector, const char *date, size_t *date_index,
                                    udg_message *message);
/* The same on one of the rims that the photo shows; ARGUMENT when it has no such. */
udg_status udg_pipeline_locate_coin(udg_inspector *inspector, const char *date, int coin,
                                    size_t *date_index, udg_message *message);
/* Number of a rim as one reads a page, rows from the top, from 1. */
int udg_pipeline_coin_number(const udg_coin_result *rims, int coin);
/* Why no date was found, in words, after it was looked for in vain. */
const char *udg_pipeline_no_date(const udg_inspector *inspector);
/* From the registration to the scores. */
udg_status udg_pipeline_score(udg_inspector *inspector, size_t date_index, udg_message *message);
/* Lets go of all scratch; udg_pipeline_prepare() makes what is missing again. */
void udg_pipeline_reset(udg_inspector *inspector);
udg_status udg_pipeline_prepare(udg_inspector *inspector, udg_message *message);
/* Whether the date, or a digit of it, was set twice, where the scores leave that open; before the
 * verdict. */
udg_status udg_pipeline_twice(udg_inspector *inspector, size_t date_index, udg_message *message);
/* Second markers of the date's known dies; after the verdict. */
udg_status udg_pipeline_markers(udg_inspector *inspector, size_t date_index, udg_result *result,
                                udg_message *message);
/* The photo, which must stay until it has been judged. */
udg_status udg_pipeline_take(udg_inspector *inspector, const udg_image *image,
                             udg_message *message);

#endif
