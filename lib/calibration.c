/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "evidence.h"
const double udg_model_weight[UDG_MODEL_COUNT][UDG_FEATURE_COUNT] = {{0}};
const double udg_null_evidence[UDG_NULL_POINTS] = {0};
const double udg_null_chance[UDG_NULL_POINTS] = {0};
const double udg_null_tail_scale = 1.0;
