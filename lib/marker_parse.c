/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Fields "design" and "markers" of a reference file. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "marker.h"

enum { DESIGN_MAX = 400, MARKERS_EACH_MAX = 16, PATH_BYTES = 400 };

static const double degree = 3.14159265358979323846 / 180;

/* Stand-ins, estimates without a source: a marker is measured in a photo to about a
 * tenth of the digit's height, its turn to five degrees. */
static const double TOLERANCE_SHARE = 0.1, TOLERANCE_DEG = 5;

/* Where on the coin: clock and radius from its centre, or x, y in the date plane.
 * `turn_rad` receives the frame's turn without the field's own: upwards in the
 * frame is outwards for what is placed by the clock. */
typedef struct spot {
  double at_mm[2], turn_rad, clock, radius_mm;
} spot;

static udg_status parse_clock(const udg_field_reader *reader, const udg_reference *reference,
                              const udg_field_object *object, spot *where) {
  udg_status status =
      udg_field_number(reader, object, "clock", UDG_FIELD_REQUIRED, 0, 12, &where->clock);
  if (status == UDG_OK)
    status = udg_field_size_mm(reader, object, "radius_mm", UDG_FIELD_REQUIRED, &where->radius_mm);
  if (status != UDG_OK)
    return status;
  if (!(reference->diameter_mm > 0))
    return udg_field_fail(reader, object, "clock",
                          "needs coin.diameter_mm: without it there is no centre to turn about");
  if (where->clock == 0)
    where->clock = 12;
  udg_clock_to_date(reference, where->clock, where->radius_mm, where->at_mm);
  where->turn_rad = where->clock * 30 * degree;
  return UDG_OK;
}

static udg_status parse_spot(const udg_field_reader *reader, const udg_reference *reference,
                             const udg_field_object *object, spot *where) {
  int by_clock = udg_json_member(object->node, "clock") != NULL;
  int by_plane = udg_json_member(object->node, "at_mm") != NULL;
  double turn_deg = 0;
  *where = (spot){.clock = 0};
  if (by_clock && by_plane)
    return udg_field_fail(reader, object, "at_mm", "given beside clock; one of them says where");
  if (!by_clock && !by_plane)
    return udg_field_fail(reader, object, "at_mm",
                          "missing; at_mm, or clock and radius_mm, say "
                          "where it is");
  udg_status status =
      by_clock ? parse_clock(reader, reference, object, where)
               : udg_field_pair_mm(reader, object, "at_mm", UDG_FIELD_REQUIRED, where->at_mm);
  if (status == UDG_OK)
    status = udg_field_number(reader, object, "turn_deg", UDG_FIELD_OPTIONAL, -360, 360, &turn_deg);
  where->turn_rad += turn_deg * degree;
  return status;
}

/* The coin's edge is where nothing can be beyond. */
static udg_status check_on_coin(const udg_field_reader *reader, const udg_reference *reference,
                                const udg_field_object *object, const double at_mm[2],
                                int by_clock) {
  double x = at_mm[0] + reference->date_origin_mm[0], y = at_mm[1] + reference->date_origin_mm[1];
  double radius = 0.5 * reference->diameter_mm, far = hypot(x, y);
  if (radius > 0 && far > radius)
    return udg_field_fail(reader, object, by_clock ? "radius_mm" : "at_mm",
                          "lies outside the coin: %.2f mm from its centre, the rim at %.2f mm", far,
                          radius);
  return UDG_OK;
}

static udg_status path_outline(const udg_field_reader *reader, const udg_reference *reference,
                               const udg_field_object *object, const char *key, const char *path,
                               udg_outline *outline) {
  char path_text[UDG_FIELD_PATH_BYTES], field[UDG_FIELD_PATH_BYTES + 256];
  udg_field_path(object, key, path_text);
  snprintf(field, sizeof field, "%s: %s", reader->name, path_text);
  return udg_outline_from_path(&reference->settings, path, field, outline, reader->message);
}

static udg_status file_outline(const udg_field_reader *reader, const udg_reference *reference,
                               const udg_field_object *object, udg_outline *outline) {
  const udg_json *node = udg_json_member(object->node, "outline");
  const char *path = udg_json_string(node);
  if (!path)
    return udg_field_fail(reader, object, "outline", "%s%s, must be a string",
                          node ? "is " : "missing",
                          node ? udg_json_kind_text(udg_json_kind_of(node)) : "");
  return path_outline(reader, reference, object, "outline", path, outline);
}

