/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From relief to the outlines of a date. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "contour.h"
#include "json_write.h"
#include "outline_build.h"
#include "outliner_internal.h"
#include "reference_internal.h"

/* The box is laid out so many times finer than the frame. */
enum { FINER = 4 };
/* The outline is where the shoulder begins to rise: share of the way to the top. */
static const double FOOT_SHARE = 0.3;
/* Where digits run together there, farther up. */
static const double FOOT_STEP = 0.1, FOOT_MOST = 0.65;
static const double ALIKE_SHARE = 0.8;
/* So much around the box is looked at as well, share of its shorter side: it need not be
 * exact. */
static const double MARGIN_SHARE = 0.25;
/* What is smaller than this share of the box is no digit. */
static const double SPECK_SHARE = 0.012;
/* Halves of a digit lie nearer than this share of its height. */
static const double GAP_SHARE = 0.06;
/* Lines may be straightened by this much, digit heights. */
static const double STRAIGHT_SHARE = 0.004;
/* Usual proportions of struck dates (an estimate without a source). */
static const double RELIEF_SHARE = 0.05, BEVEL_SHARE = 0.13;
static const double SLACK_SHARE = 0.02, SLACK_DEG = 1.0;

typedef struct shape {
  double low[2], high[2]; /* box, px */
} shape;

typedef struct drawing {
  const udg_settings *settings;
  udg_plane part;   /* the box and some way around it, finer */
  double left, top; /* of `part`, frame px */
  int margin;       /* of the box in `part`, px */
  udg_contours lines;
  int count;
  shape shapes[UDG_PLACES_MAX + 1];
} drawing;

static int compare_floats(const void *a, const void *b) {
  float x = *(const float *)a, y = *(const float *)b;
  return (x > y) - (x < y);
}

/* Levels of field and top in the box; gives whether the raised side is the lower one. */
static int levels_of(drawing *d, float *sorted, double *field, double *top) {
  size_t count = 0;
  for (int y = d->margin; y < d->part.height - d->margin; y++)
    for (int x = d->margin; x < d->part.width - d->margin; x++)
      sorted[count++] = udg_plane_row(&d->part, y)[x];
  qsort(sorted, count, sizeof *sorted, compare_floats);
  /* Strokes cover less than half of a box: the longer tail is the raised one. */
  size_t tail = count / 20;
  double low = (double)sorted[tail], mid = (double)sorted[count / 2];
  double high = (double)sorted[count - 1 - tail];
  int sunk = mid - low > high - mid;
  size_t field_rank = (size_t)(0.3 * (double)count);
  *field = sunk ? -(double)sorted[count - 1 - field_rank] : (double)sorted[field_rank];
  *top = sunk ? -low : high;
  return sunk;
}

/* Cuts the box out, raised side up. */
static udg_status cut_box(const udg_design *design, const udg_drawn_date *drawn, drawing *d,
                          double *field, double *top, udg_message *message) {
  double r = design->radius_px, middle = 0.5 * design->height.width;
  double wide = FINER * r * drawn->box[2], high = FINER * r * drawn->box[3];
  if (!(wide >= 8 * FINER && high >= 8 * FINER && wide < 8192.0 && high < 8192.0))
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box is too small for a date on these photos");
  d->margin = (int)(MARGIN_SHARE * fmin(wide, high));
  d->left = middle + r * drawn->box[0] - (double)d->margin / FINER;
  d->top = middle + r * drawn->box[1] - (double)d->margin / FINER;
  int width = (int)ceil(wide) + 2 * d->margin, height = (int)ceil(high) + 2 * d->margin;
  udg_status status = udg_plane_create(d->settings, width, height, &d->part);
  size_t count = (size_t)width * (size_t)height;
  float *sorted = udg_memory_get(d->settings, count, sizeof *sorted);
  if (status != UDG_OK || !sorted) {
    udg_memory_drop(d->settings, sorted);
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the box");
  }
  for (int y = 0; y < height; y++)
    for (int x = 0; x < width; x++)
      udg_plane_row(&d->part, y)[x] = udg_plane_sample(&design->height, d->left + (x + 0.5) / FINER,
                                                       d->top + (y + 0.5) / FINER);
  if (levels_of(d, sorted, field, top))
    for (size_t i = 0; i < count; i++)
      d->part.v[i] = -d->part.v[i];
  udg_memory_drop(d->settings, sorted);
  return UDG_OK;
}

