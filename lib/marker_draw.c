/* SPDX-License-Identifier: GPL-2.0-or-later */
/* A marker as this photo's light would draw it. */
#include <math.h>
#include <string.h>

#include "marker_look.h"
#include "relief.h"

/* Distances are followed this far, px. */
static const double REACH_PX = 40.0;
/* Bevel widths outside an outline from where on nothing of its shoulder is left. */
static const double DRY_FROM = -0.3;

float udg_look_lit(const udg_light *light, double x, double direction_rad, double sharp,
                   int dry_foot) {
  const double turn = 2.0 * acos(-1.0);
  if (!(x > UDG_LIGHT_X_LOW && x < UDG_LIGHT_X_HIGH))
    return 0.0f;
  if (dry_foot && x < DRY_FROM)
    return light->flat[(int)lround((x - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW) *
                                   (UDG_LIGHT_STEPS - 1))];
  double along = (x - UDG_LIGHT_X_LOW) / (UDG_LIGHT_X_HIGH - UDG_LIGHT_X_LOW);
  int step = (int)lround(along * (UDG_LIGHT_STEPS - 1));
  double part = direction_rad / turn - floor(direction_rad / turn);
  int angle = (int)lround(part * UDG_LIGHT_ANGLES) % UDG_LIGHT_ANGLES;
  return (float)sharp * (light->odd[step][angle] + light->even[step][angle]) + light->flat[step];
}

/* Views of `size` squared into planes that are larger. */
static udg_plane view(const udg_plane *plane, int size) {
  return (udg_plane){size, size, plane->v};
}

/* The light that relief keeps from what is beside and on top of it: without it the edges'
 * own part of the model is not what an edge looks like. */
static void draw_covers(udg_look *look, const udg_plane *distance, udg_plane *shade) {
  const udg_look_scene *scene = &look->scene;
  const double *c = scene->light->coefficient + UDG_LIGHT_KNOTS * UDG_LIGHT_PER_KNOT;
  int size = distance->width, count = size * size;
  udg_plane cover = view(&look->scratch[7], size), spare = view(&look->scratch[0], size);
  double height_px = scene->reference->dates[scene->date_index].height_mm * look->patch.px_per_mm;
  memset(shade->v, 0, sizeof(float) * (size_t)count);
  if (look->bare)
    return;
  for (int k = 0; k < 3; k++) {
    float outside = (float)c[2 * k], within = (float)c[2 * k + 1];
    for (int i = 0; i < count; i++)
      cover.v[i] = fminf(fmaxf(distance->v[i] + 0.5f, 0.0f), 1.0f);
    udg_plane_blur(&cover, udg_light_cover_sigma[k] * height_px, &spare);
    for (int i = 0; i < count; i++) {
      float inside = fminf(fmaxf(distance->v[i] + 0.5f, 0.0f), 1.0f);
      shade->v[i] += cover.v[i] * (outside * (1.0f - inside) + within * inside);
    }
  }
}

void udg_look_draw(udg_look *look, udg_plane *distance, double bevel_px, double turn_rad,
                   udg_plane *image) {
  int size = distance->width;
  udg_plane cosine = view(&look->scratch[0], size), sine = view(&look->scratch[1], size);
  udg_plane sharp = view(&look->scratch[2], size), spare = view(&look->scratch[3], size);
  draw_covers(look, distance, image);
  udg_edge_direction(distance, &cosine, &sine, &sharp, &spare);
  for (int i = 0; i < size * size; i++)
    image->v[i] += udg_look_lit(look->scene.light, (double)distance->v[i] / bevel_px,
                                atan2((double)sine.v[i], (double)cosine.v[i]) + turn_rad,
                                (double)sharp.v[i], look->dry_foot);
}

double udg_look_reach_mm(const udg_look *look, const udg_marker *marker) {
  double bevel = look->scene.reference->bevel_mm, extent = marker->extent_mm;
  if (marker->kind == UDG_MARKER_DOUBLED) { /* letter by letter */
    extent = 0.0;
    for (int k = 0; k < marker->of_count; k++) {
      const udg_outline *o = &look->scene.reference->design[marker->of[k]].outline;
      for (int axis = 0; axis < 2; axis++)
        extent = fmax(extent, fmax(-o->low[axis], o->high[axis]));
    }
    extent += marker->narrow_mm;
  }
  return extent + 1.5 * bevel + marker->tolerance_mm;
}

double udg_look_px_per_mm(const udg_look *look, const udg_marker *marker, double reach_mm) {
  const udg_look_scene *scene = &look->scene;
  double photo =
      udg_homography_scale(&scene->registration->date_to_photo, marker->at_mm[0], marker->at_mm[1]);
  /* Finer than the photo only where a shoulder would fall between pixels. */
  double wanted = fmin(fmax(photo, 6.0 / marker->narrow_mm), 3.0 * photo);
  return fmin(wanted, (0.5 * UDG_LOOK_PX_MAX - 2.0) / reach_mm);
}

