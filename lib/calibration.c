/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Printed by tests/bench/calibrate.py: do not edit by hand. */
#include "evidence.h"

/* one, energy, complete, largest, rival, decoy, amplitude, around, years, share, missing, crossing */
const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {
    /* underdigit */
    {-1.2660, 0.0000, 4.6015, -2.8780, 1.0106, 0.4810, 1.1376, -0.5563, 0.7168, 0.3219, -1.7100, 0.1544},
    /* repunched */
    {-1.2590, 0.1456, 1.4305, -3.8079, 0.0012, 1.0379, 0.6416, -0.2107, 0.0000, 0.3154, -5.6665, 0.1002},
    /* doubled */
    {-0.0889, 0.0000, 0.6493, 0.0000, 0.7216, 0.0073, 0.0000, -0.0063, 0.0000, 0.0000, -1.8191, 0.0000},
};

const double udg_null_evidence[UDG_NULL_POINTS] = {-8.7851, -5.8688, -4.6727, -3.8239, -3.1865, -2.7283, -2.2306, -1.6434, -1.0361, -0.6890, -0.3019, 0.2161};

const double udg_null_chance[UDG_NULL_POINTS] = {0.999, 0.9, 0.7, 0.5, 0.35, 0.25, 0.17, 0.1, 0.06, 0.04, 0.025, 0.015};

const double udg_null_tail_scale = 1.1198;

/* one, ln amplitude, its square, height at the crossing, its odds */
const double udg_strength_weight[UDG_STRENGTH_TERMS] = {-0.8240, 0.1589, -0.1179, 0.4576, 0.0253};

const double udg_strength_rest[2] = {-0.4797, 0.3758};

/* one, ln strength, ln misfit over peak */
const double udg_power_weight[3] = {0.2220, 2.0008, -1.1633};
