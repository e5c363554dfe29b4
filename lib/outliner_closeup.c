/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "outliner_closeup.h"

#include <math.h>
#include <string.h>

/* The box's corners lie at this share of the circle's radius. */
static const double BOX_SHARE = 0.8;
/* The coarse search: px to the circle, px a side, sizes and turns tried. */
static const double COARSE_PX = 48.0, GROUND_PX = 7.0, EDGE_BLUR_PX = 1.2;
enum { SIDE = 320, TURNS = 7, SIZES = 15, KEPT = 6 };
static const double TURN_STEP_RAD = 4.0 * 3.14159265358979323846 / 180.0, SIZE_STEP = 1.12;
/* So much around the box belongs to it, share of its side. */
static const double MARGIN = 0.05;
/* The fine search: steps in radii, halved so many times. */
static const double FINE_STEP = 0.03;
enum { HALVINGS = 4, STEPS_MAX = 12 };
/* On the edges themselves: px to the circle, blur of the edges, first step in radii and rad. */
static const double EDGES_PX = 96.0, EDGES_GROUND_PX = 13.0, EDGES_BLUR_PX = 1.5;
static const double EDGES_STEP = 0.016;

struct udg_closeup {
  udg_ellipse circle; /* on the first photo */
  udg_plane face;     /* and what it looks like */
  udg_plane found;    /* face of a candidate */
  double box[2];      /* half its width and height, in radii */
  udg_plane disc, mean, square, blur;
  udg_plane fine[4], edges; /* disc, ground, square, scratch; the result */
  const udg_fft_plan *plan;
  udg_complex *wanted[TURNS], *spectrum, *product;
};

typedef struct candidate {
  double score;
  udg_ellipse circle;
} candidate;

udg_ellipse udg_closeup_circle(const double box_px[4]) {
  double radius = 0.5 * hypot(box_px[2], box_px[3]) / BOX_SHARE;
  return (udg_ellipse){
      .centre = {box_px[0] + 0.5 * box_px[2], box_px[1] + 0.5 * box_px[3]},
      .semi = {radius, radius},
  };
}

void udg_closeup_destroy(const udg_settings *settings, udg_closeup *closeup) {
  if (!closeup)
    return;
  udg_plane *planes[] = {&closeup->face,    &closeup->found,   &closeup->disc,    &closeup->mean,
                         &closeup->square,  &closeup->blur,    &closeup->fine[0], &closeup->fine[1],
                         &closeup->fine[2], &closeup->fine[3], &closeup->edges};
  for (size_t i = 0; i < sizeof planes / sizeof *planes; i++)
    udg_plane_destroy(settings, planes[i]);
  for (int t = 0; t < TURNS; t++)
    udg_memory_drop(settings, closeup->wanted[t]);
  udg_memory_drop(settings, closeup->spectrum);
  udg_memory_drop(settings, closeup->product);
  udg_memory_drop(settings, closeup);
}

/* The photo under a circle, turned, as strengths of edges in `edges`; `disc`, `square` and
 * `blur` are scratch. */
static udg_status lay_edges(const udg_settings *settings, const udg_plane *grey,
                            const udg_ellipse *circle, double turn_rad, double radius_px,
                            udg_face_work *work, udg_plane *disc, udg_plane *edges,
                            udg_plane *square, udg_plane *blur) {
  udg_homography map = udg_face_map(circle, turn_rad);
  udg_status status = udg_face_lay(settings, udg_photo_of(grey), &map, radius_px, work, disc);
  if (status != UDG_OK)
    return status;
  const int fine = radius_px > COARSE_PX;
  udg_face_even(disc, fine ? EDGES_GROUND_PX : GROUND_PX, edges, square, blur);
  memset(edges->v, 0, sizeof(float) * (size_t)edges->width * (size_t)edges->height);
  for (int y = 1; y + 1 < disc->height; y++)
    for (int x = 1; x + 1 < disc->width; x++) {
      const float *row = udg_plane_row(disc, y);
      float gx = row[x + 1] - row[x - 1];
      float gy = udg_plane_row(disc, y + 1)[x] - udg_plane_row(disc, y - 1)[x];
      udg_plane_row(edges, y)[x] = sqrtf(gx * gx + gy * gy);
    }
  udg_plane_blur(edges, fine ? EDGES_BLUR_PX : EDGE_BLUR_PX, blur);
  return UDG_OK;
}

