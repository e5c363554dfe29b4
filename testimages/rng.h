/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Random numbers that are the same on every machine: splitmix64 (Steele, Lea &
 * Flood, Fast splittable pseudorandom number generators, OOPSLA 2014). */
#ifndef TI_RNG_H
#define TI_RNG_H

#include <stdint.h>

typedef struct ti_rng {
  uint64_t state;
} ti_rng;

/* Independent streams: the same (seed, index, stream) gives the same numbers,
 * whatever the other streams draw. */
ti_rng ti_rng_create(uint64_t seed, uint64_t index, uint64_t stream);

uint64_t ti_rng_bits(ti_rng *rng);
/* In [0, 1). */
double ti_rng_unit(ti_rng *rng);
double ti_rng_range(ti_rng *rng, double low, double high);
/* Log-uniform, low > 0. */
double ti_rng_log_range(ti_rng *rng, double low, double high);
/* In [0, count). */
int ti_rng_pick(ti_rng *rng, int count);
int ti_rng_chance(ti_rng *rng, double probability);
/* Standard normal, exact (polar method of Marsaglia). */
double ti_rng_normal(ti_rng *rng);
/* Poisson by multiplication; for small means. */
int ti_rng_poisson(ti_rng *rng, double mean);

/* Nearly normal, unit variance: sum of eight 16-bit uniforms (excess kurtosis
 * -0.15, ends at 4.9).  Integer until the last step, for pixel noise. */
static inline float ti_rng_fast_normal(ti_rng *rng) {
  uint64_t a = ti_rng_bits(rng), b = ti_rng_bits(rng);
  int32_t sum = (int32_t)(a & 0xffff) + (int32_t)((a >> 16) & 0xffff) +
                (int32_t)((a >> 32) & 0xffff) + (int32_t)(a >> 48) + (int32_t)(b & 0xffff) +
                (int32_t)((b >> 16) & 0xffff) + (int32_t)((b >> 32) & 0xffff) + (int32_t)(b >> 48);
  /* Mean 8 * 32767.5; variance 8 * 65536^2 / 12. */
  return (float)(sum - 262140) * (1.0f / 53509.9f);
}

#endif
