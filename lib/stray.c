/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "stray.h"

#include <math.h>
#include <string.h>

/* Mean square of the whitened, weighted residual, over pixels alike, from which a pixel is no
 * texture; values are held to this many s.d. before. */
static const float BRIGHT = 3.0f, CUT = 5.0f;
static const double SMOOTH_PX = 1.0;
/* From this share of the coin's radius on, rim and rim teeth. */
static const double RIM_FROM = 0.88;
static const int PIXELS_MIN = 12;
static const double SLENDER = 3.0; /* length over width of a line */
/* A line found goes on where it shows within so many px of its axis, over gaps up to so many. */
static const int AXIS_PX = 2, GAP_PX = 8;
/* Of a line too long for a digit's stroke, the bright pixels within so many px of its axis are not
 * offered to digits. */
static const int COVER_PX = 3;
/* Profile across a line: bins of half a pixel, 7 px to either side; the two sides of its axis are
 * compared over 3 px each. */
static const double PROFILE_STEP_PX = 0.5;
enum { PROFILE = 28, SIDE = 6 };

typedef struct field {
  const udg_upright *upright;
  udg_plane energy, open, near, scratch; /* `near`: `open`, smoothed */
  int32_t *queue;
  uint8_t *taken;
} field;

static void field_close(const udg_settings *settings, field *f) {
  udg_plane_destroy(settings, &f->energy);
  udg_plane_destroy(settings, &f->open);
  udg_plane_destroy(settings, &f->near);
  udg_plane_destroy(settings, &f->scratch);
  udg_memory_drop(settings, f->queue);
  udg_memory_drop(settings, f->taken);
}

static udg_status field_open(const udg_settings *settings, const udg_upright *upright, field *f) {
  size_t count = (size_t)upright->width * (size_t)upright->height;
  memset(f, 0, sizeof *f);
  f->upright = upright;
  f->queue = udg_memory_get(settings, count, sizeof *f->queue);
  f->taken = udg_memory_get(settings, count, sizeof *f->taken);
  udg_plane *planes[] = {&f->energy, &f->open, &f->near, &f->scratch};
  udg_status status = f->queue && f->taken ? UDG_OK : UDG_ERROR_MEMORY;
  for (size_t i = 0; i < sizeof planes / sizeof *planes && status == UDG_OK; i++)
    status = udg_plane_create(settings, upright->width, upright->height, planes[i]);
  return status;
}

int udg_on_field(const udg_upright *upright, int x, int y) {
  const udg_reference *reference = upright->reference;
  if (reference->diameter_mm <= 0.0)
    return 1;
  double across[2] = {x + 0.5, y + 0.5};
  for (int i = 0; i < 2; i++)
    across[i] =
        (across[i] - upright->origin_px[i]) / upright->px_per_mm + reference->date_origin_mm[i];
  return hypot(across[0], across[1]) < RIM_FROM * 0.5 * reference->diameter_mm;
}

/* Local mean of w r^2 over the pixels that count, 0 elsewhere. */
static void measure_energy(field *f, const udg_residual *residual) {
  const int width = f->upright->width;
  size_t count = (size_t)width * (size_t)f->upright->height;
  for (size_t i = 0; i < count; i++) {
    float weight =
        udg_on_field(f->upright, (int)i % width, (int)i / width) ? residual->weight.v[i] : 0.0f;
    float r = fminf(fmaxf(residual->white.v[i] * sqrtf(weight), -CUT), CUT);
    f->open.v[i] = weight > 0.0f ? 1.0f : 0.0f;
    f->energy.v[i] = weight > 0.0f ? r * r : 0.0f;
  }
  memcpy(f->near.v, f->open.v, count * sizeof(float));
  udg_plane_blur(&f->energy, SMOOTH_PX, &f->scratch);
  udg_plane_blur(&f->near, SMOOTH_PX, &f->scratch);
  for (size_t i = 0; i < count; i++) {
    f->energy.v[i] *= f->open.v[i] / (f->near.v[i] + 0.05f);
    f->taken[i] = f->open.v[i] <= 0.0f;
  }
}

typedef struct blob {
  double pixels, sum[2], square[3];
} blob;