static int design_index(const udg_reference *reference, const char *id) {
  for (size_t i = 0; i < reference->design_count; i++)
    if (strcmp(reference->design[i].id, id) == 0)
      return (int)i;
  return -1;
}

static udg_status parse_item(const udg_field_reader *reader, const udg_reference *reference,
                             const udg_field_object *object, udg_design_item *item) {
  static const char *const known[] = {"id",       "outline",   "at_mm",  "clock",
                                      "turn_deg", "radius_mm", "region", NULL};
  spot where;
  udg_status status =
      udg_field_text(reader, object, "id", UDG_FIELD_REQUIRED, item->id, sizeof item->id);
  if (status == UDG_OK && design_index(reference, item->id) >= 0)
    return udg_field_fail(reader, object, "id", "\"%s\" is given twice", item->id);
  if (status == UDG_OK)
    status = udg_field_text(reader, object, "region", UDG_FIELD_OPTIONAL, item->region,
                            sizeof item->region);
  if (status == UDG_OK)
    status = parse_spot(reader, reference, object, &where);
  if (status != UDG_OK)
    return status;
  item->turn_rad = where.turn_rad;
  memcpy(item->at_mm, where.at_mm, sizeof item->at_mm);
  status = check_on_coin(reader, reference, object, item->at_mm, where.clock > 0);
  if (status == UDG_OK)
    status = file_outline(reader, reference, object, &item->outline);
  udg_field_warn_unknown(reader, object, known);
  return status;
}

udg_status udg_design_parse(const udg_field_reader *reader, udg_reference *reference,
                            const udg_field_object *file) {
  udg_field_object list, object;
  size_t count;
  udg_status status =
      udg_field_array(reader, file, "design", UDG_FIELD_OPTIONAL, DESIGN_MAX, &list, &count);
  if (status != UDG_OK || count == 0)
    return status;
  reference->design = udg_memory_get(&reference->settings, count, sizeof *reference->design);
  if (!reference->design)
    return udg_fail(reader->message, UDG_ERROR_MEMORY, "%s: out of memory", reader->name);
  for (size_t i = 0; i < count && status == UDG_OK; i++) {
    status = udg_field_item(reader, &list, i, &object);
    if (status == UDG_OK)
      status = parse_item(reader, reference, &object, &reference->design[i]);
    reference->design_count += status == UDG_OK;
  }
  return status;
}

static udg_status parse_kind(const udg_field_reader *reader, const udg_field_object *object,
                             udg_marker *marker) {
  char text[24], all[160] = "";
  udg_status status = udg_field_text(reader, object, "kind", UDG_FIELD_REQUIRED, text, sizeof text);
  if (status != UDG_OK)
    return status;
  for (int k = UDG_MARKER_LINE; k <= UDG_MARKER_MISSING; k++) {
    const char *name = udg_marker_kind_text((udg_marker_kind)k);
    if (strcmp(text, name) == 0) {
      marker->kind = (udg_marker_kind)k;
      return UDG_OK;
    }
    size_t used = strlen(all);
    snprintf(all + used, sizeof all - used, "%s%s", k ? ", " : "", name);
  }
  return udg_field_fail(reader, object, "kind", "\"%s\" is no kind; there are %s", text, all);
}

static udg_status parse_life(const udg_field_reader *reader, const udg_field_object *object,
                             udg_marker *marker) {
  static const char *const lives[] = {"every", "early", "late"};
  char text[16] = "every";
  udg_status status =
      udg_field_text(reader, object, "state", UDG_FIELD_OPTIONAL, text, sizeof text);
  for (int k = 0; k < 3 && status == UDG_OK; k++)
    if (strcmp(text, lives[k]) == 0) {
      marker->life = (udg_marker_life)k;
      return UDG_OK;
    }
  if (status == UDG_OK)
    status =
        udg_field_fail(reader, object, "state", "is \"%s\", must be every, early or late", text);
  return status;
}

