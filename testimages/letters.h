/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Capitals for legends. */
#ifndef TI_LETTERS_H
#define TI_LETTERS_H

/* Strokes of a capital letter in a box one high (y up), as "x,y x,y;x,y x,y";
 * NULL for what is no letter.  `width` receives its width. */
const char *ti_letter_strokes(char letter, double *width);

#endif