/* Variance of the edges in a box, in shares of the contrast about them, up to which nothing shows:
 * what single precision leaves of an even picture is below. */
static const double NOTHING = 1e-6;

/* What lies outside the turned box goes, the rest gets mean 0 and square sum 1; 0 when nothing
 * is there. */
static int keep_box(udg_plane *edges, const double half[2], double turn_rad) {
  double sum = 0.0, square = 0.0;
  size_t inside = 0;
  for (int pass = 0; pass < 2; pass++) {
    float mean = inside ? (float)(sum / (double)inside) : 0.0f;
    for (int y = 0; y < edges->height; y++)
      for (int x = 0; x < edges->width; x++) {
        double u = x + 0.5 - 0.5 * edges->width, v = y + 0.5 - 0.5 * edges->height;
        double across = cos(turn_rad) * u + sin(turn_rad) * v;
        double down = cos(turn_rad) * v - sin(turn_rad) * u;
        float *e = &udg_plane_row(edges, y)[x];
        if (fabs(across) > half[0] || fabs(down) > half[1]) {
          *e = 0.0f;
        } else if (pass == 0) {
          sum += (double)*e;
          inside++;
        } else {
          *e -= mean;
          square += (double)*e * (double)*e;
        }
      }
  }
  float factor = square > 0.0 ? (float)(1.0 / sqrt(square)) : 0.0f;
  for (size_t i = 0; i < (size_t)edges->width * (size_t)edges->height; i++)
    edges->v[i] *= factor;
  return square > NOTHING * (double)inside;
}

static udg_status take_memory(const udg_settings *settings, udg_fft *fft, udg_closeup *c,
                              udg_message *message) {
  udg_plane *planes[] = {&c->disc, &c->mean, &c->square, &c->blur};
  udg_status status = UDG_OK;
  for (int i = 0; i < 4 && status == UDG_OK; i++)
    status = udg_plane_create(settings, SIDE, SIDE, planes[i]);
  udg_plane *fine[] = {&c->fine[0], &c->fine[1], &c->fine[2], &c->fine[3], &c->edges};
  for (int i = 0; i < 5 && status == UDG_OK; i++)
    status = udg_plane_create(settings, UDG_CLOSEUP_SIDE, UDG_CLOSEUP_SIDE, fine[i]);
  if (status == UDG_OK)
    status = udg_plane_create(settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &c->face);
  if (status == UDG_OK)
    status = udg_plane_create(settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &c->found);
  if (status == UDG_OK)
    status = udg_fft_plan_get(fft, SIDE, SIDE, &c->plan, message);
  if (status != UDG_OK)
    return status;
  size_t bins = (size_t)c->plan->half_width * SIDE;
  udg_complex **spectra[TURNS + 2] = {&c->spectrum, &c->product};
  for (int t = 0; t < TURNS; t++)
    spectra[2 + t] = &c->wanted[t];
  for (int i = 0; i < TURNS + 2; i++)
    if (!(*spectra[i] = udg_memory_get(settings, bins, sizeof(udg_complex))))
      return UDG_ERROR_MEMORY;
  return UDG_OK;
}

static double turn_of(int t) {
  return (t - TURNS / 2) * TURN_STEP_RAD;
}

