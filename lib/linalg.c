/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "linalg.h"

#include <math.h>

int udg_cholesky_factor(double *a, int n, int stride, double tolerance) {
  for (int j = 0; j < n; j++) {
    double *row_j = a + j * stride;
    double diagonal = row_j[j], pivot = diagonal;
    for (int k = 0; k < j; k++)
      pivot -= row_j[k] * row_j[k];
    if (!(pivot > tolerance * diagonal) || !(pivot > 0))
      return j + 1;
    row_j[j] = sqrt(pivot);
    for (int i = j + 1; i < n; i++) {
      double *row_i = a + i * stride;
      double sum = row_i[j];
      for (int k = 0; k < j; k++)
        sum -= row_i[k] * row_j[k];
      row_i[j] = sum / row_j[j];
    }
  }
  return 0;
}

void udg_cholesky_forward(const double *l, int n, int stride, double *b) {
  for (int i = 0; i < n; i++) {
    double sum = b[i];
    for (int k = 0; k < i; k++)
      sum -= l[i * stride + k] * b[k];
    b[i] = sum / l[i * stride + i];
  }
}

void udg_cholesky_solve(const double *l, int n, int stride, double *b) {
  udg_cholesky_forward(l, n, stride, b);
  for (int i = n - 1; i >= 0; i--) {
    double sum = b[i];
    for (int k = i + 1; k < n; k++)
      sum -= l[k * stride + i] * b[k];
    b[i] = sum / l[i * stride + i];
  }
}

void udg_cholesky_invert(const double *l, int n, int stride, double *inverse) {
  /* A^-1 = M^T M with M = L^-1, built in the lower triangle column by column. */
  for (int j = 0; j < n; j++) {
    inverse[j * stride + j] = 1.0 / l[j * stride + j];
    for (int i = j + 1; i < n; i++) {
      double sum = 0;
      for (int k = j; k < i; k++)
        sum -= l[i * stride + k] * inverse[k * stride + j];
      inverse[i * stride + j] = sum / l[i * stride + i];
    }
  }
  for (int i = 0; i < n; i++)
    for (int j = 0; j <= i; j++) {
      double sum = 0;
      for (int k = i; k < n; k++)
        sum += inverse[k * stride + i] * inverse[k * stride + j];
      inverse[i * stride + j] = sum;
    }
  for (int i = 0; i < n; i++)
    for (int j = i + 1; j < n; j++)
      inverse[i * stride + j] = inverse[j * stride + i];
}
