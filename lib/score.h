/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "score": evidence for every digit at every place, offset and turn.
 *
 * With r the whitened residual, w its weights and T the whitened trace as this
 * photo's light would draw it, at an offset o:
 *   amplitude a(o) = sum w r T / sum w T^2        (least squares)
 *   energy  z2(o) = (sum w r T)^2 / sum w T^2     (chi-square, 1 df, in plain texture)
 *   share    R(o) = z2 / sum over the support of w r^2
 * all three for every o at once by FFT correlation (matched subspace detector: Scharf &
 * Friedlander, IEEE Trans. Signal Processing 42(8), 1994).  A scratch or a highlight has
 * energy but leaves most of it unexplained, so offsets are ranked by z2 R. */
#ifndef UDG_SCORE_H
#define UDG_SCORE_H

#include "residual.h"
#include "trace.h"

typedef enum udg_trace_kind {
  UDG_TRACE_EARLIER = 0,  /* makes an earlier date: an overdate */
  UDG_TRACE_SAME = 1,     /* the present digit again: repunched */
  UDG_TRACE_LATER = 2,    /* makes a later date: never under this one, a decoy */
  UDG_TRACE_MIRRORED = 3, /* a decoy */
  UDG_TRACE_DOUBLED = 4   /* every present digit again, all displaced alike */
} udg_trace_kind;

typedef struct udg_hypothesis {
  int place; /* from 0; -1: all of them */
  char digit;
  udg_trace_kind kind;
  double offset_px[2]; /* centre minus the present digit's as found, upright px */
  double turn_rad;     /* off the place's nominal turn */
  double energy, share, amplitude;
  double visible;  /* share of the trace's outline that no present digit covers, 0-1;
                      doubled: of its weighted energy */
  double complete; /* of the expected energy, what the cells show, 0-1 */
  double missing;  /* of the expected energy, in cells that show nothing, 0-1 */
  double uneven;   /* misfit of the cells' amplitudes to one amplitude, share of energy */
  double largest;  /* share of the strongest cell */
  int cells;
  double norm;      /* energy a trace at full relief would have, mean over the offsets searched */
  double around;    /* residual energy per px in a disc around, where a trace is not expected */
  double odd, even; /* amplitudes of the two shading parts, fitted freely */
  double covariance[3]; /* of odd, even: [0] odd, [1] both, [2] even */
} udg_hypothesis;

enum { UDG_HYPOTHESES_MAX = UDG_PLACES_MAX * 20 + 1 };

typedef struct udg_score {
  int count;
  udg_hypothesis
      hypotheses[UDG_HYPOTHESES_MAX]; /* best offset and turn of each digit, kind, place */
  udg_plane best; /* z2 R of the best earlier digit centred at each upright px */
  udg_settings settings;
  /* Sums over the places of the present digits' own correlations, and each place's: the
     displacement shared by all. */
  float *shared[3 * (UDG_PLACES_MAX + 1)];
  float *window[6];
  udg_complex *spectrum[5];
} udg_score;

udg_status udg_score_create(const udg_settings *settings, const udg_upright *upright,
                            const udg_trace_bank *bank, udg_score **score, udg_message *message);
void udg_score_destroy(udg_score *score);

/* CANCELLED when the host's hook says stop. */
udg_status udg_score_make(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_residual *residual, const udg_trace_bank *bank,
                          udg_message *message);

#endif
