/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How well a supposed relief explains a photo, whatever its light.
 *
 * Over the pixels of one thing (a digit, a letter)
 *   g = sum_k a_k c_k + ground of second order,   g = 15 asinh((I - field) / 15)
 * with columns c_k that are made of the relief's slopes p, q and its height h: what matt and
 * shiny metal can make of them to the fourth and fifth order, what first-order errors of its
 * place add, crevices, and shadows away from the lamp.  The a_k are the light, the same for all
 * things of a photo; each has its own ground, which is projected out.  What is left are sums that
 * add up over things,
 *   A = sum c c^T,  b = sum c g,  e = sum g^2,   rest = e - b^T A^-1 b,
 * so that each thing may be supposed to have any relief, and the light is fitted to all of
 * them together for the price of one small system. */
#ifndef UDG_RELIT_H
#define UDG_RELIT_H

#include "plane.h"

enum { UDG_RELIT_COLUMNS = 22, UDG_RELIT_GROUND = 6, UDG_RELIT_STRIDE = 32 };

typedef struct udg_relit_sums {
  double pixels;
  double a[UDG_RELIT_COLUMNS * (UDG_RELIT_COLUMNS + 1) / 2]; /* lower triangle, row by row */
  double b[UDG_RELIT_COLUMNS];
  double e;
} udg_relit_sums;

/* Scratch for squares of up to `size_most` px. */
typedef struct udg_relit udg_relit;

udg_status udg_relit_create(const udg_settings *settings, int size_most, udg_relit **relit,
                            udg_message *message);
void udg_relit_destroy(udg_relit *relit);

/* What the relief is seen by. */
typedef struct udg_relit_view {
  const udg_plane *grey; /* g, by udg_relit_hold() */
  const udg_plane *mask; /* pixels of the thing that can be used have more than 0 */
  double bevel_px;       /* width of a full shoulder */
  double relief_px;      /* its height */
  double blur_px;        /* softness of everything, s.d. */
  double azimuth_rad;    /* towards the lamp */
} udg_relit_view;

/* g of grey levels; `level`: of the field, what lies far from it counts by its logarithm. */
void udg_relit_hold(const udg_plane *grey, double level, udg_plane *held);

/* Sums of a thing whose relief is `height` (shares of the full relief, same size as the
 * view's planes). */
void udg_relit_take(udg_relit *relit, const udg_relit_view *view, const udg_plane *height,
                    udg_relit_sums *sums);
void udg_relit_add(udg_relit_sums *to, const udg_relit_sums *more);
/* What the best light leaves unexplained. */
double udg_relit_rest(const udg_relit_sums *sums);

#endif
