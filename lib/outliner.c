/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Outlines of a date from photographs alone. */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "appearance.h"
#include "outliner_internal.h"
#include "reference_internal.h"

static const double DIAMETER_MM = 20.0;
/* No digit is told in less. */
static const double BOX_MIN_PX = 8.0;
enum { PHOTOS_MIN = 3 };

static int is_date(const char *date) {
  size_t n = strlen(date);
  return n >= 1 && n <= UDG_PLACES_MAX && date[strspn(date, "0123456789")] == '\0';
}

udg_status udg_outliner_create(const udg_settings *settings, const udg_reference *digits,
                               const char *date, const double box[4], double diameter_mm,
                               udg_outliner **outliner, udg_message *message) {
  if (!date || !box || !outliner || !is_date(date))
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "udg_outliner_create: a date of 1 to 8 digits and a box are needed");
  *outliner = NULL;
  if (!(box[2] > 0.0 && box[3] > 0.0 && fabs(box[0]) <= 1e6 && fabs(box[1]) <= 1e6 &&
        box[2] <= 1e6 && box[3] <= 1e6) ||
      !(diameter_mm >= 0.0 && diameter_mm <= 1000.0))
    return udg_fail(message, UDG_ERROR_ARGUMENT,
                    "the box has no area, or the diameter is out of bounds");
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  udg_outliner *made = udg_memory_get(&resolved, 1, sizeof *made);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to learn outlines");
  made->settings = resolved;
  made->digits = digits;
  memcpy(made->date, date, strlen(date));
  memcpy(made->box_given, box, sizeof made->box_given);
  made->diameter_mm = diameter_mm > 0.0                     ? diameter_mm
                      : digits && digits->diameter_mm > 0.0 ? digits->diameter_mm
                                                            : DIAMETER_MM;
  udg_status status = udg_coin_create(&made->settings, &made->coins, message);
  if (status == UDG_OK)
    status = udg_fft_create(&made->settings, &made->fft, message);
  if (status == UDG_OK)
    status = udg_face_work_create(&made->settings, &made->work);
  if (status == UDG_OK)
    status = udg_plane_create(&made->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &made->common);
  if (status == UDG_OK)
    status = udg_plane_create(&made->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &made->others);
  if (status != UDG_OK) {
    udg_outliner_destroy(made);
    return udg_fail(message, status, "no memory to learn outlines");
  }
  *outliner = made;
  return UDG_OK;
}

static void entry_destroy(const udg_settings *settings, udg_outliner_entry *entry) {
  udg_plane_destroy(settings, &entry->coin);
  udg_plane_destroy(settings, &entry->face);
}

void udg_outliner_destroy(udg_outliner *outliner) {
  if (!outliner)
    return;
  udg_settings settings = outliner->settings;
  for (size_t i = 0; i < outliner->count; i++)
    entry_destroy(&settings, &outliner->entries[i]);
  udg_memory_drop(&settings, outliner->entries);
  udg_closeup_destroy(&settings, outliner->closeup);
  udg_plane_destroy(&settings, &outliner->common);
  udg_plane_destroy(&settings, &outliner->others);
  udg_face_work_destroy(&settings, &outliner->work);
  udg_fft_destroy(outliner->fft);
  udg_coin_destroy(outliner->coins);
  udg_memory_drop(&settings, outliner);
}

/* The photo around the rim with a tenth of the radius to spare. */
static udg_status keep_coin(const udg_outliner *outliner, const udg_plane *grey,
                            const udg_ellipse *rim, udg_outliner_entry *entry, double corner[2]) {
  int low[2], high[2];
  for (int axis = 0; axis < 2; axis++) {
    int limit = axis ? grey->height : grey->width;
    low[axis] = (int)fmax(floor(rim->centre[axis] - 1.1 * rim->semi[0]), 0.0);
    high[axis] = (int)fmin(ceil(rim->centre[axis] + 1.1 * rim->semi[0]), limit);
    corner[axis] = low[axis];
    if (high[axis] - low[axis] < 8)
      return UDG_ERROR_ARGUMENT;
  }
  udg_status status =
      udg_plane_create(&outliner->settings, high[0] - low[0], high[1] - low[1], &entry->coin);
  for (int y = low[1]; y < high[1] && status == UDG_OK; y++)
    memcpy(udg_plane_row(&entry->coin, y - low[1]), udg_plane_row(grey, y) + low[0],
           sizeof(float) * (size_t)(high[0] - low[0]));
  entry->rim = *rim;
  entry->rim.centre[0] -= corner[0];
  entry->rim.centre[1] -= corner[1];
  return status;
}

