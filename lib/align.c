/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "align.h"

#include <math.h>
#include <string.h>

#include "align_internal.h"
#include "align_moments.h"
#include "linalg.h"
#include "spline.h"
#include "wider.h"

#define HISTOGRAM_BINS 1024
#define HISTOGRAM_STEP 0.25 /* grey levels */

udg_status udg_aligner_create(const udg_settings *settings, int pixels_max, udg_aligner **aligner) {
  udg_aligner *made = udg_memory_get(settings, 1, sizeof *made);
  if (!made)
    return UDG_ERROR_MEMORY;
  made->settings = *settings;
  made->pixels_max = pixels_max;
  size_t line = ((size_t)pixels_max + UDG_EIGHT - 1) / UDG_EIGHT * UDG_EIGHT;
  made->sample = udg_memory_get(settings, line * 4, sizeof *made->sample);
  made->columns =
      udg_memory_get(settings, UDG_ALIGN_COLUMNS + 3, UDG_ALIGN_APART * sizeof *made->columns);
  if (!made->sample || !made->columns) {
    udg_aligner_destroy(made);
    return UDG_ERROR_MEMORY;
  }
  made->root = made->sample + line;
  made->mask = made->root + line;
  made->residual = made->mask + line;
  *aligner = made;
  return UDG_OK;
}

void udg_aligner_destroy(udg_aligner *aligner) {
  if (!aligner)
    return;
  udg_settings settings = aligner->settings;
  udg_memory_drop(&settings, aligner->sample);
  udg_memory_drop(&settings, aligner->columns);
  udg_memory_drop(&settings, aligner);
}

/* Pixels placed at a time. */
enum { BLOCK = 64 };

/* Where `count` pixels of a patch from number `first` on lie in the photo, x -1 where they do not.
 */
UDG_WIDER
static void place(const udg_patch *patch, int first, int count, const udg_align_placing *l,
                  const udg_align_pose *pose, double *restrict to_x, double *restrict to_y) {
  const double *m = pose->date_to_photo.m;
  const float *from_u = patch->u + first, *from_v = patch->v + first;
  const float *n_x = patch->n_x + first, *n_y = patch->n_y + first;
  const float *s0 = patch->swell[0] + first, *s1 = patch->swell[1] + first,
              *s2 = patch->swell[2] + first;
  double before[BLOCK]; /* the camera, where positive */
  const double w0 = pose->swell_mm[0], w1 = pose->swell_mm[1], w2 = pose->swell_mm[2];
  for (int i = 0; i < count; i++) {
    double out = w0 * (double)s0[i] + w1 * (double)s1[i] + w2 * (double)s2[i];
    double u = (double)from_u[i] - out * (double)n_x[i];
    double v = (double)from_v[i] - out * (double)n_y[i];
    double x = l->x + l->cosine * u - l->sine * v, y = l->y + l->sine * u + l->cosine * v;
    double w = m[6] * x + m[7] * y + m[8], share = 1 / w;
    to_x[i] = (m[0] * x + m[1] * y + m[2]) * share;
    to_y[i] = (m[3] * x + m[4] * y + m[5]) * share;
    before[i] = w;
  }
  for (int i = 0; i < count; i++)
    to_x[i] = before[i] > 0 ? to_x[i] : -1;
}
_Static_assert(UDG_SWELLS == 3, "place() has three of them");

typedef struct sampled {
  int inside, used;
  double sum; /* of those used */
} sampled;

/* Samples of a patch, into a->sample and a->mask from `at` on. */
static void patch_take(udg_aligner *a, const udg_patch *patch, const udg_plane *photo,
                       double clip_level, const udg_align_placing *l, const udg_align_pose *pose,
                       int at, sampled *so_far) {
  double x[BLOCK], y[BLOCK];
  for (int first = 0; first < patch->count; first += BLOCK) {
    const int count = patch->count - first < BLOCK ? patch->count - first : BLOCK;
    float *value = a->sample + at + first, *mask = a->mask + at + first;
    place(patch, first, count, l, pose, x, y);
    udg_spline_samples(photo, x, y, count, value);
    for (int i = 0; i < count; i++) {
      int hit = x[i] >= 0 && x[i] <= photo->width && y[i] >= 0 && y[i] <= photo->height;
      int use = hit && (double)value[i] < clip_level;
      so_far->inside += hit;
      so_far->used += use;
      mask[i] = use ? 1.0f : 0.0f;
      value[i] = use ? value[i] : 0.0f;
      so_far->sum += (double)value[i];
    }
  }
}

