/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "view.h"

#include <math.h>

#include "design.h"

/* Linear reflectances of our own choosing, in the range of coin metals. */
const ti_metal ti_metals[TI_METAL_COUNT] = {
    {"copper", {0.85, 0.50, 0.38}, {0.62, 0.60, 0.72}},
    {"old copper", {0.50, 0.31, 0.22}, {0.55, 0.55, 0.60}},
    {"bronze", {0.72, 0.55, 0.36}, {0.60, 0.58, 0.50}},
    {"brass", {0.84, 0.70, 0.40}, {0.70, 0.62, 0.50}},
    {"silver", {0.86, 0.84, 0.80}, {0.62, 0.56, 0.48}},
    {"nickel", {0.70, 0.67, 0.62}, {0.80, 0.78, 0.72}},
    {"gold", {0.92, 0.74, 0.40}, {0.85, 0.72, 0.60}},
};

static void draw_light(ti_rng *rng, const ti_options *o, ti_light *light) {
  double u = ti_rng_unit(rng);
  light->lamp_count = u < 0.42 ? 1 : u < 0.84 ? 2 : 3;
  for (int k = 0; k < light->lamp_count; k++) {
    ti_lamp *l = &light->lamps[k];
    l->azimuth_rad = ti_rng_range(rng, 0, 6.283185307179586);
    l->elevation_rad = ti_rng_range(rng, 0.35, 1.3);
    l->size_rad = ti_rng_range(rng, 0.15, 1.2);
    l->power = ti_rng_range(rng, 0.5, 1.0);
    l->ring = 0;
  }
  if (light->lamp_count == 1 && ti_rng_chance(rng, 0.12)) {
    light->lamps[0].ring = 1;
    light->lamps[0].elevation_rad = ti_rng_range(rng, 0.8, 1.3);
  }
  light->ambient = ti_rng_log_range(rng, 0.06, 0.6);
  for (int k = 0; k < TI_GLOW_MAX; k++) {
    light->glow[k][0] = ti_rng_range(rng, 0, 6.283185307179586);
    light->glow[k][1] = ti_rng_range(rng, 0.2, 1.4);
    light->glow[k][2] = ti_rng_range(rng, 0, 1.2);
  }
  light->camera_shade = ti_rng_chance(rng, 0.5) ? ti_rng_range(rng, 0.2, 0.8) : 0;
  if (o->overhead) {
    light->lamp_count = 1;
    light->lamps[0].elevation_rad = 1.5707963267948966;
    light->lamps[0].ring = 0;
    light->lamps[0].size_rad = 1.2;
    light->ambient = 1;
    light->camera_shade = 0;
    for (int k = 0; k < TI_GLOW_MAX; k++)
      light->glow[k][2] = 0;
  }
}

static void draw_post(ti_rng *rng, const ti_options *o, ti_post *post) {
  post->blur_px = ti_rng_range(rng, 0.2, 1.1);
  post->noise = ti_rng_range(rng, 0.002, 0.02);
  post->gamma = ti_rng_range(rng, 0.8, 1.25);
  double sharpen = ti_rng_range(rng, 0.3, 1.2);
  post->sharpen = ti_rng_chance(rng, 0.45) ? sharpen : 0;
  post->exposure = ti_rng_range(rng, 0.75, 1.25);
  for (int k = 0; k < 3; k++)
    post->white[k] = 1 + 0.05 * fmax(-2.5, fmin(2.5, ti_rng_normal(rng)));
  post->quality = 60 + ti_rng_pick(rng, 37);
  post->grey = ti_rng_chance(rng, 0.08);
  if (o->ideal)
    *post = (ti_post){
        .noise = o->ideal_noise / 255.0, .gamma = 1, .exposure = 1, .white = {1, 1, 1}, .grey = 1};
}

void ti_camera_axes(const ti_camera *camera, double m[9]) {
  double a = camera->tilt_rad[0], b = camera->tilt_rad[1], r = camera->roll_rad;
  double ca = cos(a), sa = sin(a), cb = cos(b), sb = sin(b), cr = cos(r), sr = sin(r);
  /* Rx(a) Ry(b) Rz(r). */
  double first[9] = {cb * cr, -cb * sr, sb, sr, cr, 0, -sb * cr, sb * sr, cb};
  for (int k = 0; k < 3; k++) {
    m[k] = first[k];
    m[3 + k] = ca * first[3 + k] - sa * first[6 + k];
    m[6 + k] = sa * first[3 + k] + ca * first[6 + k];
  }
}

