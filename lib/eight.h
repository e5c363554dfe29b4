/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Eight floats side by side: one vector where the machine has wide ones, two elsewhere. */
#ifndef UDG_EIGHT_H
#define UDG_EIGHT_H

#include <stdint.h>

enum { UDG_EIGHT = 8 };

/* By pointer or memcpy() wherever it goes: a vector wider than the target's changes how functions
 * are called. */
typedef float udg_eight __attribute__((vector_size(UDG_EIGHT * sizeof(float))));

/* The same value eight times, as a list and as a vector. Written out: where floats are computed
 * wider than they are stored (32-bit x86), a float times a vector is refused. */
#define UDG_EIGHT_TIMES(x) (x), (x), (x), (x), (x), (x), (x), (x)
#define UDG_EIGHT_ALL(x) ((udg_eight){UDG_EIGHT_TIMES(x)})
_Static_assert(UDG_EIGHT == 8, "UDG_EIGHT_TIMES() has eight of them");

/* What comparing two gives, and, one by one, the first where that is true, else the second: a
 * compiler may make jumps of ?:, and then no vectors. */
typedef int32_t udg_eight_truth __attribute__((vector_size(UDG_EIGHT * sizeof(int32_t))));
#define UDG_EIGHT_CHOOSE(truth, first, second)                                                     \
  ((udg_eight)(((udg_eight_truth)(first) & (truth)) | ((udg_eight_truth)(second) & ~(truth))))

/* The larger ones. */
static inline __attribute__((always_inline)) void udg_eight_raise(const udg_eight *least,
                                                                  udg_eight *v) {
  *v = UDG_EIGHT_CHOOSE(*least > *v, *least, *v);
}

#endif
