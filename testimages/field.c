/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "field.h"

#include <math.h>

double ti_profile_rise(ti_profile profile, double distance_mm, double bevel_mm) {
  double t = distance_mm / bevel_mm;
  double c = t < 0 ? 0 : t > 1 ? 1 : t;
  switch (profile) {
  case TI_PROFILE_SMOOTH:
    return c * c * (3 - 2 * c);
  case TI_PROFILE_ROUND:
    return sin(1.5707963267948966 * c);
  case TI_PROFILE_HOLLOW:
    return 1 - cos(1.5707963267948966 * c);
  case TI_PROFILE_SLOPE: {
    /* The clamped ramp averaged over 0.3 bevels. */
    double half = 0.15, sum = 0;
    for (int side = -1; side <= 1; side += 2) {
      double x = t + side * half;
      sum += side * (x <= 0 ? 0 : x < 1 ? x * x / 2 : x - 0.5);
    }
    return sum / (2 * half);
  }
  case TI_PROFILE_COUNT:
    break;
  }
  return 0;
}

enum { TABLE = 1024 };

/* Height by distance, so that the inner loop is one look-up. */
static void fill_table(const ti_stamp *stamp, double band_mm, float *table) {
  for (int k = 0; k <= TABLE; k++) {
    double d = band_mm * (2.0 * k / TABLE - 1);
    double rise = ti_profile_rise(stamp->profile, d, stamp->bevel_mm);
    table[k] = (float)fmax(0, stamp->height_mm * rise - stamp->floor_mm);
  }
  table[TABLE + 1] = table[TABLE];
}

typedef struct span {
  int x0, y0, x1, y1;
} span;

/* Samples that a digit can reach, whatever its turn. */
static span reach(const ti_field *f, const ti_shape *shape, const ti_stamp *stamp) {
  double left = shape->x0_mm, top = shape->y0_mm;
  double right = left + shape->distance_mm.width / shape->px_per_mm;
  double low = top + shape->distance_mm.height / shape->px_per_mm;
  double c = cos(stamp->turn_rad), s = sin(stamp->turn_rad);
  double corner[4][2] = {{left, top}, {right, top}, {left, low}, {right, low}};
  double x_low = INFINITY, x_high = -INFINITY, y_low = INFINITY, y_high = -INFINITY;
  for (int k = 0; k < 4; k++) {
    double x = stamp->centre_mm[0] + c * corner[k][0] - s * corner[k][1];
    double y = stamp->centre_mm[1] + s * corner[k][0] + c * corner[k][1];
    x_low = fmin(x_low, x);
    x_high = fmax(x_high, x);
    y_low = fmin(y_low, y);
    y_high = fmax(y_high, y);
  }
  double ppm = f->px_per_mm;
  span r = {(int)fmax(0, floor((x_low - f->x0_mm) * ppm)),
            (int)fmax(0, floor((y_low - f->y0_mm) * ppm)),
            (int)fmin(f->h.width - 1, ceil((x_high - f->x0_mm) * ppm)),
            (int)fmin(f->h.height - 1, ceil((y_high - f->y0_mm) * ppm))};
  return r;
}

void ti_field_stamp(ti_field *field, const ti_shape *shape, const ti_stamp *stamp,
                    ti_stamp_area *area) {
  float table[TABLE + 2];
  fill_table(stamp, shape->band_mm, table);
  span r = reach(field, shape, stamp);
  double c = cos(stamp->turn_rad), s = sin(stamp->turn_rad), ppm = field->px_per_mm;
  float to_table = (float)(TABLE / (2 * shape->band_mm)), band = (float)shape->band_mm;
  float third = table[TABLE] / 3;
  double lc = cos(stamp->less_turn_rad), ls = sin(stamp->less_turn_rad);
  long whole = 0, visible = 0;
  for (int j = r.y0; j <= r.y1; j++) {
    float *row = udg_plane_row(&field->h, j);
    double dy = field->y0_mm + j / ppm - stamp->centre_mm[1];
    for (int i = r.x0; i <= r.x1; i++) {
      double dx = field->x0_mm + i / ppm - stamp->centre_mm[0];
      double x = c * dx + s * dy, y = -s * dx + c * dy;
      float d = ti_shape_distance(shape, x, y);
      if (stamp->disc) {
        double rim = stamp->disc[2] - hypot(x - stamp->disc[0], y - stamp->disc[1]);
        d = rim < d ? (float)fmax(rim, -shape->band_mm) : d;
      }
      if (stamp->less) {
        double lx = dx + stamp->centre_mm[0] - stamp->less_centre_mm[0];
        double ly = dy + stamp->centre_mm[1] - stamp->less_centre_mm[1];
        float gone = ti_shape_distance(stamp->less, lc * lx + ls * ly, lc * ly - ls * lx);
        d = fminf(d, -gone);
      }
      float at = (d + band) * to_table;
      int k = (int)at;
      float h = table[k] + (at - (float)k) * (table[k + 1] - table[k]);
      whole += h > third;
      visible += h > third && h > row[i];
      if (h > row[i])
        row[i] = h;
    }
  }
  if (area)
    *area = (ti_stamp_area){(double)whole / (ppm * ppm), (double)visible / (ppm * ppm)};
}