/* Ids of design items: those that are doubled, or that a detail is part of. */
static udg_status parse_of(const udg_field_reader *reader, const udg_reference *reference,
                           const udg_field_object *object, udg_marker *marker) {
  const udg_json *list = udg_json_member(object->node, "of");
  if (!list)
    return marker->kind == UDG_MARKER_DOUBLED || marker->kind == UDG_MARKER_MISSING
               ? udg_field_fail(reader, object, "of", "missing, must be an array of design ids")
               : UDG_OK;
  size_t count = udg_json_count(list);
  if (udg_json_kind_of(list) != UDG_JSON_ARRAY || count == 0 || count > UDG_MARKER_OF_MAX)
    return udg_field_fail(reader, object, "of", "must be an array of 1 to %d design ids",
                          UDG_MARKER_OF_MAX);
  for (size_t i = 0; i < count; i++) {
    const char *id = udg_json_string(udg_json_item(list, i));
    int index = id ? design_index(reference, id) : -1;
    if (index < 0)
      return udg_field_fail(reader, object, "of", "\"%.40s\" is not among the design",
                            id ? id : "(no string)");
    marker->of[marker->of_count++] = index;
  }
  return UDG_OK;
}

/* Decimal points whatever the locale: SVG knows no comma for them. */
static void write_path(char *path, const double *xy, int points) {
  size_t used = 0;
  for (int i = 0; i < points; i++) {
    long x = lround(xy[2 * i] * 1e4), y = lround(xy[2 * i + 1] * 1e4);
    used +=
        (size_t)snprintf(path + used, PATH_BYTES - used, "%s%lde-4 %lde-4", i ? "L" : "M", x, y);
  }
  snprintf(path + used, PATH_BYTES - used, "Z");
}

static udg_status bar(const udg_field_reader *reader, const udg_reference *reference,
                      const udg_field_object *object, udg_marker *marker) {
  double length = 0, width = 0;
  udg_status status = udg_field_size_mm(reader, object, "length_mm", UDG_FIELD_REQUIRED, &length);
  if (status == UDG_OK)
    status = udg_field_size_mm(reader, object, "width_mm", UDG_FIELD_REQUIRED, &width);
  if (status != UDG_OK)
    return status;
  /* A line runs outwards, a dash level. */
  double x = 0.5 * (marker->kind == UDG_MARKER_LINE ? width : length);
  double y = 0.5 * (marker->kind == UDG_MARKER_LINE ? length : width);
  const double box[8] = {-x, -y, x, -y, x, y, -x, y};
  char path[PATH_BYTES];
  write_path(path, box, 4);
  marker->extent_mm = 0.5 * fmax(length, width);
  marker->narrow_mm = fmin(length, width);
  return path_outline(reader, reference, object, "length_mm", path, &marker->outline);
}

/* A round spot, or a triangle of equal sides with its tip upwards. */
static udg_status knob(const udg_field_reader *reader, const udg_reference *reference,
                       const udg_field_object *object, udg_marker *marker) {
  enum { SIDES = 16 };
  double size = 0, xy[2 * SIDES];
  int points = marker->kind == UDG_MARKER_CORNER ? 3 : SIDES;
  udg_status status = udg_field_size_mm(reader, object, "size_mm", UDG_FIELD_REQUIRED, &size);
  if (status != UDG_OK)
    return status;
  double r = points == 3 ? size / sqrt(3.0) : 0.5 * size;
  for (int i = 0; i < points; i++) {
    double a = 360.0 * degree * i / points;
    xy[2 * i] = r * sin(a);
    xy[2 * i + 1] = -r * cos(a);
  }
  char path[PATH_BYTES];
  write_path(path, xy, points);
  marker->extent_mm = r;
  marker->narrow_mm = points == 3 ? r : size;
  return path_outline(reader, reference, object, "size_mm", path, &marker->outline);
}

static udg_status copy_outline(const udg_settings *settings, const udg_outline *from,
                               udg_outline *to) {
  *to = *from;
  to->starts = udg_memory_get(settings, from->contour_count + 1, sizeof *to->starts);
  to->points = udg_memory_get(settings, 2 * from->point_count, sizeof *to->points);
  if (!to->starts || !to->points) {
    udg_outline_destroy(settings, to);
    return UDG_ERROR_MEMORY;
  }
  memcpy(to->starts, from->starts, (from->contour_count + 1) * sizeof *to->starts);
  memcpy(to->points, from->points, 2 * from->point_count * sizeof *to->points);
  return UDG_OK;
}

