/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What traces there could be: every digit, turned a little, as edges waiting for
 * their light.  Made once for a date, independent of the photo. */
#ifndef UDG_TRACE_H
#define UDG_TRACE_H

#include "fft.h"
#include "light.h"

enum { UDG_TRACE_TURNS = 5 };
#define UDG_TRACE_TURN_STEP_DEG 3.0
enum { UDG_TURNED_TURNS = 9 };
#define UDG_TURNED_STEP_DEG 7.0

/* How far a trace's centre may sit off the present digit's, digit heights. */
#define UDG_TRACE_OFFSET_MAX 0.38
/* A trace's support: px outside its outline that its foot still touches. */
#define UDG_TRACE_SUPPORT_PX 5.0f

typedef struct udg_edge_pixel {
  int32_t at;          /* index in the window */
  float rim;           /* sharpness of the direction, 0-1 */
  uint8_t step, angle; /* entry of the light's tables */
} udg_edge_pixel;

typedef struct udg_trace {
  char digit;
  int mirrored;    /* never punched: a decoy */
  double turn_rad; /* in the date plane */
  int pixel_count;
  udg_edge_pixel *pixels; /* the other lists lie behind it in the same block */
  int top_count;          /* pixels farther in than the light's tables reach: flat */
  int32_t *top_at;
  int support_count;
  int32_t *support_at; /* window indices of the support */
} udg_trace;

/* Windows of `size` x `size` px with the trace's centre at the middle. */
typedef struct udg_trace_bank {
  int size, reach_px;            /* offsets searched: -reach..reach */
  const udg_fft_pair_plan *plan; /* its few rows are those of the offsets, and one more each side */
  int trace_count;
  udg_trace *traces;
  udg_complex *
      *supports; /* spectra of the supports of traces 2 i and 2 i + 1; NULL: not asked for */
  udg_settings settings;
} udg_trace_bank;

udg_status udg_trace_bank_create(const udg_settings *settings, const udg_reference *reference,
                                 size_t date_index, udg_fft *fft, udg_trace_bank **bank,
                                 udg_message *message);
/* The same of digits away from the places, at UDG_TURNED_TURNS about upright, no decoys, no
 * supports. */
udg_status udg_trace_bank_create_turned(const udg_settings *settings,
                                        const udg_reference *reference, size_t date_index,
                                        udg_fft *fft, udg_trace_bank **bank, udg_message *message);
static inline int udg_trace_pair_count(const udg_trace_bank *bank) {
  return (bank->trace_count + 1) / 2;
}

void udg_trace_bank_destroy(udg_trace_bank *bank);

/* Mirrored, these look like themselves and are no decoys. */
int udg_digit_symmetric(char digit);

/* The trace as it would look in this photo at full relief, levels: `odd` and
 * `even` shares of the light; the window is overwritten. */
void udg_trace_draw(const udg_trace *trace, const udg_light *light, float odd, float even, int size,
                    float *window);

#endif