static void box_of(const udg_contours *lines, size_t k, shape *s) {
  for (int axis = 0; axis < 2; axis++) {
    s->low[axis] = INFINITY;
    s->high[axis] = -INFINITY;
    for (size_t i = lines->starts[k]; i < lines->starts[k + 1]; i++) {
      s->low[axis] = fmin(s->low[axis], lines->points[2 * i + (size_t)axis]);
      s->high[axis] = fmax(s->high[axis], lines->points[2 * i + (size_t)axis]);
    }
  }
}

/* Whether the middle of a shape lies in the box and the shape within what is looked at. */
static int in_box(const drawing *d, const shape *s) {
  const int side[2] = {d->part.width, d->part.height};
  for (int axis = 0; axis < 2; axis++) {
    double middle = 0.5 * (s->low[axis] + s->high[axis]);
    if (middle < d->margin || middle > side[axis] - d->margin || s->low[axis] < 2.0 ||
        s->high[axis] > side[axis] - 2.0)
      return 0;
  }
  return 1;
}

static double speck_of(const drawing *d) {
  return 2.0 * SPECK_SHARE * (d->part.width - 2.0 * d->margin) * (d->part.height - 2.0 * d->margin);
}

/* Parts above one another make one digit: a thin stroke between them did not rise enough. */
static int is_part(const shape *a, const shape *b) {
  double shared = fmin(a->high[0], b->high[0]) - fmax(a->low[0], b->low[0]);
  return shared > 0.5 * fmin(a->high[0] - a->low[0], b->high[0] - b->low[0]);
}

static void widen(shape *whole, const shape *part) {
  for (int axis = 0; axis < 2; axis++) {
    whole->low[axis] = fmin(whole->low[axis], part->low[axis]);
    whole->high[axis] = fmax(whole->high[axis], part->high[axis]);
  }
}

static int joined(drawing *d, const shape *s) {
  for (int i = 0; i < d->count; i++) {
    shape *whole = &d->shapes[i];
    if (!is_part(whole, s))
      continue;
    widen(whole, s);
    return 1;
  }
  return 0;
}

/* With more shapes than digits the nearest neighbours are halves of one whose thin strokes did
 * not rise enough: much nearer than any others, and nearer than digits are set. */
static void close_gaps(drawing *d, int wanted) {
  while (d->count > wanted) {
    double least = INFINITY, second = INFINITY;
    int at = 0;
    for (int i = 0; i + 1 < d->count; i++) {
      double gap = d->shapes[i + 1].low[0] - d->shapes[i].high[0];
      if (gap < least) {
        second = least;
        least = gap;
        at = i;
      } else {
        second = fmin(second, gap);
      }
    }
    double height = d->shapes[at].high[1] - d->shapes[at].low[1];
    if (!(second < INFINITY && least < 0.5 * second && least < GAP_SHARE * height))
      return;
    widen(&d->shapes[at], &d->shapes[at + 1]);
    for (int i = at + 1; i + 1 < d->count; i++)
      d->shapes[i] = d->shapes[i + 1];
    d->count--;
  }
}

/* Whether the shapes are about as high as each other and apart, as a date's digits are: parted
 * higher up, they could be pieces. */
static int alike(const drawing *d) {
  double low = INFINITY, high = 0.0;
  for (int i = 0; i < d->count; i++) {
    low = fmin(low, d->shapes[i].high[1] - d->shapes[i].low[1]);
    high = fmax(high, d->shapes[i].high[1] - d->shapes[i].low[1]);
  }
  for (int i = 0; i + 1 < d->count; i++)
    if (d->shapes[i + 1].low[0] - d->shapes[i].high[0] < GAP_SHARE * high)
      return 0;
  return low > ALIKE_SHARE * high;
}