udg_status udg_closeup_create(const udg_settings *settings, udg_fft *fft, const udg_plane *grey,
                              const double box_px[4], udg_face_work *work, udg_closeup **closeup,
                              udg_message *message) {
  udg_closeup *made = udg_memory_get(settings, 1, sizeof *made);
  udg_status status = made ? take_memory(settings, fft, made, message) : UDG_ERROR_MEMORY;
  if (status == UDG_OK) {
    made->circle = udg_closeup_circle(box_px);
    for (int axis = 0; axis < 2; axis++)
      made->box[axis] = (0.5 + MARGIN) * box_px[2 + axis] / made->circle.semi[0];
    status = udg_face_take(settings, udg_photo_of(grey), &made->circle, work, &made->face);
  }
  for (int t = 0; t < TURNS && status == UDG_OK; t++) {
    const double half[2] = {COARSE_PX * made->box[0], COARSE_PX * made->box[1]};
    status = lay_edges(settings, grey, &made->circle, -turn_of(t), COARSE_PX, work, &made->disc,
                       &made->mean, &made->square, &made->blur);
    if (status != UDG_OK)
      break;
    if (!keep_box(&made->mean, half, turn_of(t)))
      status = UDG_ERROR_PHOTOS;
    else
      udg_fft_forward(made->plan, made->mean.v, made->wanted[t]);
  }
  if (status != UDG_OK) {
    udg_closeup_destroy(settings, made);
    if (status == UDG_ERROR_PHOTOS)
      return udg_fail(message, status,
                      "no whole coin was found where the box is, and nothing shows "
                      "in it");
    return udg_fail(message, status,
                    status == UDG_ERROR_ARGUMENT ? "the box lies outside of the first photo"
                                                 : "no memory to lay close-ups on each other");
  }
  *closeup = made;
  return UDG_OK;
}

/* Among the best `KEPT`, best first. */
static void keep(candidate *best, const candidate *one) {
  int at = KEPT;
  while (at > 0 && best[at - 1].score < one->score)
    at--;
  for (int i = KEPT - 1; i > at; i--)
    best[i] = best[i - 1];
  if (at < KEPT)
    best[at] = *one;
}

/* The best spot for each size and turn; the photo's middle is the middle of the plane. */
static udg_status search(const udg_settings *settings, udg_closeup *c, const udg_plane *grey,
                         udg_face_work *work, candidate *best) {
  for (int s = 0; s < SIZES; s++) {
    double radius = c->circle.semi[0] * pow(SIZE_STEP, s - SIZES / 2);
    udg_ellipse there = {.centre = {0.5 * grey->width, 0.5 * grey->height},
                         .semi = {radius, radius}};
    if (udg_stop_wanted(settings))
      return UDG_ERROR_CANCELLED;
    udg_status status = lay_edges(settings, grey, &there, 0.0, COARSE_PX, work, &c->disc, &c->mean,
                                  &c->square, &c->blur);
    if (status != UDG_OK)
      return status;
    udg_fft_forward(c->plan, c->mean.v, c->spectrum);
    for (int t = 0; t < TURNS; t++) {
      candidate one = {-1.0, there};
      udg_fft_correlate(c->plan, c->spectrum, c->wanted[t], c->product);
      udg_fft_inverse(c->plan, c->product, c->square.v);
      for (int y = 0; y < SIDE; y++)
        for (int x = 0; x < SIDE; x++) {
          double score = (double)udg_plane_row(&c->square, y)[x];
          if (score <= one.score)
            continue;
          one.score = score;
          one.circle.centre[0] =
              there.centre[0] + (x < SIDE / 2 ? x : x - SIDE) * radius / COARSE_PX;
          one.circle.centre[1] =
              there.centre[1] + (y < SIDE / 2 ? y : y - SIDE) * radius / COARSE_PX;
        }
      keep(best, &one);
    }
  }
  return UDG_OK;
}

static double likeness(const udg_settings *settings, udg_closeup *c, const udg_plane *grey,
                       udg_face_work *work, const udg_ellipse *circle) {
  if (udg_face_take(settings, udg_photo_of(grey), circle, work, &c->found) != UDG_OK)
    return -1.0;
  return udg_face_compare(&c->found, &c->face).likeness;
}

