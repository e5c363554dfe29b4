/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What goes where in the picture; no drawing here. */
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "picture.h"

/* Room left round the date, in heights of its digits: an underdigit lies at
 * most a third of the height off, a stray corner of a digit somewhat more. */
static const double window_margin = 0.55;

/* From this width on the panels stand two by two. */
static const int two_columns_from_px = 900;

int picture_present(const picture_input *input, int place, picture_digit *digit) {
  const udg_result *r = input->result;
  udg_place_view nominal;
  if (place < 1 || place > UDG_PLACES_MAX ||
      udg_reference_place(input->reference, r->date, place, &nominal) != UDG_OK)
    return 0;
  *digit = (picture_digit){.digit = nominal.digit,
                           .centre_mm = {nominal.centre_mm[0], nominal.centre_mm[1]},
                           .turn_deg = nominal.turn_deg,
                           .height_mm = nominal.height_mm};
  if (place <= r->place_count) {
    digit->centre_mm[0] += r->place_offset_mm[place - 1][0];
    digit->centre_mm[1] += r->place_offset_mm[place - 1][1];
    digit->turn_deg += r->place_turn_deg[place - 1];
  }
  return 1;
}

static int trace_digit(const picture_input *input, const udg_finding *f, picture_digit *trace) {
  if (!picture_present(input, f->place, trace))
    return 0;
  trace->digit = f->digit;
  trace->centre_mm[0] += f->offset_mm[0];
  trace->centre_mm[1] += f->offset_mm[1];
  trace->turn_deg += f->turn_deg;
  return 1;
}

static int doubled_digits(const picture_input *input, const udg_finding *f,
                          picture_digit traces[UDG_PLACES_MAX]) {
  int count = 0;
  for (int place = 1; place <= UDG_PLACES_MAX; place++)
    if (picture_present(input, place, &traces[count])) {
      traces[count].centre_mm[0] += f->offset_mm[0];
      traces[count].centre_mm[1] += f->offset_mm[1];
      count++;
    }
  return count;
}

static const udg_finding *find_kind(const udg_result *r, udg_verdict kind) {
  for (int i = 0; i < r->other_count; i++)
    if (r->others[i].kind == kind)
      return &r->others[i];
  return NULL;
}

int picture_traces(const picture_input *input, picture_digit traces[UDG_PLACES_MAX], char *label,
                   size_t label_bytes) {
  const udg_result *r = input->result;
  const udg_finding *f = NULL;
  snprintf(label, label_bytes, "%s", "");
  if (r->verdict == UDG_VERDICT_UNDERDIGIT || r->verdict == UDG_VERDICT_UNDECIDED)
    f = r->finding.place > 0 ? &r->finding : NULL;
  else if (r->verdict != UDG_VERDICT_PLAIN)
    f = find_kind(r, r->verdict);
  if (!f)
    return 0;
  switch (r->verdict) {
  case UDG_VERDICT_UNDERDIGIT:
    snprintf(label, label_bytes, "earlier %c", f->digit);
    return trace_digit(input, f, &traces[0]);
  case UDG_VERDICT_UNDECIDED:
    snprintf(label, label_bytes, "nearest to a trace: %c", f->digit);
    return trace_digit(input, f, &traces[0]);
  case UDG_VERDICT_REPUNCHED:
    if (!trace_digit(input, f, &traces[0]))
      return 0;
    if (!f->digit && !picture_present(input, f->place, &traces[0]))
      return 0;
    snprintf(label, label_bytes, "second %c", traces[0].digit);
    return 1;
  case UDG_VERDICT_DOUBLED:
    snprintf(label, label_bytes, "second image");
    return doubled_digits(input, f, traces);
  case UDG_VERDICT_FRAGMENT:
  case UDG_VERDICT_STRAY:
  case UDG_VERDICT_PLAIN:
    break;
  }
  snprintf(label, label_bytes,
           r->verdict == UDG_VERDICT_FRAGMENT ? "part of a digit" : "mark, no digit");
  picture_digit first;
  traces[0] = (picture_digit){.digit = r->verdict == UDG_VERDICT_FRAGMENT ? f->digit : 0,
                              .turn_deg = f->turn_deg,
                              .centre_mm = {f->offset_mm[0], f->offset_mm[1]}};
  traces[0].height_mm = picture_present(input, 1, &first) ? first.height_mm : 0;
  return traces[0].height_mm > 0;
}

static void view_extent(const udg_view *view, double low[2], double high[2]) {
  low[0] = -view->origin_px[0] / view->px_per_mm;
  low[1] = -view->origin_px[1] / view->px_per_mm;
  high[0] = low[0] + view->width / view->px_per_mm;
  high[1] = low[1] + view->height / view->px_per_mm;
}

/* The date with some room round it, as far as the upright photo reaches. */
static void choose_window(const picture_input *input, double low[2], double high[2]) {
  double view_low[2], view_high[2];
  view_extent(&input->upright, view_low, view_high);
  low[0] = low[1] = INFINITY;
  high[0] = high[1] = -INFINITY;
  picture_digit digit;
  for (int place = 1; place <= UDG_PLACES_MAX && picture_present(input, place, &digit); place++)
    for (int axis = 0; axis < 2; axis++) {
      double reach = (0.5 + window_margin) * digit.height_mm;
      low[axis] = fmin(low[axis], digit.centre_mm[axis] - reach);
      high[axis] = fmax(high[axis], digit.centre_mm[axis] + reach);
    }
  for (int axis = 0; axis < 2; axis++) {
    low[axis] = fmax(low[axis], view_low[axis]);
    high[axis] = fmin(high[axis], view_high[axis]);
    if (!(high[axis] > low[axis])) { /* no place known, or none in sight */
      low[axis] = view_low[axis];
      high[axis] = view_high[axis];
    }
  }
}