/* Grows over all bright neighbours of `start`. */
static blob grow(field *f, int32_t start) {
  const int width = f->upright->width, height = f->upright->height;
  blob b = {0.0, {0.0, 0.0}, {0.0, 0.0, 0.0}};
  int from = 0, to = 0;
  f->queue[to++] = start;
  f->taken[start] = 1;
  while (from < to) {
    int x = f->queue[from] % width, y = f->queue[from] / width;
    from++;
    b.pixels += 1.0;
    b.sum[0] += x;
    b.sum[1] += y;
    b.square[0] += (double)x * x;
    b.square[1] += (double)x * y;
    b.square[2] += (double)y * y;
    for (int j = y - 1; j <= y + 1; j++)
      for (int i = x - 1; i <= x + 1; i++) {
        if (i < 0 || j < 0 || i >= width || j >= height)
          continue;
        int32_t at = (int32_t)(j * width + i);
        if (f->taken[at] || f->energy.v[at] <= BRIGHT)
          continue;
        f->taken[at] = 1;
        f->queue[to++] = at;
      }
  }
  return b;
}

/* Axis and extent of an even bar with the blob's moments; length 0 when it is no line. */
static udg_line line_of(const blob *b) {
  udg_line line = {.centre_px = {b->sum[0] / b->pixels, b->sum[1] / b->pixels}};
  double xx = b->square[0] / b->pixels - line.centre_px[0] * line.centre_px[0];
  double xy = b->square[1] / b->pixels - line.centre_px[0] * line.centre_px[1];
  double yy = b->square[2] / b->pixels - line.centre_px[1] * line.centre_px[1];
  double mean = 0.5 * (xx + yy), apart = hypot(0.5 * (xx - yy), xy);
  /* The variance of an even bar of length L is L^2 / 12. */
  double length = sqrt(12.0 * (mean + apart)), width = sqrt(12.0 * fmax(mean - apart, 0.0) + 1.0);
  line.direction_rad = 0.5 * atan2(2.0 * xy, xx - yy);
  if (length > SLENDER * width)
    line.length_px = length;
  return line;
}

/* Most energy across the line `along` px from its centre; -1 where nothing can be seen. */
static double across(const field *f, const udg_line *line, double along) {
  double c = cos(line->direction_rad), s = sin(line->direction_rad);
  double most = -1.0;
  for (int v = -AXIS_PX; v <= AXIS_PX; v++) {
    int x = (int)floor(line->centre_px[0] + along * c - v * s + 0.5);
    int y = (int)floor(line->centre_px[1] + along * s + v * c + 0.5);
    if (x < 0 || y < 0 || x >= f->upright->width || y >= f->upright->height)
      continue;
    size_t at = (size_t)y * (size_t)f->upright->width + (size_t)x;
    if (f->open.v[at] <= 0.0f)
      continue;
    most = fmax(most, (double)f->energy.v[at]);
  }
  return most;
}

/* Follows the line beyond its end; what a digit covers is no gap. */
static double follow(const field *f, const udg_line *line, int way) {
  double end = 0.5 * line->length_px, reach = f->upright->width + f->upright->height;
  double last = end;
  int gap = 0;
  for (double u = end + 1.0; u < reach && gap <= GAP_PX; u += 1.0) {
    double seen = across(f, line, way * u);
    if (seen > (double)BRIGHT) {
      last = u;
      gap = 0;
    } else if (seen >= 0.0) {
      gap++;
    }
  }
  return last;
}

static void lengthen(const field *f, udg_line *line) {
  double ahead = follow(f, line, 1), behind = follow(f, line, -1);
  double shift = 0.5 * (ahead - behind);
  line->length_px = ahead + behind;
  line->centre_px[0] += shift * cos(line->direction_rad);
  line->centre_px[1] += shift * sin(line->direction_rad);
  double sum = 0.0, seen = 0.0;
  for (double u = -0.5 * line->length_px; u <= 0.5 * line->length_px; u += 1.0) {
    double most = across(f, line, u);
    sum += most > 0.0 ? most : 0.0;
    seen += most >= 0.0 ? 1.0 : 0.0;
  }
  line->energy = seen > 0.0 ? sum / seen : 0.0;
}