/* A disc of the mark's frame is all that was punched. */
static void keep_disc(udg_plane *distance, const double disc[3], double turn_rad,
                      const double centre_px[2], double px_per_mm) {
  double c = cos(turn_rad), s = sin(turn_rad);
  double x = centre_px[0] + px_per_mm * (c * disc[0] - s * disc[1]);
  double y = centre_px[1] + px_per_mm * (s * disc[0] + c * disc[1]);
  for (int j = 0; j < distance->height; j++)
    for (int i = 0; i < distance->width; i++) {
      double inside = disc[2] * px_per_mm - hypot(i + 0.5 - x, j + 0.5 - y);
      float *d = udg_plane_row(distance, j) + i;
      *d = fminf(*d, (float)inside);
    }
}

/* The marker by itself in the field; what is known of the coin covers it. */
static udg_status draw_alone(udg_look *look, const udg_marker *marker, double extra_turn_rad,
                             udg_message *message) {
  udg_look_patch *patch = &look->patch;
  udg_plane distance = view(&look->scratch[4], patch->size);
  double at[2] = {0.5 * patch->size, 0.5 * patch->size};
  if (marker->disc[2] > 0.0) { /* the part's middle is what lies at the place */
    double c = cos(extra_turn_rad), s = sin(extra_turn_rad);
    at[0] -= patch->px_per_mm * (c * marker->disc[0] - s * marker->disc[1]);
    at[1] -= patch->px_per_mm * (s * marker->disc[0] + c * marker->disc[1]);
  }
  udg_status status =
      udg_relief_distance_within(&look->settings, &marker->outline, patch->px_per_mm,
                                 extra_turn_rad, at[0], at[1], REACH_PX, &distance, message);
  if (status != UDG_OK)
    return status;
  if (marker->disc[2] > 0.0)
    keep_disc(&distance, marker->disc, extra_turn_rad, at, patch->px_per_mm);
  /* A narrow ridge has its shoulders meet in its middle. */
  double bevel = fmin(look->scene.reference->bevel_mm, 0.5 * marker->narrow_mm);
  udg_look_draw(look, &distance, bevel * patch->px_per_mm, patch->spot.turn_rad, &look->mark);
  for (int i = 0; i < patch->size * patch->size; i++)
    if (patch->base.v[i] > 0.0f)
      look->mark.v[i] = 0.0f;
  return UDG_OK;
}

/* The design with the marker less the design without. */
static udg_status draw_on_design(udg_look *look, const udg_marker *marker, udg_message *message) {
  udg_look_patch *patch = &look->patch;
  const udg_look_spot *spot = &patch->spot;
  int size = patch->size, count = size * size;
  udg_plane with = view(&look->scratch[4], size), without = view(&look->scratch[5], size);
  udg_plane image = view(&look->scratch[6], size);
  double c = cos(spot->turn_rad), s = sin(spot->turn_rad), at[2], turn;
  const udg_outline *outline = &marker->outline;
  at[0] = at[1] = 0.5 * size;
  turn = 0.0;
  if (marker->kind == UDG_MARKER_DOUBLED) {
    const udg_design_item *item = &look->scene.reference->design[spot->item];
    double x = item->at_mm[0] + spot->shift_mm[0] - spot->at_mm[0];
    double y = item->at_mm[1] + spot->shift_mm[1] - spot->at_mm[1];
    at[0] += patch->px_per_mm * (c * x + s * y);
    at[1] += patch->px_per_mm * (c * y - s * x);
    turn = item->turn_rad - spot->turn_rad;
    outline = &item->outline;
  }
  udg_status status = udg_relief_distance_within(&look->settings, outline, patch->px_per_mm, turn,
                                                 at[0], at[1], REACH_PX, &with, message);
  if (status != UDG_OK)
    return status;
  for (int i = 0; i < count; i++) {
    float d = with.v[i], b = patch->base.v[i];
    with.v[i] = fmaxf(b, d);
    without.v[i] = marker->kind == UDG_MARKER_DOUBLED ? b : fminf(b, -d);
  }
  double bevel = look->scene.reference->bevel_mm * patch->px_per_mm;
  udg_look_draw(look, &with, bevel, spot->turn_rad, &look->mark);
  udg_look_draw(look, &without, bevel, spot->turn_rad, &image);
  float sign = marker->kind == UDG_MARKER_MISSING ? -1.0f : 1.0f;
  for (int i = 0; i < count; i++)
    look->mark.v[i] = sign * (look->mark.v[i] - image.v[i]);
  return UDG_OK;
}

udg_status udg_look_mark_make(udg_look *look, const udg_marker *marker, double extra_turn_rad,
                              udg_message *message) {
  int size = look->patch.size, count = size * size;
  look->mark.width = look->mark.height = size;
  udg_status status = look->patch.spot.item >= 0
                          ? draw_on_design(look, marker, message)
                          : draw_alone(look, marker, extra_turn_rad, message);
  if (status != UDG_OK)
    return status;
  /* The ground under it is taken away from the photo too. */
  double sum = 0.0;
  int n = 0;
  for (int i = 0; i < count; i++)
    if (look->mark.v[i] != 0.0f) {
      sum += (double)look->mark.v[i];
      n++;
    }
  float mean = n ? (float)(sum / n) : 0.0f;
  for (int i = 0; i < count; i++)
    if (look->mark.v[i] != 0.0f)
      look->mark.v[i] -= mean;
  return UDG_OK;
}
