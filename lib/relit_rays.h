/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Rays from a relief to the lamp, eight pixels side by side. */
#ifndef UDG_RELIT_RAYS_H
#define UDG_RELIT_RAYS_H

#include <math.h>

#include "eight.h"
#include "relit.h"

enum { UDG_RELIT_SHADOWS = 2 };
/* Steepness of the rays that bound a shadow, relief per length: lamps 27 and 45 degrees up. */
static const double UDG_RELIT_RAY[UDG_RELIT_SHADOWS] = {0.5, 1.0};
/* No relief casts a shadow longer than this, px. */
enum { UDG_RELIT_REACH_MOST = 64 };

/* Eight floats anywhere. */
typedef float udg_eight_loose
    __attribute__((vector_size(UDG_EIGHT * sizeof(float)), aligned(4), may_alias));
#define UDG_EIGHT_AT(from) (*(const udg_eight_loose *)(from))

/* Where the rays to the lamp are after so many px: whole px and what is left of one; how far each
 * has risen. */
typedef struct udg_relit_ray_step {
  int dx, dy;
  float u, v, down[UDG_RELIT_SHADOWS];
} udg_relit_ray_step;

typedef struct udg_relit_rays {
  int reach[UDG_RELIT_SHADOWS]; /* the first, which rises least, reaches farthest */
  udg_relit_ray_step steps[UDG_RELIT_REACH_MOST];
} udg_relit_rays;

static inline void udg_relit_rays_take(const udg_relit_view *view, udg_relit_rays *to) {
  const double c = cos(view->azimuth_rad), s = sin(view->azimuth_rad);
  double fall[UDG_RELIT_SHADOWS];
  for (int k = 0; k < UDG_RELIT_SHADOWS; k++) {
    fall[k] = UDG_RELIT_RAY[k] / fmax(view->relief_px, 1e-3);
    to->reach[k] = (int)fmin(ceil(1.0 / fall[k]), UDG_RELIT_REACH_MOST);
  }
  for (int t = 0; t < to->reach[0]; t++) {
    double x = c * (t + 1), y = s * (t + 1);
    udg_relit_ray_step *step = &to->steps[t];
    *step = (udg_relit_ray_step){.dx = (int)floor(x),
                                 .dy = (int)floor(y),
                                 .u = (float)(x - floor(x)),
                                 .v = (float)(y - floor(y))};
    for (int k = 0; k < UDG_RELIT_SHADOWS; k++)
      step->down[k] = (float)(fall[k] * (t + 1));
  }
}

/* How far the relief towards the lamp stands above each ray to it. */
static inline __attribute__((always_inline)) void
udg_relit_cast(const float *own, ptrdiff_t stride, const udg_relit_rays *to,
               udg_eight shadow[UDG_RELIT_SHADOWS]) {
  const udg_eight here = UDG_EIGHT_AT(own);
  udg_eight first = {0}, second = {0};
  for (int t = 0; t < to->reach[0]; t++) {
    const udg_relit_ray_step *step = &to->steps[t];
    const float *at = own + step->dy * stride + step->dx, *under = at + stride;
    const udg_eight u = UDG_EIGHT_ALL(step->u), v = UDG_EIGHT_ALL(step->v);
    const udg_eight above = UDG_EIGHT_AT(at) + u * (UDG_EIGHT_AT(at + 1) - UDG_EIGHT_AT(at));
    const udg_eight below =
        UDG_EIGHT_AT(under) + u * (UDG_EIGHT_AT(under + 1) - UDG_EIGHT_AT(under));
    const udg_eight over = above + v * (below - above) - here;
    const udg_eight one = over - UDG_EIGHT_ALL(step->down[0]),
                    two = over - UDG_EIGHT_ALL(step->down[1]);
    udg_eight_raise(&one, &first);
    if (t < to->reach[1])
      udg_eight_raise(&two, &second);
  }
  shadow[0] = first;
  shadow[1] = second;
}

#endif