static udg_status digit_part(const udg_field_reader *reader, const udg_reference *reference,
                             const udg_field_object *object, udg_marker *marker) {
  char digit;
  udg_status status = udg_field_digit(reader, object, "digit", &digit);
  if (status != UDG_OK)
    return status;
  if (!reference->has_digit[digit - '0'])
    return udg_field_fail(reader, object, "digit", "there is no outline of %c", digit);
  const udg_outline *outline = &reference->digits[digit - '0'];
  status = udg_field_pair_mm(reader, object, "part_mm", UDG_FIELD_OPTIONAL, marker->disc);
  if (status == UDG_OK)
    status =
        udg_field_size_mm(reader, object, "part_radius_mm", UDG_FIELD_OPTIONAL, &marker->disc[2]);
  if (status != UDG_OK)
    return status;
  double whole =
      0.5 * hypot(outline->high[0] - outline->low[0], outline->high[1] - outline->low[1]);
  marker->extent_mm = marker->disc[2] > 0 ? marker->disc[2] : whole;
  marker->narrow_mm = 0.3 * marker->extent_mm;
  if (copy_outline(&reference->settings, outline, &marker->outline) != UDG_OK)
    return udg_fail(reader->message, UDG_ERROR_MEMORY, "%s: out of memory", reader->name);
  return UDG_OK;
}

/* Letters that show twice lie where the design has them. */
static udg_status doubled(const udg_field_reader *reader, const udg_reference *reference,
                          const udg_field_object *object, udg_marker *marker) {
  double low[2] = {HUGE_VAL, HUGE_VAL}, high[2] = {-HUGE_VAL, -HUGE_VAL};
  udg_status status =
      udg_field_pair_mm(reader, object, "shift_mm", UDG_FIELD_REQUIRED, marker->shift_mm);
  if (status != UDG_OK)
    return status;
  if (hypot(marker->shift_mm[0], marker->shift_mm[1]) < 0.005)
    return udg_field_fail(reader, object, "shift_mm", "is no shift: the images would coincide");
  for (int k = 0; k < marker->of_count; k++) {
    const udg_design_item *item = &reference->design[marker->of[k]];
    double reach = 0;
    for (size_t i = 0; i < item->outline.point_count; i++)
      reach = fmax(reach, hypot(item->outline.points[2 * i], item->outline.points[2 * i + 1]));
    for (int axis = 0; axis < 2; axis++) {
      low[axis] = fmin(low[axis], item->at_mm[axis] - reach);
      high[axis] = fmax(high[axis], item->at_mm[axis] + reach);
    }
  }
  for (int axis = 0; axis < 2; axis++)
    marker->at_mm[axis] = 0.5 * (low[axis] + high[axis]);
  marker->extent_mm = 0.5 * fmax(high[0] - low[0], high[1] - low[1]);
  marker->narrow_mm = hypot(marker->shift_mm[0], marker->shift_mm[1]);
  return UDG_OK;
}

static udg_status detail(const udg_field_reader *reader, const udg_reference *reference,
                         const udg_field_object *object, udg_marker *marker) {
  udg_status status = file_outline(reader, reference, object, &marker->outline);
  if (status != UDG_OK)
    return status;
  const udg_outline *o = &marker->outline;
  marker->extent_mm = 0.5 * fmax(o->high[0] - o->low[0], o->high[1] - o->low[1]);
  marker->narrow_mm = fmin(o->high[0] - o->low[0], o->high[1] - o->low[1]);
  return UDG_OK;
}

static udg_status parse_shape(const udg_field_reader *reader, const udg_reference *reference,
                              const udg_field_object *object, udg_marker *marker) {
  switch (marker->kind) {
  case UDG_MARKER_LINE:
  case UDG_MARKER_DASH:
    return bar(reader, reference, object, marker);
  case UDG_MARKER_SPOT:
  case UDG_MARKER_CORNER:
    return knob(reader, reference, object, marker);
  case UDG_MARKER_DIGIT_PART:
    return digit_part(reader, reference, object, marker);
  case UDG_MARKER_DOUBLED:
    return doubled(reader, reference, object, marker);
  case UDG_MARKER_EXTRA:
  case UDG_MARKER_MISSING:
    return detail(reader, reference, object, marker);
  }
  return UDG_ERROR_REFERENCE;
}

