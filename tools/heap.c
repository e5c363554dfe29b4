/* SPDX-License-Identifier: GPL-2.0-or-later */
#define _DEFAULT_SOURCE /* sbrk(), madvise() */
#include "heap.h"

#include <stdint.h>
#include <stdlib.h>

#ifdef __GLIBC__
#include <malloc.h>
#include <sys/mman.h>
#include <unistd.h>
#endif

#if defined(__GLIBC__) && defined(MADV_HUGEPAGE)

enum { GROWTH = 48 << 20 };    /* about what an inspection holds: the heap grows by so much */
enum { BLOCK_MAX = 32 << 20 }; /* the largest block that glibc lets the heap have */
enum { HUGE_PAGE = 2 << 20 };  /* the smallest there are; elsewhere they are larger */

void heap_prepare(void) {
  /* Blocks on their own, and a heap that shrinks, would be new pages each time. */
  if (!mallopt(M_MMAP_THRESHOLD, BLOCK_MAX) || !mallopt(M_TRIM_THRESHOLD, 2 * GROWTH) ||
      !mallopt(M_TOP_PAD, GROWTH))
    return;
  uintptr_t begin = (uintptr_t)sbrk(0);
  /* Larger than what the heap has room for as it is; volatile, or compilers leave both out. */
  void *volatile block = malloc(BLOCK_MAX / 4);
  free(block);
  uintptr_t end = (uintptr_t)sbrk(0);
  begin = (begin + HUGE_PAGE - 1) / HUGE_PAGE * HUGE_PAGE;
  end = end / HUGE_PAGE * HUGE_PAGE;
  if (begin < end)
    (void)madvise((void *)begin, end - begin, MADV_HUGEPAGE);
}

#else

void heap_prepare(void) {}

#endif
