/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Typed access to the fields of a JSON file; faults name the field by its path
 * ("dates[0].places[3].digit"). */
#ifndef UDG_FIELDS_H
#define UDG_FIELDS_H

#include "json.h"

enum { UDG_FIELD_PATH_BYTES = 160 };

typedef struct udg_field_reader {
  const udg_settings *settings;
  const char *name; /* of the file */
  udg_message *message;
} udg_field_reader;

/* An object in the file and where it stands; path "" is the file itself. */
typedef struct udg_field_object {
  const udg_json *node;
  char path[UDG_FIELD_PATH_BYTES];
} udg_field_object;

typedef enum udg_field_need { UDG_FIELD_OPTIONAL, UDG_FIELD_REQUIRED } udg_field_need;

/* REFERENCE, with "file: path.key: ..." as the message; key NULL for the object
 * itself. */
udg_status udg_field_fail(const udg_field_reader *reader, const udg_field_object *object,
                          const char *key, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* "path.key" for messages of others; `field` has UDG_FIELD_PATH_BYTES. */
void udg_field_path(const udg_field_object *object, const char *key, char *field);

/* The getters leave `value` alone when an optional field is absent. */
udg_status udg_field_number(const udg_field_reader *reader, const udg_field_object *object,
                            const char *key, udg_field_need need, double low, double high,
                            double *value);
/* Above 0, at most 1000. */
udg_status udg_field_size_mm(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, double *value);
udg_status udg_field_integer(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, int low, int high, int *value);
/* [x, y], each within +-1000. */
udg_status udg_field_pair_mm(const udg_field_reader *reader, const udg_field_object *object,
                             const char *key, udg_field_need need, double value[2]);
/* At least one byte, fewer than `room`. */
udg_status udg_field_text(const udg_field_reader *reader, const udg_field_object *object,
                          const char *key, udg_field_need need, char *value, size_t room);
/* A string of exactly one of 0-9. */
udg_status udg_field_digit(const udg_field_reader *reader, const udg_field_object *object,
                           const char *key, char *value);
/* node NULL when absent. */
udg_status udg_field_object_of(const udg_field_reader *reader, const udg_field_object *object,
                               const char *key, udg_field_need need, udg_field_object *value);
/* node NULL when absent; `count` items, at most `limit`. */
udg_status udg_field_array(const udg_field_reader *reader, const udg_field_object *object,
                           const char *key, udg_field_need need, size_t limit,
                           udg_field_object *value, size_t *count);
/* Item of an array, which must be an object. */
udg_status udg_field_item(const udg_field_reader *reader, const udg_field_object *array,
                          size_t index, udg_field_object *value);
/* Warns of each field that is not in `known`, whose last entry is NULL. */
void udg_field_warn_unknown(const udg_field_reader *reader, const udg_field_object *object,
                            const char *const *known);
/* Copies what fits, cut between characters. */
void udg_field_clip(const char *text, char *clipped, size_t room);

#endif
