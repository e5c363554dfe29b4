/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What plain coins of one date look like beyond the digits' outlines, learned from
 * photographs.  In the date plane, by pixel:
 *
 *   residual / s = p a + q b + f c + m + e,   var e = v
 *
 * a, b are the photo's first harmonics of the light over the shoulder, c its part
 * without direction, all over s = the height of the photo's own edges (udg_light
 * peak): what rises beside the date is shaded as the date is.  p, q: its slopes,
 * f: what every light shows alike, m: what no light explains (dark crevices).  v is
 * what coins differ by there beyond the photo's noise. */
#ifndef UDG_APPEARANCE_H
#define UDG_APPEARANCE_H

#include "reference_internal.h"

enum {
  UDG_APPEARANCE_P,
  UDG_APPEARANCE_Q,
  UDG_APPEARANCE_FLAT,
  UDG_APPEARANCE_MEAN,
  UDG_APPEARANCE_VARIANCE,
  UDG_APPEARANCE_PLANES,
  UDG_APPEARANCE_TERMS = UDG_APPEARANCE_VARIANCE
};

/* A coin's face: face.h. */
enum { UDG_FACE_ANGLES = 240, UDG_FACE_RADII = 56 };

/* x_px = origin_px + px_per_mm x_mm, pixel centres at +0.5. */
struct udg_appearance {
  char date[16];
  double px_per_mm, origin_px[2];
  udg_plane plane[UDG_APPEARANCE_PLANES];
  udg_plane face; /* the coin's side by radius and angle (face.h); empty: not known */
};

void udg_appearance_destroy(const udg_settings *settings, udg_appearance *appearance);

/* The sidecar file: docs/reference-format.md, "The sidecar". `text` from
 * udg_memory_get. */
udg_status udg_appearance_pack(const udg_settings *settings, const udg_appearance *all,
                               size_t count, uint8_t **bytes, size_t *byte_count,
                               udg_message *message);
/* REFERENCE with the byte's number when it is broken, LIMIT, MEMORY. */
udg_status udg_appearance_unpack(const udg_settings *settings, const uint8_t *bytes,
                                 size_t byte_count, const char *name, udg_appearance **all,
                                 size_t *count, udg_message *message);

/* CRC-32 of ISO 3309 / ITU-T V.42 (polynomial 0x04C11DB7, reflected). */
uint32_t udg_crc32(const uint8_t *bytes, size_t byte_count);

#endif
