/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What a row of a listing table means, whatever kind of table it stands in. */
#define _DEFAULT_SOURCE /* timegm() */
#include "listing.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <time.h>

#include "utf8.h"

const char *const listing_field_names[LISTING_FIELDS] = {
    "id", "title", "address", "price", "currency", "closes", "photos", "note", "grade"};

int listing_is_table(const char *path) {
  static const char *const endings[] = {".csv", ".tsv", ".jsonl", ".ndjson"};
  const char *dot = strrchr(path, '.');
  for (size_t i = 0; dot && i < sizeof endings / sizeof endings[0]; i++)
    if (strcasecmp(dot, endings[i]) == 0)
      return 1;
  return 0;
}

listing_field listing_field_named(const char *header) {
  size_t length = strlen(header);
  while (length > 0 && isspace((unsigned char)header[length - 1]))
    length--;
  for (; length > 0 && isspace((unsigned char)*header); header++)
    length--;
  for (int i = 0; i < LISTING_FIELDS; i++)
    if (strlen(listing_field_names[i]) == length &&
        strncasecmp(header, listing_field_names[i], length) == 0)
      return (listing_field)i;
  return LISTING_FIELDS;
}

void listing_fault(const listing_reader *reader, const char *path, int64_t row, int dropped,
                   const char *format, ...) {
  char what[300], text[800];
  va_list arguments;
  va_start(arguments, format);
  vsnprintf(what, sizeof what, format, arguments);
  va_end(arguments);
  snprintf(text, sizeof text, "%.400s: row %lld: %s", path, (long long)row, what);
  reader->fault(reader->user, text, dropped);
}

static int number_at(const char **text, int digits, int *value) {
  *value = 0;
  for (int i = 0; i < digits; i++, (*text)++) {
    if (!isdigit((unsigned char)**text))
      return -1;
    *value = *value * 10 + (**text - '0');
  }
  return 0;
}

/* "Z", "+01:00", "-0500" or nothing (UTC); seconds east. */
static int read_zone(const char *text, long *east) {
  int hours, minutes, sign = *text == '-' ? -1 : 1;
  *east = 0;
  if (!*text || strcmp(text, "Z") == 0 || strcmp(text, "z") == 0)
    return 0;
  if (*text != '+' && *text != '-')
    return -1;
  text++;
  if (number_at(&text, 2, &hours) != 0)
    return -1;
  text += *text == ':';
  if (number_at(&text, 2, &minutes) != 0 || *text || hours > 14 || minutes > 59)
    return -1;
  *east = sign * (hours * 3600L + minutes * 60L);
  return 0;
}

static int days_in(int month, int year) {
  static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  int leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
  return days[month - 1] + (month == 2 && leap);
}

int listing_time(const char *text, int64_t *seconds) {
  int year, month, day, hour = 23, minute = 59, second = 59;
  long east = 0;
  if (number_at(&text, 4, &year) != 0 || *text++ != '-' || number_at(&text, 2, &month) != 0 ||
      *text++ != '-' || number_at(&text, 2, &day) != 0)
    return -1;
  if (year < 1970 || month < 1 || month > 12 || day < 1 || day > days_in(month, year))
    return -1;
  if (*text) {
    if ((*text != 'T' && *text != 't' && *text != ' ') || (text++, number_at(&text, 2, &hour)) ||
        *text++ != ':' || number_at(&text, 2, &minute) != 0)
      return -1;
    second = 0;
    if (*text == ':' && (text++, number_at(&text, 2, &second)))
      return -1;
    if (*text == '.')
      text += 1 + strspn(text + 1, "0123456789");
    while (*text == ' ')
      text++;
    if (read_zone(text, &east) != 0 || hour > 23 || minute > 59 || second > 60)
      return -1;
  }
  struct tm parts = {.tm_year = year - 1900,
                     .tm_mon = month - 1,
                     .tm_mday = day,
                     .tm_hour = hour,
                     .tm_min = minute,
                     .tm_sec = second};
  *seconds = (int64_t)timegm(&parts) - east;
  return 0;
}

int listing_price(const char *text, double *price) {
  char plain[40];
  const size_t length = strlen(text);
  if (length >= sizeof plain || strspn(text, "0123456789.,") != length)
    return -1;
  const char *comma = strchr(text, ','), *point = strchr(text, '.');
  if (comma && (point || strchr(comma + 1, ',')))
    return -1; /* 1,234.50 and 1.234,50 mean different things to different people */
  if (comma && strlen(comma + 1) == 3)
    return -1; /* so does 1,234 */
  memcpy(plain, text, length + 1);
  if (comma)
    plain[comma - text] = '.';
  char *end;
  double value = strtod(plain, &end);
  if (end == plain || *end || !isfinite(value))
    return -1;
  *price = value;
  return 0;
}

static char *trimmed(char *text) {
  if (!text)
    return NULL;
  text += strspn(text, " \t\r\n");
  size_t length = strlen(text);
  while (length > 0 && isspace((unsigned char)text[length - 1]))
    text[--length] = '\0';
  return length ? text : NULL;
}

