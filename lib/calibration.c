/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Printed by tests/bench/calibrate.py: do not edit by hand. */
#include "evidence.h"

/* one, energy, complete, largest, rival, decoy, amplitude, around, years, share, missing */
const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {
    /* underdigit */
    {-0.7774, 0.0000, 4.0259, -3.2048, 0.9466, 0.4186, 1.3913, -0.4132, 0.7197, 0.1960, -3.1712},
    /* repunched */
    {-2.5083, 0.3710, 0.8073, -4.6383, 0.0522, 0.8260, 0.6131, -0.2617, 0.0000, 0.0000, -5.8440},
    /* doubled */
    {-1.5848, 0.0000, 3.1566, 0.0000, 0.6894, 0.0000, 0.0000, -0.0000, 0.0000, 0.1728, 0.0000},
};

const double udg_null_evidence[UDG_NULL_POINTS] = {-8.7801, -5.7984, -4.6109, -3.6512, -3.0333, -2.4306, -1.8884, -1.1483, -0.5573, -0.2132, 0.1273, 1.4567};

const double udg_null_chance[UDG_NULL_POINTS] = {0.999, 0.9, 0.7, 0.5, 0.35, 0.25, 0.17, 0.1, 0.06, 0.04, 0.025, 0.015};

const double udg_null_tail_scale = 0.6199;

/* one, ln amplitude, ln odd, ln even */
const double udg_strength_weight[4] = {-0.5984, 0.1785, 0.2331, 0.0257};

const double udg_strength_rest[2] = {-0.6247, 0.4130};

/* one, ln (1 + energy at full relief), ln strength */
const double udg_power_weight[3] = {0.2717, 0.2658, 2.0542};
