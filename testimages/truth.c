/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "truth.h"

#include <math.h>
#include <stdio.h>

#include "design.h"
#include "marker.h"
#include "view.h"

/* Nine digits: what the mathematics libraries of two machines differ by stays
 * below. */
#define NUMBER "%.9g"

static const char *const cloths[TI_CLOTH_COUNT] = {"plain", "weave", "grain", "speckle"};

static void numbers(FILE *f, const char *name, const double *v, int count, const char *end) {
  fprintf(f, "\"%s\": [", name);
  for (int k = 0; k < count; k++)
    fprintf(f, "%s" NUMBER, k ? ", " : "", v[k]);
  fprintf(f, "]%s", end);
}

/* Names in references may hold anything. */
static void text(FILE *f, const char *name, const char *value) {
  fprintf(f, "\"%s\": \"", name);
  for (const unsigned char *c = (const unsigned char *)value; *c; c++) {
    if (*c == '"' || *c == '\\')
      fprintf(f, "\\%c", *c);
    else if (*c < 0x20)
      fprintf(f, "\\u%04x", *c);
    else
      fputc(*c, f);
  }
  fprintf(f, "\"");
}

static void offset(FILE *f, const ti_offset *o) {
  fprintf(f, "\"dx\": " NUMBER ", \"dy\": " NUMBER ", \"rot\": " NUMBER, o->dx, o->dy, o->turn_rad);
}

static void write_type(FILE *f, const ti_scene *s) {
  fprintf(f, "\"type\": {");
  text(f, "name", s->reference->name);
  fprintf(f, ", ");
  text(f, "date", s->date->text);
  fprintf(f, ", \"height\": " NUMBER ", \"relief\": " NUMBER ", \"bevel\": " NUMBER "},\n",
          s->date->height_mm, s->reference->relief_mm, s->reference->bevel_mm);
}

static void write_punches(FILE *f, const ti_scene *s) {
  const ti_coin *c = &s->coin;
  fprintf(f, "\"digits\": [");
  for (int k = 0; k < s->date->place_count; k++) {
    fprintf(f, "%s{", k ? ", " : "");
    offset(f, &c->digits[k]);
    fprintf(f, "}");
  }
  fprintf(f, "],\n");
  if (c->has_under) {
    fprintf(f, "\"under\": {\"pos\": %d, \"digit\": \"%c\", ", c->under.place, c->under.digit);
    offset(f, &c->under.offset);
    fprintf(f, ", \"strength\": " NUMBER ", \"polish\": " NUMBER "},\n", c->under.strength,
            c->under.polish);
    fprintf(f, "\"visible_fraction\": " NUMBER ", \"visible_area_mm2\": " NUMBER ",\n",
            s->visible_share, s->visible_area_mm2);
  }
  if (c->has_doubling) {
    fprintf(f, "\"doubling\": {");
    offset(f, &c->doubling);
    fprintf(f, ", \"strength\": " NUMBER "},\n", c->doubling_strength);
  }
  if (c->has_fragment)
    fprintf(f,
            "\"fragment\": {\"digit\": \"%c\", \"x\": " NUMBER ", \"y\": " NUMBER
            ", \"rot\": " NUMBER ", \"r\": " NUMBER ", \"strength\": " NUMBER "},\n",
            c->fragment_digit, c->fragment.dx, c->fragment.dy, c->fragment.turn_rad,
            c->fragment_cut[2], c->fragment_strength);
}

static void write_marks(FILE *f, const ti_coin *c) {
  if (!c->mark_count)
    return;
  fprintf(f, "\"marks\": [");
  for (int k = 0; k < c->mark_count; k++) {
    const ti_mark *m = &c->marks[k];
    fprintf(f,
            "%s{\"kind\": \"%s\", \"x\": " NUMBER ", \"y\": " NUMBER ", \"ang\": " NUMBER
            ", \"length\": " NUMBER ", \"width\": " NUMBER ", \"h\": " NUMBER ", \"r\": " NUMBER
            "}",
            k ? ", " : "", ti_class_names[m->kind], m->x, m->y, m->angle_rad, m->length, m->width,
            m->height, m->radius);
  }
  fprintf(f, "],\n");
}

static void write_light(FILE *f, const ti_light *light) {
  fprintf(f, "\"lights\": [");
  for (int k = 0; k < light->lamp_count; k++) {
    const ti_lamp *l = &light->lamps[k];
    fprintf(f,
            "%s{\"az\": " NUMBER ", \"el\": " NUMBER ", \"size\": " NUMBER ", \"power\": " NUMBER
            ", \"ring\": %s}",
            k ? ", " : "", l->azimuth_rad, l->elevation_rad, l->size_rad, l->power,
            l->ring ? "true" : "false");
  }
  fprintf(f, "],\n\"ambient\": " NUMBER ",\n", light->ambient);
}

