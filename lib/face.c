/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "face.h"

#include <math.h>
#include <string.h>

#define TAU 6.28318530717958647692

/* The disc: so many pixels a side, to the rim. */
enum { SIDE = 160 };
static const double RADIUS_PX = 72.0;
static const double GROUND_PX = 10.0, EDGE_BLUR_PX = 1.0;
static const float EVEN_CUT = 2.5f;
/* What a neighbourhood's contrast is at least taken for, levels: bare metal is no design. */
static const float CONTRAST_MIN = 2.0f;
/* Another turn is one at least so many steps off. */
enum { APART = 8 };
/* Lead of the best turn over another one at which the right side and something else
 * are as likely, and how fast that changes. */
static const double LEAD_EVEN = 0.15, LEAD_SPREAD = 0.025;

udg_status udg_face_work_create(const udg_settings *settings, udg_face_work *work) {
  memset(work, 0, sizeof *work);
  udg_plane *planes[] = {&work->disc, &work->mean, &work->square, &work->blur};
  for (int i = 0; i < 4; i++)
    if (udg_plane_create(settings, SIDE, SIDE, planes[i]) != UDG_OK) {
      udg_face_work_destroy(settings, work);
      return UDG_ERROR_MEMORY;
    }
  return UDG_OK;
}

void udg_face_work_destroy(const udg_settings *settings, udg_face_work *work) {
  udg_plane *planes[] = {&work->disc, &work->mean, &work->square, &work->blur};
  for (int i = 0; i < 4; i++)
    udg_plane_destroy(settings, planes[i]);
  udg_buffer_destroy(settings, &work->window);
  udg_buffer_destroy(settings, &work->scratch);
  memset(work, 0, sizeof *work);
}

udg_homography udg_face_map(const udg_ellipse *rim, double turn_rad) {
  /* centre + R(angle) diag(semi) R(-angle) R(turn) u: a tilt, no turn of its own. */
  double c = cos(rim->angle_rad), s = sin(rim->angle_rad);
  double a = rim->semi[0], b = rim->semi[1];
  double xx = c * c * a + s * s * b, xy = c * s * (a - b), yy = s * s * a + c * c * b;
  double tc = cos(turn_rad), ts = sin(turn_rad);
  return (udg_homography){{xx * tc + xy * ts, xy * tc - xx * ts, rim->centre[0], xy * tc + yy * ts,
                           yy * tc - xy * ts, rim->centre[1], 0, 0, 1}};
}

udg_status udg_face_lay(const udg_settings *settings, udg_photo grey, const udg_homography *map,
                        double radius_px, udg_face_work *work, udg_plane *disc) {
  const double centre[2] = {0.0, 0.0};
  double reach = 0.5 * disc->width / radius_px;
  const double half[2] = {reach, reach};
  udg_homography to_window;
  udg_status status = udg_rescale_window(settings, grey, map, centre, half, radius_px,
                                         &work->window, &work->scratch, &to_window);
  if (status != UDG_OK)
    return status;
  udg_homography there = udg_homography_after(&to_window, map);
  for (int y = 0; y < disc->height; y++)
    for (int x = 0; x < disc->width; x++) {
      double u = (x + 0.5 - 0.5 * disc->width) / radius_px;
      double v = (y + 0.5 - 0.5 * disc->height) / radius_px, px, py;
      udg_homography_apply(&there, u, v, &px, &py);
      udg_plane_row(disc, y)[x] = udg_plane_sample(&work->window.plane, px, py);
    }
  return UDG_OK;
}

void udg_face_even(udg_plane *disc, double ground_px, udg_plane *mean, udg_plane *square,
                   udg_plane *blur) {
  size_t count = (size_t)disc->width * (size_t)disc->height;
  memcpy(mean->v, disc->v, count * sizeof *mean->v);
  udg_plane_blur(mean, ground_px, blur);
  for (size_t i = 0; i < count; i++) {
    disc->v[i] -= mean->v[i];
    square->v[i] = disc->v[i] * disc->v[i];
  }
  udg_plane_blur(square, 1.4 * ground_px, blur);
  for (size_t i = 0; i < count; i++) {
    float even = disc->v[i] / (sqrtf(fmaxf(square->v[i], 0.0f)) + CONTRAST_MIN);
    disc->v[i] = fminf(fmaxf(even, -EVEN_CUT), EVEN_CUT);
  }
}

