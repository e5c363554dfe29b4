/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "align.h"

#include <math.h>
#include <string.h>

#include "linalg.h"
#include "spline.h"

/* A pixel's row of the joint system: T (light), the pose's derivatives, the
 * place's own, the sampled grey level last. */
#define ROW_MAX 40
#define BLOCK 64 /* pixels summed in float before they go into the double sums */
#define UNKNOWN_MAX (UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 * UDG_PLACES_MAX)
#define HISTOGRAM_BINS 1024
#define HISTOGRAM_STEP 0.25 /* grey levels */

/* Pose directions whose effect the light can imitate to all but this share of
 * its energy cannot be told. */
static const double UNDETERMINED_SHARE = 1e-4;
/* Keeps light columns that do not occur in the photo (all clipped, say) at 0. */
static const double LIGHT_RIDGE = 1e-7;

_Static_assert(UDG_COLUMNS_MAX + UDG_GLOBAL_MAX + 3 + 1 <= ROW_MAX, "a pixel's row is too long");

struct udg_aligner {
  udg_settings settings;
  int pixels_max;
  float *sample;   /* grey level less `level` */
  float *weight;   /* robust weight */
  float *mask;     /* 1: in the photo and not clipped */
  float *residual; /* sample less model */
  double level;    /* mean of the samples: keeps the sums free of cancellation */
  double inside, clipped;
  int used;
  double system[UNKNOWN_MAX * UNKNOWN_MAX], inverse[UNKNOWN_MAX * UNKNOWN_MAX];
  double right[UNKNOWN_MAX], energy[UDG_GLOBAL_MAX];
  double target_energy, weight_sum;
};

/* What is solved for, and where it sits among the unknowns. */
typedef struct layout {
  int light, global, place; /* counts; `place` a place */
  int unknowns;
} layout;

udg_status udg_aligner_create(const udg_settings *settings, int pixels_max,
                              udg_aligner **aligner) {
  udg_aligner *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return UDG_ERROR_MEMORY;
  made->settings = *settings;
  made->pixels_max = pixels_max;
  made->sample = udg_memory_get(settings, (size_t)pixels_max * 4, sizeof *made->sample);
  if (!made->sample) {
    udg_memory_drop(settings, made);
    return UDG_ERROR_MEMORY;
  }
  made->weight = made->sample + pixels_max;
  made->mask = made->weight + pixels_max;
  made->residual = made->mask + pixels_max;
  *aligner = made;
  return UDG_OK;
}

void udg_aligner_destroy(udg_aligner *aligner) {
  if (!aligner)
    return;
  udg_settings settings = aligner->settings;
  udg_memory_drop(&settings, aligner->sample);
  udg_memory_drop(&settings, aligner);
}

/* Date-plane position of a patch pixel less the place's centre. */
typedef struct placing {
  double x, y, cosine, sine;
} placing;

static placing placing_of(const udg_patch *patch, const udg_align_pose *pose, int place) {
  return (placing){patch->centre_mm[0] + pose->offset_mm[place][0],
                   patch->centre_mm[1] + pose->offset_mm[place][1], cos(pose->turn_rad[place]),
                   sin(pose->turn_rad[place])};
}

