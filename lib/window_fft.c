/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "window_fft.h"

#include <string.h>

#include "wider.h"

/* Each way the side is 7 times 16, which have no factor in common: with n = 16 a + 7 b and
 * k = c mod 7 = d mod 16 the sum over n is one of 16 over b of one of 7 over a, without factors
 * between them (Good, "The interaction algorithm and practical Fourier analysis", Journal of the
 * Royal Statistical Society B 20, 1958). Eight lines side by side are a vector of each. */
enum { SIDE = UDG_WINDOW_SIDE, SEVEN = 7, SIXTEEN = 16, LANES = 8, GROUPS = SIDE / LANES };
_Static_assert(SEVEN *SIXTEEN == SIDE && GROUPS * LANES == SIDE, "a side is 7 times 16");

typedef float vector __attribute__((vector_size(LANES * sizeof(float))));
typedef struct lines {
  vector re[SIDE], im[SIDE];
} lines;

#define INLINE static inline __attribute__((always_inline))
/* Written out for 32-bit x86 (gram.c). */
#define ALL(x) ((vector){(x), (x), (x), (x), (x), (x), (x), (x)})
_Static_assert(LANES == 8, "ALL() has eight of them");

/* cos and sin of 2 pi k / 7. */
#define COS_1 0.62348980185873353f
#define COS_2 -0.22252093395631440f
#define COS_3 -0.90096886790241913f
#define SIN_1 0.78183148246802981f
#define SIN_2 0.97492791218182361f
#define SIN_3 0.43388373911755812f
/* cos and sin of pi / 8, and the root of one half. */
#define COS_16 0.92387953251128676f
#define SIN_16 0.38268343236508977f
#define HALF_ROOT 0.70710678118654752f

/* One of the pairs of results of seven: c its even part, s its odd one. */
#define PAIR(k, c1, c2, c3, s1, s2, s3)                                                            \
  do {                                                                                             \
    vector even_re = x_re[0] + ALL(c1) * p_re[0] + ALL(c2) * p_re[1] + ALL(c3) * p_re[2];          \
    vector even_im = x_im[0] + ALL(c1) * p_im[0] + ALL(c2) * p_im[1] + ALL(c3) * p_im[2];          \
    vector odd_re = ALL(s1) * m_re[0] + ALL(s2) * m_re[1] + ALL(s3) * m_re[2];                     \
    vector odd_im = ALL(s1) * m_im[0] + ALL(s2) * m_im[1] + ALL(s3) * m_im[2];                     \
    to->re[(k)*SIXTEEN + b] = even_re + odd_im;                                                    \
    to->im[(k)*SIXTEEN + b] = even_im - odd_re;                                                    \
    to->re[(SEVEN - (k)) * SIXTEEN + b] = even_re - odd_im;                                        \
    to->im[(SEVEN - (k)) * SIXTEEN + b] = even_im + odd_re;                                        \
  } while (0)

/* Sum of seven: number b of the sixteen. */
INLINE void seven(const vector x_re[SEVEN], const vector x_im[SEVEN], int b, lines *to) {
  vector p_re[3], p_im[3], m_re[3], m_im[3];
  for (int j = 0; j < 3; j++) {
    p_re[j] = x_re[1 + j] + x_re[6 - j];
    p_im[j] = x_im[1 + j] + x_im[6 - j];
    m_re[j] = x_re[1 + j] - x_re[6 - j];
    m_im[j] = x_im[1 + j] - x_im[6 - j];
  }
  to->re[b] = x_re[0] + p_re[0] + p_re[1] + p_re[2];
  to->im[b] = x_im[0] + p_im[0] + p_im[1] + p_im[2];
  PAIR(1, COS_1, COS_2, COS_3, SIN_1, SIN_2, SIN_3);
  PAIR(2, COS_2, COS_3, COS_1, SIN_2, -SIN_3, -SIN_1);
  PAIR(3, COS_3, COS_1, COS_2, SIN_3, -SIN_1, SIN_2);
}

typedef struct four {
  vector re[4], im[4];
} four;

