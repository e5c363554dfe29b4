/* SPDX-License-Identifier: GPL-2.0-or-later */
/* SVG path data: the grammar of SVG 1.1 (2nd edition), section 8.3.9. */
#include <math.h>
#include <stdint.h>
#include <string.h>

#include "outline_build.h"
#include "reference_internal.h"

static const double pi = 3.14159265358979323846;

typedef struct udg_path_reader {
  const char *text; /* whole */
  const char *next;
  const char *fault; /* what is wrong at `next`; NULL while all is well */
  udg_outline_builder builder;
  udg_point at, start; /* current point, first point of the subpath */
  udg_point control;   /* last control point of the curve before, for S and T */
  char last;           /* command before, upper case; 0 at the beginning */
  int open;            /* a subpath has been started in the builder */
} udg_path_reader;

/* Arguments of each command; 0 for what is no command. */
static int arguments_of(char upper) {
  switch (upper) {
  case 'M':
  case 'L':
  case 'T':
    return 2;
  case 'H':
  case 'V':
    return 1;
  case 'C':
    return 6;
  case 'S':
  case 'Q':
    return 4;
  case 'A':
    return 7;
  default:
    return 0;
  }
}

static int is_space(char c) {
  return c == ' ' || c == '\t' || c == '\n' || c == '\f' || c == '\r';
}
static int is_digit(char c) {
  return c >= '0' && c <= '9';
}
static int is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z');
}
static char upper_of(char c) {
  return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

static void skip_space(udg_path_reader *reader) {
  while (is_space(*reader->next))
    reader->next++;
}

/* At most one comma, with space around it. */
static int skip_separator(udg_path_reader *reader) {
  skip_space(reader);
  if (*reader->next != ',')
    return 0;
  reader->next++;
  skip_space(reader);
  return 1;
}

/* Not strtod(): that follows the locale, takes "inf" and hexadecimal, and would
 * read on into an exponent that is not one.  Good to a few units in the last
 * place, far below the tolerance of flattening. */
static double read_number(udg_path_reader *reader) {
  const char *p = reader->next;
  double sign = *p == '-' ? -1 : 1, value = 0;
  int digits = 0, exponent = 0;
  if (*p == '-' || *p == '+')
    p++;
  for (; is_digit(*p); p++, digits++)
    value = 10 * value + (*p - '0');
  if (*p == '.')
    for (p++; is_digit(*p); p++, digits++) {
      if (value < 1e17) { /* later digits are beyond a double */
        value = 10 * value + (*p - '0');
        exponent--;
      }
    }
  if (digits == 0) {
    reader->fault = "expected a number";
    return 0;
  }
  if (*p == 'e' || *p == 'E') {
    const char *q = p + 1;
    int negative = *q == '-', power = 0;
    if (*q == '-' || *q == '+')
      q++;
    if (is_digit(*q)) {
      for (; is_digit(*q); q++)
        power = power < 1000 ? 10 * power + (*q - '0') : power;
      exponent += negative ? -power : power;
      p = q;
    }
  }
  value *= sign * (value > 0 ? pow(10, exponent) : 1);
  if (!(fabs(value) <= UDG_COORDINATE_MAX_MM)) {
    reader->fault = "number beyond 1000";
    return 0;
  }
  reader->next = p;
  return value;
}

static double read_flag(udg_path_reader *reader) {
  if (*reader->next != '0' && *reader->next != '1') {
    reader->fault = "expected a flag, 0 or 1";
    return 0;
  }
  return *reader->next++ - '0';
}

static int read_arguments(udg_path_reader *reader, char upper, double argument[7]) {
  int count = arguments_of(upper);
  for (int i = 0; i < count && !reader->fault; i++) {
    if (i > 0)
      skip_separator(reader);
    argument[i] = upper == 'A' && (i == 3 || i == 4) ? read_flag(reader) : read_number(reader);
  }
  return !reader->fault;
}

/* After Z the next stroke starts a subpath at the point that Z went back to. */
static void ensure_open(udg_path_reader *reader) {
  if (!reader->open)
    udg_outline_builder_move(&reader->builder, reader->at);
  reader->open = 1;
}

/* Control point mirrored at the current point when the command before was of
 * the same kind, else the current point. */
static udg_point mirrored(const udg_path_reader *reader, char kind, char smooth_kind) {
  if (reader->last != kind && reader->last != smooth_kind)
    return reader->at;
  return (udg_point){2 * reader->at.x - reader->control.x, 2 * reader->at.y - reader->control.y};
}

static void draw(udg_path_reader *reader, char upper, int relative, const double *a) {
  const double ox = relative ? reader->at.x : 0, oy = relative ? reader->at.y : 0;
  udg_outline_builder *builder = &reader->builder;
  int count = arguments_of(upper);
  udg_point to = {ox + a[count - 2 < 0 ? 0 : count - 2], oy + a[count - 1]}, control = reader->at;
  if (upper == 'M') {
    udg_outline_builder_move(builder, to);
    reader->start = to;
    reader->open = 1;
  } else {
    ensure_open(reader);
  }
  switch (upper) {
  case 'H':
    to = (udg_point){ox + a[0], reader->at.y};
    udg_outline_builder_line(builder, to);
    break;
  case 'V':
    to = (udg_point){reader->at.x, oy + a[0]};
    udg_outline_builder_line(builder, to);
    break;
  case 'L':
    udg_outline_builder_line(builder, to);
    break;
  case 'C':
    control = (udg_point){ox + a[2], oy + a[3]};
    udg_outline_builder_cubic(builder, (udg_point){ox + a[0], oy + a[1]}, control, to);
    break;
  case 'S':
    control = (udg_point){ox + a[0], oy + a[1]};
    udg_outline_builder_cubic(builder, mirrored(reader, 'C', 'S'), control, to);
    break;
  case 'Q':
    control = (udg_point){ox + a[0], oy + a[1]};
    udg_outline_builder_quadratic(builder, control, to);
    break;
  case 'T':
    control = mirrored(reader, 'Q', 'T');
    udg_outline_builder_quadratic(builder, control, to);
    break;
  case 'A':
    udg_outline_builder_arc(builder, a[0], a[1], a[2] * pi / 180, a[3] != 0, a[4] != 0, to);
    break;
  default:
    break;
  }
  reader->control = control;
  reader->at = to;
  reader->last = upper;
}

static void close_subpath(udg_path_reader *reader) {
  reader->open = 0;
  reader->at = reader->start;
  reader->last = 'Z';
}

/* One command letter with all its argument sets.  On a fault `next` stands at
 * the offending character. */
static void read_command(udg_path_reader *reader) {
  char letter = *reader->next, upper = upper_of(letter);
  if (upper != 'Z' && arguments_of(upper) == 0) {
    reader->fault = is_letter(letter) ? "unknown command" : "expected a command";
    return;
  }
  if (reader->last == 0 && upper != 'M') {
    reader->fault = "a path begins with M or m";
    return;
  }
  reader->next++;
  skip_space(reader);
  if (upper == 'Z') {
    close_subpath(reader);
    return;
  }
  int relative = letter != upper, more = 1;
  while (more && !reader->fault && reader->builder.status == UDG_OK) {
    double argument[7] = {0};
    if (!read_arguments(reader, upper, argument))
      return;
    draw(reader, upper, relative, argument);
    if (upper == 'M')
      upper = 'L'; /* further pairs after a moveto are lines */
    int comma = skip_separator(reader);
    more = comma || is_digit(*reader->next) || (*reader->next && strchr("+-.", *reader->next));
  }
}

udg_status udg_outline_from_path(const udg_settings *settings, const char *path, const char *field,
                                 udg_outline *outline, udg_message *message) {
  udg_path_reader reader = {.text = path, .next = path};
  udg_outline_builder_begin(&reader.builder, settings);
  memset(outline, 0, sizeof *outline);
  skip_space(&reader);
  if (!*reader.next)
    reader.fault = "the path is empty";
  while (*reader.next && !reader.fault && reader.builder.status == UDG_OK) {
    const char *command = reader.next;
    read_command(&reader);
    if (reader.builder.status == UDG_ERROR_REFERENCE) {
      reader.fault = "the outline reaches beyond 1000 mm";
      reader.next = command;
    }
  }
  if (reader.fault) {
    udg_outline_builder_drop(&reader.builder);
    return udg_fail(message, UDG_ERROR_REFERENCE, "%s: character %zu: %s", field,
                    (size_t)(reader.next - path) + 1, reader.fault);
  }
  return udg_outline_builder_end(&reader.builder, field, outline, message);
}
