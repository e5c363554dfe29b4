/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Printed by tests/bench/calibrate.py: do not edit by hand. */
#include "evidence.h"

/* one, energy, complete, largest, rival, decoy, amplitude, around, years, share, missing */
const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {
    /* underdigit */
    {-3.3814, 0.9929, 1.1239, -6.0032, 0.9199, 0.4996, 0.7883, -1.0021, 1.4420, 0.0000, 0.0000},
    /* repunched */
    {-2.4405, 0.0926, 0.4731, 0.0000, 0.0272, 0.8251, 1.2724, 0.0000, 0.0000, 0.0000, -12.0227},
    /* doubled */
    {-0.2501, 0.0000, 0.0000, -0.9199, 0.0000, 0.3729, 0.6071, -0.0000, 0.0000, 0.0000, -6.9908},
};

const double udg_null_evidence[UDG_NULL_POINTS] = {-8.3395, -6.4610, -4.9902, -4.3103,
                                                   -3.7804, -3.3603, -2.4961, -1.8223,
                                                   -1.1841, -0.5365, -0.1561, 0.6772};

const double udg_null_chance[UDG_NULL_POINTS] = {0.999, 0.9, 0.7,  0.5,  0.35,  0.25,
                                                 0.17,  0.1, 0.06, 0.04, 0.025, 0.015};

const double udg_null_tail_scale = 0.5370;

/* one, ln amplitude, ln odd, ln even */
const double udg_strength_weight[4] = {-0.4899, -0.1583, 0.3654, 0.3774};

const double udg_strength_rest[2] = {-0.4947, 0.4437};

/* one, ln (1 + energy at full relief), ln strength */
const double udg_power_weight[3] = {2.6074, 0.1314, 2.1879};