INLINE void four_take(four *x) {
  vector a_re = x->re[0] + x->re[2], a_im = x->im[0] + x->im[2];
  vector b_re = x->re[0] - x->re[2], b_im = x->im[0] - x->im[2];
  vector c_re = x->re[1] + x->re[3], c_im = x->im[1] + x->im[3];
  vector d_re = x->re[1] - x->re[3], d_im = x->im[1] - x->im[3];
  x->re[0] = a_re + c_re;
  x->im[0] = a_im + c_im;
  x->re[1] = b_re + d_im;
  x->im[1] = b_im - d_re;
  x->re[2] = a_re - c_re;
  x->im[2] = a_im - c_im;
  x->re[3] = b_re - d_im;
  x->im[3] = b_im + d_re;
}

/* Times c - i s. */
INLINE void turn(vector *re, vector *im, float c, float s) {
  vector r = *re * ALL(c) + *im * ALL(s);
  *im = *im * ALL(c) - *re * ALL(s);
  *re = r;
}

/* Times - i. */
INLINE void quarter_turn(vector *re, vector *im) {
  vector r = *im;
  *im = -*re;
  *re = r;
}

/* Sum of sixteen as four of four; number d of the result goes to place[d]. */
INLINE void sixteen(const vector *re, const vector *im, const int *place, lines *to) {
  four q[4];
  for (int b = 0; b < 4; b++) {
    for (int a = 0; a < 4; a++) {
      q[b].re[a] = re[4 * a + b];
      q[b].im[a] = im[4 * a + b];
    }
    four_take(&q[b]);
  }
  turn(&q[1].re[1], &q[1].im[1], COS_16, SIN_16);
  turn(&q[1].re[2], &q[1].im[2], HALF_ROOT, HALF_ROOT);
  turn(&q[1].re[3], &q[1].im[3], SIN_16, COS_16);
  turn(&q[2].re[1], &q[2].im[1], HALF_ROOT, HALF_ROOT);
  quarter_turn(&q[2].re[2], &q[2].im[2]);
  turn(&q[2].re[3], &q[2].im[3], -HALF_ROOT, HALF_ROOT);
  turn(&q[3].re[1], &q[3].im[1], SIN_16, COS_16);
  turn(&q[3].re[2], &q[3].im[2], -HALF_ROOT, HALF_ROOT);
  turn(&q[3].re[3], &q[3].im[3], -COS_16, -SIN_16);
  for (int c = 0; c < 4; c++) {
    four x;
    for (int b = 0; b < 4; b++) {
      x.re[b] = q[b].re[c];
      x.im[b] = q[b].im[c];
    }
    four_take(&x);
    for (int d = 0; d < 4; d++) {
      to->re[place[4 * d + c]] = x.re[d];
      to->im[place[4 * d + c]] = x.im[d];
    }
  }
}

/* The number that is c mod 7 and d mod 16 is 64 c + 49 d mod 112. */
INLINE void sixteens(const lines *from, lines *to) {
  for (int c = 0; c < SEVEN; c++) {
    int place[SIXTEEN];
    for (int d = 0; d < SIXTEEN; d++)
      place[d] = (64 * c + 49 * d) % SIDE;
    sixteen(from->re + c * SIXTEEN, from->im + c * SIXTEEN, place, to);
  }
}

/* Complex numbers 0 to 7 apart and together again; in between they lie in the order of ORDER. */
static const int ORDER[LANES] = {0, 1, 4, 5, 2, 3, 6, 7};

INLINE void apart(const udg_complex *from, vector *re, vector *im) {
  vector a, b;
  memcpy(&a, from, sizeof a);
  memcpy(&b, from + LANES / 2, sizeof b);
  *re = __builtin_shufflevector(a, b, 0, 2, 8, 10, 4, 6, 12, 14);
  *im = __builtin_shufflevector(a, b, 1, 3, 9, 11, 5, 7, 13, 15);
}

INLINE void together(const vector *re, const vector *im, udg_complex *to) {
  vector a = __builtin_shufflevector(*re, *im, 0, 8, 1, 9, 4, 12, 5, 13);
  vector b = __builtin_shufflevector(*re, *im, 2, 10, 3, 11, 6, 14, 7, 15);
  memcpy(to, &a, sizeof a);
  memcpy(to + LANES / 2, &b, sizeof b);
}