/* `fresh`: also chooses the level, which then holds for the run. */
static void samples_take(udg_aligner *a, const udg_patch_set *set, const udg_plane *photo,
                         double clip_level, const udg_align_pose *pose, int fresh) {
  const double *m = pose->date_to_photo.m;
  int at = 0, inside = 0, used = 0;
  double sum = 0;
  for (int p = 0; p < set->patch_count; p++) {
    const udg_patch *patch = &set->patches[p];
    placing l = placing_of(patch, pose, p);
    for (int i = 0; i < patch->count; i++, at++) {
      double out = 0;
      for (int k = 0; k < UDG_SWELLS; k++)
        out += pose->swell_mm[k] * (double)patch->swell[k][i];
      double u = (double)patch->u[i] - out * (double)patch->n_x[i];
      double v = (double)patch->v[i] - out * (double)patch->n_y[i];
      double x = l.x + l.cosine * u - l.sine * v, y = l.y + l.sine * u + l.cosine * v;
      double w = m[6] * x + m[7] * y + m[8];
      a->mask[at] = 0;
      a->sample[at] = 0;
      if (!(w > 0))
        continue;
      double px = (m[0] * x + m[1] * y + m[2]) / w, py = (m[3] * x + m[4] * y + m[5]) / w;
      if (!(px >= 0 && px <= photo->width && py >= 0 && py <= photo->height))
        continue;
      inside++;
      float value = udg_spline_sample(photo, px, py);
      if ((double)value >= clip_level)
        continue;
      used++;
      a->mask[at] = 1;
      a->sample[at] = value;
      sum += (double)value;
    }
  }
  a->inside = at ? (double)inside / at : 0;
  a->clipped = inside ? 1 - (double)used / inside : 0;
  a->used = used;
  /* Without a column for the level the grey levels must stay as they are. */
  if (fresh)
    a->level = used && set->background_count > 0 ? sum / used : 0;
  for (int i = 0; i < at; i++)
    a->sample[i] = a->mask[i] > 0 ? a->sample[i] - (float)a->level : 0;
}

/* Displacement of a date-plane point for a unit of each pose parameter, with
 * x, y from the set's centre. */
static void displacements(double x, double y, double d[UDG_GLOBAL_MAX][2]) {
  const double all[UDG_GLOBAL_MAX][2] = {
      {1, 0}, {0, 1}, {-y, x}, {x, y}, {x, -y}, {y, x}, {x * x, x * y}, {x * y, y * y}};
  memcpy(d, all, sizeof all);
}

/* The row of one pixel; gives |gradient|^2. */
static double row_fill(const udg_patch_set *set, const udg_patch *patch, const placing *l, int i,
                       const layout *how, const double *light, float row[ROW_MAX],
                       double moved[UDG_GLOBAL_MAX][2]) {
  const float *t = patch->t + (size_t)i * (size_t)set->column_stride;
  for (int k = 0; k < how->light; k++)
    row[k] = t[k];
  if (!how->global && !how->place)
    return 0;
  const float *t_x = patch->t_x + (size_t)i * (size_t)set->column_stride;
  const float *t_y = patch->t_y + (size_t)i * (size_t)set->column_stride;
  double gu = 0, gv = 0;
  for (int k = 0; k < how->light; k++) {
    gu += light[k] * (double)t_x[k];
    gv += light[k] * (double)t_y[k];
  }
  double gx = l->cosine * gu - l->sine * gv, gy = l->sine * gu + l->cosine * gv;
  double u = (double)patch->u[i], v = (double)patch->v[i];
  double ru = l->cosine * u - l->sine * v, rv = l->sine * u + l->cosine * v;
  displacements(l->x + ru - set->centre_mm[0], l->y + rv - set->centre_mm[1], moved);
  double n_x = (double)patch->n_x[i], n_y = (double)patch->n_y[i];
  for (int k = 0; k < UDG_SWELLS; k++) {
    double out = (double)patch->swell[k][i];
    moved[8 + k][0] = -out * (l->cosine * n_x - l->sine * n_y);
    moved[8 + k][1] = -out * (l->sine * n_x + l->cosine * n_y);
  }
  /* I(pose + step) = I + grad . displacement, so the step's columns enter the
   * system "columns * unknowns = grey level" with a minus. */
  float *pose_row = row + how->light;
  for (int j = 0; j < how->global; j++)
    pose_row[j] = (float)-(gx * moved[j][0] + gy * moved[j][1]);
  if (how->place) {
    float *place_row = pose_row + how->global;
    place_row[0] = (float)-gx;
    place_row[1] = (float)-gy;
    place_row[2] = (float)(gx * rv - gy * ru);
  }
  return gx * gx + gy * gy;
}