/* `fresh`: also chooses the level, which then holds for the run. */
static void samples_take(udg_aligner *a, const udg_patch_set *set, const udg_plane *photo,
                         double clip_level, const udg_align_pose *pose, int fresh) {
  int at = 0;
  sampled all = {0};
  for (int p = 0; p < set->patch_count; p++) {
    const udg_align_placing l = udg_align_place(&set->patches[p], pose, p);
    patch_take(a, &set->patches[p], photo, clip_level, &l, pose, at, &all);
    at += set->patches[p].count;
  }
  a->inside = at ? (double)all.inside / at : 0;
  a->clipped = all.inside ? 1 - (double)all.used / all.inside : 0;
  a->used = all.used;
  /* Without a column for the level the grey levels must stay as they are. */
  if (fresh)
    a->level = all.used && set->background_count > 0 ? all.sum / all.used : 0;
  for (int i = 0; i < at; i++)
    a->sample[i] = a->mask[i] > 0 ? a->sample[i] - (float)a->level : 0;
  for (int i = at; i % UDG_EIGHT; i++)
    a->sample[i] = 0;
}

/* Whether the set's moments serve for this fit: then weights are not asked for. */
static int is_plain(const udg_aligner *a, const udg_patch_set *set, const udg_align_settings *how,
                    const udg_align_pose *pose) {
  int plain = set->moments && a->used == set->moments->count && !(how->tukey > 0) &&
              !how->places_free && how->global_count <= UDG_RIGID;
  for (int k = 0; k < UDG_SWELLS; k++)
    plain &= pose->swell_mm[k] == 0;
  for (int p = 0; p < set->patch_count; p++)
    plain &= pose->offset_mm[p][0] == 0 && pose->offset_mm[p][1] == 0 && pose->turn_rad[p] == 0;
  return plain;
}

