/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A run of the generator: reference in, numbered pictures and truth out. */
#ifndef TI_MAKE_H
#define TI_MAKE_H

#include "picture.h"
#include "scene.h"

typedef struct ti_job {
  const char *reference_path, *folder, *name, *date;
  long count, seed, start, coins;
  long views; /* 0: one photo a coin, no letter in its name */
  ti_options options;
} ti_job;

udg_status ti_make(const ti_job *job, udg_message *message);

/* The scenes of one picture (options->coins of them), with traces that can be
 * seen: hidden ones are drawn anew. */
udg_status ti_make_scenes(const ti_shapes *shapes, const udg_reference *reference,
                          const ti_options *options, uint64_t seed, int index, int view,
                          ti_scene *scenes);
/* The first of them. */
udg_status ti_make_scene(const ti_shapes *shapes, const udg_reference *reference,
                         const ti_options *options, uint64_t seed, int index, int view,
                         ti_scene *scene);

#endif
