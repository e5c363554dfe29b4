/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "reference_parse.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "fields.h"
#include "marker.h"

static const double pi = 3.14159265358979323846;

enum { DATES_MAX = 1000, EXPECTED_MAX = 5000 };

/* Stand-ins for what a file leaves out, as shares of the digit height: usual
 * proportions of struck dates, estimates without a source. */
static const double relief_share = 0.05, bevel_share = 0.1;
static const double slack_share = 0.05, slack_default_deg = 2;
static const double strong_default = 0.45;
/* An expected offset that is given is right to a tenth of the digit height; one
 * that is not may be anything up to a third. */
static const double tolerance_share = 0.1, tolerance_open_share = 1.0 / 3;

typedef struct udg_parse {
  udg_field_reader reader;
  udg_reference *reference;
} udg_parse;

static udg_status no_memory(const udg_parse *parse) {
  return udg_fail(parse->reader.message, UDG_ERROR_MEMORY, "%s: out of memory", parse->reader.name);
}

static udg_status parse_head(udg_parse *parse, const udg_field_object *file) {
  static const char *const known[] = {"format",   "name",   "coin",       "relief",
                                      "digits",   "font",   "dates",      "strong_from",
                                      "expected", "design", "appearance", NULL};
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  char format[64];
  udg_status status =
      udg_field_text(reader, file, "format", UDG_FIELD_REQUIRED, format, sizeof format);
  if (status == UDG_OK && strcmp(format, "underdigit-reference/1") != 0)
    return udg_field_fail(reader, file, "format", "must be \"underdigit-reference/1\"");
  if (status == UDG_OK)
    status = udg_field_text(reader, file, "name", UDG_FIELD_REQUIRED, reference->name,
                            sizeof reference->name);
  reference->strong_threshold = strong_default;
  if (status == UDG_OK)
    status = udg_field_number(reader, file, "strong_from", UDG_FIELD_OPTIONAL, 0, 1,
                              &reference->strong_threshold);
  if (status == UDG_OK)
    status = udg_field_text(reader, file, "appearance", UDG_FIELD_OPTIONAL,
                            reference->appearance_name, sizeof reference->appearance_name);
  udg_field_warn_unknown(reader, file, known);
  return status;
}

static udg_status parse_coin(udg_parse *parse, const udg_field_object *file) {
  static const char *const known[] = {"diameter_mm", "date_origin_mm", "date_in_hub_since", NULL};
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  udg_field_object coin;
  udg_status status = udg_field_object_of(reader, file, "coin", UDG_FIELD_OPTIONAL, &coin);
  if (status != UDG_OK || !coin.node)
    return status;
  status =
      udg_field_size_mm(reader, &coin, "diameter_mm", UDG_FIELD_OPTIONAL, &reference->diameter_mm);
  if (status == UDG_OK)
    status = udg_field_pair_mm(reader, &coin, "date_origin_mm", UDG_FIELD_OPTIONAL,
                               reference->date_origin_mm);
  if (status == UDG_OK)
    status = udg_field_integer(reader, &coin, "date_in_hub_since", UDG_FIELD_OPTIONAL, 1, 99999999,
                               &reference->date_in_hub_since);
  udg_field_warn_unknown(reader, &coin, known);
  return status;
}

static udg_status parse_place(udg_parse *parse, const udg_field_object *place, char expected,
                              udg_place *out) {
  static const char *const known[] = {"digit", "centre_mm", "turn_deg", NULL};
  const udg_field_reader *reader = &parse->reader;
  double turn_deg = 0;
  udg_status status = udg_field_digit(reader, place, "digit", &out->digit);
  if (status == UDG_OK && out->digit != expected)
    return udg_field_fail(reader, place, "digit", "is %c, but the date has %c there", out->digit,
                          expected);
  if (status == UDG_OK)
    status = udg_field_pair_mm(reader, place, "centre_mm", UDG_FIELD_REQUIRED, out->centre_mm);
  if (status == UDG_OK)
    status = udg_field_number(reader, place, "turn_deg", UDG_FIELD_OPTIONAL, -360, 360, &turn_deg);
  out->turn_rad = turn_deg * pi / 180;
  udg_field_warn_unknown(reader, place, known);
  return status;
}

static udg_status parse_places(udg_parse *parse, const udg_field_object *object, udg_date *date) {
  const udg_field_reader *reader = &parse->reader;
  udg_field_object places, place;
  size_t count, length = strlen(date->text);
  udg_status status =
      udg_field_array(reader, object, "places", UDG_FIELD_REQUIRED, SIZE_MAX, &places, &count);
  if (status == UDG_OK && count != length)
    return udg_field_fail(reader, object, "places", "has %zu items, but the date has %zu digits",
                          count, length);
  for (size_t i = 0; i < count && status == UDG_OK; i++) {
    status = udg_field_item(reader, &places, i, &place);
    if (status == UDG_OK)
      status = parse_place(parse, &place, date->text[i], &date->places[i]);
  }
  date->place_count = (int)count;
  return status;
}

