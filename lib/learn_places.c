/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Where the digits of a type sit, from many coins of it. */
#include <math.h>
#include <string.h>

#include "learn_internal.h"

/* Biweight (Mosteller & Tukey 1977): values beyond so many robust s.d. count nothing. */
static const double TUKEY = 4.685;
/* The registration is told a slack so many times what the digits were seen to stray:
 * narrower, a digit that its light moves is held against what is seen, and the whole
 * date turns with it. Measured on drawn coins; 3.5 times register as well as 2 or better,
 * so that a slack that the reference gives is widened where digits stray more, and never
 * narrowed. */
static const double SLACK_FACTOR = 2.0;
/* Narrower than these nothing is believed: shares of the digit height, degrees. */
static const double SLACK_MIN_SHARE = 0.004, SLACK_MIN_DEG = 0.2;

typedef struct centre {
  double mean, error; /* and its standard error */
  double square;      /* weighted sum of squares about it, for the pooled spread */
  double freedom;     /* effective values less one */
} centre;

static double median_abs(float *values, size_t n) {
  return (double)udg_values_select(values, n, n / 2);
}

/* Robust mean of n > 0 values; `scratch` has room for them. */
static centre centre_of(const double *values, size_t n, double floor, float *scratch) {
  centre c = {0.0, 0.0, 0.0, 0.0};
  for (size_t i = 0; i < n; i++)
    scratch[i] = (float)values[i];
  c.mean = 0.5 * (double)udg_values_select(scratch, n, n / 2);
  c.mean += 0.5 * (double)udg_values_select(scratch, n, (n - 1) / 2);
  for (size_t i = 0; i < n; i++)
    scratch[i] = (float)fabs(values[i] - c.mean);
  double spread = fmax(1.4826 * median_abs(scratch, n), floor);
  double weights = 0.0;
  for (int round = 0; round < 10; round++) {
    double sum = 0.0;
    weights = 0.0;
    for (size_t i = 0; i < n; i++) {
      double z = (values[i] - c.mean) / (TUKEY * spread);
      double w = fabs(z) < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
      sum += w * values[i];
      weights += w;
    }
    if (!(weights > 0.0))
      break;
    c.mean = sum / weights;
  }
  for (size_t i = 0; i < n; i++) {
    double off = values[i] - c.mean, z = off / (TUKEY * spread);
    double w = fabs(z) < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
    c.square += w * off * off;
  }
  c.freedom = fmax(weights - 1.0, 0.5);
  c.error = sqrt(c.square / c.freedom / fmax(weights, 1.0));
  return c;
}

static size_t gather(const udg_learner *learner, int place, int axis, double *values) {
  size_t n = 0;
  for (size_t i = 0; i < learner->count; i++) {
    const udg_learn_entry *e = &learner->entries[i];
    if (e->told.fate != UDG_LEARN_USED)
      continue;
    values[n++] = axis < 2 ? e->registration.place_offset_mm[place][axis]
                           : e->registration.place_turn_rad[place];
  }
  return n;
}

/* What all places share cannot be told from where the date as a whole lies.  Most
 * places are taken to be right: the biweight mean over the places is the shift that
 * they share, one that is off does not draw it along. */
static double shared_of(const centre *centres, int count, double error) {
  double values[UDG_PLACES_MAX] = {0.0};
  float scratch[UDG_PLACES_MAX];
  for (int p = 0; p < count; p++)
    values[p] = centres[p].mean;
  return centre_of(values, (size_t)count, error, scratch).mean;
}

/* A shift up to 1.5 of its errors is not believed, one of 3 is, in between it is in part (firm
 * shrinkage: Gao & Bruce, Statistica Sinica 7, 1997).  Shoulders unlike the reference's
 * shift a digit that is not alike on both sides, on every coin alike and by as much: more
 * photos do not tell that from a place that is off. */
