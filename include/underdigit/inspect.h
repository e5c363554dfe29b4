/* SPDX-License-Identifier: GPL-2.0-or-later */
/* From a photograph to a verdict. */
#ifndef UNDERDIGIT_INSPECT_H
#define UNDERDIGIT_INSPECT_H

#include <underdigit/export.h>
#include <underdigit/image.h>
#include <underdigit/reference.h>
#include <underdigit/result.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Scratch memory and FFT plans for one thread at a time.  Any number of
 * inspectors may share one reference. */
typedef struct udg_inspector udg_inspector;

/*   settings   NULL for the defaults; copied
 *   reference  kept: must outlive the inspector
 *   inspector  receives the inspector; the caller destroys it */
UDG_API udg_status udg_inspector_create(const udg_settings *settings,
                                        const udg_reference *reference, udg_inspector **inspector,
                                        udg_message *message);

/* Inspects a photo.
 *   date    NULL to try every date of the reference, else one of its dates
 *   result  the caller's; filled on UDG_OK.  "Could not judge" is UDG_OK with the
 *           verdict `undecided`
 * Errors: DATE, MEMORY, LIMIT, CANCELLED, ARGUMENT. */
UDG_API udg_status udg_inspect(udg_inspector *inspector, const udg_image *image, const char *date,
                               udg_result *result, udg_message *message);

/* The same for one coin of a photo that shows several, as `coin_count` of udg_inspect()'s
 * result tells; that one is about the coin whose date is found most surely.
 *   coin    number as in `coin_index`, from 1
 * Also ARGUMENT when the photo has no such coin. */
UDG_API udg_status udg_inspect_coin(udg_inspector *inspector, const udg_image *image, int coin,
                                    const char *date, udg_result *result, udg_message *message);

/* Judges photos of one coin together: what shows in one light alone is no trace.
 *   each   the caller's, `count` of them: each photo on its own
 *   joint  the caller's: evidence, p_value, finding and verdict over all photos that could
 *          be judged; the other fields are those of the photo that shows the finding best.
 *          Photos that read as different dates: `undecided`, and the reason says which
 * Errors: as udg_inspect(). */
UDG_API udg_status udg_inspect_same_coin(udg_inspector *inspector, const udg_image *const *images,
                                         int count, const char *date, udg_result *each,
                                         udg_result *joint, udg_message *message);

/* The planes of the last inspection, for drawing.  Storage belongs to the
 * inspector and holds until its next call. */
typedef enum udg_view_kind {
  UDG_VIEW_UPRIGHT = 0,  /* the photo in the date plane, grey levels 0-255 */
  UDG_VIEW_MODEL = 1,    /* what a plain date would look like under this lamp, grey levels */
  UDG_VIEW_RESIDUAL = 2, /* upright less model and ground, over the field's standard deviation;
                            0 where masked */
  UDG_VIEW_EVIDENCE = 3  /* energy times share of the best earlier digit centred at each spot */
} udg_view_kind;

typedef struct udg_view {
  int width, height;
  const float *pixels; /* height rows of width */
  double px_per_mm;    /* date plane -> view: x_px = origin_px[0] + px_per_mm * x_mm */
  double origin_px[2]; /* pixel centres at +0.5 */
} udg_view;

/* ARGUMENT when the last inspection did not come to judge a date. */
UDG_API udg_status udg_inspector_view(const udg_inspector *inspector, udg_view_kind kind,
                                      udg_view *view);

/* NULL is fine. */
UDG_API void udg_inspector_destroy(udg_inspector *inspector);

#ifdef __cplusplus
}
#endif
#endif