void ti_camera_frame(ti_camera *camera, double px_per_mm, double wide, double high) {
  double c = fabs(cos(camera->roll_rad)), q = fabs(sin(camera->roll_rad));
  camera->width = (int)lround(px_per_mm * (c * wide + q * high));
  camera->height = (int)lround(px_per_mm * (q * wide + c * high));
}

void ti_camera_aim(const ti_scene *scene, ti_camera *camera) {
  double m[9], s = camera->digit_px / scene->date->height_mm, d = camera->distance_mm;
  ti_camera flat = *camera;
  flat.roll_rad = 0;
  ti_camera_axes(&flat, m);
  /* The coin turned about its middle and laid on the table, ... */
  double c = cos(camera->roll_rad), q = sin(camera->roll_rad);
  double x = camera->middle_mm[0], y = camera->middle_mm[1];
  udg_homography lay = {{c, -q, camera->table_mm[0] - c * x + q * y, q, c,
                         camera->table_mm[1] - q * x - c * y, 0, 0, 1}};
  /* ... the table tilted: X = m (x, y, 0); pixel = s X d / (d + Z) + centre. */
  udg_homography see = {{s * m[0], s * m[1], 0, s * m[3], s * m[4], 0, m[6] / d, m[7] / d, 1}};
  udg_homography centre = {{1, 0, camera->width / 2.0 + s * camera->shift_mm[0], 0, 1,
                            camera->height / 2.0 + s * camera->shift_mm[1], 0, 0, 1}};
  udg_homography laid = udg_homography_after(&see, &lay);
  camera->date_to_photo = udg_homography_after(&centre, &laid);
  double w = camera->date_to_photo.m[8];
  for (int k = 0; k < 9; k++)
    camera->date_to_photo.m[k] /= w;
}

static void draw_tilt(ti_rng *rng, ti_camera *c) {
  double spread = 0.045;
  for (int k = 0; k < 2; k++)
    c->tilt_rad[k] = spread * fmax(-3, fmin(3, ti_rng_normal(rng)));
}

static void draw_camera(ti_rng *rng, const ti_options *o, ti_scene *s) {
  ti_camera *c = &s->camera;
  double h = s->date->height_mm, low = 1e9, high = -1e9;
  for (int k = 0; k < s->date->place_count; k++) {
    const udg_outline *outline = &s->reference->digits[s->date->text[k] - '0'];
    low = fmin(low, s->date->places[k].centre_mm[0] + outline->low[0]);
    high = fmax(high, s->date->places[k].centre_mm[0] + outline->high[0]);
    c->middle_mm[1] += s->date->places[k].centre_mm[1] / s->date->place_count;
  }
  c->digit_px = ti_rng_log_range(rng, o->digit_px[0], o->digit_px[1]);
  draw_tilt(rng, c);
  double roll = ti_rng_normal(rng), any = ti_rng_unit(rng);
  c->roll_rad = fmax(o->turn_rad[0], fmin(o->turn_rad[1], 0.075 * roll));
  if (o->any_turn)
    c->roll_rad = o->turn_rad[0] + (o->turn_rad[1] - o->turn_rad[0]) * any;
  c->distance_mm = ti_rng_log_range(rng, 60, 400);
  double margin_x = h * ti_rng_range(rng, 0.35, 0.85), margin_y = h * ti_rng_range(rng, 0.35, 0.65);
  double loose = o->frame * ti_rng_range(rng, 0.8, 2.2) * h;
  double reach_x = 0.45 * margin_x + 0.8 * loose, reach_y = 0.45 * margin_y + 0.5 * loose;
  c->shift_mm[0] = reach_x * fmax(-1, fmin(1, 0.5 * ti_rng_normal(rng)));
  c->shift_mm[1] = reach_y * fmax(-1, fmin(1, 0.5 * ti_rng_normal(rng)));
  if (o->ideal) {
    c->tilt_rad[0] = c->tilt_rad[1] = 0;
    c->distance_mm = 1e6;
  }
  ti_camera_frame(c, c->digit_px / h, high - low + 2 * (margin_x + loose),
                  h + 2 * margin_y + 1.3 * loose);
  ti_camera_aim(s, c);
}

