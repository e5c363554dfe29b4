/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "picture_style.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

/* Blue and vermillion of the palette of Okabe & Ito (Color Universal Design,
 * 2008): told apart with every common kind of colour blindness. The line style
 * says the same again. */
const picture_colour picture_present_colour = {0.0, 114 / 255.0, 178 / 255.0};
const picture_colour picture_trace_colour = {213 / 255.0, 94 / 255.0, 0.0};
const picture_colour picture_ink = {0.13, 0.13, 0.13};
const picture_colour picture_faint_ink = {0.42, 0.42, 0.42};

static const double residual_reach = 5;

picture_colour picture_grey_colour(double level) {
  double g = fmin(fmax(level / 255, 0), 1);
  return (picture_colour){g, g, g};
}

picture_colour picture_residual_colour(double deviations) {
  return picture_grey_colour(255 * (0.5 + 0.5 * deviations / residual_reach));
}

picture_colour picture_evidence_colour(double share) {
  static const picture_colour stops[] = {{0.97, 0.98, 1.00},
                                         {0.78, 0.86, 0.94},
                                         {0.42, 0.68, 0.84},
                                         {0.13, 0.44, 0.71},
                                         {0.03, 0.19, 0.42}};
  enum { LAST = sizeof stops / sizeof stops[0] - 1 };
  double at = fmin(fmax(share, 0), 1) * LAST;
  int i = at >= LAST ? LAST - 1 : (int)at;
  double t = at - i;
  return (picture_colour){stops[i].r + t * (stops[i + 1].r - stops[i].r),
                          stops[i].g + t * (stops[i + 1].g - stops[i].g),
                          stops[i].b + t * (stops[i + 1].b - stops[i].b)};
}

double picture_evidence_share(double evidence, const double range[2]) {
  double share = (evidence - range[0]) / (range[1] - range[0]);
  return share > 0 ? sqrt(fmin(share, 1)) : 0; /* and for a NaN */
}

static picture_colour value_colour(int panel, const double evidence_range[2], double value) {
  if (panel == PICTURE_EVIDENCE)
    return picture_evidence_colour(picture_evidence_share(value, evidence_range));
  if (!isfinite(value))
    value = 0;
  return panel == PICTURE_RESIDUAL ? picture_residual_colour(value) : picture_grey_colour(value);
}

void picture_paint(const picture_input *input, const udg_view *view, int panel,
                   const double evidence_range[2], unsigned char *bytes, size_t stride) {
  static const picture_colour beyond = {0.94, 0.94, 0.94};
  for (int y = 0; y < view->height; y++)
    for (int x = 0; x < view->width; x++) {
      double value = (double)view->pixels[(size_t)y * (size_t)view->width + (size_t)x];
      picture_colour c = value_colour(panel, evidence_range, value);
      if (panel != PICTURE_EVIDENCE &&
          !picture_in_photo(input, (x + 0.5 - view->origin_px[0]) / view->px_per_mm,
                            (y + 0.5 - view->origin_px[1]) / view->px_per_mm))
        c = beyond;
      uint32_t pixel = (uint32_t)lround(c.r * 255) << 16 | (uint32_t)lround(c.g * 255) << 8 |
                       (uint32_t)lround(c.b * 255);
      memcpy(bytes + (size_t)y * stride + (size_t)x * 4, &pixel, 4);
    }
}

/* Length of the UTF-8 sequence at `c`, 0 when it is none. */
static size_t sequence_length(const unsigned char *c) {
  size_t n = *c < 0x80                 ? 1
             : *c >= 0xC2 && *c < 0xE0 ? 2
             : *c >= 0xE0 && *c < 0xF0 ? 3
             : *c >= 0xF0 && *c < 0xF5 ? 4
                                       : 0;
  for (size_t i = 1; i < n; i++)
    if ((c[i] & 0xC0) != 0x80)
      return 0;
  if ((n == 3 && ((c[0] == 0xE0 && c[1] < 0xA0) || (c[0] == 0xED && c[1] > 0x9F))) ||
      (n == 4 && ((c[0] == 0xF0 && c[1] < 0x90) || (c[0] == 0xF4 && c[1] > 0x8F))))
    return 0;
  return n;
}

void picture_clean_text(const char *text, char *clean, size_t clean_bytes) {
  size_t used = 0;
  for (const unsigned char *c = (const unsigned char *)text; *c;) {
    size_t n = sequence_length(c);
    if (used + (n ? n : 1) >= clean_bytes)
      break;
    if (n == 0 || *c < 0x20 || *c == 0x7F)
      clean[used++] = '?';
    else
      for (size_t i = 0; i < n; i++)
        clean[used++] = (char)c[i];
    c += n ? n : 1;
  }
  clean[used] = '\0';
}