/* Takes the line's pixels out of what digits are looked for in. */
static void cover_line(const field *f, const udg_line *line, udg_residual *residual) {
  double c = cos(line->direction_rad), s = sin(line->direction_rad);
  int half = (int)ceil(0.5 * line->length_px);
  for (int u = -half; u <= half; u++)
    for (int v = -COVER_PX; v <= COVER_PX; v++)
      for (int more = 0; more < 2; more++) { /* half steps leave no holes on a slanted axis */
        int x = (int)floor(line->centre_px[0] + (u + 0.5 * more) * c - v * s + 0.5);
        int y = (int)floor(line->centre_px[1] + (u + 0.5 * more) * s + v * c + 0.5);
        if (x < 0 || y < 0 || x >= f->upright->width || y >= f->upright->height)
          continue;
        size_t at = (size_t)y * (size_t)f->upright->width + (size_t)x;
        if (f->energy.v[at] > BRIGHT)
          residual->weight.v[at] = 0.0f;
      }
}

/* How bright a slope that rises along phi is, in the middle of a shoulder. */
static double brightness(const udg_light *light, double phi) {
  const double pi = acos(-1.0);
  int step =
      (int)((0.5 - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) * (UDG_LIGHT_STEPS - 1));
  int n = (int)floor(phi * UDG_LIGHT_ANGLES / (2.0 * pi) + 0.5);
  n = ((n % UDG_LIGHT_ANGLES) + UDG_LIGHT_ANGLES) % UDG_LIGHT_ANGLES;
  return (double)(light->odd[step][n] + light->even[step][n] + light->flat[step]);
}

/* The side of a ridge that rises along the normal lies before its axis, in a groove beyond it. */
static void tell_relief(const field *f, const udg_light *light, const udg_residual *residual,
                        udg_line *line) {
  const udg_upright *upright = f->upright;
  const double pi = acos(-1.0);
  double c = cos(line->direction_rad), s = sin(line->direction_rad);
  double rising = brightness(light, line->direction_rad + 0.5 * pi);
  double falling = brightness(light, line->direction_rad - 0.5 * pi);
  double profile[PROFILE] = {0.0};
  for (int y = 0; y < upright->height; y++)
    for (int x = 0; x < upright->width; x++) {
      double u = (x - line->centre_px[0]) * c + (y - line->centre_px[1]) * s;
      double v = -(x - line->centre_px[0]) * s + (y - line->centre_px[1]) * c;
      int bin = (int)floor(v / PROFILE_STEP_PX) + PROFILE / 2;
      size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
      if (fabs(u) <= 0.5 * line->length_px && bin >= 0 && bin < PROFILE && f->open.v[at] > 0.0f)
        profile[bin] += (double)residual->clean.v[at];
    }
  /* The axis is known to a few pixels: where the sides differ most. */
  double most = 0.0;
  for (int axis = SIDE; axis + SIDE <= PROFILE; axis++) {
    double differ = 0.0;
    for (int k = 0; k < SIDE; k++)
      differ += profile[axis - 1 - k] - profile[axis + k];
    if (fabs(differ) > fabs(most))
      most = differ;
  }
  most *= rising - falling;
  line->relief = most / ((fabs(rising - falling) + 1.0) * fmax(line->length_px, 1.0));
}

udg_status udg_stray_line(const udg_settings *settings, const udg_upright *upright,
                          const udg_light *light, udg_residual *residual, udg_line *line,
                          udg_message *message) {
  field f;
  memset(line, 0, sizeof *line);
  if (field_open(settings, upright, &f) != UDG_OK) {
    field_close(settings, &f);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to look for lines");
  }
  measure_energy(&f, residual);
  double along;
  udg_status status = udg_stray_along(settings, upright, residual, &along, message);
  if (status != UDG_OK) {
    field_close(settings, &f);
    return status;
  }
  int32_t count = (int32_t)(upright->width * upright->height);
  for (int32_t at = 0; at < count; at++) {
    if (f.taken[at] || f.energy.v[at] <= BRIGHT)
      continue;
    blob b = grow(&f, at);
    udg_line found = line_of(&b);
    if (b.pixels < PIXELS_MIN || found.length_px <= 0.0)
      continue;
    lengthen(&f, &found);
    if (found.length_px > UDG_STROKE_LONGEST * UDG_UPRIGHT_DIGIT_PX)
      cover_line(&f, &found, residual);
    if (found.length_px > line->length_px)
      *line = found;
  }
  line->along = along;
  if (line->length_px > 0.0)
    tell_relief(&f, light, residual, line);
  field_close(settings, &f);
  return UDG_OK;
}