static udg_status parse_date_text(udg_parse *parse, const udg_field_object *object,
                                  udg_date *date) {
  const udg_field_reader *reader = &parse->reader;
  const udg_reference *reference = parse->reference;
  udg_status status =
      udg_field_text(reader, object, "date", UDG_FIELD_REQUIRED, date->text, UDG_PLACES_MAX + 1);
  if (status != UDG_OK)
    return status;
  if (date->text[strspn(date->text, "0123456789")] != '\0')
    return udg_field_fail(reader, object, "date", "must consist of the digits 0 to 9");
  for (const udg_date *other = reference->dates; other < date; other++)
    if (strcmp(other->text, date->text) == 0)
      return udg_field_fail(reader, object, "date", "%s is given twice", date->text);
  return UDG_OK;
}

static udg_status parse_date(udg_parse *parse, const udg_field_object *object, udg_date *date) {
  static const char *const known[] = {"date",      "height_mm", "places",         "slack_mm",
                                      "slack_deg", "learned",   "evidence_shift", NULL};
  const udg_field_reader *reader = &parse->reader;
  const udg_reference *reference = parse->reference;
  udg_status status = parse_date_text(parse, object, date);
  if (status == UDG_OK)
    status = udg_field_size_mm(reader, object, "height_mm", UDG_FIELD_REQUIRED, &date->height_mm);
  if (status == UDG_OK)
    status = parse_places(parse, object, date);
  double slack_deg = slack_default_deg;
  date->slack_mm = slack_share * date->height_mm;
  if (status == UDG_OK)
    status =
        udg_field_number(reader, object, "slack_mm", UDG_FIELD_OPTIONAL, 0, 1000, &date->slack_mm);
  if (status == UDG_OK)
    status = udg_field_number(reader, object, "slack_deg", UDG_FIELD_OPTIONAL, 0, 180, &slack_deg);
  date->slack_rad = slack_deg * pi / 180;
  if (status == UDG_OK)
    status = udg_field_number(reader, object, "evidence_shift", UDG_FIELD_OPTIONAL, -5, 5,
                              &date->evidence_shift);
  if (reference->date_in_hub_since && atol(date->text) >= reference->date_in_hub_since)
    date->slack_mm = date->slack_rad = 0; /* digits sit where the hub has them */
  udg_field_warn_unknown(reader, object, known);
  return status;
}

static udg_status parse_dates(udg_parse *parse, const udg_field_object *file) {
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  udg_field_object dates, date;
  size_t count;
  udg_status status =
      udg_field_array(reader, file, "dates", UDG_FIELD_REQUIRED, DATES_MAX, &dates, &count);
  if (status == UDG_OK && count == 0)
    return udg_field_fail(reader, file, "dates", "is empty");
  if (status != UDG_OK)
    return status;
  reference->dates = udg_memory_get(&reference->settings, count, sizeof *reference->dates);
  if (!reference->dates)
    return no_memory(parse);
  for (size_t i = 0; i < count && status == UDG_OK; i++) {
    status = udg_field_item(reader, &dates, i, &date);
    if (status == UDG_OK)
      status = parse_date(parse, &date, &reference->dates[i]);
    reference->date_count += status == UDG_OK;
  }
  return status;
}

static udg_status parse_relief(udg_parse *parse, const udg_field_object *file) {
  static const char *const known[] = {"height_mm", "bevel_mm", NULL};
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  udg_field_object relief;
  reference->relief_mm = relief_share * reference->dates[0].height_mm;
  reference->bevel_mm = bevel_share * reference->dates[0].height_mm;
  udg_status status = udg_field_object_of(reader, file, "relief", UDG_FIELD_OPTIONAL, &relief);
  if (status != UDG_OK || !relief.node)
    return status;
  status =
      udg_field_size_mm(reader, &relief, "height_mm", UDG_FIELD_OPTIONAL, &reference->relief_mm);
  if (status == UDG_OK)
    status =
        udg_field_size_mm(reader, &relief, "bevel_mm", UDG_FIELD_OPTIONAL, &reference->bevel_mm);
  udg_field_warn_unknown(reader, &relief, known);
  return status;
}

