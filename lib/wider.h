/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Wider vectors where the machine has them. */
#ifndef UDG_WIDER_H
#define UDG_WIDER_H

/* Before a function whose loops are worth it: chosen at run time.  Without multiply-add,
 * which would round differently, so the bits are the same. UDG_PLAIN leaves it out. */
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(UDG_PLAIN)
#define UDG_WIDER __attribute__((target_clones("default", "avx2")))
/* The same, and wider still, for loops written in vectors of UDG_WIDEST_LANES. */
#define UDG_WIDEST __attribute__((target_clones("default", "avx2", "avx512f")))
#else
#define UDG_WIDER
#define UDG_WIDEST
#endif

enum { UDG_WIDEST_LANES = 16 };

#endif
