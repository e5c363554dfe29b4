/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What plain coins show beside the model, by pixel, from many lights: appearance.h. */
#include <math.h>
#include <string.h>

#include "expect.h"
#include "learn_internal.h"
#include "linalg.h"

enum { TERMS = UDG_APPEARANCE_TERMS };

/* s.d. believed of each term beforehand: nothing beside the date is much steeper than
 * the date itself, whose edges make 1. */
static const double TERM_SD = 0.5;
/* Noise of a layer, over the photo's edges, is never believed to be less. */
static const double NOISE_MIN = 0.02;
/* Huber: beyond so many s.d. a photo's pull on a pixel grows no more; rounds. */
static const double HUBER = 2.0;
enum { ROUNDS = 3 };
/* Neighbourhoods (s.d., px) over which foretelling and variance are averaged. */
static const double FORETELL_SIGMA_PX = 2.0, VARIANCE_SIGMA_PX = 1.5;
/* No single coin speaks for a pixel's variance with more than this, in variances. */
static const float LEFT_MAX = 9.0f;

/* Where a photo's upright plane shows what pixel (x, y) of the nominal date shows. */
static void spot_in_photo(const udg_upright *upright, int x, int y, double spot[2]) {
  const udg_appearance frame = {.px_per_mm = upright->px_per_mm,
                                .origin_px = {upright->origin_px[0], upright->origin_px[1]}};
  double there[2];
  /* The way back, by one step of the fixed point: offsets are a pixel or two. */
  udg_appearance_spot(&frame, upright, x, y, there);
  spot[0] = 2.0 * (x + 0.5) - there[0];
  spot[1] = 2.0 * (y + 0.5) - there[1];
}

static udg_status planes_get(const udg_settings *settings, int width, int height,
                             udg_learn_layer *layer) {
  udg_plane *planes[] = {&layer->value, &layer->mask, &layer->left, &layer->weight, &layer->share};
  for (int i = 0; i < 5; i++) {
    udg_plane_destroy(settings, planes[i]);
    if (udg_plane_create(settings, width, height, planes[i]) != UDG_OK)
      return UDG_ERROR_MEMORY;
  }
  return UDG_OK;
}

void udg_learn_layer_destroy(const udg_settings *settings, udg_learn_layer *layer) {
  udg_plane *planes[] = {&layer->value, &layer->mask, &layer->left, &layer->weight, &layer->share};
  for (int i = 0; i < 5; i++)
    udg_plane_destroy(settings, planes[i]);
}

