/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The joint normal system of light and pose. */
#include "align_internal.h"

#include <math.h>
#include <string.h>

#include "gram.h"
#include "linalg.h"

/* A pixel's row of the joint system: T (light), the pose's derivatives, the
 * place's own, the sampled grey level last. */
#define ROW_MAX UDG_GRAM_STRIDE_MAX
#define BLOCK 64 /* pixels summed at a time */

/* Pose directions whose effect the light can imitate to all but this share of
 * its energy cannot be told. */
static const double UNDETERMINED_SHARE = 1e-4;
/* Keeps light columns that do not occur in the photo (all clipped, say) at 0. */
static const double LIGHT_RIDGE = 1e-7;

_Static_assert(UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 + 1 <= ROW_MAX, "a pixel's row is too long");

/* What the rows of one patch are made from. */
typedef struct row_source {
  const udg_patch_set *set;
  const udg_patch *patch;
  const udg_align_layout *how;
  int columns;
  float light[UDG_COLUMNS_MAX];
  float x, y; /* the place's centre from the set's */
  float cosine, sine;
} row_source;

static void source_place(row_source *from, const udg_align_pose *pose, int place) {
  udg_align_placing l = udg_align_place(&from->set->patches[place], pose, place);
  from->patch = &from->set->patches[place];
  from->x = (float)(l.x - from->set->centre_mm[0]);
  from->y = (float)(l.y - from->set->centre_mm[1]);
  from->cosine = (float)l.cosine;
  from->sine = (float)l.sine;
}

/* Displacement of a point at (x, y) from the set's centre for a unit of each pose parameter is
 * (1, 0), (0, 1), (-y, x), (x, y), (x, -y), (y, x), (x^2, x y), (x y, y^2), and for a swell along
 * the outline's normal.  I(pose + step) = I + grad . displacement, so the step's columns enter
 * the system "columns * unknowns = grey level" with a minus. */
static void pose_fill(const row_source *from, int i, float gx, float gy, float x, float y,
                      float *row) {
  const udg_patch *patch = from->patch;
  float radial = gx * x + gy * y;
  float own[UDG_GLOBAL_MAX] = {
      -gx,         -gy,        gx * y - gy * x, -radial, gy * y - gx * x, -(gx * y + gy * x),
      -radial * x, -radial * y};
  float n_x = from->cosine * patch->n_x[i] - from->sine * patch->n_y[i];
  float n_y = from->sine * patch->n_x[i] + from->cosine * patch->n_y[i];
  for (int k = 0; 8 + k < from->how->global; k++)
    own[8 + k] = patch->swell[k][i] * (gx * n_x + gy * n_y);
  memcpy(row, own, (size_t)from->how->global * sizeof *own);
}

/* The row of one pixel; `weight` goes with its energies. */
static void row_fill(udg_aligner *a, const row_source *from, int i, float weight, float *row) {
  const udg_patch *patch = from->patch;
  const udg_align_layout *how = from->how;
  size_t at = (size_t)i * (size_t)from->set->column_stride;
  memcpy(row, patch->t + at, (size_t)how->light * sizeof *row);
  if (!how->global && !how->place)
    return;
  float gu = udg_four_dot(patch->t_x + at, from->light, from->columns);
  float gv = udg_four_dot(patch->t_y + at, from->light, from->columns);
  float gx = from->cosine * gu - from->sine * gv, gy = from->sine * gu + from->cosine * gv;
  float u = patch->u[i], v = patch->v[i];
  float ru = from->cosine * u - from->sine * v, rv = from->sine * u + from->cosine * v;
  float x = from->x + ru, y = from->y + rv;
  pose_fill(from, i, gx, gy, x, y, row + how->light);
  if (how->place) {
    float *place_row = row + how->light + how->global;
    place_row[0] = -gx;
    place_row[1] = -gy;
    place_row[2] = gx * rv - gy * ru;
  }
  double slope = (double)(weight * (gx * gx + gy * gy)), far = slope * (double)(x * x + y * y);
  a->energy[0] += slope;
  a->energy[1] += slope;
  a->energy[2] += far;
  a->energy[3] += far;
}

/* Local index of a patch's row -> index among all unknowns; -1: the target. */
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

/* Normal matrix and right side with the given weights, without priors. */
void udg_align_system_build(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                            const udg_align_layout *how, const float *weights,
                            const double *light) {
  memset(a->system, 0, sizeof a->system);
  memset(a->right, 0, sizeof a->right);
  memset(a->energy, 0, sizeof a->energy);
  a->target_energy = a->weight_sum = 0;
  int target = how->light + how->global + how->place, at = 0;
  int stride = (target + UDG_GRAM_STEP) / UDG_GRAM_STEP * UDG_GRAM_STEP;
  float rows[BLOCK * ROW_MAX], row_weights[BLOCK];
  memset(rows, 0, sizeof rows);
  row_source from = {.set = set, .how = how};
  if (how->global || how->place)
    from.columns = udg_align_light_floats(set, light, from.light);
  for (int p = 0; p < set->patch_count; p++) {
    double gram[ROW_MAX * ROW_MAX];
    memset(gram, 0, sizeof *gram * (size_t)(stride * stride));
    source_place(&from, pose, p);
    int filled = 0;
    for (int i = 0; i < from.patch->count; i++, at++) {
      if (!(weights[at] > 0))
        continue;
      float *row = rows + filled * stride;
      row_fill(a, &from, i, weights[at], row);
      row[target] = a->sample[at];
      row_weights[filled++] = weights[at];
      a->weight_sum += (double)weights[at];
      if (filled == BLOCK) {
        udg_gram_add(rows, row_weights, filled, target + 1, stride, gram);
        filled = 0;
      }
    }
    udg_gram_add(rows, row_weights, filled, target + 1, stride, gram);
    gram_scatter(a, how, p, stride, gram);
  }
  for (int k = 0; k < how->light; k++) {
    double *diagonal = &a->system[k * UDG_UNKNOWN_MAX + k];
    *diagonal += LIGHT_RIDGE * (*diagonal + a->weight_sum) + 1e-30;
  }
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
