/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The command's heap in large pages, where the system has them. */
#ifndef TOOLS_HEAP_H
#define TOOLS_HEAP_H

/* Before anything is allocated. An inspection touches some ten thousand pages for the first time,
 * which costs as much as its first half; in large pages it is some hundred. Where that cannot
 * be had nothing changes. */
void heap_prepare(void);

#endif
