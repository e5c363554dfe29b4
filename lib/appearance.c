/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The sidecar of a learned reference: little-endian whatever the machine.
 *
 *   0  8 bytes  "UDGAPPR1"
 *   8  u32      CRC-32 of all that follows
 *  12  u32      number of dates
 *  then for each date
 *     16 bytes  its text, NUL behind
 *      u32 x 2  width, height of the planes, px
 *      f64 x 3  px per mm; x, y of the date plane's origin, px
 *      f32 ...  the planes, row by row, one after the other
 *      u32 x 2  width, height of the coin's face, 0 both when it is not known
 *      f32 ...  the face, row by row */
#include <math.h>
#include <string.h>

#include "appearance.h"

static const char MAGIC[8] = {'U', 'D', 'G', 'A', 'P', 'P', 'R', '1'};
enum {
  HEAD_BYTES = 16,
  CRC_AT = 8,
  DATE_BYTES = 16 + 2 * 4 + 3 * 8,
  FACE_BYTES = 2 * 4,
  SIDE_MAX = 4096, /* of an upright plane */
  DATES_MAX = 1000
};
/* No residual is larger than white over black with edges of one level. */
static const float VALUE_MAX = 1e6f;

void udg_appearance_destroy(const udg_settings *settings, udg_appearance *appearance) {
  for (int i = 0; i < UDG_APPEARANCE_PLANES; i++)
    udg_plane_destroy(settings, &appearance->plane[i]);
  udg_plane_destroy(settings, &appearance->face);
}

uint32_t udg_crc32(const uint8_t *bytes, size_t byte_count) {
  uint32_t crc = 0xFFFFFFFFu;
  for (size_t i = 0; i < byte_count; i++) {
    crc ^= bytes[i];
    for (int bit = 0; bit < 8; bit++)
      crc = crc >> 1 ^ (crc & 1u ? 0xEDB88320u : 0u);
  }
  return ~crc;
}

static void put_u32(uint8_t *at, uint32_t value) {
  for (int i = 0; i < 4; i++)
    at[i] = (uint8_t)(value >> (8 * i));
}