/* Eight vectors, in the order of ORDER, as columns: lane i goes to row ORDER[i] of `to`. */
INLINE void transpose(const vector *from, float *to, int stride) {
  vector a[LANES], b[LANES];
  for (int i = 0; i < 4; i++) {
    const vector *u = &from[ORDER[2 * i]], *v = &from[ORDER[2 * i + 1]];
    a[2 * i] = __builtin_shufflevector(*u, *v, 0, 8, 1, 9, 4, 12, 5, 13);
    a[2 * i + 1] = __builtin_shufflevector(*u, *v, 2, 10, 3, 11, 6, 14, 7, 15);
  }
  for (int i = 0; i < 2; i++)
    for (int k = 0; k < 2; k++) {
      const vector *u = &a[4 * i + k], *v = &a[4 * i + 2 + k];
      b[4 * i + 2 * k] = __builtin_shufflevector(*u, *v, 0, 1, 8, 9, 4, 5, 12, 13);
      b[4 * i + 2 * k + 1] = __builtin_shufflevector(*u, *v, 2, 3, 10, 11, 6, 7, 14, 15);
    }
  for (int i = 0; i < 4; i++) {
    vector low = __builtin_shufflevector(b[i], b[4 + i], 0, 1, 2, 3, 8, 9, 10, 11);
    vector high = __builtin_shufflevector(b[i], b[4 + i], 4, 5, 6, 7, 12, 13, 14, 15);
    memcpy(to + ORDER[i] * stride, &low, sizeof low);
    memcpy(to + ORDER[4 + i] * stride, &high, sizeof high);
  }
}

/* Transforms the columns; the first LANES `kept` numbers of each come out as rows of that length.
 * With real and imaginary parts changed over a transform is its own inverse. */
INLINE void columns_take(const udg_complex *data, int inverse, int kept, float *re, float *im) {
  for (int g = 0; g < GROUPS; g++) {
    lines half, all;
    for (int b = 0; b < SIXTEEN; b++) {
      vector x_re[SEVEN], x_im[SEVEN];
      for (int a = 0; a < SEVEN; a++) {
        const udg_complex *from = data + (SIXTEEN * a + SEVEN * b) % SIDE * SIDE + LANES * g;
        if (inverse)
          apart(from, &x_im[a], &x_re[a]);
        else
          apart(from, &x_re[a], &x_im[a]);
      }
      seven(x_re, x_im, b, &half);
    }
    sixteens(&half, &all);
    for (int k = 0; k < kept; k++) {
      int at = LANES * g * LANES * kept + LANES * k;
      transpose(all.re + LANES * k, re + at, LANES * kept);
      transpose(all.im + LANES * k, im + at, LANES * kept);
    }
  }
}

/* Transforms the columns of rows of LANES `kept` numbers; the first `side` of each come out. */
INLINE void rows_take(const float *re, const float *im, int inverse, int kept, int side,
                      udg_complex *data) {
  for (int g = 0; g < kept; g++) {
    lines half, all;
    for (int b = 0; b < SIXTEEN; b++) {
      vector x_re[SEVEN], x_im[SEVEN];
      for (int a = 0; a < SEVEN; a++) {
        int at = (SIXTEEN * a + SEVEN * b) % SIDE * LANES * kept + LANES * g;
        memcpy(&x_re[a], re + at, sizeof x_re[a]);
        memcpy(&x_im[a], im + at, sizeof x_im[a]);
      }
      seven(x_re, x_im, b, &half);
    }
    sixteens(&half, &all);
    for (int k = 0; k < side; k++)
      if (inverse)
        together(&all.im[k], &all.re[k], data + k * SIDE + LANES * g);
      else
        together(&all.re[k], &all.im[k], data + k * SIDE + LANES * g);
  }
}

UDG_WIDER
static void forward(udg_complex *data, float *re, float *im) {
  columns_take(data, 0, GROUPS, re, im);
  rows_take(re, im, 0, GROUPS, SIDE, data);
}

UDG_WIDER
static void inverse(udg_complex *data, int kept, int side, float *re, float *im) {
  columns_take(data, 1, kept, re, im);
  rows_take(re, im, 1, kept, side, data);
}

void udg_window_forward(udg_complex *data, float *scratch) {
  forward(data, scratch, scratch + SIDE * SIDE);
}

void udg_window_inverse(udg_complex *data, float *scratch) {
  inverse(data, GROUPS, SIDE, scratch, scratch + SIDE * SIDE);
}

void udg_window_inverse_part(udg_complex *data, int side, float *scratch) {
  inverse(data, (side + LANES - 1) / LANES, side, scratch, scratch + SIDE * SIDE);
}