static void draw_turn(ti_rng *rng, const ti_options *o, ti_camera *c) {
  /* Half of the coins lie nearly upright, the others as they come. */
  double near = 0.1 * ti_rng_normal(rng), any = ti_rng_unit(rng);
  c->roll_rad = ti_rng_chance(rng, 0.5) ? near : 6.283185307179586 * (any - 0.5);
  if (o->any_turn)
    c->roll_rad = o->turn_rad[0] + (o->turn_rad[1] - o->turn_rad[0]) * any;
}

static void draw_backdrop(ti_rng *rng, ti_backdrop *b) {
  b->cloth = (ti_cloth)ti_rng_pick(rng, TI_CLOTH_COUNT);
  double bright = ti_rng_log_range(rng, 0.05, 0.9), tint = ti_rng_chance(rng, 0.5) ? 0.2 : 0.9;
  for (int k = 0; k < 3; k++)
    b->colour[k] = bright * (1 - tint * ti_rng_unit(rng));
  b->uneven = ti_rng_range(rng, 0, 0.3);
  b->pitch_mm = ti_rng_range(rng, 0.35, 1.2);
  double glare = ti_rng_range(rng, 0.3, 2.5);
  b->glare = ti_rng_chance(rng, 0.12) ? glare : 0;
  b->glare_at[0] = ti_rng_range(rng, 0.1, 0.9);
  b->glare_at[1] = ti_rng_range(rng, 0.1, 0.9);
  b->glare_turn_rad = ti_rng_range(rng, 0, 3.141592653589793);
  b->glare_wide = ti_rng_range(rng, 0.01, 0.05);
}

static void coin_middle(ti_scene *s) {
  double origin[2];
  ti_design_date_origin(s->reference, origin);
  s->camera.middle_mm[0] = -origin[0];
  s->camera.middle_mm[1] = -origin[1];
}

static void draw_whole_camera(ti_rng *rng, const ti_options *o, ti_scene *s) {
  ti_camera *c = &s->camera;
  double diameter = ti_design_diameter(s->reference);
  double scale = ti_rng_log_range(rng, o->coin_px[0], o->coin_px[1]) / diameter;
  c->digit_px = scale * s->date->height_mm;
  coin_middle(s);
  draw_tilt(rng, c);
  draw_turn(rng, o, c);
  c->distance_mm = ti_rng_log_range(rng, 120, 600);
  double side = diameter * (1.08 + 0.35 * ti_rng_unit(rng)), free = 0.5 * (side / diameter - 1.06);
  for (int k = 0; k < 2; k++)
    c->shift_mm[k] = diameter * free * ti_rng_range(rng, -1, 1);
  c->width = c->height = (int)lround(scale * side);
  ti_camera_aim(s, c);
}

/* Coins in rows, none on another, each turned its own way. */
void ti_view_lay(ti_rng *rng, const ti_options *o, int count, ti_scene *scenes) {
  int across = (int)ceil(sqrt((double)count * 1.2)), down = (count + across - 1) / across;
  double diameter = ti_design_diameter(scenes[0].reference), step = 1.3 * diameter;
  const ti_camera *first = &scenes[0].camera;
  double scale = first->digit_px / scenes[0].date->height_mm;
  for (int k = 0; k < count; k++) {
    ti_scene *s = &scenes[k];
    s->light = scenes[0].light;
    s->post = scenes[0].post;
    s->backdrop = scenes[0].backdrop;
    s->camera = *first;
    s->camera.digit_px = scale * s->date->height_mm;
    s->camera.shift_mm[0] = s->camera.shift_mm[1] = 0;
    s->camera.width = (int)lround(scale * step * across);
    s->camera.height = (int)lround(scale * step * down);
    coin_middle(s);
    draw_turn(rng, o, &s->camera);
    double jitter = 0.12 * diameter;
    s->camera.table_mm[0] =
        step * (k % across - 0.5 * (across - 1)) + jitter * ti_rng_range(rng, -1, 1);
    s->camera.table_mm[1] =
        step * (k / across - 0.5 * (down - 1)) + jitter * ti_rng_range(rng, -1, 1);
    ti_camera_aim(s, &s->camera);
  }
}

void ti_view_draw(ti_rng *rng, const ti_options *options, ti_scene *scene) {
  draw_light(rng, options, &scene->light);
  if (options->whole)
    draw_whole_camera(rng, options, scene);
  else
    draw_camera(rng, options, scene);
  draw_post(rng, options, &scene->post);
  draw_backdrop(rng, &scene->backdrop);
}
