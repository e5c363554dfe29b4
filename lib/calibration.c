/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Printed by tests/bench/calibrate.py: do not edit by hand. */
#include "evidence.h"

/* one, energy, complete, largest, rival, decoy, amplitude, around, years, share, missing, crossing,
 * far */
const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {
    /* underdigit */
    {0.4968, 0.1695, 1.7794, -5.3241, 1.4929, 0.6840, 0.2542, -0.6809, 0.6990, 0.0000, -2.4853,
     0.4531, -3.2016},
    /* repunched */
    {-4.5649, 0.0713, 5.8896, -2.3163, 0.0000, 0.7429, 0.8324, -0.2193, 0.0000, 0.3934, -0.7990,
     0.1712, -0.7844},
    /* doubled */
    {-0.0509, 0.0000, 0.5779, -0.0000, 0.5767, 0.0030, 0.1533, 0.0000, 0.0000, 0.0000, -0.7182,
     0.0270, 0.0000},
};

const double udg_null_evidence[UDG_NULL_POINTS] = {-10.2979, -6.4016, -4.9515, -3.9976,
                                                   -3.2579,  -2.7159, -2.2017, -1.5779,
                                                   -0.9927,  -0.6227, -0.1324, 0.3230};

const double udg_null_chance[UDG_NULL_POINTS] = {0.999, 0.9, 0.7,  0.5,  0.35,  0.25,
                                                 0.17,  0.1, 0.06, 0.04, 0.025, 0.015};

const double udg_null_tail_scale = 1.1953;

/* one, ln amplitude, its square, height at the crossing, its odds */
const double udg_strength_weight[UDG_STRENGTH_TERMS] = {-0.8557, 0.0740, -0.1723, 0.5141, 0.0158};

const double udg_strength_rest[2] = {-0.4648, 0.4117};

/* one, ln strength, ln misfit over peak */
const double udg_power_weight[3] = {2.1383, 2.5928, -0.6579};
