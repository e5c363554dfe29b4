/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "rng.h"

#include <math.h>

static uint64_t mix(uint64_t z) {
  z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
  z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
  return z ^ (z >> 31);
}

uint64_t ti_rng_bits(ti_rng *rng) {
  return mix(rng->state += UINT64_C(0x9e3779b97f4a7c15));
}

ti_rng ti_rng_create(uint64_t seed, uint64_t index, uint64_t stream) {
  ti_rng rng = {mix(seed + UINT64_C(0x9e3779b97f4a7c15))};
  rng.state = mix(rng.state ^ mix(index * UINT64_C(0xd1342543de82ef95) + 1));
  rng.state = mix(rng.state ^ mix(stream * UINT64_C(0xda942042e4dd58b5) + 2));
  return rng;
}

double ti_rng_unit(ti_rng *rng) {
  return (double)(ti_rng_bits(rng) >> 11) * 0x1p-53;
}

double ti_rng_range(ti_rng *rng, double low, double high) {
  return low + (high - low) * ti_rng_unit(rng);
}

double ti_rng_log_range(ti_rng *rng, double low, double high) {
  return low * exp(log(high / low) * ti_rng_unit(rng));
}

int ti_rng_pick(ti_rng *rng, int count) {
  return (int)(ti_rng_unit(rng) * count);
}

int ti_rng_chance(ti_rng *rng, double probability) {
  return ti_rng_unit(rng) < probability;
}

double ti_rng_normal(ti_rng *rng) {
  double u, v, s;
  do {
    u = ti_rng_range(rng, -1, 1);
    v = ti_rng_range(rng, -1, 1);
    s = u * u + v * v;
  } while (s >= 1 || s == 0);
  return u * sqrt(-2 * log(s) / s);
}

int ti_rng_poisson(ti_rng *rng, double mean) {
  double limit = exp(-mean), product = ti_rng_unit(rng);
  int n = 0;
  while (product > limit) {
    product *= ti_rng_unit(rng);
    n++;
  }
  return n;
}
