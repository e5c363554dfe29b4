/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The joint normal system of light and pose. */
#include "align_internal.h"

#include <math.h>
#include <string.h>

#include "align_moments.h"
#include "gram.h"
#include "linalg.h"

/* Pose directions whose effect the light can imitate to all but this share of
 * its energy cannot be told. */
static const double UNDETERMINED_SHARE = 1e-4;
/* Keeps light columns that do not occur in the photo (all clipped, say) at 0. */
static const double LIGHT_RIDGE = 1e-7;

_Static_assert(UDG_ALIGN_COLUMNS <= UDG_GRAM_STRIDE_MAX, "too many columns");

static void source_place(udg_align_source *from, const udg_align_pose *pose, int place) {
  udg_align_placing l = udg_align_place(&from->set->patches[place], pose, place);
  from->patch = &from->set->patches[place];
  from->x = (float)(l.x - from->set->centre_mm[0]);
  from->y = (float)(l.y - from->set->centre_mm[1]);
  from->cosine = (float)l.cosine;
  from->sine = (float)l.sine;
}

/* Local index of a patch's column -> index among all unknowns; -1: the target. */
static int unknown_of(const udg_align_layout *how, int patch, int local) {
  if (local < how->light + how->global)
    return local;
  int own = local - how->light - how->global;
  return own < how->place ? how->light + how->global + how->place * patch + own : -1;
}

static void gram_scatter(udg_aligner *a, const udg_align_layout *how, int patch, int stride,
                         const double *gram) {
  int width = how->light + how->global + how->place + 1;
  for (int i = 0; i < width; i++)
    for (int j = 0; j <= i; j++) {
      double value = gram[i * stride + j];
      int gi = unknown_of(how, patch, i), gj = unknown_of(how, patch, j);
      if (gi < 0 && gj < 0)
        a->target_energy += value;
      else if (gi < 0)
        a->right[gj] += value;
      else
        a->system[gi * UDG_UNKNOWN_MAX + gj] += value;
    }
}

/* Normal matrix of one patch. */
static void patch_add(udg_aligner *a, const udg_align_source *from, const float *roots,
                      const float *samples, int stride, udg_align_sums *sums, double *gram) {
  const int count = from->patch->count;
  for (int first = 0; first < count; first += UDG_ALIGN_STRETCH) {
    const int stretch = count - first < UDG_ALIGN_STRETCH ? count - first : UDG_ALIGN_STRETCH;
    udg_align_columns_fill(from, first, stretch, roots + first, samples + first, sums, a->columns);
    udg_gram_columns_add(a->columns, UDG_ALIGN_APART, stretch, 0, stride, stride, gram);
  }
  for (int i = 0; i < count; i++)
    a->weight_sum += (double)(roots[i] * roots[i]);
}

static void ridge_add(udg_aligner *a, const udg_align_layout *how) {
  for (int k = 0; k < how->light; k++) {
    double *diagonal = &a->system[k * UDG_UNKNOWN_MAX + k];
    *diagonal += LIGHT_RIDGE * (*diagonal + a->weight_sum) + 1e-30;
  }
}

static void system_clear(udg_aligner *a) {
  memset(a->system, 0, sizeof a->system);
  memset(a->right, 0, sizeof a->right);
  a->target_energy = a->weight_sum = 0;
}

/* Row of the system of a pose parameter: the light's shares of its block's sums. */
static void plain_pose_row(udg_aligner *a, const udg_align_moments *m, const udg_align_layout *how,
                           const double *light, const double *right, int parameter) {
  const int side = UDG_MOMENT_BLOCKS * m->columns, own = how->light + parameter;
  for (int j = 0; j < how->light; j++) {
    const double *sums = m->gram + ((1 + parameter) * m->columns + j) * side;
    for (int k = 0; k < how->light; k++)
      a->system[own * UDG_UNKNOWN_MAX + k] += light[j] * sums[k];
    for (int b = 0; b <= parameter; b++) {
      double sum = 0;
      for (int k = 0; k < how->light; k++)
        sum += light[k] * sums[(1 + b) * m->columns + k];
      a->system[own * UDG_UNKNOWN_MAX + how->light + b] += light[j] * sum;
    }
    a->right[own] += light[j] * right[(1 + parameter) * UDG_COLUMNS_MAX + j];
  }
}

void udg_align_system_plain(udg_aligner *a, const udg_patch_set *set, const udg_align_layout *how,
                            const double *light) {
  const udg_align_moments *m = set->moments;
  const int side = UDG_MOMENT_BLOCKS * m->columns;
  double right[UDG_MOMENT_BLOCKS * UDG_COLUMNS_MAX];
  system_clear(a);
  a->weight_sum = m->count;
  a->target_energy = udg_align_moments_energy(m, a->sample);
  udg_align_moments_right(m, a->sample, how->light, how->global > 0, right);
  for (int i = 0; i < how->light; i++) {
    a->right[i] = right[i];
    for (int j = 0; j <= i; j++)
      a->system[i * UDG_UNKNOWN_MAX + j] = m->gram[i * side + j];
  }
  for (int i = 0; i < how->global; i++)
    plain_pose_row(a, m, how, light, right, i);
  for (int i = 0; i < how->global;
       i++) { /* the slope's square, twice; times the distance's, twice */
    const int first = how->light + i / 2 * 2, second = first + 1;
    a->energy[i] =
        a->system[first * UDG_UNKNOWN_MAX + first] + a->system[second * UDG_UNKNOWN_MAX + second];
  }
  ridge_add(a, how);
}

