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
enum { PROBE = 4096 };
enum { HEADER = 2 * sizeof(size_t) }; /* glibc's, in front of each block */

static void *volatile up_to_huge_page; /* kept, never touched */

void heap_prepare(void) {
  /* Blocks on their own, and a heap that shrinks, would be new pages each time. */
  if (!mallopt(M_MMAP_THRESHOLD, BLOCK_MAX) || !mallopt(M_TRIM_THRESHOLD, 2 * GROWTH) ||
      !mallopt(M_TOP_PAD, GROWTH))
    return;
  /* Where a page has been touched in small ones it stays so, and each small one takes its time:
   * what comes next is to begin with the first large page, and only there.  Volatile, or compilers
   * leave the probe out. */
  uintptr_t begin = (uintptr_t)sbrk(0);
  void *volatile probe = malloc(PROBE);
  const uintptr_t next = (uintptr_t)probe;
  free(probe);
  begin = (begin + 2 * PROBE + HUGE_PAGE - 1) / HUGE_PAGE * HUGE_PAGE;
  if (next == 0 || next >= begin || begin - next > 2 * HUGE_PAGE)
    return; /* not the heap that grows */
  up_to_huge_page = malloc(begin - next - HEADER);
  uintptr_t end = (uintptr_t)sbrk(0) / HUGE_PAGE * HUGE_PAGE;
  if (begin < end)
    (void)madvise((void *)begin, end - begin, MADV_HUGEPAGE);
}

#else

void heap_prepare(void) {}

#endif
