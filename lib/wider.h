/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Wider vectors where the machine has them. */
#ifndef UDG_WIDER_H
#define UDG_WIDER_H

/* Before a static function whose loops are worth it: chosen at run time.  Without multiply-add,
 * which would round differently, so the bits are the same. UDG_PLAIN leaves it out. */
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(UDG_PLAIN)
#define UDG_WIDER __attribute__((target_clones("default", "avx2")))
/* Before another body of the same function, in vectors of sixteen; taken where
 * udg_wider_sixteen() is not 0. */
#define UDG_SIXTEEN __attribute__((target("avx512f")))
static inline int udg_wider_sixteen(void) {
  return __builtin_cpu_supports("avx512f");
}
#else
#define UDG_WIDER
#endif

#endif