static uint32_t get_u32(const uint8_t *at) {
  return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

static void put_f64(uint8_t *at, double value) {
  uint64_t bits;
  memcpy(&bits, &value, sizeof bits);
  put_u32(at, (uint32_t)bits);
  put_u32(at + 4, (uint32_t)(bits >> 32));
}

static double get_f64(const uint8_t *at) {
  uint64_t bits = (uint64_t)get_u32(at) | (uint64_t)get_u32(at + 4) << 32;
  double value;
  memcpy(&value, &bits, sizeof value);
  return value;
}

static size_t pixels_of(const udg_plane *plane) {
  return (size_t)plane->width * (size_t)plane->height;
}

static size_t plane_bytes(const udg_appearance *one) {
  return 4 * pixels_of(&one->plane[0]) * UDG_APPEARANCE_PLANES + FACE_BYTES +
         4 * pixels_of(&one->face);
}

static uint8_t *put_plane(const udg_plane *plane, uint8_t *at) {
  for (size_t i = 0; i < pixels_of(plane); i++, at += 4) {
    uint32_t bits;
    memcpy(&bits, &plane->v[i], sizeof bits);
    put_u32(at, bits);
  }
  return at;
}

static uint8_t *put_one(const udg_appearance *one, uint8_t *at) {
  memcpy(at, one->date, sizeof one->date);
  put_u32(at + 16, (uint32_t)one->plane[0].width);
  put_u32(at + 20, (uint32_t)one->plane[0].height);
  put_f64(at + 24, one->px_per_mm);
  put_f64(at + 32, one->origin_px[0]);
  put_f64(at + 40, one->origin_px[1]);
  at += DATE_BYTES;
  for (int p = 0; p < UDG_APPEARANCE_PLANES; p++)
    at = put_plane(&one->plane[p], at);
  put_u32(at, (uint32_t)one->face.width);
  put_u32(at + 4, (uint32_t)one->face.height);
  return put_plane(&one->face, at + FACE_BYTES);
}

udg_status udg_appearance_pack(const udg_settings *settings, const udg_appearance *all,
                               size_t count, uint8_t **bytes, size_t *byte_count,
                               udg_message *message) {
  size_t total = HEAD_BYTES;
  for (size_t i = 0; i < count; i++)
    total += DATE_BYTES + plane_bytes(&all[i]);
  uint8_t *made = udg_memory_get(settings, total, 1);
  if (!made)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for the sidecar");
  memcpy(made, MAGIC, sizeof MAGIC);
  put_u32(made + 12, (uint32_t)count);
  uint8_t *at = made + HEAD_BYTES;
  for (size_t i = 0; i < count; i++)
    at = put_one(&all[i], at);
  put_u32(made + CRC_AT, udg_crc32(made + 12, total - 12));
  *bytes = made;
  *byte_count = total;
  return UDG_OK;
}

typedef struct unpacking {
  const udg_settings *settings;
  const uint8_t *bytes;
  size_t byte_count, at;
  const char *name;
  udg_message *message;
} unpacking;

static udg_status broken(const unpacking *u, size_t at, const char *what) {
  return udg_fail(u->message, UDG_ERROR_REFERENCE, "%s: byte %zu: %s", u->name, at, what);
}

/* `at` points to the first pixel; all of them are known to be there. */
static udg_status get_plane(unpacking *u, uint32_t width, uint32_t height, udg_plane *plane) {
  if (udg_plane_create(u->settings, (int)width, (int)height, plane) != UDG_OK)
    return udg_fail(u->message, UDG_ERROR_MEMORY, "%s: out of memory", u->name);
  for (size_t i = 0; i < (size_t)width * height; i++, u->at += 4) {
    uint32_t bits = get_u32(u->bytes + u->at);
    memcpy(&plane->v[i], &bits, sizeof bits);
    if (!(fabsf(plane->v[i]) <= VALUE_MAX))
      return broken(u, u->at, "no number that a plane may hold");
  }
  return UDG_OK;
}

static udg_status get_face(unpacking *u, udg_appearance *one) {
  if (u->byte_count - u->at < FACE_BYTES)
    return broken(u, u->byte_count, "ends before the coin's face");
  uint32_t width = get_u32(u->bytes + u->at), height = get_u32(u->bytes + u->at + 4);
  if (!(width == 0 && height == 0) && !(width == UDG_FACE_ANGLES && height == UDG_FACE_RADII))
    return broken(u, u->at, "the face must have 240 angles and 56 radii, or none");
  u->at += FACE_BYTES;
  if ((u->byte_count - u->at) / 4 < (size_t)width * height)
    return broken(u, u->byte_count, "ends in the middle of the coin's face");
  return width > 0 ? get_plane(u, width, height, &one->face) : UDG_OK;
}

static udg_status get_one(unpacking *u, udg_appearance *one) {
  const uint8_t *head = u->bytes + u->at;
  if (u->byte_count - u->at < DATE_BYTES)
    return broken(u, u->byte_count, "ends in the middle of a date");
  memcpy(one->date, head, sizeof one->date);
  uint32_t width = get_u32(head + 16), height = get_u32(head + 20);
  one->px_per_mm = get_f64(head + 24);
  one->origin_px[0] = get_f64(head + 32);
  one->origin_px[1] = get_f64(head + 40);
  if (!memchr(one->date, '\0', sizeof one->date) ||
      one->date[strspn(one->date, "0123456789")] != '\0' || one->date[0] == '\0')
    return broken(u, u->at, "no date of the digits 0 to 9");
  if (width < 1 || height < 1 || width > SIDE_MAX || height > SIDE_MAX)
    return broken(u, u->at + 16, "planes must have 1 to 4096 pixels a side");
  if (!(one->px_per_mm >= 1e-3 && one->px_per_mm <= 1e6) || !(fabs(one->origin_px[0]) <= 1e6) ||
      !(fabs(one->origin_px[1]) <= 1e6))
    return broken(u, u->at + 24, "scale or origin out of bounds");
  u->at += DATE_BYTES;
  if (u->byte_count - u->at < (size_t)width * height * UDG_APPEARANCE_PLANES * 4)
    return broken(u, u->byte_count, "ends in the middle of a plane");
  udg_status status = UDG_OK;
  for (int p = 0; p < UDG_APPEARANCE_PLANES && status == UDG_OK; p++)
    status = get_plane(u, width, height, &one->plane[p]);
  return status == UDG_OK ? get_face(u, one) : status;
}

static udg_status check_head(const unpacking *u) {
  if (u->byte_count < HEAD_BYTES || memcmp(u->bytes, MAGIC, sizeof MAGIC) != 0)
    return broken(u, 0, "is no sidecar of a reference");
  if (get_u32(u->bytes + CRC_AT) != udg_crc32(u->bytes + 12, u->byte_count - 12))
    return broken(u, CRC_AT, "the checksum does not fit: the file is damaged or cut");
  uint32_t dates = get_u32(u->bytes + 12);
  if (dates < 1 || dates > DATES_MAX)
    return broken(u, 12, "must hold 1 to 1000 dates");
  return UDG_OK;
}

udg_status udg_appearance_unpack(const udg_settings *settings, const uint8_t *bytes,
                                 size_t byte_count, const char *name, udg_appearance **all,
                                 size_t *count, udg_message *message) {
  unpacking u = {settings, bytes, byte_count, HEAD_BYTES, name, message};
  *all = NULL;
  *count = 0;
  udg_status status = check_head(&u);
  if (status != UDG_OK)
    return status;
  size_t dates = get_u32(bytes + 12);
  *all = udg_memory_get(settings, dates, sizeof **all);
  if (!*all)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", name);
  for (size_t i = 0; i < dates && status == UDG_OK; i++) {
    status = get_one(&u, &(*all)[i]);
    *count = i + 1;
  }
  if (status == UDG_OK && u.at != byte_count)
    status = broken(&u, u.at, "bytes left over");
  if (status != UDG_OK) {
    for (size_t i = 0; i < *count; i++)
      udg_appearance_destroy(settings, &(*all)[i]);
    udg_memory_drop(settings, *all);
    *all = NULL;
    *count = 0;
  }
  return status;
}
