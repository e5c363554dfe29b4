/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Pictures of the project's own generator as planes, with their truth. */
#ifndef UDG_TEST_MADE_H
#define UDG_TEST_MADE_H

#include "picture.h"
#include "plane.h"
#include "reference_internal.h"
#include "scene.h"
#include "shape.h"

typedef struct made {
  udg_settings settings;
  udg_reference *reference;
  ti_shapes shapes;
} made;

/* 0 when good; `name` of a file in the generator's folder of references. */
int made_open(made *m, const char *name);
void made_close(made *m);

/* The same as a cmocka group's set-up, *state the `made`, and its tear-down. */
int made_set_up(void **state, const char *name);
int made_tear_down(void **state);

/* Linear shading and white noise, of the reference's first date. */
ti_options made_ideal(void);

/* Picture number `index`; the caller destroys `grey`. */
void made_draw(const made *m, const ti_options *options, uint64_t seed, int index, ti_scene *scene,
               udg_plane *grey);

/* The picture of a scene that has been changed since it was drawn by chance. */
void made_picture(const made *m, const ti_options *options, ti_scene *scene, udg_plane *grey);

/* Which of the reference's dates the scene shows. */
size_t made_date(const made *m, const ti_scene *scene);

/* Root mean square distance of the date's corners under two maps, in digit heights. */
double made_corner_error(const ti_scene *scene, const udg_homography *found);

#endif
