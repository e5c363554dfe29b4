/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The learned reference as files: complete or not there. */
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "json_write.h"
#include "learn_internal.h"

static double rounded(double value, double unit) {
  return floor(value / unit + 0.5) * unit;
}

static void write_places(udg_json_writer *w, const udg_learner *learner) {
  const udg_date *date = &learner->trial->dates[learner->date_index];
  const double degrees = 180.0 / acos(-1.0);
  udg_json_write_open(w, "places", '[');
  for (int p = 0; p < date->place_count; p++) {
    const udg_place *place = &date->places[p];
    const char digit[2] = {place->digit, '\0'};
    double centre[2] = {rounded(place->centre_mm[0], 1e-5), rounded(place->centre_mm[1], 1e-5)};
    udg_json_write_open(w, NULL, '{');
    udg_json_write_string(w, "digit", digit, 1);
    udg_json_write_numbers(w, "centre_mm", centre, 2);
    udg_json_write_number(w, "turn_deg", rounded(place->turn_rad * degrees, 1e-4));
    udg_json_write_close(w, '}');
  }
  udg_json_write_close(w, ']');
}

static void write_learned(udg_json_writer *w, const udg_learner *learner) {
  static const char *const trust[] = {"poor", "fair", "good"};
  const udg_learn_report *report = &learner->report;
  double sectors[UDG_LEARN_SECTORS];
  for (int i = 0; i < UDG_LEARN_SECTORS; i++)
    sectors[i] = report->sector_count[i];
  udg_json_write_open(w, "learned", '{');
  udg_json_write_number(w, "photos_given", report->photo_count);
  udg_json_write_number(w, "photos_used", report->used_count);
  udg_json_write_numbers(w, "light_sectors", sectors, UDG_LEARN_SECTORS);
  udg_json_write_number(w, "light_undirected", report->undirected_count);
  udg_json_write_number(w, "place_error_mm", rounded(report->place_error_mm, 1e-6));
  udg_json_write_number(w, "spread_mm", rounded(report->spread_mm, 1e-6));
  udg_json_write_number(w, "spread_deg", rounded(report->spread_deg, 1e-4));
  udg_json_write_number(w, "explained_share", rounded(report->explained_share, 1e-4));
  udg_json_write_number(w, "plain_evidence_mean", rounded(learner->plain_mean, 1e-4));
  udg_json_write_number(w, "plain_evidence_sd", rounded(learner->plain_sd, 1e-4));
  udg_json_write_string(w, "trust", trust[report->trust], 16);
  udg_json_write_close(w, '}');
}

typedef struct rewriting {
  udg_json_writer *writer;
  const udg_learner *learner;
  const char *sidecar;
} rewriting;

static int rewrite_date_member(void *user, const char *key, const udg_json *value) {
  rewriting *r = user;
  if (strcmp(key, "places") == 0)
    write_places(r->writer, r->learner);
  else if (strcmp(key, "slack_mm") != 0 && strcmp(key, "slack_deg") != 0 &&
           strcmp(key, "learned") != 0 && strcmp(key, "evidence_shift") != 0)
    udg_json_write_copy(r->writer, key, value);
  return 0;
}

static void rewrite_dates(rewriting *r, const udg_json *dates) {
  udg_json_write_open(r->writer, "dates", '[');
  for (size_t i = 0; i < udg_json_count(dates); i++) {
    const udg_json *date = udg_json_item(dates, i);
    if (i != r->learner->date_index) {
      udg_json_write_copy(r->writer, NULL, date);
      continue;
    }
    udg_json_write_open(r->writer, NULL, '{');
    udg_json_each(date, rewrite_date_member, r);
    udg_json_write_number(r->writer, "slack_mm", rounded(r->learner->slack_mm, 1e-5));
    udg_json_write_number(r->writer, "slack_deg", rounded(r->learner->slack_deg, 1e-3));
    udg_json_write_number(r->writer, "evidence_shift",
                          rounded(udg_learn_shift(r->learner->plain_mean, r->learner->plain_sd,
                                                  r->learner->plain_count),
                                  1e-4));
    write_learned(r->writer, r->learner);
    udg_json_write_close(r->writer, '}');
  }
  udg_json_write_close(r->writer, ']');
}