/* gram += sum over the block of w row row^T, lower triangle. */
static void block_add(const float (*rows)[ROW_MAX], const float *weights, int count, int width,
                      double *gram) {
  float sums[ROW_MAX * ROW_MAX];
  memset(sums, 0, sizeof sums);
  for (int i = 0; i < count; i++) {
    const float *row = rows[i];
    for (int a = 0; a < width; a++) {
      float s = weights[i] * row[a];
      float *out = sums + a * ROW_MAX;
      for (int b = 0; b <= a; b += 8)
        for (int k = 0; k < 8; k++)
          out[b + k] += s * row[b + k];
    }
  }
  for (int a = 0; a < width; a++)
    for (int b = 0; b <= a; b++)
      gram[a * ROW_MAX + b] += (double)sums[a * ROW_MAX + b];
}

/* Local index of a patch's row -> index among all unknowns; -1: the target. */
static int unknown_of(const layout *how, int patch, int local) {
  if (local < how->light + how->global)
    return local;
  int own = local - how->light - how->global;
  return own < how->place ? how->light + how->global + how->place * patch + own : -1;
}

static void gram_scatter(udg_aligner *a, const layout *how, int patch, const double *gram) {
  int width = how->light + how->global + how->place + 1;
  for (int i = 0; i < width; i++)
    for (int j = 0; j <= i; j++) {
      double value = gram[i * ROW_MAX + j];
      int gi = unknown_of(how, patch, i), gj = unknown_of(how, patch, j);
      if (gi < 0 && gj < 0)
        a->target_energy += value;
      else if (gi < 0)
        a->right[gj] += value;
      else
        a->system[gi * UNKNOWN_MAX + gj] += value;
    }
}

/* Normal matrix and right side with the given weights, without priors. */
static void system_build(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                         const layout *how, const float *weights, const double *light) {
  memset(a->system, 0, sizeof a->system);
  memset(a->right, 0, sizeof a->right);
  memset(a->energy, 0, sizeof a->energy);
  a->target_energy = a->weight_sum = 0;
  int target = how->light + how->global + how->place, at = 0;
  float rows[BLOCK][ROW_MAX], row_weights[BLOCK];
  memset(rows, 0, sizeof rows);
  for (int p = 0; p < set->patch_count; p++) {
    const udg_patch *patch = &set->patches[p];
    placing l = placing_of(patch, pose, p);
    double gram[ROW_MAX * ROW_MAX], moved[UDG_GLOBAL_MAX][2];
    memset(gram, 0, sizeof gram);
    int filled = 0;
    for (int i = 0; i < patch->count; i++, at++) {
      if (!(weights[at] > 0))
        continue;
      double slope = row_fill(set, patch, &l, i, how, light, rows[filled], moved);
      rows[filled][target] = a->sample[at];
      row_weights[filled++] = weights[at];
      a->weight_sum += (double)weights[at];
      for (int j = 0; j < how->global; j++)
        a->energy[j] += (double)weights[at] * slope *
                        (moved[j][0] * moved[j][0] + moved[j][1] * moved[j][1]);
      if (filled == BLOCK) {
        block_add((const float(*)[ROW_MAX])rows, row_weights, filled, target + 1, gram);
        filled = 0;
      }
    }
    block_add((const float(*)[ROW_MAX])rows, row_weights, filled, target + 1, gram);
    gram_scatter(a, how, p, gram);
  }
  for (int k = 0; k < how->light; k++) {
    double *diagonal = &a->system[k * UNKNOWN_MAX + k];
    *diagonal += LIGHT_RIDGE * (*diagonal + a->weight_sum) + 1e-30;
  }
}

static void residuals_take(udg_aligner *a, const udg_patch_set *set, const double *light) {
  int at = 0;
  for (int p = 0; p < set->patch_count; p++) {
    const udg_patch *patch = &set->patches[p];
    for (int i = 0; i < patch->count; i++, at++) {
      const float *t = patch->t + (size_t)i * (size_t)set->column_stride;
      double model = 0;
      for (int k = 0; k < set->column_count; k++)
        model += light[k] * (double)t[k];
      a->residual[at] = a->mask[at] > 0 ? a->sample[at] - (float)model : 0;
    }
  }
}