/* Paths of a table are relative to its folder. The caller frees. */
static char *beside(const char *table, const char *photo) {
  const char *slash = strrchr(table, '/');
  size_t folder = photo[0] == '/' || !slash ? 0 : (size_t)(slash - table) + 1;
  size_t length = strlen(photo);
  char *path = malloc(folder + length + 1);
  if (path) {
    memcpy(path, table, folder);
    memcpy(path + folder, photo, length + 1);
  }
  return path;
}

static void split_photos(const listing_reader *reader, const char *path, int64_t row, char *text,
                         listing *l) {
  const int end = text && strchr(text, LISTING_UNIT[0]) ? LISTING_UNIT[0] : '|';
  while (text) {
    char *bar = strchr(text, end);
    if (bar)
      *bar = '\0';
    char *name = trimmed(text);
    if (name && l->photo_count == LISTING_PHOTOS_MAX) {
      listing_fault(reader, path, row, 0, "more than %d photos: the rest is left out",
                    LISTING_PHOTOS_MAX);
      return;
    }
    char *photo = name ? beside(path, name) : NULL;
    if (photo)
      l->photos[l->photo_count++] = photo;
    text = bar ? bar + 1 : NULL;
  }
}

static void read_figures(const listing_reader *reader, const char *path, int64_t row,
                         char *texts[LISTING_FIELDS], listing *l) {
  const char *price = trimmed(texts[LISTING_PRICE]), *closes = trimmed(texts[LISTING_CLOSES]);
  if (price && listing_price(price, &l->price) != 0)
    listing_fault(reader, path, row, 0, "price '%.60s' is not a plain number: left out", price);
  if (!closes)
    return;
  l->closes = closes;
  l->has_closes = listing_time(closes, &l->closes_at) == 0;
  if (!l->has_closes)
    listing_fault(reader, path, row, 0,
                  "closing time '%.60s' is not like 2026-11-30 18:00: not sorted by it", closes);
}

static int take_texts(const listing_reader *reader, const char *path, int64_t row,
                      char *texts[LISTING_FIELDS]) {
  listing l = {.price = (double)NAN, .source = path, .row = row};
  char *photo_id = NULL;
  split_photos(reader, path, row, texts[LISTING_PHOTOS], &l);
  l.id = trimmed(texts[LISTING_ID]);
  if (!l.id && l.photo_count > 0)
    l.id = photo_id = utf8_shown(l.photos[0]);
  int stop = 0;
  if (!l.id) {
    listing_fault(reader, path, row, 1, "neither id nor photos: left out");
  } else {
    read_figures(reader, path, row, texts, &l);
    if (l.photo_count == 0)
      listing_fault(reader, path, row, 0, "no photos named");
    l.title = trimmed(texts[LISTING_TITLE]);
    l.address = trimmed(texts[LISTING_ADDRESS]);
    l.currency = trimmed(texts[LISTING_CURRENCY]);
    l.note = trimmed(texts[LISTING_NOTE]);
    l.grade = trimmed(texts[LISTING_GRADE]);
    stop = reader->row(reader->user, &l);
  }
  free(photo_id);
  for (int i = 0; i < l.photo_count; i++)
    free((void *)(uintptr_t)l.photos[i]);
  return stop;
}

/* Texts become UTF-8, whatever the table is in; photos stay as they are, names of files. */
int listing_take(const listing_reader *reader, const char *path, int64_t row,
                 char *texts[LISTING_FIELDS]) {
  char *shown[LISTING_FIELDS], *taken[LISTING_FIELDS];
  int told = 0;
  for (int i = 0; i < LISTING_FIELDS; i++) {
    shown[i] = texts[i] && i != LISTING_PHOTOS ? utf8_shown(texts[i]) : NULL;
    taken[i] = shown[i] ? shown[i] : texts[i];
    if (shown[i] && strcmp(shown[i], texts[i]) != 0 && !told++)
      listing_fault(reader, path, row, 0, "'%s' is no UTF-8: strange bytes are kept as \\xFF",
                    listing_field_names[i]);
  }
  int stop = take_texts(reader, path, row, taken);
  for (int i = 0; i < LISTING_FIELDS; i++)
    free(shown[i]);
  return stop;
}

int listing_read(const char *path, const listing_reader *reader, udg_message *message) {
  const char *dot = strrchr(path, '.');
  int json = dot && (strcasecmp(dot, ".jsonl") == 0 || strcasecmp(dot, ".ndjson") == 0);
  FILE *file = fopen(path, "rb");
  if (!file) {
    snprintf(message->text, sizeof message->text, "%.300s: %s", path, strerror(errno));
    return -1;
  }
  int status = json ? listing_read_json(file, path, reader, message)
                    : listing_read_csv(file, path, reader, message);
  if (status == 0 && ferror(file)) {
    snprintf(message->text, sizeof message->text, "%.300s: %s", path, strerror(errno));
    status = -1;
  }
  fclose(file);
  return status;
}