static int surrounds(const udg_ellipse *rim, const double box_px[4]) {
  for (int corner = 0; corner < 4; corner++) {
    double x = box_px[0] + (corner & 1 ? box_px[2] : 0.0) - rim->centre[0];
    double y = box_px[1] + (corner & 2 ? box_px[3] : 0.0) - rim->centre[1];
    if (hypot(x, y) > 1.05 * rim->semi[0])
      return 0;
  }
  return 1;
}

/* Of several coins the clearest; on the first photo the one that the box is on; 0: none. */
static int choose(const udg_outliner *outliner, const udg_coin_result *rims, udg_ellipse *rim) {
  if (outliner->count > 0 && rims->count > 0)
    *rim = rims->coins[0];
  if (outliner->count > 0)
    return rims->count > 0;
  for (int i = 0; i < rims->count; i++) {
    const double *box = outliner->box_px;
    *rim = rims->coins[i];
    /* A doubtful one must hold all of the box. */
    double off =
        hypot(box[0] + 0.5 * box[2] - rim->centre[0], box[1] + 0.5 * box[3] - rim->centre[1]);
    if (i < rims->sure_count ? off < rim->semi[1] : surrounds(rim, box))
      return 1;
  }
  return 0;
}

/* The rim, or, when the first photo shows the date alone, the circle that stands for it. */
static udg_status find_rim(udg_outliner *outliner, const udg_plane *grey, udg_ellipse *rim,
                           int *found, udg_message *message) {
  udg_coin_result rims = {0};
  udg_status status = UDG_OK;
  *found = 1;
  if (outliner->closeup)
    return udg_closeup_find(&outliner->settings, outliner->closeup, grey, &outliner->work, rim,
                            message);
  status = udg_coin_find(outliner->coins, udg_photo_of(grey), &rims, message);
  if (status != UDG_OK)
    return status;
  *found = choose(outliner, &rims, rim);
  if (*found || outliner->count > 0)
    return UDG_OK;
  *found = 1;
  *rim = udg_closeup_circle(outliner->box_px);
  return udg_closeup_create(&outliner->settings, outliner->fft, grey, outliner->box_px,
                            &outliner->work, &outliner->closeup, message);
}

/* The first photo's box in the pixels of its decoded copy; ARGUMENT beyond them. */
static udg_status scale_box(udg_outliner *outliner, const udg_image *image, udg_message *message) {
  double *box = outliner->box_px;
  for (int i = 0; i < 4; i++)
    box[i] = outliner->box_given[i] / image->scale;
  if (box[0] < -1.0 || box[1] < -1.0 || box[0] + box[2] > image->width + 1.0 ||
      box[1] + box[3] > image->height + 1.0)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box reaches beyond the first photo");
  return UDG_OK;
}

