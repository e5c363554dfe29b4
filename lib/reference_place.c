/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Where the digits of a date sit, for whoever draws over one. */
#include <string.h>

#include "reference_internal.h"

static const double degrees_per_radian = 57.29577951308232; /* 180 / pi */

udg_status udg_reference_place(const udg_reference *reference, const char *date, int place,
                               udg_place_view *view) {
  if (!reference || !date || !view)
    return UDG_ERROR_ARGUMENT;
  for (size_t i = 0; i < reference->date_count; i++) {
    const udg_date *d = &reference->dates[i];
    if (strcmp(d->text, date) != 0)
      continue;
    if (place < 1 || place > d->place_count)
      return UDG_ERROR_ARGUMENT;
    const udg_place *p = &d->places[place - 1];
    *view = (udg_place_view){.digit = p->digit,
                             .centre_mm = {p->centre_mm[0], p->centre_mm[1]},
                             .turn_deg = p->turn_rad * degrees_per_radian,
                             .height_mm = d->height_mm};
    return UDG_OK;
  }
  return UDG_ERROR_DATE;
}