static void residuals_take(udg_aligner *a, const udg_patch_set *set, const double *light) {
  float share[UDG_COLUMNS_MAX + 4] = {0};
  int at = 0;
  for (int k = 0; k < set->column_count; k++)
    share[k] = (float)light[k];
  for (int p = 0; p < set->patch_count; at += set->patches[p++].count)
    udg_align_model_take(set, &set->patches[p], share, a->residual + at);
  for (int i = 0; i < at; i++)
    a->residual[i] = a->mask[i] > 0 ? a->sample[i] - a->residual[i] : 0;
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

/* Roots of the weights of Tukey's biweight, or the bare mask; gives the residual's s.d. */
static double weights_take(udg_aligner *a, const udg_align_settings *how, int count) {
  double sum = 0, energy = 0;
  double spread = how->tukey > 0 ? fmax(spread_of(a, count), how->noise_floor) : 0;
  for (int i = 0; i < count; i++) {
    double r = (double)a->residual[i], root = (double)a->mask[i];
    if (how->tukey > 0) {
      double z = r / (how->tukey * spread);
      root *= fabs(z) < 1 ? 1 - z * z : 0;
    }
    double w = root * root;
    a->root[i] = (float)root;
    sum += w;
    energy += w * r * r;
  }
  double sigma = sum > 0 ? sqrt(energy / sum) : 0;
  return fmax(fmax(sigma, how->noise_floor), 1e-6);
}

/* Light alone; `light` receives it, the result the fit's quality. */
static void light_solve(udg_aligner *a, const udg_patch_set *set, const udg_align_pose *pose,
                        const float *roots, double *light, udg_align_result *result) {
  udg_align_layout how = {set->column_count, 0, 0, set->column_count};
  if (a->plain)
    udg_align_system_plain(a, set, &how, light);
  else
    udg_align_system_build(a, set, pose, &how, roots, light);
  double solution[UDG_UNKNOWN_MAX], explained = 0, background = 0;
  memcpy(solution, a->right, sizeof solution);
  memset(light, 0, UDG_COLUMNS_MAX * sizeof *light);
  result->explained = 0;
  if (!(a->weight_sum > 0) || udg_cholesky_factor(a->system, how.unknowns, UDG_UNKNOWN_MAX, 1e-12))
    return;
  udg_cholesky_forward(a->system, how.unknowns, UDG_UNKNOWN_MAX, solution);
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
  udg_cholesky_solve(a->system, how.unknowns, UDG_UNKNOWN_MAX, solution);
  memcpy(light, solution, (size_t)how.unknowns * sizeof *light);
}

/* H after the step: a small warp of the date plane about the set's centre. */
static void pose_step(udg_align_pose *pose, const udg_patch_set *set, const udg_align_layout *how,
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
static double step_length(const udg_patch_set *set, const udg_align_layout *how,
                          const double *step) {
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

void udg_align_measure(udg_aligner *aligner, const udg_patch_set *set, const udg_plane *photo,
                       const udg_align_settings *how, const udg_align_pose *pose,
                       udg_align_result *result) {
  samples_take(aligner, set, photo, how->clip_level, pose, 1);
  aligner->plain = is_plain(aligner, set, how, pose);
  light_solve(aligner, set, pose, aligner->mask, result->light, result);
  residuals_take(aligner, set, result->light);
  result->sigma = fmax(spread_of(aligner, pixels_of(set)), how->noise_floor);
  result->inside = aligner->inside;
  result->clipped = aligner->clipped;
  result->used = aligner->used;
  result->light[0] += aligner->level;
}

/* S.d. of what the light leaves of the samples, from the sums. */
static double plain_sigma(const udg_aligner *a, const udg_align_moments *m,
                          const udg_align_layout *how, const double *light, double noise_floor) {
  const int side = UDG_MOMENT_BLOCKS * m->columns;
  double energy = a->target_energy;
  for (int i = 0; i < how->light; i++) {
    energy -= 2 * light[i] * a->right[i];
    for (int j = 0; j < how->light; j++)
      energy += light[i] * light[j] * m->gram[i * side + j];
  }
  return fmax(fmax(sqrt(fmax(energy, 0) / a->weight_sum), noise_floor), 1e-6);
}

/* One Gauss-Newton step; gives its length, negative when none could be made. */
static double iterate(udg_aligner *a, const udg_patch_set *set, const udg_align_settings *given,
                      const udg_align_layout *how, udg_align_pose *pose, udg_align_result *result) {
  double sigma;
  a->plain = is_plain(a, set, given, pose);
  if (a->plain) {
    udg_align_system_plain(a, set, how, result->light);
    sigma = plain_sigma(a, set->moments, how, result->light, given->noise_floor);
  } else {
    residuals_take(a, set, result->light);
    sigma = weights_take(a, given, pixels_of(set));
    udg_align_system_build(a, set, pose, how, a->root, result->light);
  }
  udg_align_priors_add(a, set, how, given, pose, sigma);
  if (!udg_align_system_factor(a, how, &result->undetermined))
    return -1;
  double step[UDG_UNKNOWN_MAX];
  memcpy(step, a->right, sizeof step);
  udg_cholesky_solve(a->system, how->unknowns, UDG_UNKNOWN_MAX, step);
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
  udg_align_layout how = {set->column_count, given->global_count, place, 0};
  how.unknowns = how.light + how.global + place * set->patch_count;
  memset(result, 0, sizeof *result);
  if (pixels_of(set) > aligner->pixels_max)
    return;
  samples_take(aligner, set, photo, given->clip_level, pose, 1);
  aligner->plain = is_plain(aligner, set, given, pose);
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
    udg_align_covariance_take(aligner, &how, set->patch_count, result);
  else
    result->undetermined = (1u << given->global_count) - 1;
  udg_align_measure(aligner, set, photo, given, pose, result);
}
