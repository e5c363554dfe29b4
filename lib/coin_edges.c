/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Edges of the coin stage: the gradient, judged against what is around it. */
#include "coin_internal.h"

#include <math.h>
#include <string.h>

static const double BLUR_PX = 1.0;
/* What is left of an edge under this wider blur is no rim: the half-shadow beside
 * a coin, the slope of a shoulder. */
static const double SOFT_PX = 4.0;
/* Texture is compared with its mean over this share of the longer side. */
static const double AROUND_SHARE = 0.018;
/* Below so many grey levels per px it is noise, not an edge. */
static const double FLOOR = 0.8;

/* Central differences; at the border of the photo one-sided. */
static void gradient_at(const udg_plane *grey, int x, int y, float g[2]) {
  int left = x > 0 ? x - 1 : x, right = x + 1 < grey->width ? x + 1 : x;
  int above = y > 0 ? y - 1 : y, below = y + 1 < grey->height ? y + 1 : y;
  g[0] = 0.5f * (udg_plane_row(grey, y)[right] - udg_plane_row(grey, y)[left]);
  g[1] = 0.5f * (udg_plane_row(grey, below)[x] - udg_plane_row(grey, above)[x]);
}

/* The gradient of `sharp`, shortened by that of `soft`, and its length. */
static void gradient_make(const udg_plane *sharp, const udg_plane *soft, udg_coin_edges *edges,
                          udg_plane *length) {
  for (int y = 0; y < sharp->height; y++)
    for (int x = 0; x < sharp->width; x++) {
      float g[2], wide[2];
      gradient_at(sharp, x, y, g);
      gradient_at(soft, x, y, wide);
      float full = sqrtf(g[0] * g[0] + g[1] * g[1]);
      float left = full - sqrtf(wide[0] * wide[0] + wide[1] * wide[1]);
      float share = left > 0 ? left / full : 0;
      udg_plane_row(&edges->x.plane, y)[x] = share * g[0];
      udg_plane_row(&edges->y.plane, y)[x] = share * g[1];
      udg_plane_row(length, y)[x] = share * full;
    }
}

udg_status udg_coin_edges_make(const udg_settings *settings, const udg_plane *grey,
                               udg_buffer scratch[3], udg_coin_edges *edges) {
  int width = grey->width, height = grey->height;
  udg_buffer *all[] = {&edges->x, &edges->y, &edges->around, &scratch[0], &scratch[1], &scratch[2]};
  for (int i = 0; i < 6; i++) {
    udg_status status = udg_buffer_size(settings, all[i], width, height);
    if (status != UDG_OK)
      return status;
  }
  udg_plane *sharp = &scratch[0].plane, *soft = &scratch[1].plane, *spare = &scratch[2].plane;
  size_t count = (size_t)width * (size_t)height;
  memcpy(sharp->v, grey->v, count * sizeof *grey->v);
  udg_plane_blur(sharp, BLUR_PX, spare);
  memcpy(soft->v, sharp->v, count * sizeof *grey->v);
  udg_rescale_mean(soft, SOFT_PX, spare);
  gradient_make(sharp, soft, edges, &edges->around.plane);
  udg_rescale_mean(&edges->around.plane, AROUND_SHARE * fmax(width, height), spare);
  for (size_t i = 0; i < count; i++)
    edges->around.plane.v[i] += (float)FLOOR;
  return UDG_OK;
}

void udg_coin_edges_destroy(const udg_settings *settings, udg_coin_edges *edges) {
  udg_buffer_destroy(settings, &edges->x);
  udg_buffer_destroy(settings, &edges->y);
  udg_buffer_destroy(settings, &edges->around);
}

double udg_coin_edge_across(const udg_coin_edges *edges, double x, double y, double n_x,
                            double n_y) {
  int width = edges->x.plane.width, height = edges->x.plane.height;
  double u = fmin(fmax(x - 0.5, 0), width - 1.001), v = fmin(fmax(y - 0.5, 0), height - 1.001);
  int i = (int)u, j = (int)v;
  double f = u - i, g = v - j;
  size_t at = (size_t)j * (size_t)width + (size_t)i, next = at + (size_t)width;
  double w[4] = {(1 - f) * (1 - g), f * (1 - g), (1 - f) * g, f * g};
#define BETWEEN(b)                                                                                 \
  (w[0] * (double)(b).plane.v[at] + w[1] * (double)(b).plane.v[at + 1] +                           \
   w[2] * (double)(b).plane.v[next] + w[3] * (double)(b).plane.v[next + 1])
  double gx = BETWEEN(edges->x), gy = BETWEEN(edges->y), around = BETWEEN(edges->around);
#undef BETWEEN
  double across = fabs(gx * n_x + gy * n_y), along = fabs(gy * n_x - gx * n_y);
  double value = (across - 1.2 * along) / (across + along + around);
  return value > 0 ? value : 0;
}