void ti_field_ridge(const ti_field *field, udg_plane *plane, const double a[2], const double b[2],
                    double half_width_mm, double height_mm) {
  double ppm = field->px_per_mm, w = half_width_mm;
  int x0 = (int)fmax(0, floor((fmin(a[0], b[0]) - w - field->x0_mm) * ppm));
  int y0 = (int)fmax(0, floor((fmin(a[1], b[1]) - w - field->y0_mm) * ppm));
  int x1 = (int)fmin(plane->width - 1, ceil((fmax(a[0], b[0]) + w - field->x0_mm) * ppm));
  int y1 = (int)fmin(plane->height - 1, ceil((fmax(a[1], b[1]) + w - field->y0_mm) * ppm));
  double ux = b[0] - a[0], uy = b[1] - a[1], length2 = ux * ux + uy * uy;
  for (int j = y0; j <= y1; j++) {
    float *row = udg_plane_row(plane, j);
    for (int i = x0; i <= x1; i++) {
      double px = field->x0_mm + i / ppm - a[0], py = field->y0_mm + j / ppm - a[1];
      double t = length2 > 0 ? (px * ux + py * uy) / length2 : 0;
      t = t < 0 ? 0 : t > 1 ? 1 : t;
      px -= t * ux;
      py -= t * uy;
      double u = 1 - (px * px + py * py) / (w * w);
      if (u <= 0)
        continue;
      float h = (float)(height_mm * u * u);
      if (h > row[i])
        row[i] = h;
    }
  }
}

/* Weights of the four lattice points about a place, uniform cubic B-spline. */
static void spline_weights(float t, float w[4]) {
  float u = 1 - t;
  w[0] = u * u * u / 6;
  w[1] = (4 - 6 * t * t + 3 * t * t * t) / 6;
  w[2] = (4 - 6 * u * u + 3 * u * u * u) / 6;
  w[3] = t * t * t / 6;
}

static float lattice_normal(uint64_t seed, int i, int j) {
  ti_rng rng = ti_rng_create(seed, (uint64_t)(int64_t)i, (uint64_t)(int64_t)j);
  return ti_rng_fast_normal(&rng);
}

udg_status ti_plane_add_noise(const udg_settings *settings, const ti_field *field, udg_plane *plane,
                              double size_mm, double rms, uint64_t seed) {
  if (rms == 0)
    return UDG_OK;
  double size_px = size_mm * field->px_per_mm;
  int i0 = (int)floor(field->x0_mm / size_mm) - 1, j0 = (int)floor(field->y0_mm / size_mm) - 1;
  double x_first = field->x0_mm / size_mm - i0 - 1, y_first = field->y0_mm / size_mm - j0 - 1;
  int nx = (int)(plane->width / size_px) + 6, ny = (int)(plane->height / size_px) + 6;
  /* Mean of the sum of squared weights is 0.479 in each direction. */
  float amplitude = (float)(rms / 0.479);
  udg_plane lattice = {0}, line = {0}, weights = {0};
  udg_status status = udg_plane_create(settings, nx, ny, &lattice);
  if (status == UDG_OK)
    status = udg_plane_create(settings, nx, 1, &line);
  if (status == UDG_OK)
    status = udg_plane_create(settings, 4, plane->width, &weights);
  if (status == UDG_OK) {
    for (int j = 0; j < ny; j++)
      for (int i = 0; i < nx; i++)
        udg_plane_row(&lattice, j)[i] = amplitude * lattice_normal(seed, i0 + i, j0 + j);
    for (int x = 0; x < plane->width; x++) {
      double at = x / size_px + x_first;
      spline_weights((float)(at - floor(at)), udg_plane_row(&weights, x));
    }
    for (int y = 0; y < plane->height; y++) {
      double at = y / size_px + y_first;
      int base = (int)at;
      float w[4];
      spline_weights((float)(at - base), w);
      const float *l = udg_plane_row(&lattice, base);
      for (int k = 0; k < nx; k++)
        line.v[k] = w[0] * l[k] + w[1] * l[k + nx] + w[2] * l[k + 2 * nx] + w[3] * l[k + 3 * nx];
      float *row = udg_plane_row(plane, y);
      for (int x = 0; x < plane->width; x++) {
        const float *c = line.v + (int)(x / size_px + x_first), *v = udg_plane_row(&weights, x);
        row[x] += c[0] * v[0] + c[1] * v[1] + c[2] * v[2] + c[3] * v[3];
      }
    }
  }
  udg_plane_destroy(settings, &lattice);
  udg_plane_destroy(settings, &line);
  udg_plane_destroy(settings, &weights);
  return status;
}