/* Polylines as path data: "M x y L x y ... Z" for each contour; 30 bytes a point. */
static udg_status write_outline(udg_json_writer *w, const udg_settings *settings, int digit,
                                const udg_outline *outline) {
  const char key[2] = {(char)('0' + digit), '\0'};
  size_t room = outline->point_count * 30 + outline->contour_count * 4 + 1, used = 0;
  char *path = udg_memory_get(settings, room, 1);
  if (!path)
    return UDG_ERROR_MEMORY;
  for (size_t c = 0; c < outline->contour_count; c++) {
    for (size_t i = outline->starts[c]; i < outline->starts[c + 1]; i++) {
      /* In units of 0.1 um as whole numbers, so that no locale puts a comma there. */
      long xy[2];
      path[used++] = i == outline->starts[c] ? 'M' : 'L';
      for (int axis = 0; axis < 2; axis++) {
        xy[axis] = lround(outline->points[2 * i + (size_t)axis] * 1e4);
        long size = labs(xy[axis]);
        int n = snprintf(path + used, room - used, "%s%s%ld.%04ld", axis ? " " : "",
                         xy[axis] < 0 ? "-" : "", size / 10000, size % 10000);
        used += n > 0 ? (size_t)n : 0;
      }
    }
    path[used++] = 'Z';
  }
  udg_json_write_open(w, key, '{');
  udg_json_write_string(w, "outline", path, used);
  udg_json_write_close(w, '}');
  udg_memory_drop(settings, path);
  return UDG_OK;
}

static int copy_digit(void *user, const char *key, const udg_json *value) {
  udg_json_write_copy(user, key, value);
  return 0;
}

/* Those of the file as they are; what a font gave as outlines, since the new file may
 * lie in another folder. */
static udg_status rewrite_digits(rewriting *r, const udg_json *digits) {
  const udg_reference *reference = r->learner->given;
  udg_status status = UDG_OK;
  udg_json_write_open(r->writer, "digits", '{');
  if (digits)
    udg_json_each(digits, copy_digit, r->writer);
  for (int d = 0; d < 10 && status == UDG_OK; d++) {
    const char key[2] = {(char)('0' + d), '\0'};
    if (reference->has_digit[d] && !(digits && udg_json_member(digits, key)))
      status = write_outline(r->writer, &r->learner->settings, d, &reference->digits[d]);
  }
  udg_json_write_close(r->writer, '}');
  return status;
}

static int rewrite_member(void *user, const char *key, const udg_json *value) {
  rewriting *r = user;
  if (strcmp(key, "dates") == 0)
    rewrite_dates(r, value);
  else if (strcmp(key, "digits") != 0 && strcmp(key, "font") != 0 && strcmp(key, "appearance") != 0)
    udg_json_write_copy(r->writer, key, value);
  return 0;
}

udg_status udg_learn_json(const udg_learner *learner, const char *sidecar, char **text,
                          udg_message *message) {
  const udg_reference *given = learner->given;
  udg_json *root = NULL;
  udg_status status =
      udg_json_parse(given->source, given->source_bytes, given->name, &root, message);
  if (status != UDG_OK)
    return status;
  udg_json_writer writer = {.settings = &learner->settings};
  rewriting r = {&writer, learner, sidecar};
  udg_json_write_open(&writer, NULL, '{');
  udg_json_each(root, rewrite_member, &r);
  status = rewrite_digits(&r, udg_json_member(root, "digits"));
  udg_json_write_string(&writer, "appearance", sidecar, (size_t)-1);
  udg_json_write_close(&writer, '}');
  char *line = udg_json_write_end(&writer);
  *text = line ? udg_json_indented(&learner->settings, line) : NULL;
  udg_memory_drop(&learner->settings, line);
  udg_json_drop(root);
  if (status != UDG_OK || !*text) {
    udg_memory_drop(&learner->settings, *text);
    *text = NULL;
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the reference's text");
  }
  return UDG_OK;
}

/* Written beside `path`, flushed to the disk, then put under its name. */
static udg_status write_file(const udg_settings *settings, const char *path, const void *bytes,
                             size_t byte_count, udg_message *message) {
  const udg_label label = udg_label_of(path);
  size_t length = strlen(path);
  char *part = udg_memory_get(settings, length + sizeof ".part", 1);
  if (!part)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", label.text);
  memcpy(part, path, length);
  memcpy(part + length, ".part", sizeof ".part");
  errno = 0;
  FILE *file = fopen(part, "wb");
  int good = file && fwrite(bytes, 1, byte_count, file) == byte_count && fflush(file) == 0 &&
             fsync(fileno(file)) == 0;
  int error = errno;
  if (file && fclose(file) != 0 && good) {
    good = 0;
    error = errno;
  }
  if (good && rename(part, path) != 0) {
    good = 0;
    error = errno;
  }
  if (!good && file)
    remove(part);
  udg_memory_drop(settings, part);
  if (good)
    return UDG_OK;
  char text[160] = "could not be written";
  if (error != 0 && strerror_r(error, text, sizeof text) != 0)
    text[0] = '\0';
  return udg_fail(message, UDG_ERROR_IO, "%s: %s", label.text, text);
}

