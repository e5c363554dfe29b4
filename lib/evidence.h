/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Stage "name", first half: from what the scores measured to log odds.
 *
 * Each explanation k (earlier digit, same digit again, whole date again) has log odds
 *   z_k = sum_i w_ki x_i
 * over the features x below, each of which is a sentence a person could say of a
 * trace; the weights (lib/calibration.c) come from logistic regression on pictures with known
 * truth (tests/bench/calibrate.py) and keep the signs those sentences demand. */
#ifndef UDG_EVIDENCE_H
#define UDG_EVIDENCE_H

#include "score.h"

typedef enum udg_feature {
  UDG_FEATURE_ONE = 0,
  UDG_FEATURE_ENERGY = 1,    /* ln(1 + z2): it stands out of the texture */
  UDG_FEATURE_COMPLETE = 2,  /* its visible strokes are all there */
  UDG_FEATURE_LARGEST = 3,   /* it hangs on a single spot */
  UDG_FEATURE_RIVAL = 4,     /* ln ratio to the best other explanation at the place */
  UDG_FEATURE_DECOY = 5,     /* ln ratio to the best mirrored digit of the photo */
  UDG_FEATURE_AMPLITUDE = 6, /* ln: as bright as this light would draw it */
  UDG_FEATURE_AROUND = 7,    /* ln: unrest around it */
  UDG_FEATURE_YEARS = 8,     /* -ln of the years between the two dates: dies are kept a while,
                                not for decades (common practice, no source) */
  UDG_FEATURE_SHARE = 9,     /* logit: it leaves nothing unexplained where it stands */
  UDG_FEATURE_MISSING = 10,  /* strokes that should show and do not */
  UDG_FEATURE_CROSSING = 11, /* where it crosses the present digit, that one's shoulder ends */
  UDG_FEATURE_FAR = 12,      /* it stands farther off than a digit punched anew would, shares of a
                                tenth of its height beyond a quarter */
  UDG_FEATURE_COUNT = 13
} udg_feature;

typedef enum udg_model {
  UDG_MODEL_UNDERDIGIT = 0,
  UDG_MODEL_REPUNCHED = 1,
  UDG_MODEL_DOUBLED = 2,
  UDG_MODEL_COUNT = 3
} udg_model;

/* calibration.c */
extern const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT];
/* Evidence that photos without an underdigit exceed with the given chance: bulk by
 * points (falling chance), beyond the last an exponential tail (the Gumbel law's). */
enum { UDG_NULL_POINTS = 12 };
extern const double udg_null_evidence[UDG_NULL_POINTS];
extern const double udg_null_chance[UDG_NULL_POINTS];
extern const double udg_null_tail_scale;

/* ln strength by one, ln amplitude, its square (metal's brightness saturates), the height at
 * which the present digit's shoulder ends, and how sure that is; 5 % and 95 % points of
 * what is left. */
enum { UDG_STRENGTH_TERMS = 5 };
extern const double udg_strength_weight[UDG_STRENGTH_TERMS];
extern const double udg_strength_rest[2];
/* Log odds that a trace would be flagged: one, ln strength, ln of the light's misfit over
 * its peak. */
extern const double udg_power_weight[3];

/* Features of one hypothesis among all of its photo. */
void udg_evidence_features(const udg_score *score, const udg_reference *reference,
                           const udg_date *date, const udg_hypothesis *h,
                           double feature[UDG_FEATURE_COUNT]);
double udg_evidence_log_odds(udg_model model, const double feature[UDG_FEATURE_COUNT]);

/* Chance that a photo without an underdigit gives at least this; in (0, 1]. */
double udg_evidence_p_value(double evidence);

/* Share of the present digit's relief, 0-1, with its 90 % interval. */
double udg_evidence_strength(const udg_hypothesis *h, double interval[2]);
/* Chance that a trace of that strength would be flagged; `misfit` as in the score. */
double udg_evidence_power(double misfit, double strength);

/* Years between the present date and the latest one before it with `digit` at `place`. */
int udg_years_before(const udg_date *date, int place, char digit);

#endif