/* Outer lines of some size in the box, from the left, as many as the date has digits. */
static int pick_shapes(drawing *d, int wanted) {
  double speck = speck_of(d);
  for (size_t k = 0; k < d->lines.count; k++) {
    shape s;
    if (udg_contour_area(&d->lines, k) < speck)
      continue;
    box_of(&d->lines, k, &s);
    if (!in_box(d, &s))
      continue; /* a neighbour */
    if (joined(d, &s))
      continue;
    if (d->count > UDG_PLACES_MAX)
      return d->count;
    int at = d->count++;
    while (at > 0 && d->shapes[at - 1].low[0] > s.low[0]) {
      d->shapes[at] = d->shapes[at - 1];
      at--;
    }
    d->shapes[at] = s;
  }
  close_gaps(d, wanted);
  return d->count;
}

/* Whether line k is one of the shape's own or a hole in it. */
static int belongs(const drawing *d, const shape *s, size_t k) {
  shape other;
  double area = udg_contour_area(&d->lines, k);
  if (area >= 0.0 && area < speck_of(d))
    return 0;
  box_of(&d->lines, k, &other);
  return other.low[0] >= s->low[0] && other.low[1] >= s->low[1] && other.high[0] <= s->high[0] &&
         other.high[1] <= s->high[1];
}

typedef struct path_text {
  const udg_settings *settings;
  char *bytes;
  size_t used, room;
} path_text;

/* "M x y" or "L x y" in mm, whole 0.1 um, so that no locale puts a comma there. */
static void put_point(path_text *t, char command, const double mm[2]) {
  if (!t->bytes || t->room - t->used < 64)
    return;
  t->bytes[t->used++] = command;
  for (int axis = 0; axis < 2; axis++) {
    long n = lround(mm[axis] * 1e4), size = labs(n);
    t->used += (size_t)snprintf(t->bytes + t->used, 32, "%s%s%ld.%04ld", axis ? " " : "",
                                n < 0 ? "-" : "", size / 10000, size % 10000);
  }
}

static udg_status begin_path(path_text *t, const udg_settings *settings, size_t points,
                             size_t lines) {
  *t = (path_text){settings, udg_memory_get(settings, 32 * points + 8 * lines + 128, 1), 0,
                   32 * points + 8 * lines + 128};
  return t->bytes ? UDG_OK : UDG_ERROR_MEMORY;
}

static void end_path(path_text *t, udg_json_writer *w, char digit) {
  const char key[2] = {digit, '\0'};
  udg_json_write_open(w, key, '{');
  udg_json_write_string(w, "outline", t->bytes, t->used);
  udg_json_write_close(w, '}');
  udg_memory_drop(t->settings, t->bytes);
}

/* Sizes of the date as drawn, frame px and mm. */
typedef struct measures {
  double px_per_mm;    /* of the fine box */
  double height_mm;    /* of a digit */
  double origin_px[2]; /* of the date plane, fine px of the box */
} measures;

static void measure(const drawing *d, const udg_design *design, double diameter_mm, measures *m) {
  double heights[UDG_PLACES_MAX], feet[UDG_PLACES_MAX];
  int n = d->count;
  for (int i = 0; i < n; i++) {
    heights[i] = d->shapes[i].high[1] - d->shapes[i].low[1];
    feet[i] = d->shapes[i].high[1];
  }
  for (int i = 0; i < n; i++)
    for (int k = i + 1; k < n; k++) {
      double a = fmin(heights[i], heights[k]), b = fmin(feet[i], feet[k]);
      heights[k] = fmax(heights[i], heights[k]);
      feet[k] = fmax(feet[i], feet[k]);
      heights[i] = a;
      feet[i] = b;
    }
  m->px_per_mm = FINER * design->radius_px / (0.5 * diameter_mm);
  m->height_mm = heights[n / 2] / m->px_per_mm;
  m->origin_px[0] = 0.5 * (d->shapes[0].low[0] + d->shapes[n - 1].high[0]);
  m->origin_px[1] = feet[n / 2];
}

