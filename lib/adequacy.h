/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "adequacy": what this photo lets one see of this date. */
#ifndef UDG_ADEQUACY_H
#define UDG_ADEQUACY_H

#include <underdigit/result.h>

#include "measure.h"
#include "pose.h"
#include "reference_internal.h"
#include "rescale.h"

/* The date's digits and half a digit's height around them, on the photo. */
udg_box udg_adequacy_box(const udg_date *date, const udg_homography *date_to_photo);

/* Fills noise and blur_px (times `scale`, stored px per px of the photo) of the
 * result.  blur_px is 0 when no edge tells it. `window` is scratch. */
udg_status udg_adequacy_measure(const udg_settings *settings, const udg_date *date, udg_photo grey,
                                const udg_homography *date_to_photo, double scale,
                                udg_buffer *window, udg_adequacy *adequacy);

#endif