void udg_align_system_build(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                            const udg_align_layout *how, const float *roots, const double *light) {
  system_clear(a);
  const int stride = how->light + how->global + how->place + 1;
  udg_align_sums sums = {0};
  udg_align_source from = {.set = set, .how = how};
  for (int k = 0; k < set->column_count && (how->global || how->place); k++)
    from.light[k] = (float)light[k];
  for (int p = 0, at = 0; p < set->patch_count; at += set->patches[p++].count) {
    double gram[UDG_ALIGN_COLUMNS * UDG_ALIGN_COLUMNS];
    memset(gram, 0, sizeof *gram * (size_t)(stride * stride));
    source_place(&from, pose, p);
    patch_add(a, &from, roots + at, a->sample + at, stride, &sums, gram);
    gram_scatter(a, how, p, stride, gram);
  }
  a->energy[0] = a->energy[1] = sums.slope;
  a->energy[2] = a->energy[3] = sums.far;
  ridge_add(a, how);
}

static void prior_add(udg_aligner *a, int unknown, double value, double deviation) {
  if (!(deviation > 0))
    deviation = 1e-9;
  double precision = 1 / (deviation * deviation);
  a->system[unknown * UDG_UNKNOWN_MAX + unknown] += precision;
  a->right[unknown] -= precision * value;
}

/* Brings the system to units of one s.d. and adds the priors of `pose`. */
void udg_align_priors_add(udg_aligner *a, const udg_patch_set *set, const udg_align_layout *how,
                          const udg_align_settings *given, const udg_align_pose *pose,
                          double sigma) {
  double factor = 1 / (sigma * sigma * fmax(given->correlation_px, 1));
  for (int i = 0; i < how->unknowns; i++) {
    for (int j = 0; j <= i; j++)
      a->system[i * UDG_UNKNOWN_MAX + j] *= factor;
    a->right[i] *= factor;
  }
  for (int j = 0; j < UDG_RIGID; j++)
    a->energy[j] *= factor;
  for (int j = 4; j < how->global; j++) {
    double value = j < 6   ? pose->shear[j - 4]
                   : j < 8 ? pose->perspective[j - 6]
                           : pose->swell_mm[j - 8];
    double deviation = j < 6   ? given->shear_sd
                       : j < 8 ? given->perspective_sd
                               : given->swell_sd[j - 8];
    prior_add(a, how->light + j, value, deviation);
  }
  for (int p = 0; how->place && p < set->patch_count; p++) {
    int first = how->light + how->global + how->place * p;
    prior_add(a, first, pose->offset_mm[p][0], given->slack_mm);
    prior_add(a, first + 1, pose->offset_mm[p][1], given->slack_mm);
    prior_add(a, first + 2, pose->turn_rad[p], given->slack_rad);
  }
}

static void unknown_fix(udg_aligner *a, int unknown, int count) {
  for (int j = 0; j < count; j++) {
    int low = j < unknown ? j : unknown, high = j < unknown ? unknown : j;
    a->system[high * UDG_UNKNOWN_MAX + low] = 0;
  }
  a->system[unknown * UDG_UNKNOWN_MAX + unknown] = 1;
  a->right[unknown] = 0;
}

/* Factors the system in place, leaving out what cannot be told; 0: hopeless. */
int udg_align_system_factor(udg_aligner *a, const udg_align_layout *how, unsigned *undetermined) {
  double *kept = a->inverse; /* free until the covariance is asked for */
  *undetermined = 0;
  for (int round = 0; round <= UDG_GLOBAL_MAX; round++) {
    memcpy(kept, a->system, sizeof a->system);
    int bad = udg_cholesky_factor(a->system, how->unknowns, UDG_UNKNOWN_MAX, 1e-12) - 1;
    if (bad >= 0 && (bad < how->light || bad >= how->light + how->global))
      return 0;
    for (int j = 0; bad < 0 && j < how->global && j < UDG_RIGID; j++) {
      double root = a->system[(how->light + j) * UDG_UNKNOWN_MAX + how->light + j];
      if (!(*undetermined >> j & 1u) && !(root * root > UNDETERMINED_SHARE * a->energy[j]))
        bad = how->light + j;
    }
    if (bad < 0)
      return 1;
    *undetermined |= 1u << (bad - how->light);
    memcpy(a->system, kept, sizeof a->system);
    unknown_fix(a, bad, how->unknowns);
  }
  return 0;
}

void udg_align_covariance_take(udg_aligner *a, const udg_align_layout *how, int patch_count,
                               udg_align_result *result) {
  udg_cholesky_invert(a->system, how->unknowns, UDG_UNKNOWN_MAX, a->inverse);
  for (int i = 0; i < UDG_GLOBAL_MAX; i++)
    for (int j = 0; j < UDG_GLOBAL_MAX; j++) {
      int known = i < how->global && j < how->global;
      unsigned lost = result->undetermined >> i | result->undetermined >> j;
      double value = known ? a->inverse[(how->light + i) * UDG_UNKNOWN_MAX + how->light + j] : 0;
      if (lost & 1u)
        value = i == j ? (double)INFINITY : 0;
      result->covariance[i][j] = value;
    }
  for (int p = 0; how->place && p < patch_count; p++) {
    int first = how->light + how->global + how->place * p;
    for (int i = 0; i < 3; i++)
      for (int j = 0; j < 3; j++)
        result->place_covariance[p][i][j] = a->inverse[(first + i) * UDG_UNKNOWN_MAX + first + j];
  }
}
