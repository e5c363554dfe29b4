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

#include "stray.h"
#include "trace.h"

typedef enum udg_trace_kind {
  UDG_TRACE_EARLIER = 0,  /* makes an earlier date: an overdate */
  UDG_TRACE_SAME = 1,     /* the present digit again: repunched */
  UDG_TRACE_LATER = 2,    /* makes a later date: never under this one, a decoy */
  UDG_TRACE_MIRRORED = 3, /* a decoy */
  UDG_TRACE_DOUBLED = 4,  /* every present digit again, all displaced alike */
  UDG_TRACE_AWAY = 5      /* a digit, or part of one, away from the places */
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
  /* Where the trace crosses the present digit (crossing.h): the height at which its
     shoulder ends, 0-1, and ln of the odds for an end against none. */
  double height, crossing;
} udg_hypothesis;

enum { UDG_HYPOTHESES_MAX = UDG_PLACES_MAX * 20 + 1 };

/* Correlations by offset: sum w T^2, sum w r T, sum over the support of w r^2. */
enum { UDG_MAP_NORM, UDG_MAP_NUMERATOR, UDG_MAP_LOCAL, UDG_MAPS };
/* Windows beside those of the places, for what lies away from them. */
enum { UDG_SPOTS_MAX = 2, UDG_SCORE_SPARE = 3 * UDG_SPOTS_MAX };
enum { UDG_WINDOW_MAX = 256, UDG_MAP_SIDE_MAX = UDG_WINDOW_MAX };

/* The photo around one place: `weight` and `residual` of the window whose first
 * pixel is (left, top), and the spectra of w, w r and w r^2. */
typedef struct udg_score_place {
  int left, top;
  float *weight, *residual;
  udg_complex *spectrum[UDG_MAPS];
} udg_score_place;

/* Where to look for each digit, kind and place, when several photos of the coin said so
 * together: the trace by its number in the bank, offset in px of the maps. */
typedef struct udg_score_choice {
  int count;
  struct {
    int place, trace;
    char digit;
    udg_trace_kind kind;
    int offset_px[2];
  } of[UDG_HYPOTHESES_MAX];
} udg_score_choice;

/* A date set twice, or a digit of it, found together with the light (twice.h). */
typedef struct udg_twice_seen {
  int digits;                  /* looked at; 0: it was not looked for */
  double one, one_shift_mm[2]; /* one digit alone: gain, displacement */
  int one_place;               /* of that digit, from 0 */
  /* The whole date: what registering it as set twice gains, 0 where that finds nothing, and its
     displacement; its score where it was registered as set once, and where as set twice. */
  double all_gain, all_shift_mm[2], all, anew;
} udg_twice_seen;

/* The best raised knob at an edge of the digits (chip.h). */
typedef struct udg_chip_seen {
  double energy;    /* as a trace's; 0: there is none */
  double dent;      /* the same times its share of what is there, of the best pit near it */
  double amplitude; /* height, shares of the present digit's */
  double radius_px, px[2];
} udg_chip_seen;

/* Where the field shows something (fragment.h): what explains it within a disc, energies. */
typedef struct udg_spot_seen {
  double arc, straight, knobs; /* a thin line bent at will; a straight one; two knobs or pits */
  double off;                  /* from the present digits' edges, digit heights */
} udg_spot_seen;

typedef struct udg_score {
  int count;
  udg_hypothesis
      hypotheses[UDG_HYPOTHESES_MAX]; /* best offset and turn of each digit, kind, place */
  double misfit;                      /* of the light: its rms over its peak */
  udg_line line;                      /* filled by udg_stray_line() */
  /* Best digit, or part of one, away from the places, offset_px being the whole digit's middle;
     digit 0: none. Filled by udg_fragment_find(). */
  udg_hypothesis fragment;
  udg_twice_seen twice; /* filled by udg_twice_look() */
  udg_plane best;       /* z2 R of the best earlier digit centred at each upright px */
  udg_settings settings;
  int place_count;
  udg_score_place places[UDG_PLACES_MAX + UDG_SCORE_SPARE];
  int map_side;         /* offsets searched and one more to each side */
  float *map[UDG_MAPS]; /* of the trace correlated last */
  /* Each present digit's own maps, and last their sum over the places: the displacement
     shared by all. */
  float *shared[UDG_PLACES_MAX + 1][UDG_MAPS];
  float *gain; /* whitening and ground removal over the window's spectrum */
  float *trace, *whole, *work;
  udg_complex *pair; /* two windows, or their spectra, on their way */
  udg_complex *of_trace, *of_square, *product[UDG_MAPS]; /* of the pair drawn last */
  const udg_trace *looked_at;     /* the trace whose parts `whole` and `trace` hold */
  int keep;                       /* the maps of all traces at all places go into `kept` */
  float *kept;                    /* place by place, trace by trace, map by map */
  const udg_score_choice *choice; /* NULL: the best offset of this photo alone */
  double fragment_log_odds;       /* of `fragment`, against anything else that may show there */
  udg_spot_seen spots[UDG_SPOTS_MAX];
  int spot_count;
  udg_chip_seen chip;
} udg_score;

/* Place of an offset in a map. */
static inline size_t udg_score_map_index(const udg_score *score, int dx, int dy) {
  int middle = score->map_side / 2;
  return (size_t)(dy + middle) * (size_t)score->map_side + (size_t)(dx + middle);
}

/* Digit, kind and place as udg_score_make() has them; -1 for a trace not made for the place. */
int udg_score_kind(const udg_date *date, int place, const udg_trace *trace);

/* Where the maps of a trace at a place begin in `kept`; behind them comes the trace's whole
 * energy. */
static inline size_t udg_score_kept_at(const udg_score *score, const udg_trace_bank *bank,
                                       int place, int trace) {
  size_t maps = (size_t)place * (size_t)bank->trace_count + (size_t)trace;
  return maps * (UDG_MAPS * (size_t)score->map_side * (size_t)score->map_side + 1);
}

udg_status udg_score_create(const udg_settings *settings, const udg_upright *upright,
                            const udg_trace_bank *bank, udg_score **score, udg_message *message);
void udg_score_destroy(udg_score *score);

/* CANCELLED when the host's hook says stop. */
udg_status udg_score_make(udg_score *score, const udg_upright *upright, const udg_light *light,
                          const udg_residual *residual, const udg_trace_bank *bank,
                          udg_message *message);

#endif