static udg_status parse_place(const udg_field_reader *reader, const udg_reference *reference,
                              const udg_field_object *object, udg_marker *marker) {
  if (marker->kind == UDG_MARKER_DOUBLED) { /* told by `of` */
    udg_status status = parse_shape(reader, reference, object, marker);
    if (status == UDG_OK)
      status = check_on_coin(reader, reference, object, marker->at_mm, 0);
    return status;
  }
  spot where;
  udg_status status = parse_spot(reader, reference, object, &where);
  if (status != UDG_OK)
    return status;
  memcpy(marker->at_mm, where.at_mm, sizeof marker->at_mm);
  marker->turn_rad = where.turn_rad;
  marker->clock = where.clock;
  marker->radius_mm = where.radius_mm;
  status = check_on_coin(reader, reference, object, marker->at_mm, where.clock > 0);
  return status == UDG_OK ? parse_shape(reader, reference, object, marker) : status;
}

static udg_status parse_marker(const udg_field_reader *reader, const udg_reference *reference,
                               const udg_field_object *object, udg_marker *marker) {
  static const char *const known[] = {"id",       "kind",           "state",         "at_mm",
                                      "clock",    "radius_mm",      "turn_deg",      "length_mm",
                                      "width_mm", "size_mm",        "digit",         "part_mm",
                                      "of",       "part_radius_mm", "shift_mm",      "outline",
                                      "relief",   "tolerance_mm",   "tolerance_deg", NULL};
  double tolerance_deg = TOLERANCE_DEG;
  const udg_expected *entry = &reference->expected[marker->expected_index];
  udg_status status =
      udg_field_text(reader, object, "id", UDG_FIELD_REQUIRED, marker->id, sizeof marker->id);
  for (size_t i = entry->marker_first; i < reference->marker_count && status == UDG_OK; i++)
    if (strcmp(reference->markers[i].id, marker->id) == 0)
      status =
          udg_field_fail(reader, object, "id", "\"%s\" is given twice", reference->markers[i].id);
  if (status == UDG_OK)
    status = parse_kind(reader, object, marker);
  if (status == UDG_OK)
    status = parse_life(reader, object, marker);
  if (status == UDG_OK)
    status = parse_of(reader, reference, object, marker);
  if (status == UDG_OK)
    status = parse_place(reader, reference, object, marker);
  marker->relief = 1;
  marker->tolerance_mm = TOLERANCE_SHARE * reference->dates[entry->date_index].height_mm;
  if (status == UDG_OK)
    status =
        udg_field_number(reader, object, "relief", UDG_FIELD_OPTIONAL, 0.01, 4, &marker->relief);
  if (status == UDG_OK)
    status = udg_field_size_mm(reader, object, "tolerance_mm", UDG_FIELD_OPTIONAL,
                               &marker->tolerance_mm);
  if (status == UDG_OK)
    status = udg_field_number(reader, object, "tolerance_deg", UDG_FIELD_OPTIONAL, 0, 45,
                              &tolerance_deg);
  marker->tolerance_rad = tolerance_deg * degree;
  udg_field_warn_unknown(reader, object, known);
  return status;
}

/* One block that grows: entries come one after the other. */
static udg_status make_room(udg_reference *reference, size_t more) {
  udg_marker *larger =
      udg_memory_get(&reference->settings, reference->marker_count + more, sizeof *larger);
  if (!larger)
    return UDG_ERROR_MEMORY;
  if (reference->marker_count)
    memcpy(larger, reference->markers, reference->marker_count * sizeof *larger);
  udg_memory_drop(&reference->settings, reference->markers);
  reference->markers = larger;
  return UDG_OK;
}

udg_status udg_markers_parse(const udg_field_reader *reader, udg_reference *reference,
                             const udg_field_object *entry, size_t expected_index) {
  udg_expected *expected = &reference->expected[expected_index];
  udg_field_object list, object;
  size_t count;
  expected->marker_first = reference->marker_count;
  udg_status status = udg_field_array(reader, entry, "markers", UDG_FIELD_OPTIONAL,
                                      MARKERS_EACH_MAX, &list, &count);
  if (status != UDG_OK || count == 0)
    return status;
  if (make_room(reference, count) != UDG_OK)
    return udg_fail(reader->message, UDG_ERROR_MEMORY, "%s: out of memory", reader->name);
  for (size_t i = 0; i < count && status == UDG_OK; i++) {
    udg_marker *marker = &reference->markers[reference->marker_count];
    marker->expected_index = expected_index;
    status = udg_field_item(reader, &list, i, &object);
    if (status == UDG_OK)
      status = parse_marker(reader, reference, &object, marker);
    if (status != UDG_OK)
      udg_outline_destroy(&reference->settings, &marker->outline);
    else
      reference->marker_count++;
  }
  expected->marker_count = reference->marker_count - expected->marker_first;
  return status;
}