static void write_photo(FILE *f, const ti_scene *s) {
  const ti_camera *cam = &s->camera;
  const ti_post *p = &s->post;
  fprintf(f, "\"digit_px\": " NUMBER ",\n", cam->digit_px);
  numbers(f, "tilt", cam->tilt_rad, 2, ",\n");
  fprintf(f, "\"roll\": " NUMBER ",\n\"distance\": " NUMBER ",\n", cam->roll_rad, cam->distance_mm);
  numbers(f, "shift", cam->shift_mm, 2, ",\n");
  write_light(f, &s->light);
  fprintf(f,
          "\"post\": {\"blur\": " NUMBER ", \"noise\": " NUMBER ", \"gamma\": " NUMBER
          ", \"quality\": %d, \"sharpen\": " NUMBER ", \"expo\": " NUMBER ", \"grey\": %s, ",
          p->blur_px, p->noise, p->gamma, p->quality, p->sharpen, p->exposure,
          p->grey ? "true" : "false");
  numbers(f, "wb", p->white, 3, "},\n");
  numbers(f, "homography_mm_to_px", cam->date_to_photo.m, 9, ",\n");
  double x[UDG_PLACES_MAX];
  for (int k = 0; k < s->date->place_count; k++)
    x[k] = s->date->places[k].centre_mm[0];
  numbers(f, "digit_x_mm", x, s->date->place_count, ",\n");
  fprintf(f, "\"size\": [%d, %d]\n}\n", cam->width, cam->height);
}

/* Where the coin lies in the photo. */
static void write_coin(FILE *f, const ti_scene *s) {
  double d = ti_design_diameter(s->reference), origin[2], rim[64];
  ti_design_date_origin(s->reference, origin);
  for (int k = 0; k < 32; k++) {
    double a = 6.283185307179586 * k / 32;
    udg_homography_apply(&s->camera.date_to_photo, 0.5 * d * cos(a) - origin[0],
                         0.5 * d * sin(a) - origin[1], &rim[2 * k], &rim[2 * k + 1]);
  }
  fprintf(f,
          "\"date_base_mm\": " NUMBER ",\n\"diameter_mm\": " NUMBER ",\n\"coin_px\": " NUMBER
          ",\n\"side\": \"%s\",\n\"rim_px\": [",
          origin[1], d, d * s->camera.digit_px / s->date->height_mm,
          s->coin.other_side ? "other" : "date");
  for (int k = 0; k < 32; k++)
    fprintf(f, "%s[" NUMBER ", " NUMBER "]", k ? ", " : "", rim[2 * k], rim[2 * k + 1]);
  fprintf(f, "],\n\"backdrop\": \"%s\",\n\"glare\": " NUMBER ",\n", cloths[s->backdrop.cloth],
          s->backdrop.glare);
}

/* Markers of the reference's dies that this coin has. */
static void write_known(FILE *f, const ti_scene *s) {
  const udg_reference *ref = s->reference;
  int count = 0;
  if (!ref->marker_count)
    return;
  fprintf(f, "\"markers\": [");
  for (size_t k = 0; k < ref->marker_count; k++)
    if (s->coin.markers >> k & 1) {
      fprintf(f, "%s{", count++ ? ", " : "");
      text(f, "die", ref->expected[ref->markers[k].expected_index].id);
      fprintf(f, ", ");
      text(f, "id", ref->markers[k].id);
      fprintf(f, "}");
    }
  fprintf(f, "],\n");
}

static void write_scene(FILE *f, const ti_scene *scene) {
  const ti_coin *c = &scene->coin;
  fprintf(f, "{\n\"index\": %d,\n\"view\": %d,\n\"seed\": %llu,\n", scene->index, scene->view,
          (unsigned long long)scene->seed);
  write_type(f, scene);
  fprintf(f, "\"cls\": \"%s\",\n\"in_hub\": %s,\n",
          c->other_side ? "no_date" : ti_class_names[c->cls], scene->in_hub ? "true" : "false");
  if (!c->other_side) {
    write_punches(f, scene);
    write_marks(f, c);
    if (c->has_rim_cut)
      fprintf(f, "\"rim_cut\": {\"clock\": " NUMBER "},\n", c->rim_cut_clock);
    write_known(f, scene);
  }
  fprintf(f,
          "\"relief_mm\": " NUMBER ",\n\"bevel_mm\": " NUMBER ",\n\"profile\": \"%s\",\n"
          "\"strike_mm\": " NUMBER ",\n\"wear\": " NUMBER ",\n\"dents\": %d,\n\"hairlines\": %d,\n"
          "\"grain\": " NUMBER ",\n\"dirt\": " NUMBER ",\n\"tone\": " NUMBER ",\n\"rough\": " NUMBER
          ",\n\"diffuse\": " NUMBER ",\n\"metal\": \"%s\",\n",
          c->relief_mm, c->bevel_mm, ti_profile_names[c->profile], c->strike_mm, c->wear, c->dents,
          c->hairlines, c->grain_mm, c->dirt, c->tone, c->rough, c->diffuse,
          ti_metals[c->metal].name);
  if (c->fill < 1)
    fprintf(f, "\"strike\": {\"fill\": " NUMBER ", \"reach_mm\": " NUMBER "},\n", c->fill,
            c->fill_reach_mm);
  if (scene->has_design)
    write_coin(f, scene);
  write_photo(f, scene);
}

udg_status ti_truth_save(const char *path, const ti_scene *scenes, int count,
                         udg_message *message) {
  FILE *f = fopen(path, "w");
  if (!f)
    return udg_fail(message, UDG_ERROR_IO, "%s: cannot be written", path);
  if (count > 1) {
    fprintf(f, "{\"cls\": \"several\",\n\"size\": [%d, %d],\n\"coins\": [\n",
            scenes[0].camera.width, scenes[0].camera.height);
    for (int k = 0; k < count; k++) {
      if (k)
        fprintf(f, ",");
      write_scene(f, &scenes[k]);
    }
    fprintf(f, "]}\n");
  } else
    write_scene(f, scenes);
  int bad = ferror(f);
  if (fclose(f) || bad)
    return udg_fail(message, UDG_ERROR_IO, "%s: could not be written to the end", path);
  return UDG_OK;
}