static udg_status write_drawn(const drawing *d, const measures *m, const shape *s, char digit,
                              udg_json_writer *w) {
  path_text t;
  if (begin_path(&t, d->settings, d->lines.point_count, d->lines.count) != UDG_OK)
    return UDG_ERROR_MEMORY;
  double centre[2] = {0.5 * (s->low[0] + s->high[0]),
                      m->origin_px[1] - 0.5 * m->height_mm * m->px_per_mm};
  for (size_t k = 0; k < d->lines.count; k++) {
    if (!belongs(d, s, k) || d->lines.starts[k + 1] - d->lines.starts[k] < 3)
      continue;
    for (size_t i = d->lines.starts[k]; i < d->lines.starts[k + 1]; i++) {
      double mm[2];
      for (int axis = 0; axis < 2; axis++)
        mm[axis] = (d->lines.points[2 * i + (size_t)axis] - centre[axis]) / m->px_per_mm;
      put_point(&t, i == d->lines.starts[k] ? 'M' : 'L', mm);
    }
    t.bytes[t.used++] = 'Z';
  }
  end_path(&t, w, digit);
  return UDG_OK;
}

/* Another reference's digit at this date's height. */
static udg_status write_borrowed(const udg_settings *settings, const udg_reference *digits,
                                 int digit, double height_mm, udg_json_writer *w) {
  const udg_outline *outline = &digits->digits[digit];
  double factor = height_mm / digits->dates[0].height_mm, reach = 0.0;
  path_text t;
  for (int axis = 0; axis < 2; axis++)
    reach = fmax(reach, fmax(-outline->low[axis], outline->high[axis]));
  if (!(factor * reach <= UDG_COORDINATE_MAX_MM))
    return UDG_ERROR_REFERENCE;
  if (begin_path(&t, settings, outline->point_count, outline->contour_count) != UDG_OK)
    return UDG_ERROR_MEMORY;
  for (size_t c = 0; c < outline->contour_count; c++) {
    for (size_t i = outline->starts[c]; i < outline->starts[c + 1]; i++) {
      const double mm[2] = {factor * outline->points[2 * i], factor * outline->points[2 * i + 1]};
      put_point(&t, i == outline->starts[c] ? 'M' : 'L', mm);
    }
    t.bytes[t.used++] = 'Z';
  }
  end_path(&t, w, (char)('0' + digit));
  return UDG_OK;
}

static udg_status write_digits(const drawing *d, const measures *m, const udg_drawn_date *drawn,
                               udg_json_writer *w) {
  udg_status status = UDG_OK;
  udg_json_write_open(w, "digits", '{');
  for (int digit = 0; digit < 10 && status == UDG_OK; digit++) {
    const char *own = strchr(drawn->date, '0' + digit);
    if (own)
      status = write_drawn(d, m, &d->shapes[own - drawn->date], (char)('0' + digit), w);
    else if (drawn->digits && drawn->digits->has_digit[digit])
      status = write_borrowed(d->settings, drawn->digits, digit, m->height_mm, w);
  }
  udg_json_write_close(w, '}');
  return status;
}

static void write_date(const drawing *d, const measures *m, const udg_drawn_date *drawn,
                       udg_json_writer *w) {
  udg_json_write_open(w, "dates", '[');
  udg_json_write_open(w, NULL, '{');
  udg_json_write_string(w, "date", drawn->date, UDG_PLACES_MAX);
  udg_json_write_number(w, "height_mm", m->height_mm);
  udg_json_write_open(w, "places", '[');
  for (int i = 0; i < d->count; i++) {
    const char digit[2] = {drawn->date[i], '\0'};
    double centre[2] = {(0.5 * (d->shapes[i].low[0] + d->shapes[i].high[0]) - m->origin_px[0]) /
                            m->px_per_mm,
                        -0.5 * m->height_mm};
    udg_json_write_open(w, NULL, '{');
    udg_json_write_string(w, "digit", digit, 1);
    udg_json_write_numbers(w, "centre_mm", centre, 2);
    udg_json_write_close(w, '}');
  }
  udg_json_write_close(w, ']');
  udg_json_write_number(w, "slack_mm", SLACK_SHARE * m->height_mm);
  udg_json_write_number(w, "slack_deg", SLACK_DEG);
  udg_json_write_close(w, '}');
  udg_json_write_close(w, ']');
}