udg_status udg_learn_layer_fill(udg_learner *learner, udg_learn_entry *entry,
                                udg_message *message) {
  const udg_date_work *work = &learner->inspector->dates[learner->date_index];
  const udg_upright *upright = &work->upright;
  udg_learn_layer *layer = &entry->layer;
  if (planes_get(&learner->settings, upright->width, upright->height, layer) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory for a photo's layer");
  layer->scale = udg_appearance_terms(work->light, layer->term);
  layer->noise = fmax(work->residual->noise / layer->scale, NOISE_MIN);
  layer->gain = udg_residual_stroke_gain(work->residual);
  for (int y = 0; y < upright->height; y++) {
    for (int x = 0; x < upright->width; x++) {
      double spot[2];
      size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
      spot_in_photo(upright, x, y, spot);
      int seen = udg_plane_sample(&work->residual->mask, spot[0], spot[1]) > 0.95f;
      layer->mask.v[at] = seen ? 1.0f : 0.0f;
      layer->value.v[at] =
          seen ? udg_plane_sample(&work->residual->clean, spot[0], spot[1]) / (float)layer->scale
               : 0.0f;
    }
  }
  return UDG_OK;
}

void udg_learn_layer_judge(udg_learner *learner, udg_learn_entry *entry) {
  const udg_date_work *work = &learner->inspector->dates[learner->date_index];
  const udg_upright *upright = &work->upright;
  udg_learn_layer *layer = &entry->layer;
  layer->gain = udg_residual_stroke_gain(work->residual);
  for (int y = 0; y < upright->height; y++) {
    for (int x = 0; x < upright->width; x++) {
      double spot[2];
      size_t at = (size_t)y * (size_t)upright->width + (size_t)x;
      spot_in_photo(upright, x, y, spot);
      layer->left.v[at] = layer->weight.v[at] = 0.0f;
      if (layer->mask.v[at] <= 0.0f)
        continue;
      float weight = fmaxf(udg_plane_sample(&work->residual->weight, spot[0], spot[1]), 0.0f);
      float white = udg_plane_sample(&work->residual->white, spot[0], spot[1]);
      layer->weight.v[at] = weight;
      layer->left.v[at] = fminf(white * white * weight, LEFT_MAX);
    }
  }
}

typedef struct pixel_fit {
  double normal[TERMS * TERMS]; /* factored */
  double coefficient[TERMS];
} pixel_fit;

static double foretold(const double *coefficient, const double *term) {
  double sum = 0.0;
  for (int k = 0; k < TERMS; k++)
    sum += coefficient[k] * term[k];
  return sum;
}

static int takes_part(const udg_learner *learner, size_t i, int fold) {
  return (int)(i % UDG_LEARN_FOLDS) != fold && learner->entries[i].told.fate == UDG_LEARN_USED;
}

/* Ridge regression of one pixel over the photos, Huber's weights; 0 when none saw it. */
static int fit_pixel(const udg_learner *learner, int fold, size_t at, pixel_fit *fit) {
  int seen = 0;
  memset(fit->coefficient, 0, sizeof fit->coefficient);
  for (int round = 0; round < ROUNDS; round++) {
    memset(fit->normal, 0, sizeof fit->normal);
    double right[TERMS] = {0.0};
    seen = 0;
    for (size_t i = 0; i < learner->count; i++) {
      const udg_learn_layer *layer = &learner->entries[i].layer;
      if (!takes_part(learner, i, fold) || layer->mask.v[at] <= 0.0f)
        continue;
      double value = (double)layer->value.v[at];
      double z = fabs(value - foretold(fit->coefficient, layer->term)) / layer->noise;
      double w = (z > HUBER ? HUBER / z : 1.0) / (layer->noise * layer->noise);
      for (int j = 0; j < TERMS; j++) {
        right[j] += w * value * layer->term[j];
        for (int k = 0; k <= j; k++)
          fit->normal[j * TERMS + k] += w * layer->term[j] * layer->term[k];
      }
      seen++;
    }
    for (int j = 0; j < TERMS; j++)
      fit->normal[j * TERMS + j] += 1.0 / (TERM_SD * TERM_SD);
    if (seen == 0 || udg_cholesky_factor(fit->normal, TERMS, TERMS, 1e-12) != 0)
      return 0;
    memcpy(fit->coefficient, right, sizeof right);
    udg_cholesky_solve(fit->normal, TERMS, TERMS, fit->coefficient);
  }
  return seen;
}

/* What the fit would have said of photo i without it: y - e / (1 - h). */
static double foretold_without(const pixel_fit *fit, const udg_learn_layer *layer, size_t at) {
  double value = (double)layer->value.v[at], solved[TERMS];
  double error = value - foretold(fit->coefficient, layer->term);
  double z = fabs(error) / layer->noise;
  double w = (z > HUBER ? HUBER / z : 1.0) / (layer->noise * layer->noise);
  memcpy(solved, layer->term, sizeof solved);
  udg_cholesky_solve(fit->normal, TERMS, TERMS, solved);
  double leverage = fmin(w * foretold(solved, layer->term), 0.99);
  return value - error / (1.0 - leverage);
}

typedef struct foretelling {
  udg_plane product, square, energy, scratch;
  udg_plane error; /* squared standard error of `product` */
} foretelling;

static void foretelling_destroy(const udg_settings *settings, foretelling *f) {
  udg_plane *planes[] = {&f->product, &f->square, &f->energy, &f->scratch, &f->error};
  for (int i = 0; i < 5; i++)
    udg_plane_destroy(settings, planes[i]);
}

static udg_status foretelling_create(const udg_settings *settings, const udg_plane *like,
                                     foretelling *f) {
  memset(f, 0, sizeof *f);
  udg_plane *planes[] = {&f->product, &f->square, &f->energy, &f->scratch, &f->error};
  for (int i = 0; i < 5; i++)
    if (udg_plane_create(settings, like->width, like->height, planes[i]) != UDG_OK) {
      foretelling_destroy(settings, f);
      return UDG_ERROR_MEMORY;
    }
  return UDG_OK;
}

/* The photos' shares, by neighbourhood, into their sum and its squared standard error, each
 * photo being one coin: sum of squares about the mean. */
static void add_up(udg_learner *learner, int fold, double sigma_px, foretelling *f) {
  size_t count = (size_t)f->product.width * (size_t)f->product.height, photos = 0;
  memset(f->product.v, 0, count * sizeof *f->product.v);
  memset(f->error.v, 0, count * sizeof *f->error.v);
  for (size_t i = 0; i < learner->count; i++) {
    udg_plane *share = &learner->entries[i].layer.share;
    if (!takes_part(learner, i, fold))
      continue;
    udg_plane_blur(share, sigma_px, &f->scratch);
    for (size_t at = 0; at < count; at++) {
      f->product.v[at] += share->v[at];
      f->error.v[at] += share->v[at] * share->v[at];
    }
    photos++;
  }
  for (size_t at = 0; at < count; at++)
    f->error.v[at] -= f->product.v[at] * f->product.v[at] / (float)(photos > 0 ? photos : 1);
}

/* What is believed of the sum when its error is known: 1 - error^2 / sum^2, not below 0 (James
 * & Stein, 4th Berkeley Symposium 1, 1961, positive part). */
static double sure(const foretelling *f, size_t at) {
  double sum = (double)f->product.v[at], error = fmax((double)f->error.v[at], 0.0);
  return sum > 0.0 ? fmax(1.0 - error / (sum * sum), 0.0) : 0.0;
}

/* How well each photo is foretold by the others at this pixel. */
static void weigh_foretelling(udg_learner *learner, int fold, size_t at, const pixel_fit *fit,
                              foretelling *f) {
  double square = 0.0, energy = 0.0;
  for (size_t i = 0; i < learner->count; i++) {
    udg_learn_layer *layer = &learner->entries[i].layer;
    if (!takes_part(learner, i, fold) || layer->mask.v[at] <= 0.0f)
      continue;
    double w = 1.0 / (layer->noise * layer->noise);
    double limit = 3.0 * HUBER * layer->noise;
    double value = fmin(fmax((double)layer->value.v[at], -limit), limit);
    double other = foretold_without(fit, layer, at);
    layer->share.v[at] = (float)(w * value * other);
    square += w * other * other;
    energy += w * value * value;
  }
  f->square.v[at] = (float)square;
  f->energy.v[at] = (float)energy;
}

/* Terms are kept as far as they foretell photos that they were not made from:
 * share = sum y y' / sum y'^2 over the neighbourhood, between 0 and 1, the factor
 * that makes the foretelling's error least; and as far as that is sure. */
static void keep_what_foretells(foretelling *f, udg_appearance *made, double *explained_share) {
  size_t count = (size_t)f->product.width * (size_t)f->product.height;
  double before = 0.0, after = 0.0;
  udg_plane_blur(&f->square, FORETELL_SIGMA_PX, &f->scratch);
  udg_plane_blur(&f->energy, FORETELL_SIGMA_PX, &f->scratch);
  for (size_t i = 0; i < count; i++) {
    double square = (double)f->square.v[i], product = (double)f->product.v[i];
    double share = square > 1e-9 ? fmin(fmax(product / square, 0.0), 1.0) : 0.0;
    share *= sure(f, i);
    for (int k = 0; k < TERMS; k++)
      made->plane[k].v[i] *= (float)share;
    before += (double)f->energy.v[i];
    after += (double)f->energy.v[i] - 2.0 * share * product + share * share * square;
  }
  *explained_share = before > 0.0 ? fmax(1.0 - after / before, 0.0) : 0.0;
}

/* No photo has said anything yet. */
static void clear_shares(udg_learner *learner) {
  for (size_t i = 0; i < learner->count; i++) {
    udg_plane *share = &learner->entries[i].layer.share;
    if (share->v)
      memset(share->v, 0, sizeof(float) * (size_t)share->width * (size_t)share->height);
  }
}

udg_status udg_learn_terms(udg_learner *learner, int fold, udg_appearance *made,
                           double *explained_share, udg_message *message) {
  const udg_plane *like = &made->plane[0];
  size_t count = (size_t)like->width * (size_t)like->height;
  foretelling f;
  if (foretelling_create(&learner->settings, like, &f) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to learn the appearance");
  clear_shares(learner);
  for (size_t at = 0; at < count; at++) {
    pixel_fit fit;
    if (!fit_pixel(learner, fold, at, &fit)) {
      for (int k = 0; k < TERMS; k++)
        made->plane[k].v[at] = 0.0f;
      continue;
    }
    for (int k = 0; k < TERMS; k++)
      made->plane[k].v[at] = (float)fit.coefficient[k];
    weigh_foretelling(learner, fold, at, &fit, &f);
  }
  add_up(learner, fold, FORETELL_SIGMA_PX, &f);
  keep_what_foretells(&f, made, explained_share);
  foretelling_destroy(&learner->settings, &f);
  return UDG_OK;
}

/* Extra variance v with E[left] = 1 + v s, s = (scale gain)^2 weight of each photo:
 * v = sum s (left - 1) / sum s^2, by neighbourhood, as far as it is sure: a photo's own
 * texture is in its weights already. */
udg_status udg_learn_variance(udg_learner *learner, udg_appearance *made, udg_message *message) {
  udg_plane *plane = &made->plane[UDG_APPEARANCE_VARIANCE];
  size_t count = (size_t)plane->width * (size_t)plane->height;
  foretelling f;
  if (foretelling_create(&learner->settings, plane, &f) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "no memory to learn the appearance");
  clear_shares(learner);
  for (size_t at = 0; at < count; at++) {
    double square = 0.0;
    for (size_t i = 0; i < learner->count; i++) {
      udg_learn_layer *layer = &learner->entries[i].layer;
      if (!takes_part(learner, i, -1) || layer->mask.v[at] <= 0.0f)
        continue;
      double s = layer->scale * layer->gain;
      s *= s * (double)layer->weight.v[at];
      layer->share.v[at] = (float)(s * ((double)layer->left.v[at] - 1.0));
      square += s * s;
    }
    f.square.v[at] = (float)square;
  }
  add_up(learner, -1, VARIANCE_SIGMA_PX, &f);
  udg_plane_blur(&f.square, VARIANCE_SIGMA_PX, &f.scratch);
  for (size_t at = 0; at < count; at++)
    plane->v[at] = f.square.v[at] > 1e-9f
                       ? fmaxf(f.product.v[at] / f.square.v[at], 0.0f) * (float)sure(&f, at)
                       : 0.0f;
  foretelling_destroy(&learner->settings, &f);
  return UDG_OK;
}