/* What was learned of this date, and of others before, as one file's bytes. */
static udg_status pack_all(const udg_learner *learner, uint8_t **bytes, size_t *byte_count,
                           udg_message *message) {
  const udg_reference *given = learner->given;
  udg_appearance *all =
      udg_memory_get(&learner->settings, given->appearance_count + 1, sizeof *all);
  if (!all)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the sidecar");
  size_t count = 0;
  for (size_t i = 0; i < given->appearance_count; i++)
    if (strcmp(given->appearances[i].date, learner->learned.date) != 0)
      all[count++] = given->appearances[i];
  all[count] = learner->learned;
  const udg_appearance *before = udg_reference_appearance(given, learner->date_index);
  if (before) /* the coin's face stays */
    all[count].face = before->face;
  count++;
  udg_status status =
      udg_appearance_pack(&learner->settings, all, count, bytes, byte_count, message);
  udg_memory_drop(&learner->settings, all);
  return status;
}

/* "OUT.json" -> "OUT-1a2b3c4d.appearance": another content has another name, so that the
 * reference that was there keeps its own sidecar until it is replaced. */
static char *sidecar_path(const udg_learner *learner, const char *path, uint32_t crc) {
  size_t length = strlen(path);
  if (length > 5 && strcmp(path + length - 5, ".json") == 0)
    length -= 5;
  char *made = udg_memory_get(&learner->settings, length + 32, 1);
  if (made) {
    memcpy(made, path, length);
    snprintf(made + length, 32, "-%08lx.appearance", (unsigned long)crc);
  }
  return made;
}

static const char *file_name(const char *path) {
  const char *slash = strrchr(path, '/');
  return slash ? slash + 1 : path;
}

/* The sidecar that the file at `path` names, when this program made it: another
 * content of the same name.  NULL: none. */
static char *sidecar_before(const udg_learner *learner, const char *path, const char *beside) {
  uint8_t *bytes = NULL;
  size_t byte_count = 0;
  udg_json *root = NULL;
  char *made = NULL;
  size_t stem = strlen(beside) - strlen("01234567.appearance");
  size_t folder = (size_t)(file_name(path) - path);
  if (udg_file_read(&learner->settings, path, &bytes, &byte_count, NULL) == UDG_OK &&
      udg_json_parse((const char *)bytes, byte_count, path, &root, NULL) == UDG_OK) {
    const char *name = udg_json_string(udg_json_member(root, "appearance"));
    if (name && strlen(name) == strlen(file_name(beside)) && strcmp(name, beside + folder) != 0 &&
        strncmp(name, beside + folder, stem - folder) == 0 &&
        strcmp(name + strlen(name) - strlen(".appearance"), ".appearance") == 0)
      made = udg_memory_get(&learner->settings, strlen(beside) + 1, 1);
    if (made) {
      memcpy(made, beside, folder);
      memcpy(made + folder, name, strlen(name) + 1);
    }
  }
  udg_json_drop(root);
  udg_memory_drop(&learner->settings, bytes);
  return made;
}

/* Sidecar first, the reference that names it last. */
static udg_status write_both(const udg_learner *learner, const char *path, const char *text,
                             const char *beside, const uint8_t *bytes, size_t byte_count,
                             udg_message *message) {
  char *before = sidecar_before(learner, path, beside);
  int was_there = access(beside, F_OK) == 0;
  udg_status status = write_file(&learner->settings, beside, bytes, byte_count, message);
  if (status == UDG_OK) {
    status = write_file(&learner->settings, path, text, strlen(text), message);
    if (status != UDG_OK && !was_there)
      remove(beside);
    if (status == UDG_OK && before)
      remove(before);
  }
  udg_memory_drop(&learner->settings, before);
  return status;
}

udg_status udg_learner_write(const udg_learner *learner, const char *path, udg_message *message) {
  if (!learner || !path || !learner->ready)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_learner_write: nothing learned to write");
  uint8_t *bytes = NULL;
  size_t byte_count = 0;
  char *text = NULL, *beside = NULL;
  udg_status status = pack_all(learner, &bytes, &byte_count, message);
  if (status == UDG_OK && !(beside = sidecar_path(learner, path, udg_crc32(bytes, byte_count))))
    status = udg_fail(message, UDG_ERROR_MEMORY, "no memory for the sidecar's name");
  if (status == UDG_OK && strlen(file_name(beside)) >= sizeof learner->given->appearance_name)
    status =
        udg_fail(message, UDG_ERROR_ARGUMENT, "%s: the name is too long", udg_label_of(path).text);
  if (status == UDG_OK)
    status = udg_learn_json(learner, file_name(beside), &text, message);
  if (status == UDG_OK)
    status = write_both(learner, path, text, beside, bytes, byte_count, message);
  udg_memory_drop(&learner->settings, text);
  udg_memory_drop(&learner->settings, beside);
  udg_memory_drop(&learner->settings, bytes);
  return status;
}
