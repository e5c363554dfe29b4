/* SPDX-License-Identifier: GPL-2.0-or-later */
/* References from memory and from files, and what they tell. */
#include <underdigit/reference.h>

#include <string.h>

#include "appearance.h"
#include "image_internal.h"
#include "json.h"
#include "marker.h"
#include "reference_internal.h"
#include "reference_parse.h"

typedef struct source {
  const char *text;
  size_t byte_count;
} source;

static udg_status build(const udg_settings *settings, const udg_json *root, source json,
                        const char *name, const void *font, size_t font_bytes,
                        udg_reference **reference, udg_message *message) {
  *reference = udg_memory_get(settings, 1, sizeof **reference);
  if (!*reference)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  (*reference)->settings = *settings;
  (*reference)->source = udg_memory_get(settings, json.byte_count + 1, 1);
  (*reference)->source_bytes = json.byte_count;
  udg_status status = (*reference)->source
                          ? udg_reference_parse(*reference, root, name, font, font_bytes, message)
                          : udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  if (status == UDG_OK) {
    memcpy((*reference)->source, json.text, json.byte_count);
  } else {
    udg_reference_destroy(*reference);
    *reference = NULL;
  }
  return status;
}

udg_status udg_reference_from_memory(const udg_settings *settings, const void *json,
                                     size_t json_bytes, const char *name, const void *font,
                                     size_t font_bytes, udg_reference **reference,
                                     udg_message *message) {
  udg_settings resolved;
  udg_json *root;
  if (!reference)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "reference: no place for the reference given");
  *reference = NULL;
  if (!json)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "reference: no bytes given");
  const udg_label label = udg_label_of(name);
  name = label.text;
  udg_settings_resolve(&resolved, settings);
  if (json_bytes > resolved.max_file_bytes || font_bytes > resolved.max_file_bytes)
    return udg_fail(message, UDG_ERROR_LIMIT, "%s: larger than max_file_bytes", name);
  udg_status status = udg_json_parse(json, json_bytes, name, &root, message);
  if (status != UDG_OK)
    return status;
  status = build(&resolved, root, (source){json, json_bytes}, name, font, font_bytes, reference,
                 message);
  udg_json_drop(root);
  return status;
}

/* The file that a field of the reference file names, beside it. */
static udg_status read_beside(const udg_settings *settings, const char *path, const char *field,
                              const char *name, uint8_t **bytes, size_t *byte_count,
                              udg_message *message) {
  const char *slash = strrchr(path, '/');
  size_t folder = slash && *name != '/' ? (size_t)(slash - path) + 1 : 0;
  size_t length = strlen(name);
  char *joined = udg_memory_get(settings, folder + length + 1, 1);
  if (!joined)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: %s: out of memory", udg_label_of(path).text,
                    field);
  memcpy(joined, path, folder);
  memcpy(joined + folder, name, length + 1);
  udg_message inner = {""};
  udg_status status = udg_file_read(settings, joined, bytes, byte_count, &inner);
  udg_memory_drop(settings, joined);
  if (status != UDG_OK)
    return udg_fail(message, status, "%s: %s: %s", udg_label_of(path).text, field, inner.text);
  return UDG_OK;
}

/* On a fault the reference goes, too. */
static udg_status read_appearance(const udg_settings *settings, const char *path,
                                  udg_reference **reference, udg_message *message) {
  uint8_t *bytes = NULL;
  size_t byte_count = 0;
  udg_reference *r = *reference;
  udg_status status =
      read_beside(settings, path, "appearance", r->appearance_name, &bytes, &byte_count, message);
  if (status == UDG_OK)
    status = udg_appearance_unpack(settings, bytes, byte_count, r->appearance_name, &r->appearances,
                                   &r->appearance_count, message);
  udg_memory_drop(settings, bytes);
  if (status != UDG_OK) {
    udg_reference_destroy(r);
    *reference = NULL;
  }
  return status;
}

udg_status udg_reference_from_file(const udg_settings *settings, const char *path,
                                   udg_reference **reference, udg_message *message) {
  udg_settings resolved;
  uint8_t *text = NULL, *font = NULL;
  size_t text_bytes = 0, font_bytes = 0;
  udg_json *root = NULL;
  const udg_label label = udg_label_of(path);
  if (!reference)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "reference: no place for the reference given");
  *reference = NULL;
  if (!path)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "reference: no path given");
  udg_settings_resolve(&resolved, settings);
  udg_status status = udg_file_read(&resolved, path, &text, &text_bytes, message);
  if (status == UDG_OK)
    status = udg_json_parse((const char *)text, text_bytes, label.text, &root, message);
  const char *font_name = udg_json_string(udg_json_member(root, "font"));
  if (status == UDG_OK && font_name && *font_name)
    status = read_beside(&resolved, path, "font", font_name, &font, &font_bytes, message);
  if (status == UDG_OK)
    status = build(&resolved, root, (source){(const char *)text, text_bytes}, label.text, font,
                   font_bytes, reference, message);
  if (status == UDG_OK && (*reference)->appearance_name[0])
    status = read_appearance(&resolved, path, reference, message);
  udg_json_drop(root);
  udg_memory_drop(&resolved, text);
  udg_memory_drop(&resolved, font);
  return status;
}

