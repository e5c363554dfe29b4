/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Hooks, limits and search ranges.  There are no process-wide settings: each
 * function that needs some takes this struct, or NULL for the defaults. */
#ifndef UNDERDIGIT_SETTINGS_H
#define UNDERDIGIT_SETTINGS_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/export.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef enum udg_log_level { UDG_LOG_WARNING = 1, UDG_LOG_INFO = 2 } udg_log_level;

/* Fill with udg_settings_default(), then change what you need.  Fields are
 * appended in later versions, never reordered; `struct_size` tells the library
 * which ones the caller knows. */
typedef struct udg_settings {
  size_t struct_size; /* set by udg_settings_default() */

  /* Hooks.  `user` is handed to each of them and never looked at. */
  void *user;
  void *(*allocate)(void *user, size_t bytes); /* default malloc(); NULL result = no memory */
  void (*release)(void *user, void *block);    /* default free(); never called with NULL.
                                                  One without the other: both default */
  void (*log)(void *user, udg_log_level level, const char *text); /* default NULL: silent */
  void (*planner_lock)(void *user);   /* held around FFTW planning; default NULL: an own lock */
  void (*planner_unlock)(void *user); /* both or neither */
  int (*cancel)(void *user); /* non-zero: stop; asked some hundred times a photo; NULL: never */

  /* Limits on input; 0 stands for the default. */
  uint64_t max_file_bytes;   /* of one photo or reference; default 256 MiB */
  uint32_t max_side_px;      /* of a photo as stored; default 20 000 */
  uint64_t max_pixels;       /* of a photo as stored; default 120 000 000 */
  uint64_t max_decode_bytes; /* memory a decoder may take, pixels included;
                                default 512 MiB */
  uint32_t max_scans;        /* of a progressive JPEG; default 100.  Scans times pixels
                                may not pass 10 max_pixels either */
  uint32_t useful_side_px;   /* a JPEG is decoded at 1/2, 1/4 or 1/8 while its longer side
                                stays at or above this; default 2 400 */

  /* Where to look for the date. */
  double digit_height_min_px; /* default 20 */
  double digit_height_max_px; /* default 250 */
  double turn_max_deg;        /* either way, on a close-up; default 30 */

  /* What to say. */
  double flag_p_value; /* verdict `underdigit` needs a p-value below this; default 0.005 */
  double min_power;    /* below this power for a strong trace: `undecided`; default 0.5 */

  /* Bounds of one inspection; 0 = none.  Reaching one is a result: `undecided`, with the
   * reason.  FFTW's plans are malloc()'s and not counted. */
  double max_milliseconds; /* looked at as often as `cancel` is asked */
  uint64_t max_work_bytes; /* that an inspector may hold, through `allocate`, at any time */

  double (*clock_ms)(void *user); /* a clock that only goes forward, for max_milliseconds;
                                     default NULL: the system's monotonic clock */
} udg_settings;

/* Fills `settings`.  `struct_size` is sizeof(udg_settings) as the caller's
 * compiler sees it. */
UDG_API void udg_settings_default(udg_settings *settings, size_t struct_size);

#ifdef __cplusplus
}
#endif
#endif
