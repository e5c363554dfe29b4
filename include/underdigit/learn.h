/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A better reference from photographs of plain coins. */
#ifndef UNDERDIGIT_LEARN_H
#define UNDERDIGIT_LEARN_H

#include <stddef.h>

#include <underdigit/export.h>
#include <underdigit/image.h>
#include <underdigit/reference.h>
#include <underdigit/result.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Takes photographs of plain coins of one date, one by one, and learns where the
 * digits sit, how far they stray, and what else is seen beside them.  One thread at
 * a time. */
typedef struct udg_learner udg_learner;

/* What became of a photo.  Values are never reused. */
typedef enum udg_learn_fate {
  UDG_LEARN_USED = 0,
  UDG_LEARN_NO_DATE = 1,    /* no date found for certain: other side, other coin, too unclear */
  UDG_LEARN_OTHER_DATE = 2, /* another date of the reference fits better */
  UDG_LEARN_OVERDATE = 3,   /* a trace of an earlier digit shows */
  UDG_LEARN_DOUBLED = 4,    /* struck twice, or a digit punched twice */
  UDG_LEARN_UNLIKE = 5      /* unlike the other photos at one of its digits */
} udg_learn_fate;

enum { UDG_LEARN_SECTORS = 8 };

typedef struct udg_learn_photo {
  char name[256]; /* as given, its end when it is longer */
  udg_learn_fate fate;
  char why[UDG_REASON_BYTES]; /* in words; "" when used */
  double light_azimuth_deg;   /* as in udg_result */
  double light_directional_share;
} udg_learn_photo;

typedef enum udg_learn_trust {
  UDG_LEARN_TRUST_POOR = 0,
  UDG_LEARN_TRUST_FAIR = 1,
  UDG_LEARN_TRUST_GOOD = 2
} udg_learn_trust;

typedef struct udg_learn_report {
  int photo_count; /* all that were added */
  int used_count;
  int sector_count[UDG_LEARN_SECTORS]; /* used photos whose light comes from sector k, which is
                                          45 degrees about 45 k degrees, clockwise from +x */
  int undirected_count;                /* used photos lit from all around or straight above */
  int place_count;
  double place_shift_mm[UDG_PLACES_MAX][2]; /* learned centre less the given one */
  double place_turn_deg[UDG_PLACES_MAX];
  double place_error_mm; /* standard error of a learned centre */
  double spread_mm;      /* how far a digit strays on one coin, one s.d. along each axis */
  double spread_deg;
  double
      explained_share; /* of what plain coins show beside the model near the date, the part
                          that the learned appearance foretells for a coin it has not seen, 0-1 */
  udg_learn_trust trust;
  char trust_text[UDG_REASON_BYTES]; /* in words */
} udg_learn_report;

/*   settings   NULL for the defaults; copied
 *   reference  with outlines of the date's digits; kept: must outlive the learner
 *   date       one of its dates
 * Errors: DATE, MEMORY, ARGUMENT. */
UDG_API udg_status udg_learner_create(const udg_settings *settings, const udg_reference *reference,
                                      const char *date, udg_learner **learner,
                                      udg_message *message);

/* Adds a photo; what matters of it is copied.  A photo without the date is no
 * fault: its fate says so.
 *   name   for the report */
UDG_API udg_status udg_learner_add(udg_learner *learner, const udg_image *image, const char *name,
                                   udg_message *message);

/* Learns from what was added; the report is filled even when PHOTOS is given:
 * fewer than three photos could be used.  Also MEMORY, CANCELLED. */
UDG_API udg_status udg_learner_finish(udg_learner *learner, udg_learn_report *report,
                                      udg_message *message);

/* Photo number `index` in the order added, final after udg_learner_finish().
 * ARGUMENT past the last. */
UDG_API udg_status udg_learner_photo(const udg_learner *learner, size_t index,
                                     udg_learn_photo *photo);

/* Writes the reference with what was learned, and its sidecar beside it, whose
 * name is made from `path` and its content.  Each file is complete or not there,
 * and the reference is put in place last.  ARGUMENT before udg_learner_finish() was
 * good; IO. */
UDG_API udg_status udg_learner_write(const udg_learner *learner, const char *path,
                                     udg_message *message);

/* NULL is fine. */
UDG_API void udg_learner_destroy(udg_learner *learner);

/* Where no outlines of the digits are at hand: makes them from photographs alone.  The
 * coins are turned onto each other, the relief comes from how their shading differs
 * under their lights, and what rises in a box on the first photo is the date.  One
 * thread at a time. */
typedef struct udg_outliner udg_outliner;

/*   digits       NULL, or a reference whose other digits are looked for as earlier ones,
 *                scaled to the date's height; kept: must outlive the outliner
 *   date         1 to UDG_PLACES_MAX digits, as the box shows them
 *   box          left, top, width, height in px of the first photo, as
 *                udg_image_width() counts them, around the date and nothing else raised
 *   diameter_mm  of the coin; 0: as `digits` has it, else 20.  On close-ups nothing tells
 *                it: there the box is as high as the digits of `digits`, else 1.5 mm
 * Errors: MEMORY, ARGUMENT. */
UDG_API udg_status udg_outliner_create(const udg_settings *settings, const udg_reference *digits,
                                       const char *date, const double box[4], double diameter_mm,
                                       udg_outliner **outliner, udg_message *message);

/* Adds a photo; the first is the one that the box is on, its date upright.  With the rim of
 * the whole coin around the box, whole coins turned as they come are looked for in the
 * others; without one, close-ups of the date, at most 12 degrees off its turn and 0.45 to
 * 2.2 times its size.  What matters of the photo is copied.  ARGUMENT when the box does
 * not lie on the first photo. */
UDG_API udg_status udg_outliner_add(udg_outliner *outliner, const udg_image *image,
                                    const char *name, udg_message *message);

/* A reference with the date's outlines and, of whole coins, the coin's face, to learn on from with
 * udg_learner_create(); the caller destroys it.  Errors: PHOTOS (fewer than three of that
 * side, or their light is all the same), REFERENCE (what rises in the box is not as
 * many digits as the date has), MEMORY, CANCELLED. */
UDG_API udg_status udg_outliner_finish(udg_outliner *outliner, udg_reference **reference,
                                       udg_message *message);

/* As udg_learner_photo(). */
UDG_API udg_status udg_outliner_photo(const udg_outliner *outliner, size_t index,
                                      udg_learn_photo *photo);

/* NULL is fine. */
UDG_API void udg_outliner_destroy(udg_outliner *outliner);

#ifdef __cplusplus
}
#endif
#endif