static udg_status look_at(udg_outliner *outliner, const udg_image *image, udg_outliner_entry *entry,
                          udg_plane *grey, udg_message *message) {
  udg_ellipse rim;
  double corner[2];
  int found;
  udg_status status = outliner->count == 0 ? scale_box(outliner, image, message) : UDG_OK;
  if (status == UDG_OK)
    status = find_rim(outliner, grey, &rim, &found, message);
  if (status != UDG_OK)
    return status;
  if (!found) {
    udg_outliner_leave_out(entry, UDG_LEARN_NO_DATE, "no whole coin was found");
    return UDG_OK;
  }
  status = keep_coin(outliner, grey, &rim, entry, corner);
  if (status == UDG_OK)
    status = udg_plane_create(&outliner->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &entry->face);
  if (status == UDG_OK)
    status = udg_face_take(&outliner->settings, udg_photo_of(&entry->coin), &entry->rim,
                           &outliner->work, &entry->face);
  if (status == UDG_ERROR_ARGUMENT) {
    udg_outliner_leave_out(entry, UDG_LEARN_NO_DATE, "no whole coin was found");
    return UDG_OK;
  }
  if (status != UDG_OK)
    return udg_fail(message, status, "no memory for another coin");
  if (outliner->count == 0)
    for (int i = 0; i < 4; i++)
      outliner->box_px[i] -= i < 2 ? corner[i] : 0.0;
  return UDG_OK;
}

static udg_status make_room(udg_outliner *outliner, udg_message *message) {
  if (outliner->count < outliner->room)
    return UDG_OK;
  size_t room = 2 * outliner->room + 16;
  udg_outliner_entry *entries = udg_memory_get(&outliner->settings, room, sizeof *entries);
  if (!entries)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for another photo");
  if (outliner->count > 0)
    memcpy(entries, outliner->entries, outliner->count * sizeof *entries);
  udg_memory_drop(&outliner->settings, outliner->entries);
  outliner->entries = entries;
  outliner->room = room;
  return UDG_OK;
}

udg_status udg_outliner_add(udg_outliner *outliner, const udg_image *image, const char *name,
                            udg_message *message) {
  if (!outliner || !image)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_outliner_add: NULL argument");
  udg_status status = make_room(outliner, message);
  if (status != UDG_OK)
    return status;
  udg_outliner_entry *entry = &outliner->entries[outliner->count];
  memset(entry, 0, sizeof *entry);
  const char *shown = name ? name : "memory";
  size_t length = strlen(shown), room = sizeof entry->told.name - 1;
  snprintf(entry->told.name, sizeof entry->told.name, "%s",
           shown + (length > room ? length - room : 0));
  udg_plane grey = {0};
  status = udg_plane_create(&outliner->settings, (int)image->width, (int)image->height, &grey);
  if (status != UDG_OK)
    udg_fail(message, status, "no memory for the photo's grey levels");
  for (size_t i = 0; status == UDG_OK && i < (size_t)image->width * image->height; i++)
    grey.v[i] = (float)image->grey[i];
  if (status == UDG_OK)
    status = look_at(outliner, image, entry, &grey, message);
  udg_plane_destroy(&outliner->settings, &grey);
  if (status != UDG_OK) {
    entry_destroy(&outliner->settings, entry);
    return status;
  }
  outliner->count++;
  return UDG_OK;
}

/* The circles' own, once the outlines are drawn. */
static void drop_near(udg_outliner *outliner) {
  if (outliner->near != outliner->closeup)
    udg_closeup_destroy(&outliner->settings, outliner->near);
  outliner->near = NULL;
}

/* The box in the unit disc of the first photo's coin. */
static udg_status place_box(const udg_outliner *outliner, double box[4], udg_message *message) {
  udg_homography map = udg_face_map(&outliner->entries[0].circle, 0.0), back;
  const double *px = outliner->box_px;
  double far[2];
  if (px[2] < BOX_MIN_PX || px[3] < BOX_MIN_PX)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box is too small for a date on these photos");
  if (!udg_homography_invert(&map, &back))
    return udg_fail(message, UDG_ERROR_INTERNAL, "a rim without area");
  udg_homography_apply(&back, px[0], px[1], &box[0], &box[1]);
  udg_homography_apply(&back, px[0] + px[2], px[1] + px[3], &far[0], &far[1]);
  box[2] = far[0] - box[0];
  box[3] = far[1] - box[1];
  if (box[0] < -1.05 || box[1] < -1.05 || far[0] > 1.05 || far[1] > 1.05)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "the box reaches beyond the coin");
  return UDG_OK;
}