const char *udg_reference_name(const udg_reference *reference) {
  return reference ? reference->name : "";
}

double udg_reference_diameter_mm(const udg_reference *reference) {
  return reference ? reference->diameter_mm : 0.0;
}

void udg_reference_coin(const udg_reference *reference, double *diameter_mm,
                        double date_origin_mm[2]) {
  *diameter_mm = reference ? reference->diameter_mm : 0.0;
  for (int axis = 0; axis < 2; axis++)
    date_origin_mm[axis] = reference ? reference->date_origin_mm[axis] : 0.0;
}

size_t udg_reference_date_count(const udg_reference *reference) {
  return reference ? reference->date_count : 0;
}

const char *udg_reference_date(const udg_reference *reference, size_t index) {
  return reference && index < reference->date_count ? reference->dates[index].text : NULL;
}

udg_status udg_reference_outline(const udg_reference *reference, char digit,
                                 udg_outline_view *view) {
  if (!reference || !view || digit < '0' || digit > '9' || !reference->has_digit[digit - '0'])
    return UDG_ERROR_ARGUMENT;
  const udg_outline *outline = &reference->digits[digit - '0'];
  *view = (udg_outline_view){outline->contour_count, outline->starts, outline->point_count,
                             outline->points};
  return UDG_OK;
}

const udg_appearance *udg_reference_appearance(const udg_reference *reference, size_t date_index) {
  for (size_t i = 0; i < reference->appearance_count; i++)
    if (strcmp(reference->appearances[i].date, reference->dates[date_index].text) == 0)
      return &reference->appearances[i];
  return NULL;
}

static udg_status copy_outline(const udg_settings *settings, const udg_outline *from,
                               udg_outline *to) {
  *to = *from;
  to->starts = udg_memory_get(settings, from->contour_count + 1, sizeof *to->starts);
  to->points = udg_memory_get(settings, 2 * from->point_count, sizeof *to->points);
  if (!to->starts || !to->points)
    return UDG_ERROR_MEMORY;
  memcpy(to->starts, from->starts, (from->contour_count + 1) * sizeof *to->starts);
  memcpy(to->points, from->points, 2 * from->point_count * sizeof *to->points);
  return UDG_OK;
}

/* The date and the coin's face; what shows beside the date is to be learned anew. */
static udg_status copy_face(const udg_settings *settings, const udg_appearance *from,
                            udg_appearance *to) {
  memcpy(to->date, from->date, sizeof to->date);
  if (!from->face.v)
    return UDG_OK;
  if (udg_plane_create(settings, from->face.width, from->face.height, &to->face) != UDG_OK)
    return UDG_ERROR_MEMORY;
  memcpy(to->face.v, from->face.v,
         sizeof(float) * (size_t)from->face.width * (size_t)from->face.height);
  return UDG_OK;
}

udg_status udg_reference_copy(const udg_reference *reference, udg_reference **copy,
                              udg_message *message) {
  const udg_settings *settings = &reference->settings;
  udg_reference *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a copy of the reference");
  *made = *reference;
  memset(made->digits, 0, sizeof made->digits);
  made->source = NULL;
  made->markers = NULL;
  made->design = NULL;
  made->marker_count = made->design_count = 0;
  made->source_bytes = made->appearance_count = 0;
  made->appearance_name[0] = '\0';
  made->dates = udg_memory_get(settings, reference->date_count, sizeof *made->dates);
  made->expected = udg_memory_get(settings, reference->expected_count + 1, sizeof *made->expected);
  made->appearances =
      udg_memory_get(settings, reference->appearance_count + 1, sizeof *made->appearances);
  udg_status status =
      made->dates && made->expected && made->appearances ? UDG_OK : UDG_ERROR_MEMORY;
  for (size_t i = 0; i < reference->appearance_count && status == UDG_OK; i++)
    status = copy_face(settings, &reference->appearances[i],
                       &made->appearances[made->appearance_count++]);
  for (int d = 0; d < 10 && status == UDG_OK; d++)
    if (reference->has_digit[d])
      status = copy_outline(settings, &reference->digits[d], &made->digits[d]);
  if (status != UDG_OK) {
    udg_reference_destroy(made);
    return udg_fail(message, status, "no memory for a copy of the reference");
  }
  memcpy(made->dates, reference->dates, reference->date_count * sizeof *made->dates);
  if (reference->expected_count > 0)
    memcpy(made->expected, reference->expected, reference->expected_count * sizeof *made->expected);
  for (size_t i = 0; i < reference->expected_count; i++)
    made->expected[i].marker_first = made->expected[i].marker_count = 0;
  *copy = made;
  return UDG_OK;
}

void udg_reference_destroy(udg_reference *reference) {
  if (!reference)
    return;
  udg_settings settings = reference->settings;
  for (int d = 0; d < 10; d++)
    udg_outline_destroy(&settings, &reference->digits[d]);
  udg_markers_drop(reference);
  udg_memory_drop(&settings, reference->dates);
  udg_memory_drop(&settings, reference->expected);
  for (size_t i = 0; i < reference->appearance_count; i++)
    udg_appearance_destroy(&settings, &reference->appearances[i]);
  udg_memory_drop(&settings, reference->appearances);
  udg_memory_drop(&settings, reference->source);
  udg_memory_drop(&settings, reference);
}