/* Up the hill in centre and size. */
static void climb(const udg_settings *settings, udg_closeup *c, const udg_plane *grey,
                  udg_face_work *work, candidate *one) {
  double step = FINE_STEP;
  for (int halving = 0; halving < HALVINGS; halving++, step *= 0.5) {
    int moved = 1;
    for (int n = 0; n < STEPS_MAX && moved; n++) {
      moved = 0;
      for (int k = 0; k < 6; k++) {
        candidate next = *one;
        double by = k % 2 ? step : -step;
        if (k < 4)
          next.circle.centre[k / 2] += by * one->circle.semi[0];
        else
          next.circle.semi[0] = next.circle.semi[1] = one->circle.semi[0] * (1.0 + by);
        next.score = likeness(settings, c, grey, work, &next.circle);
        if (next.score > one->score) {
          *one = next;
          moved = 1;
        }
      }
    }
  }
}

udg_status udg_closeup_find(const udg_settings *settings, udg_closeup *closeup,
                            const udg_plane *grey, udg_face_work *work, udg_ellipse *circle,
                            udg_message *message) {
  candidate best[KEPT];
  for (int i = 0; i < KEPT; i++)
    best[i] = (candidate){-1.0, closeup->circle};
  udg_status status = search(settings, closeup, grey, work, best);
  if (status != UDG_OK && status != UDG_ERROR_ARGUMENT)
    return udg_fail(message, status,
                    status == UDG_ERROR_CANCELLED ? "cancelled by the host"
                                                  : "no memory to lay close-ups on each other");
  candidate most = {-1.0, closeup->circle};
  for (int i = 0; i < KEPT; i++) {
    best[i].score = likeness(settings, closeup, grey, work, &best[i].circle);
    if (best[i].score > most.score)
      most = best[i];
  }
  climb(settings, closeup, grey, work, &most);
  *circle = most.circle;
  return UDG_OK;
}

udg_status udg_closeup_edges(const udg_settings *settings, udg_closeup *closeup,
                             const udg_plane *grey, const udg_ellipse *circle, double turn_rad,
                             udg_face_work *work, udg_plane *edges) {
  udg_closeup *c = closeup;
  udg_status status = lay_edges(settings, grey, circle, turn_rad, EDGES_PX, work, &c->fine[0],
                                edges, &c->fine[2], &c->fine[3]);
  const double half[2] = {EDGES_PX * c->box[0], EDGES_PX * c->box[1]};
  if (status == UDG_OK)
    keep_box(edges, half, 0.0);
  return status;
}

typedef struct pose {
  udg_ellipse circle;
  double turn_rad, score;
} pose;

static void rate(const udg_settings *settings, udg_closeup *c, const udg_plane *grey,
                 const udg_plane *like, udg_face_work *work, pose *p) {
  p->score = -1.0;
  if (udg_closeup_edges(settings, c, grey, &p->circle, p->turn_rad, work, &c->edges) != UDG_OK)
    return;
  p->score = 0.0;
  for (size_t i = 0; i < (size_t)UDG_CLOSEUP_SIDE * UDG_CLOSEUP_SIDE; i++)
    p->score += (double)c->edges.v[i] * (double)like->v[i];
}

/* One step along parameter k / 2: centre, size, turn. */
static pose stepped(const pose *from, int k, double step) {
  pose next = *from;
  double by = k % 2 ? step : -step;
  if (k < 4)
    next.circle.centre[k / 2] += by * from->circle.semi[0];
  else if (k < 6)
    next.circle.semi[0] = next.circle.semi[1] = from->circle.semi[0] * (1.0 + by);
  else
    next.turn_rad += by;
  return next;
}

void udg_closeup_refine(const udg_settings *settings, udg_closeup *closeup, const udg_plane *grey,
                        const udg_plane *like, udg_face_work *work, udg_ellipse *circle,
                        double *turn_rad) {
  pose best = {*circle, *turn_rad, 0.0};
  double step = EDGES_STEP;
  rate(settings, closeup, grey, like, work, &best);
  for (int halving = 0; halving < HALVINGS; halving++, step *= 0.5) {
    int moved = 1;
    for (int n = 0; n < STEPS_MAX && moved; n++) {
      moved = 0;
      for (int k = 0; k < 8; k++) {
        pose next = stepped(&best, k, step);
        rate(settings, closeup, grey, like, work, &next);
        if (next.score > best.score) {
          best = next;
          moved = 1;
        }
      }
    }
  }
  *circle = best.circle;
  *turn_rad = best.turn_rad;
}