/* Close-ups have no size of their own: the box is as high as these digits, or this. */
static const double BOX_HEIGHT_MM = 1.5;

/* Of the circle that the pictures are laid by, `share` of the rim's. */
static double diameter_of(const udg_outliner *outliner, const double box[4], double share) {
  const udg_reference *digits = outliner->digits;
  double height = digits && digits->date_count > 0 ? digits->dates[0].height_mm : BOX_HEIGHT_MM;
  return outliner->closeup ? 2.0 * height / box[3] : share * outliner->diameter_mm;
}

/* The reference from its text, knowing the coin's face. */
static udg_status make_reference(const udg_outliner *outliner, const char *json,
                                 udg_reference **reference, udg_message *message) {
  udg_status status = udg_reference_from_memory(&outliner->settings, json, strlen(json),
                                                "learned outlines", NULL, 0, reference, message);
  if (status != UDG_OK || outliner->closeup) /* a circle that stands for a rim has no face */
    return status;
  udg_reference *made = *reference;
  made->appearances = udg_memory_get(&outliner->settings, 1, sizeof *made->appearances);
  status = made->appearances ? UDG_OK : UDG_ERROR_MEMORY;
  if (status == UDG_OK) {
    udg_appearance *known = &made->appearances[0];
    made->appearance_count = 1;
    memcpy(known->date, outliner->date, sizeof outliner->date);
    status = udg_plane_create(&outliner->settings, UDG_FACE_ANGLES, UDG_FACE_RADII, &known->face);
    if (status == UDG_OK)
      memcpy(known->face.v, outliner->common.v, sizeof(float) * UDG_FACE_ANGLES * UDG_FACE_RADII);
  }
  if (status == UDG_OK)
    return UDG_OK;
  udg_reference_destroy(made);
  *reference = NULL;
  return udg_fail(message, status, "no memory for the coin's face");
}

udg_status udg_outliner_finish(udg_outliner *outliner, udg_reference **reference,
                               udg_message *message) {
  if (!outliner || !reference)
    return udg_fail(message, UDG_ERROR_ARGUMENT, "udg_outliner_finish: NULL argument");
  *reference = NULL;
  if (outliner->count == 0)
    return udg_fail(message, UDG_ERROR_PHOTOS, "there are no photos to learn from");
  udg_outliner_align(outliner);
  if (udg_outliner_used(outliner) < PHOTOS_MIN)
    return udg_fail(message, UDG_ERROR_PHOTOS,
                    "only %zu of %zu photos show the same side of such a coin; at least %d are "
                    "needed",
                    udg_outliner_used(outliner), outliner->count, PHOTOS_MIN);
  udg_design design = {.radius_px = 0.0};
  udg_drawn_date drawn = {.date = outliner->date, .digits = outliner->digits};
  double unit[3];
  char *json = NULL;
  udg_status status = udg_outliner_circles(outliner, unit, message);
  if (status == UDG_OK)
    status = place_box(outliner, drawn.box, message);
  if (status == UDG_OK) {
    drawn.diameter_mm = diameter_of(outliner, drawn.box, unit[2]);
    drawn.coin_mm = outliner->closeup ? 0.0 : outliner->diameter_mm;
    for (int axis = 0; axis < 2; axis++)
      drawn.middle_mm[axis] = 0.5 * outliner->diameter_mm * unit[axis];
    status = udg_outliner_relief(outliner, &design, message);
  }
  if (status == UDG_OK)
    status = udg_outliner_draw(&outliner->settings, &design, &drawn, &json, message);
  if (status == UDG_OK)
    status = make_reference(outliner, json, reference, message);
  drop_near(outliner);
  udg_memory_drop(&outliner->settings, json);
  udg_plane_destroy(&outliner->settings, &design.height);
  return status;
}

udg_status udg_outliner_photo(const udg_outliner *outliner, size_t index, udg_learn_photo *photo) {
  if (!outliner || !photo || index >= outliner->count)
    return UDG_ERROR_ARGUMENT;
  *photo = outliner->entries[index].told;
  return UDG_OK;
}