void picture_lay_out(const picture_input *input, picture_layout *layout) {
  picture_layout l = {.width = input->width_px};
  choose_window(input, l.low_mm, l.high_mm);
  int columns = input->width_px >= two_columns_from_px ? 2 : 1;
  l.unit = fmax(l.width / 1200.0, 0.7); /* below that, text could not be read */
  l.margin = round(18 * l.unit);
  l.header = round(62 * l.unit);
  l.caption = round(30 * l.unit);
  l.profile_height = round(110 * l.unit);
  l.panel_width = floor((l.width - (columns + 1) * l.margin) / columns);
  l.px_per_mm = l.panel_width / (l.high_mm[0] - l.low_mm[0]);
  l.panel_height = round(l.px_per_mm * (l.high_mm[1] - l.low_mm[1]));
  double row = l.caption + l.panel_height + l.margin;
  for (int i = 0; i < PICTURE_PANELS; i++) {
    l.left[i] = l.margin + (i % columns) * (l.panel_width + l.margin);
    l.top[i] = l.header + (i / columns) * row + l.caption; /* of the map, below its caption */
  }
  l.profile_top = l.top[PICTURE_EVIDENCE] + l.panel_height + round(8 * l.unit);
  double ticks = round(26 * l.unit);
  l.notes_height = l.profile_height + ticks;
  l.notes_top = l.profile_top; /* beside the profile, or below it */
  if (columns == 1)
    l.notes_top += l.profile_height + ticks + round(8 * l.unit);
  l.height = l.notes_top + l.notes_height + l.margin;
  *layout = l;
}

int picture_in_photo(const picture_input *input, double x_mm, double y_mm) {
  const double *m = input->result->date_to_photo;
  double w = m[6] * x_mm + m[7] * y_mm + m[8];
  if (!input->photo_width || !input->photo_height || !(w > 0))
    return 1;
  double x = (m[0] * x_mm + m[1] * y_mm + m[2]) / w;
  double y = (m[3] * x_mm + m[4] * y_mm + m[5]) / w;
  return x >= 0 && y >= 0 && x <= input->photo_width && y <= input->photo_height;
}

static int clamp_int(double value, int low, int high) {
  return value < low ? low : value > high ? high : (int)value;
}

/* Columns or rows of the view that the window covers: from first to before end. */
static void covered(const udg_view *view, const picture_layout *l, int axis, int *first, int *end) {
  int size = axis ? view->height : view->width;
  double low = view->origin_px[axis] + view->px_per_mm * l->low_mm[axis];
  double high = view->origin_px[axis] + view->px_per_mm * l->high_mm[axis];
  *first = clamp_int(floor(low), 0, size);
  *end = clamp_int(ceil(high), 0, size);
}

void picture_range(const udg_view *view, const picture_layout *layout, double range[2]) {
  int x0, x1, y0, y1;
  covered(view, layout, 0, &x0, &x1);
  covered(view, layout, 1, &y0, &y1);
  double low = INFINITY, high = -INFINITY;
  for (int y = y0; y < y1; y++)
    for (int x = x0; x < x1; x++) {
      double value = (double)view->pixels[(size_t)y * (size_t)view->width + (size_t)x];
      if (!isfinite(value))
        continue;
      low = fmin(low, value);
      high = fmax(high, value);
    }
  range[0] = high > low ? low : 0;
  range[1] = high > low ? high : 1;
}

void picture_profile(const udg_view *view, const picture_layout *layout, double *profile,
                     int count) {
  int y0, y1;
  covered(view, layout, 1, &y0, &y1);
  for (int i = 0; i < count; i++) {
    double x_mm = layout->low_mm[0] + (i + 0.5) * (layout->high_mm[0] - layout->low_mm[0]) / count;
    double x = floor(view->origin_px[0] + view->px_per_mm * x_mm);
    profile[i] = -INFINITY;
    if (x < 0 || x >= view->width)
      continue;
    for (int y = y0; y < y1; y++) {
      double value = (double)view->pixels[(size_t)y * (size_t)view->width + (size_t)x];
      if (isfinite(value))
        profile[i] = fmax(profile[i], value);
    }
  }
}

static void append(char *line, size_t line_bytes, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

static void append(char *line, size_t line_bytes, const char *format, ...) {
  size_t used = strlen(line);
  va_list arguments;
  va_start(arguments, format);
  vsnprintf(line + used, line_bytes - used, format, arguments);
  va_end(arguments);
}

void picture_describe(const picture_input *input, char *line, size_t line_bytes) {
  const udg_result *r = input->result;
  const char *slash = strrchr(input->photo, '/');
  const char *name = slash ? slash + 1 : input->photo;
  snprintf(line, line_bytes, "%.160s", strcmp(name, "-") == 0 ? "standard input" : name);
  if (r->judged)
    append(line, line_bytes, "   p = %.2g", r->p_value);
  if (r->verdict == UDG_VERDICT_UNDERDIGIT)
    append(line, line_bytes, "   strength %.2f (%.2f to %.2f)", r->finding.strength,
           r->finding.strength_interval[0], r->finding.strength_interval[1]);
  append(line, line_bytes, "   digits %.0f px high", r->adequacy.digit_height_px);
}