/* The outline of one digit, when the file gives it. */
static udg_status parse_digit(udg_parse *parse, const udg_field_object *digits, int d) {
  static const char *const known[] = {"outline", NULL};
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  const char key[2] = {(char)('0' + d), '\0'};
  udg_field_object digit;
  udg_status status = udg_field_object_of(reader, digits, key, UDG_FIELD_OPTIONAL, &digit);
  if (status != UDG_OK || !digit.node)
    return status;
  const udg_json *outline = udg_json_member(digit.node, "outline");
  const char *path = udg_json_string(outline);
  if (!path)
    return udg_field_fail(reader, &digit, "outline", "%s%s, must be a string",
                          outline ? "is " : "missing",
                          outline ? udg_json_kind_text(udg_json_kind_of(outline)) : "");
  udg_field_warn_unknown(reader, &digit, known);
  char path_text[UDG_FIELD_PATH_BYTES], field[UDG_FIELD_PATH_BYTES + 256];
  udg_field_path(&digit, "outline", path_text);
  snprintf(field, sizeof field, "%s: %s", reader->name, path_text);
  status = udg_outline_from_path(&reference->settings, path, field, &reference->digits[d],
                                 reader->message);
  reference->has_digit[d] = status == UDG_OK;
  return status;
}

static udg_status parse_digits(udg_parse *parse, const udg_field_object *file) {
  static const char *const known[] = {"0", "1", "2", "3", "4", "5", "6", "7", "8", "9", NULL};
  udg_field_object digits;
  udg_status status =
      udg_field_object_of(&parse->reader, file, "digits", UDG_FIELD_OPTIONAL, &digits);
  if (status != UDG_OK || !digits.node)
    return status;
  for (int d = 0; d < 10 && status == UDG_OK; d++)
    status = parse_digit(parse, &digits, d);
  udg_field_warn_unknown(&parse->reader, &digits, known);
  return status;
}

/* Digits of the font stand in for those that the file does not give. */
static udg_status fill_from_font(udg_parse *parse, const udg_field_object *file, const void *font,
                                 size_t font_bytes) {
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  udg_outline digits[10];
  int has_digit[10];
  char font_name[1024], field[256];
  udg_status status =
      udg_field_text(reader, file, "font", UDG_FIELD_OPTIONAL, font_name, sizeof font_name);
  if (status != UDG_OK || !font)
    return status;
  snprintf(field, sizeof field, "%s: font", reader->name);
  status = udg_font_digits(&reference->settings, font, font_bytes, reference->dates[0].height_mm,
                           digits, has_digit, field, reader->message);
  if (status != UDG_OK)
    return status;
  for (int d = 0; d < 10; d++) {
    if (!has_digit[d] || reference->has_digit[d]) {
      udg_outline_destroy(&reference->settings, &digits[d]);
    } else {
      reference->digits[d] = digits[d];
      reference->has_digit[d] = 1;
    }
  }
  return UDG_OK;
}

static udg_status check_digits(const udg_parse *parse) {
  const udg_reference *reference = parse->reference;
  for (size_t i = 0; i < reference->date_count; i++)
    for (int k = 0; k < reference->dates[i].place_count; k++) {
      char digit = reference->dates[i].places[k].digit;
      if (!reference->has_digit[digit - '0'])
        return udg_fail(parse->reader.message, UDG_ERROR_REFERENCE,
                        "%s: dates[%zu].places[%d].digit: there is no outline of %c",
                        parse->reader.name, i, k, digit);
    }
  return UDG_OK;
}

/* Whether some earlier date has `earlier` at the place.  A digit greater than
 * the present one needs a smaller number to the left of it, of as many digits
 * (1880 over 1879); a leading 0 only when the date has one. */
static int may_be_earlier(const udg_date *date, int place, char earlier) {
  if (earlier < date->text[place - 1])
    return place > 1 || earlier != '0' || date->place_count == 1;
  long before = 0, least = place > 1 && date->text[0] != '0' ? 1 : 0;
  for (int k = 0; k < place - 1; k++) {
    before = 10 * before + (date->text[k] - '0');
    least *= k > 0 ? 10 : 1;
  }
  return earlier > date->text[place - 1] && before > least;
}

static udg_status parse_expected_where(udg_parse *parse, const udg_field_object *object,
                                       udg_expected *expected) {
  const udg_field_reader *reader = &parse->reader;
  const udg_reference *reference = parse->reference;
  char text[UDG_PLACES_MAX + 1];
  udg_status status = udg_field_text(reader, object, "date", UDG_FIELD_REQUIRED, text, sizeof text);
  if (status != UDG_OK)
    return status;
  size_t i = 0;
  while (i < reference->date_count && strcmp(reference->dates[i].text, text) != 0)
    i++;
  if (i == reference->date_count)
    return udg_field_fail(reader, object, "date", "\"%s\" is not among the dates", text);
  const udg_date *date = &reference->dates[i];
  expected->date_index = (int)i;
  status = udg_field_integer(reader, object, "place", UDG_FIELD_REQUIRED, 1, date->place_count,
                             &expected->place);
  if (status == UDG_OK)
    status = udg_field_digit(reader, object, "earlier", &expected->earlier);
  if (status != UDG_OK)
    return status;
  if (!reference->has_digit[expected->earlier - '0'])
    return udg_field_fail(reader, object, "earlier", "there is no outline of %c",
                          expected->earlier);
  if (!may_be_earlier(date, expected->place, expected->earlier))
    return udg_field_fail(reader, object, "earlier", "%c at place %d is not earlier than %s",
                          expected->earlier, expected->place, date->text);
  return UDG_OK;
}