static double believed(double mean, double error, double shoulder) {
  const double least = 1.5 * hypot(error, shoulder), whole = 2.0 * least, size = fabs(mean);
  if (size >= whole)
    return mean;
  return size <= least ? 0.0 : copysign(whole * (size - least) / (whole - least), mean);
}

/* Centres of one axis (2: turn) into the trial's places; pooled spread given back.  Until
 * the last round places go where they are seen, so that they are measured there. */
static double learn_axis(udg_learner *learner, int axis, int last, double floor, double *values,
                         float *scratch, double *error) {
  udg_date *date = &learner->trial->dates[learner->date_index];
  const udg_date *given = &learner->given->dates[learner->date_index];
  centre centres[UDG_PLACES_MAX];
  double square = 0.0, freedom = 0.0, errors = 0.0;
  for (int p = 0; p < date->place_count; p++) {
    size_t n = gather(learner, p, axis, values);
    centres[p] = centre_of(values, n, floor, scratch);
    square += centres[p].square;
    freedom += centres[p].freedom;
    errors += centres[p].error * centres[p].error / date->place_count;
  }
  *error = sqrt(errors);
  /* Both ends of a digit's height turn it by their difference. */
  const double shoulder = UDG_SWELL_SHARE * (axis < 2 ? date->height_mm : 2.0);
  double shared = shared_of(centres, date->place_count, fmax(*error, floor));
  for (int p = 0; p < date->place_count; p++) {
    double *place = axis < 2 ? &date->places[p].centre_mm[axis] : &date->places[p].turn_rad;
    double first = axis < 2 ? given->places[p].centre_mm[axis] : given->places[p].turn_rad;
    double shift = *place + centres[p].mean - shared - first;
    *place = first + (last ? believed(shift, *error, shoulder) : shift);
  }
  /* One place's worth of freedom went into where the date as a whole lies. */
  double shares = date->place_count > 1 ? date->place_count / (date->place_count - 1.0) : 0.0;
  return sqrt(shares * square / freedom);
}

void udg_learn_places(udg_learner *learner, int last) {
  udg_date *date = &learner->trial->dates[learner->date_index];
  const udg_date *given = &learner->given->dates[learner->date_index];
  udg_learn_report *report = &learner->report;
  const double degrees = 180.0 / acos(-1.0);
  report->place_count = date->place_count;
  double *values = udg_memory_get(&learner->settings, learner->count + 1, sizeof *values);
  float *scratch = udg_memory_get(&learner->settings, learner->count + 1, sizeof *scratch);
  if (values && scratch && date->place_count > 1) {
    double floor = 1e-4 * date->height_mm, spread[2], error[3];
    for (int axis = 0; axis < 2; axis++)
      spread[axis] = learn_axis(learner, axis, last, floor, values, scratch, &error[axis]);
    report->spread_mm = sqrt(0.5 * (spread[0] * spread[0] + spread[1] * spread[1]));
    report->spread_deg = degrees * learn_axis(learner, 2, last, 1e-4, values, scratch, &error[2]);
    report->place_error_mm = sqrt(0.5 * (error[0] * error[0] + error[1] * error[1]));
  }
  for (int p = 0; p < date->place_count; p++) {
    for (int axis = 0; axis < 2; axis++)
      report->place_shift_mm[p][axis] =
          date->places[p].centre_mm[axis] - given->places[p].centre_mm[axis];
    report->place_turn_deg[p] = degrees * (date->places[p].turn_rad - given->places[p].turn_rad);
  }
  learner->slack_mm = fmax(fmax(SLACK_FACTOR * report->spread_mm, given->slack_mm),
                           SLACK_MIN_SHARE * date->height_mm);
  learner->slack_deg =
      fmax(fmax(SLACK_FACTOR * report->spread_deg, degrees * given->slack_rad), SLACK_MIN_DEG);
  udg_memory_drop(&learner->settings, values);
  udg_memory_drop(&learner->settings, scratch);
}