static udg_status write_all(const drawing *d, const udg_design *design, const udg_drawn_date *drawn,
                            char **json) {
  measures m;
  measure(d, design, drawn->diameter_mm, &m);
  udg_json_writer w = {.settings = d->settings};
  double origin_mm[2], middle = 0.5 * design->height.width;
  for (int axis = 0; axis < 2; axis++)
    origin_mm[axis] =
        drawn->middle_mm[axis] +
        (FINER * ((axis ? d->top : d->left) - middle) + m.origin_px[axis]) / m.px_per_mm;
  udg_json_write_open(&w, NULL, '{');
  udg_json_write_string(&w, "format", "underdigit-reference/1", 64);
  udg_json_write_string(&w, "name", "learned from photographs", 64);
  if (drawn->coin_mm > 0.0) {
    udg_json_write_open(&w, "coin", '{');
    udg_json_write_number(&w, "diameter_mm", drawn->coin_mm);
    udg_json_write_numbers(&w, "date_origin_mm", origin_mm, 2);
    udg_json_write_close(&w, '}');
  }
  udg_json_write_open(&w, "relief", '{');
  udg_json_write_number(&w, "height_mm", RELIEF_SHARE * m.height_mm);
  udg_json_write_number(&w, "bevel_mm", BEVEL_SHARE * m.height_mm);
  udg_json_write_close(&w, '}');
  udg_status status = write_digits(d, &m, drawn, &w);
  write_date(d, &m, drawn, &w);
  udg_json_write_close(&w, '}');
  *json = udg_json_write_end(&w);
  if (status != UDG_OK) {
    udg_memory_drop(d->settings, *json);
    *json = NULL;
  }
  return *json || status != UDG_OK ? status : UDG_ERROR_MEMORY;
}

udg_status udg_outliner_draw(const udg_settings *settings, const udg_design *design,
                             const udg_drawn_date *drawn, char **json, udg_message *message) {
  drawing d = {.settings = settings};
  double field = 0.0, top = 0.0;
  *json = NULL;
  udg_status status = cut_box(design, drawn, &d, &field, &top, message);
  const int wanted = (int)strlen(drawn->date);
  int first = 0; /* shapes at the foot, for the message */
  for (double share = FOOT_SHARE; status == UDG_OK && d.count < wanted && share < FOOT_MOST;
       share += FOOT_STEP) {
    udg_contours_destroy(settings, &d.lines);
    d.count = 0;
    status = udg_contours_create(settings, &d.part, (float)(field + share * (top - field)),
                                 &d.lines, message);
    if (status == UDG_OK)
      pick_shapes(&d, wanted);
    first = share > FOOT_SHARE ? first : d.count;
    if (share > FOOT_SHARE && d.count == wanted && !alike(&d))
      d.count = first;
  }
  if (status == UDG_OK && d.count != wanted)
    status = udg_fail(message, UDG_ERROR_REFERENCE,
                      "%d shapes rise in the box, but %s has %zu digits: is the box around the "
                      "date and nothing else, are the digits apart from each other?",
                      first, drawn->date, strlen(drawn->date));
  if (status == UDG_OK)
    status = udg_contours_simplify(
        settings, &d.lines, STRAIGHT_SHARE * (d.shapes[0].high[1] - d.shapes[0].low[1]), message);
  if (status == UDG_OK) {
    status = write_all(&d, design, drawn, json);
    if (status == UDG_ERROR_REFERENCE)
      udg_fail(message, status,
               "%s: its digits reach beyond %g mm when they are made as high as "
               "this date's",
               drawn->digits->name, UDG_COORDINATE_MAX_MM);
    else if (status != UDG_OK)
      udg_fail(message, status, "no memory for the reference's text");
  }
  udg_contours_destroy(settings, &d.lines);
  udg_plane_destroy(settings, &d.part);
  return status;
}