static int pixels_of(const udg_patch_set *set) {
  int count = 0;
  for (int p = 0; p < set->patch_count; p++)
    count += set->patches[p].count;
  return count;
}

/* Robust s.d.: the 70 % quantile of |residual| over that of the normal
 * distribution (1.0364).  The median would see the field alone and call the
 * whole relief an outlier. */
static double spread_of(const udg_aligner *a, int count) {
  int bins[HISTOGRAM_BINS] = {0}, total = 0;
  for (int i = 0; i < count; i++)
    if (a->mask[i] > 0) {
      double bin = fabs((double)a->residual[i]) / HISTOGRAM_STEP;
      bins[bin < HISTOGRAM_BINS - 1 ? (int)bin : HISTOGRAM_BINS - 1]++;
      total++;
    }
  double rank = 0.7 * total, below = 0;
  for (int i = 0; i < HISTOGRAM_BINS; i++) {
    if (below + bins[i] >= rank && bins[i] > 0)
      return HISTOGRAM_STEP * (i + (rank - below) / bins[i]) / 1.0364;
    below += bins[i];
  }
  return 0;
}

/* Weights of Tukey's biweight, or the bare mask; gives the residual's s.d. */
static double weights_take(udg_aligner *a, const udg_align_settings *how, int count) {
  double sum = 0, energy = 0;
  double spread = how->tukey > 0 ? fmax(spread_of(a, count), how->noise_floor) : 0;
  for (int i = 0; i < count; i++) {
    double r = (double)a->residual[i], w = (double)a->mask[i];
    if (how->tukey > 0) {
      double z = r / (how->tukey * spread);
      w *= fabs(z) < 1 ? (1 - z * z) * (1 - z * z) : 0;
    }
    a->weight[i] = (float)w;
    sum += w;
    energy += w * r * r;
  }
  double sigma = sum > 0 ? sqrt(energy / sum) : 0;
  return fmax(fmax(sigma, how->noise_floor), 1e-6);
}

/* Light alone; `light` receives it, the result the fit's quality. */
static void light_solve(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                        const float *weights, double *light, udg_align_result *result) {
  layout how = {set->column_count, 0, 0, set->column_count};
  system_build(a, set, pose, &how, weights, light);
  double solution[UNKNOWN_MAX], explained = 0, background = 0;
  memcpy(solution, a->right, sizeof solution);
  memset(light, 0, UDG_COLUMNS_MAX * sizeof *light);
  result->explained = 0;
  if (!(a->weight_sum > 0) || udg_cholesky_factor(a->system, how.unknowns, UNKNOWN_MAX, 1e-12))
    return;
  udg_cholesky_forward(a->system, how.unknowns, UNKNOWN_MAX, solution);
  for (int k = 0; k < how.unknowns; k++) {
    explained += solution[k] * solution[k];
    if (k < set->background_count)
      background += solution[k] * solution[k];
  }
  double about = a->target_energy - background;
  /* A flat photo has nothing to explain. */
  result->explained = about > 1e-6 * a->weight_sum ? (explained - background) / about : 0;
  result->rms = sqrt(fmax(a->target_energy - explained, 0) / a->weight_sum);
  memcpy(solution, a->right, sizeof solution);
  udg_cholesky_solve(a->system, how.unknowns, UNKNOWN_MAX, solution);
  memcpy(light, solution, (size_t)how.unknowns * sizeof *light);
}

static void prior_add(udg_aligner *a, int unknown, double value, double deviation) {
  if (!(deviation > 0))
    deviation = 1e-9;
  double precision = 1 / (deviation * deviation);
  a->system[unknown * UNKNOWN_MAX + unknown] += precision;
  a->right[unknown] -= precision * value;
}