static udg_status parse_usual_strike(const udg_field_reader *reader, const udg_field_object *object,
                                     udg_expected *expected) {
  char text[16] = "";
  udg_status status =
      udg_field_text(reader, object, "usual_strike", UDG_FIELD_OPTIONAL, text, sizeof text);
  if (status != UDG_OK || !*text)
    return status;
  if (strcmp(text, "weak") != 0 && strcmp(text, "full") != 0)
    return udg_field_fail(reader, object, "usual_strike", "is \"%s\", must be weak or full", text);
  expected->usually_weak = strcmp(text, "weak") == 0 ? 1 : -1;
  return UDG_OK;
}

static udg_status parse_expected(udg_parse *parse, const udg_field_object *object,
                                 udg_expected *expected) {
  static const char *const known[] = {"id",      "date",         "place",
                                      "earlier", "offset_mm",    "tolerance_mm",
                                      "markers", "usual_strike", NULL};
  const udg_field_reader *reader = &parse->reader;
  const udg_reference *reference = parse->reference;
  udg_status status =
      udg_field_text(reader, object, "id", UDG_FIELD_REQUIRED, expected->id, sizeof expected->id);
  for (const udg_expected *other = reference->expected; other < expected && status == UDG_OK;
       other++)
    if (strcmp(other->id, expected->id) == 0)
      return udg_field_fail(reader, object, "id", "\"%s\" is given twice", expected->id);
  if (status == UDG_OK)
    status = parse_expected_where(parse, object, expected);
  if (status == UDG_OK)
    status =
        udg_field_pair_mm(reader, object, "offset_mm", UDG_FIELD_OPTIONAL, expected->offset_mm);
  if (status != UDG_OK)
    return status;
  int given = udg_json_member(object->node, "offset_mm") != NULL;
  expected->tolerance_mm = reference->dates[expected->date_index].height_mm *
                           (given ? tolerance_share : tolerance_open_share);
  status = udg_field_size_mm(reader, object, "tolerance_mm", UDG_FIELD_OPTIONAL,
                             &expected->tolerance_mm);
  if (status == UDG_OK)
    status = parse_usual_strike(reader, object, expected);
  udg_field_warn_unknown(reader, object, known);
  return status;
}

static udg_status parse_all_expected(udg_parse *parse, const udg_field_object *file) {
  const udg_field_reader *reader = &parse->reader;
  udg_reference *reference = parse->reference;
  udg_field_object list, object;
  size_t count;
  udg_status status =
      udg_field_array(reader, file, "expected", UDG_FIELD_OPTIONAL, EXPECTED_MAX, &list, &count);
  if (status != UDG_OK || count == 0)
    return status;
  reference->expected = udg_memory_get(&reference->settings, count, sizeof *reference->expected);
  if (!reference->expected)
    return no_memory(parse);
  for (size_t i = 0; i < count && status == UDG_OK; i++) {
    status = udg_field_item(reader, &list, i, &object);
    if (status == UDG_OK)
      status = parse_expected(parse, &object, &reference->expected[i]);
    if (status == UDG_OK)
      status = udg_markers_parse(reader, reference, &object, i);
    reference->expected_count += status == UDG_OK;
  }
  return status;
}

udg_status udg_reference_parse(udg_reference *reference, const udg_json *root, const char *name,
                               const void *font, size_t font_bytes, udg_message *message) {
  udg_parse parse = {{&reference->settings, name, message}, reference};
  udg_field_object file = {root, ""};
  if (udg_json_kind_of(root) != UDG_JSON_OBJECT)
    return udg_field_fail(&parse.reader, &file, NULL, "the file must be a JSON object");
  udg_status status = parse_head(&parse, &file);
  if (status == UDG_OK)
    status = parse_coin(&parse, &file);
  if (status == UDG_OK)
    status = parse_dates(&parse, &file);
  if (status == UDG_OK)
    status = parse_relief(&parse, &file);
  if (status == UDG_OK)
    status = parse_digits(&parse, &file);
  if (status == UDG_OK)
    status = fill_from_font(&parse, &file, font, font_bytes);
  if (status == UDG_OK)
    status = check_digits(&parse);
  if (status == UDG_OK)
    status = udg_design_parse(&parse.reader, reference, &file);
  if (status == UDG_OK)
    status = parse_all_expected(&parse, &file);
  return status;
}