/* |gradient| at a pixel, by central differences. */
static float edge_at(const udg_plane *plane, int x, int y) {
  const float *row = udg_plane_row(plane, y);
  float gx = 0.5f * (row[x + 1] - row[x - 1]);
  float gy = 0.5f * (udg_plane_row(plane, y + 1)[x] - udg_plane_row(plane, y - 1)[x]);
  return sqrtf(gx * gx + gy * gy);
}

udg_status udg_face_take(const udg_settings *settings, udg_photo grey, const udg_ellipse *rim,
                         udg_face_work *work, udg_plane *face) {
  udg_homography map = udg_face_map(rim, 0.0);
  udg_status status = udg_face_lay(settings, grey, &map, RADIUS_PX, work, &work->disc);
  if (status != UDG_OK)
    return status;
  udg_face_even(&work->disc, GROUND_PX, &work->mean, &work->square, &work->blur);
  udg_plane_blur(&work->disc, EDGE_BLUR_PX, &work->blur);
  memset(work->mean.v, 0, sizeof(float) * SIDE * SIDE);
  for (int y = 1; y + 1 < SIDE; y++)
    for (int x = 1; x + 1 < SIDE; x++)
      udg_plane_row(&work->mean, y)[x] = edge_at(&work->disc, x, y);
  for (int r = 0; r < UDG_FACE_RADII; r++) {
    double radius =
        RADIUS_PX * (UDG_FACE_FROM + (UDG_FACE_TO - UDG_FACE_FROM) * r / (UDG_FACE_RADII - 1.0));
    for (int a = 0; a < UDG_FACE_ANGLES; a++) {
      double angle = TAU * a / UDG_FACE_ANGLES;
      float edge = udg_plane_sample(&work->mean, 0.5 * SIDE + radius * cos(angle),
                                    0.5 * SIDE + radius * sin(angle));
      /* A ring's area grows with its radius: pixels count alike. */
      udg_plane_row(face, r)[a] = (float)sqrt(radius) * edge;
    }
  }
  udg_face_norm(face);
  return UDG_OK;
}

void udg_face_norm(udg_plane *face) {
  double square = 0.0;
  for (int r = 0; r < face->height; r++) {
    float *row = udg_plane_row(face, r);
    double mean = 0.0;
    for (int a = 0; a < face->width; a++)
      mean += (double)row[a] / face->width;
    for (int a = 0; a < face->width; a++) {
      row[a] -= (float)mean;
      square += (double)row[a] * (double)row[a];
    }
  }
  float factor = square > 0.0 ? (float)(1.0 / sqrt(square)) : 0.0f;
  for (size_t i = 0; i < (size_t)face->width * (size_t)face->height; i++)
    face->v[i] *= factor;
}

udg_face_match udg_face_compare(const udg_plane *face, const udg_plane *like) {
  double at[UDG_FACE_ANGLES] = {0.0};
  int n = UDG_FACE_ANGLES, best = 0;
  for (int r = 0; r < face->height; r++) {
    const float *p = udg_plane_row(face, r), *q = udg_plane_row(like, r);
    for (int k = 0; k < n; k++) {
      float sum = 0.0f;
      for (int a = 0; a < n - k; a++)
        sum += p[a + k] * q[a];
      for (int a = n - k; a < n; a++)
        sum += p[a + k - n] * q[a];
      at[k] += (double)sum;
    }
  }
  for (int k = 1; k < n; k++)
    if (at[k] > at[best])
      best = k;
  udg_face_match match = {0.0, at[best], 0.0};
  for (int k = APART; k <= n - APART; k++)
    match.runner_up = fmax(match.runner_up, at[(best + k) % n]);
  double before = at[(best + n - 1) % n], after = at[(best + 1) % n];
  double bend = before - 2.0 * at[best] + after;
  double part = bend < 0.0 ? 0.5 * (before - after) / bend : 0.0;
  match.turn_rad = TAU * (best + part) / n;
  return match;
}

void udg_face_add(udg_plane *face, const udg_plane *one, double turn_rad, double weight) {
  int n = UDG_FACE_ANGLES, k = (int)floor(turn_rad * n / TAU + 0.5);
  k = (k % n + n) % n;
  for (int r = 0; r < face->height; r++) {
    float *sum = udg_plane_row(face, r);
    const float *p = udg_plane_row(one, r);
    for (int a = 0; a < n; a++)
      sum[a] += (float)weight * p[(a + k) % n];
  }
}

double udg_face_certainty(const udg_face_match *match) {
  double lead = match->likeness - match->runner_up;
  return 1.0 / (1.0 + exp(-(lead - LEAD_EVEN) / LEAD_SPREAD));
}