/* Brings the system to units of one s.d. and adds the priors of `pose`. */
static void priors_add(udg_aligner *a, const udg_patch_set *set, const layout *how,
                       const udg_align_settings *given, const udg_align_pose *pose,
                       double sigma) {
  double factor = 1 / (sigma * sigma * fmax(given->correlation_px, 1));
  for (int i = 0; i < how->unknowns; i++) {
    for (int j = 0; j <= i; j++)
      a->system[i * UNKNOWN_MAX + j] *= factor;
    a->right[i] *= factor;
  }
  for (int j = 0; j < how->global; j++)
    a->energy[j] *= factor;
  for (int j = 4; j < how->global; j++) {
    double value = j < 6 ? pose->shear[j - 4] : j < 8 ? pose->perspective[j - 6]
                                                      : pose->swell_mm[j - 8];
    double deviation = j < 6 ? given->shear_sd : j < 8 ? given->perspective_sd
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
    a->system[high * UNKNOWN_MAX + low] = 0;
  }
  a->system[unknown * UNKNOWN_MAX + unknown] = 1;
  a->right[unknown] = 0;
}

/* Factors the system in place, leaving out what cannot be told; 0: hopeless. */
static int system_factor(udg_aligner *a, const layout *how, unsigned *undetermined) {
  double *kept = a->inverse; /* free until the covariance is asked for */
  *undetermined = 0;
  for (int round = 0; round <= UDG_GLOBAL_MAX; round++) {
    memcpy(kept, a->system, sizeof a->system);
    int bad = udg_cholesky_factor(a->system, how->unknowns, UNKNOWN_MAX, 1e-12) - 1;
    if (bad >= 0 && (bad < how->light || bad >= how->light + how->global))
      return 0;
    for (int j = 0; bad < 0 && j < how->global && j < 4; j++) {
      double root = a->system[(how->light + j) * UNKNOWN_MAX + how->light + j];
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

/* H after the step: a small warp of the date plane about the set's centre. */
static void pose_step(udg_align_pose *pose, const udg_patch_set *set, const layout *how,
                      const double *step, double factor) {
  double s[UDG_GLOBAL_MAX] = {0};
  for (int j = 0; j < how->global; j++)
    s[j] = factor * step[how->light + j];
  double c = exp(s[3]) * cos(s[2]), n = exp(s[3]) * sin(s[2]);
  udg_homography warp = {{c * (1 + s[4]) - n * s[5], c * s[5] - n * (1 - s[4]), s[0],
                          n * (1 + s[4]) + c * s[5], n * s[5] + c * (1 - s[4]), s[1], -s[6], -s[7],
                          1}};
  udg_homography to = udg_homography_similarity(1, 0, -set->centre_mm[0], -set->centre_mm[1]);
  udg_homography back = udg_homography_similarity(1, 0, set->centre_mm[0], set->centre_mm[1]);
  udg_homography local = udg_homography_after(&warp, &to);
  local = udg_homography_after(&back, &local);
  pose->date_to_photo = udg_homography_after(&pose->date_to_photo, &local);
  for (int j = 0; j < 2; j++) {
    pose->shear[j] += s[4 + j];
    pose->perspective[j] += s[6 + j];
  }
  for (int k = 0; k < UDG_SWELLS; k++)
    pose->swell_mm[k] += s[8 + k];
  for (int p = 0; how->place && p < set->patch_count; p++) {
    const double *own = step + how->light + how->global + how->place * p;
    pose->offset_mm[p][0] += factor * own[0];
    pose->offset_mm[p][1] += factor * own[1];
    pose->turn_rad[p] += factor * own[2];
  }
}

/* Length of a step: how far it moves the rim of the date, patch px. */
static double step_length(const udg_patch_set *set, const layout *how, const double *step) {
  const double *g = step + how->light;
  double radius = set->radius_mm, longest = 0;
  for (int j = 0; j < how->global; j++) {
    double move = fabs(g[j]) * (j < 2 || j >= 8 ? 1 : j < 6 ? radius : radius * radius);
    longest = fmax(longest, move);
  }
  for (int i = 0; how->place && i < 2 * set->patch_count; i++)
    longest = fmax(longest, fabs(g[how->global + how->place * (i / 2) + i % 2]));
  return longest * set->px_per_mm;
}

static void covariance_take(udg_aligner *a, const layout *how, int patch_count,
                            udg_align_result *result) {
  udg_cholesky_invert(a->system, how->unknowns, UNKNOWN_MAX, a->inverse);
  for (int i = 0; i < UDG_GLOBAL_MAX; i++)
    for (int j = 0; j < UDG_GLOBAL_MAX; j++) {
      int known = i < how->global && j < how->global;
      unsigned lost = result->undetermined >> i | result->undetermined >> j;
      double value =
          known ? a->inverse[(how->light + i) * UNKNOWN_MAX + how->light + j] : 0;
      if (lost & 1u)
        value = i == j ? (double)INFINITY : 0;
      result->covariance[i][j] = value;
    }
  for (int p = 0; how->place && p < patch_count; p++) {
    int first = how->light + how->global + how->place * p;
    for (int i = 0; i < 3; i++)
      for (int j = 0; j < 3; j++)
        result->place_covariance[p][i][j] = a->inverse[(first + i) * UNKNOWN_MAX + first + j];
  }
}

void udg_align_measure(udg_aligner *aligner, const udg_patch_set *set, const udg_plane *photo,
                       const udg_align_settings *how, const udg_align_pose *pose,
                       udg_align_result *result) {
  samples_take(aligner, set, photo, how->clip_level, pose, 1);
  light_solve(aligner, set, pose, aligner->mask, result->light, result);
  residuals_take(aligner, set, result->light);
  result->sigma = fmax(spread_of(aligner, pixels_of(set)), how->noise_floor);
  result->inside = aligner->inside;
  result->clipped = aligner->clipped;
  result->used = aligner->used;
  result->light[0] += aligner->level;
}

/* One Gauss-Newton step; gives its length, negative when none could be made. */
static double iterate(udg_aligner *a, const udg_patch_set *set, const udg_align_settings *given,
                      const layout *how, udg_align_pose *pose, udg_align_result *result) {
  int count = pixels_of(set);
  residuals_take(a, set, result->light);
  double sigma = weights_take(a, given, count);
  system_build(a, set, pose, how, a->weight, result->light);
  priors_add(a, set, how, given, pose, sigma);
  if (!system_factor(a, how, &result->undetermined))
    return -1;
  double step[UNKNOWN_MAX];
  memcpy(step, a->right, sizeof step);
  udg_cholesky_solve(a->system, how->unknowns, UNKNOWN_MAX, step);
  double length = step_length(set, how, step);
  double factor =
      given->step_max_px > 0 && length > given->step_max_px ? given->step_max_px / length : 1;
  pose_step(pose, set, how, step, factor);
  memcpy(result->light, step, (size_t)how->light * sizeof *step);
  return length * factor;
}

void udg_align_run(udg_aligner *aligner, const udg_patch_set *set, const udg_plane *photo,
                   const udg_align_settings *given, udg_align_pose *pose,
                   udg_align_result *result) {
  int place = given->places_free ? 3 : 0;
  layout how = {set->column_count, given->global_count, place, 0};
  how.unknowns = how.light + how.global + place * set->patch_count;
  memset(result, 0, sizeof *result);
  if (pixels_of(set) > aligner->pixels_max)
    return;
  samples_take(aligner, set, photo, given->clip_level, pose, 1);
  light_solve(aligner, set, pose, aligner->mask, result->light, result);
  double length = 0;
  for (int i = 0; i < given->iterations_max; i++) {
    length = iterate(aligner, set, given, &how, pose, result);
    if (length < 0)
      break;
    result->iterations = i + 1;
    if (length < given->stop_px || i + 1 == given->iterations_max)
      break;
    samples_take(aligner, set, photo, given->clip_level, pose, 0);
  }
  if (length >= 0 && result->iterations > 0)
    covariance_take(aligner, &how, set->patch_count, result);
  else
    result->undetermined = (1u << given->global_count) - 1;
  udg_align_measure(aligner, set, photo, given, pose, result);
}
