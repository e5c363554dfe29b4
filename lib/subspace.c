/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "subspace.h"

#include <math.h>
#include <string.h>

#include "linalg.h"

/* A column of which less than this share of its energy is its own says nothing. */
static const double OWN_MIN = 1e-8;

void udg_subspace_begin(udg_subspace *sums, int nuisance, int signal) {
  memset(sums, 0, sizeof *sums);
  sums->nuisance = nuisance;
  sums->signal = signal;
}

void udg_subspace_add(udg_subspace *sums, const double *row, double y, double weight) {
  if (!(weight > 0.0))
    return;
  int columns = sums->nuisance + sums->signal;
  for (int i = 0; i < columns; i++) {
    double wi = weight * row[i], *line = sums->normal + i * UDG_SUBSPACE_COLUMNS;
    sums->right[i] += wi * y;
    for (int k = 0; k <= i; k++)
      line[k] += wi * row[k];
  }
  sums->square += weight * y * y;
  sums->pixels++;
}

/* The columns in order that have something of their own, in `kept`; their normal matrix's
 * factor L in `l`.  With L, the forward solution b = L^-1 N'y has in each entry the part of y
 * along what that column adds to those before it. */
static int factor(const udg_subspace *sums, int *kept, double *l) {
  int count = 0, columns = sums->nuisance + sums->signal;
  for (int j = 0; j < columns; j++) {
    const double *from = sums->normal + j * UDG_SUBSPACE_COLUMNS;
    double *row = l + count * UDG_SUBSPACE_COLUMNS, pivot = from[j];
    for (int i = 0; i < count; i++) {
      double sum = from[kept[i]];
      for (int k = 0; k < i; k++)
        sum -= row[k] * l[i * UDG_SUBSPACE_COLUMNS + k];
      row[i] = sum / l[i * UDG_SUBSPACE_COLUMNS + i];
      pivot -= row[i] * row[i];
    }
    if (!(pivot > OWN_MIN * from[j]))
      continue;
    row[count] = sqrt(pivot);
    kept[count++] = j;
  }
  return count;
}

void udg_subspace_solve(const udg_subspace *sums, udg_subspace_result *result) {
  double l[UDG_SUBSPACE_COLUMNS * UDG_SUBSPACE_COLUMNS] = {0.0}, b[UDG_SUBSPACE_COLUMNS];
  int kept[UDG_SUBSPACE_COLUMNS], first = 0;
  memset(result, 0, sizeof *result);
  int count = factor(sums, kept, l);
  for (int i = 0; i < count; i++) {
    b[i] = sums->right[kept[i]];
    first += kept[i] < sums->nuisance;
  }
  int r = count - first, freedom = sums->pixels - count;
  if (r == 0 || freedom < 1)
    return;
  udg_cholesky_forward(l, count, UDG_SUBSPACE_COLUMNS, b);
  result->signal = r;
  result->rest_freedom = freedom;
  double rest = sums->square;
  for (int i = 0; i < count; i++) {
    rest -= b[i] * b[i];
    result->energy += i >= first ? b[i] * b[i] : 0.0;
  }
  result->rest = fmax(rest, 0.0);
  result->ratio = result->rest > 0.0 ? result->energy / r / (result->rest / freedom) : INFINITY;
  /* Back substitution through the signal's rows alone: the amplitudes. */
  for (int i = count - 1; i >= first; i--) {
    double sum = b[i];
    for (int k = i + 1; k < count; k++)
      sum -= l[k * UDG_SUBSPACE_COLUMNS + i] * result->amplitude[k - first];
    result->amplitude[i - first] = sum / l[i * UDG_SUBSPACE_COLUMNS + i];
  }
  /* The signal's own corner of L is the factor of S' P S. */
  for (int i = 0; i < r; i++) {
    const double *row_i = l + (first + i) * UDG_SUBSPACE_COLUMNS + first;
    for (int j = 0; j < r; j++) {
      const double *row_j = l + (first + j) * UDG_SUBSPACE_COLUMNS + first;
      for (int k = 0; k <= (i < j ? i : j); k++)
        result->gram[i * r + j] += row_i[k] * row_j[k];
    }
    int column = kept[first + i];
    result->used[i] = column - sums->nuisance;
    result->kept[i] = result->gram[i * r + i] / sums->normal[column * (UDG_SUBSPACE_COLUMNS + 1)];
  }
}

double udg_subspace_lambda(const udg_subspace_result *result, const double *amplitude,
                           double sigma) {
  double sum = 0.0;
  for (int i = 0; i < result->signal; i++)
    for (int j = 0; j < result->signal; j++)
      sum += amplitude[i] * result->gram[i * result->signal + j] * amplitude[j];
  return sigma > 0.0 ? sum / (sigma * sigma) : 0.0;
}
