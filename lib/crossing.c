/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "crossing.h"

#include <math.h>

#include "relief.h"

/* Heights tried: 0, 0.05 .. 1; 0 is "no trace". */
enum { HEIGHTS = 21 };
static const double TUKEY = 4.0;
/* Misfit is alike over neighbouring pixels: so many count as one. */
static const double PIXELS_ALIKE = 3.0;

static double height_of(int i) {
  return i / (double)(HEIGHTS - 1);
}

/* 1 - (1 - u^2)^3, 1 from u = 1 on: Tukey's biweight as a cost. */
static double cost_of(double misfit, double scale) {
  double u = misfit / scale, v = 1.0 - u * u;
  return v > 0.0 ? 1.0 - v * v * v : 1.0;
}

static double bounded(double x, double low, double high) {
  return fmin(fmax(x, low), high);
}

/* Entry of the light's tables for a distance in bevels. */
static int step_of(double x) {
  double share = (x - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW);
  return (int)floor(bounded(share, 0.0, 1.0) * (UDG_LIGHT_STEPS - 1) + 0.5);
}

static int angle_of(double cosine, double sine) {
  const double pi = acos(-1.0);
  int n = (int)floor(atan2(sine, cosine) * UDG_LIGHT_ANGLES / (2.0 * pi) + 0.5);
  return (n + UDG_LIGHT_ANGLES) % UDG_LIGHT_ANGLES;
}

typedef struct crossing {
  const udg_upright *upright;
  const udg_light *light;
  double scale;         /* of the cost, levels */
  double cost[HEIGHTS]; /* by height, over the shoulder pixels that a trace reaches */
} crossing;

/* A point of the trace: distance in bevels, direction, sharpness of it. */
typedef struct point {
  double x;
  int angle;
  double rim;
} point;

/* One pixel of the upright plane with a trace over it. */
static void add_pixel(crossing *c, int x, int y, const point *trace) {
  const udg_upright *u = c->upright;
  if (x < 0 || y < 0 || x >= u->width || y >= u->height)
    return;
  size_t at = (size_t)y * (size_t)u->width + (size_t)x;
  double present = (double)u->distance.v[at] / u->bevel_px;
  if (u->usable.v[at] <= 0.0f || udg_upright_blown(u, at) || present <= 0.0 || present >= 1.1 ||
      trace->x <= 0.0)
    return;
  const udg_light *light = c->light;
  double misfit = (double)(u->grey.v[at] - light->model.v[at]);
  int step = step_of(present);
  int angle = angle_of((double)u->cosine.v[at], (double)u->sine.v[at]);
  double shoulder = (double)(u->rim.v[at] * (light->odd[step][angle] + light->even[step][angle]) +
                             light->flat[step]);
  int own = step_of(trace->x);
  double odd = trace->rim * (double)light->odd[own][trace->angle];
  double even = trace->rim * (double)light->even[own][trace->angle] + (double)light->flat[own];
  double present_height = udg_relief_profile(present, 1.0);
  double trace_height = udg_relief_profile(trace->x, 1.0);
  double without = cost_of(misfit, c->scale);
  for (int i = 0; i < HEIGHTS; i++) {
    double s = height_of(i);
    /* The slope goes with s: odd orders of the shading with it, even ones with its square. */
    c->cost[i] += s * trace_height > present_height
                      ? cost_of(misfit + shoulder - s * odd - s * s * even, c->scale)
                      : without;
  }
}

/* The trace with its centre at (centre_x, centre_y); whole pixels, the distances moved by the
 * fraction. */
static void add_trace(crossing *c, const udg_trace *trace, int size, double centre_x,
                      double centre_y) {
  const double pi = acos(-1.0), turn = 2.0 * pi / UDG_LIGHT_ANGLES;
  const double x_step = (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) / (UDG_LIGHT_STEPS - 1);
  int left = (int)floor(centre_x - 0.5 * size + 0.5), top = (int)floor(centre_y - 0.5 * size + 0.5);
  double rest_x = (left + 0.5 * size - centre_x) / c->upright->bevel_px;
  double rest_y = (top + 0.5 * size - centre_y) / c->upright->bevel_px;
  for (int i = 0; i < trace->pixel_count; i++) {
    const udg_edge_pixel *p = &trace->pixels[i];
    double phi = turn * p->angle;
    point at = {UDG_LIGHT_X_LOW + x_step * p->step +
                    (double)p->rim * (rest_x * cos(phi) + rest_y * sin(phi)),
                p->angle, (double)p->rim};
    add_pixel(c, left + p->at % size, top + p->at / size, &at);
  }
  const point flat_top = {UDG_LIGHT_X_HIGH, 0, 0.0};
  for (int i = 0; i < trace->top_count; i++)
    add_pixel(c, left + trace->top_at[i] % size, top + trace->top_at[i] / size, &flat_top);
}

static const udg_trace *trace_of(const udg_trace_bank *bank, char digit, int mirrored,
                                 double turn_rad) {
  for (int i = 0; i < bank->trace_count; i++) {
    const udg_trace *t = &bank->traces[i];
    if (t->digit == digit && t->mirrored == mirrored && fabs(t->turn_rad - turn_rad) < 1e-6)
      return t;
  }
  return NULL;
}

/* Every height as likely as any other beforehand. */
static void conclude(const crossing *c, udg_hypothesis *h) {
  double least = c->cost[0], sum = 0.0, mean = 0.0;
  for (int i = 1; i < HEIGHTS; i++)
    least = fmin(least, c->cost[i]);
  for (int i = 1; i < HEIGHTS; i++) {
    double likely = exp((least - c->cost[i]) / PIXELS_ALIKE);
    sum += likely;
    mean += likely * height_of(i);
  }
  h->height = mean / sum;
  h->crossing = log(sum / (HEIGHTS - 1)) - (least - c->cost[0]) / PIXELS_ALIKE;
}

void udg_crossing_measure(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_trace_bank *bank) {
  for (int k = 0; k < score->count; k++) {
    udg_hypothesis *h = &score->hypotheses[k];
    crossing c = {.upright = upright, .light = light, .scale = TUKEY * fmax(light->rms, 0.5)};
    int whole_date = h->kind == UDG_TRACE_DOUBLED;
    int first = whole_date ? 0 : h->place, last = whole_date ? upright->place_count - 1 : h->place;
    for (int place = first; place <= last; place++) {
      const udg_place *nominal = &upright->date->places[place];
      const udg_trace *trace =
          trace_of(bank, whole_date ? nominal->digit : h->digit, h->kind == UDG_TRACE_MIRRORED,
                   nominal->turn_rad + h->turn_rad);
      if (trace)
        add_trace(&c, trace, bank->size, upright->place_px[place][0] + h->offset_px[0],
                  upright->place_px[place][1] + h->offset_px[1]);
    }
    conclude(&c, h);
  }
}
