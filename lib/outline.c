/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The owner of FreeType: area covered by an outline, digits of a font. */
#include <math.h>
#include <string.h>

#include <ft2build.h>
#include FT_FREETYPE_H
#include FT_BBOX_H
#include FT_MODULE_H
#include FT_OUTLINE_H
#include FT_SYSTEM_H

#include "outline_build.h"
#include "reference_internal.h"

/* FreeType's rasteriser refuses coordinates beyond 2^18 px. */
static const double coordinate_max_px = 200000;

typedef struct udg_freetype {
  struct FT_MemoryRec_ memory;
  FT_Library library;
  const udg_settings *settings;
  int starved; /* the hook gave no memory: tells that apart from a bad font */
} udg_freetype;

static void *freetype_get(FT_Memory memory, long bytes) {
  udg_freetype *freetype = memory->user;
  void *block = bytes > 0 ? udg_memory_get(freetype->settings, (size_t)bytes, 1) : NULL;
  freetype->starved |= !block;
  return block;
}

static void freetype_drop(FT_Memory memory, void *block) {
  const udg_freetype *freetype = memory->user;
  udg_memory_drop(freetype->settings, block);
}

static void *freetype_resize(FT_Memory memory, long old_bytes, long bytes, void *block) {
  void *moved = freetype_get(memory, bytes);
  if (!moved)
    return NULL;
  if (block)
    memcpy(moved, block, (size_t)(old_bytes < bytes ? old_bytes : bytes));
  freetype_drop(memory, block);
  return moved;
}

static udg_status freetype_open(udg_freetype *freetype, const udg_settings *settings) {
  freetype->memory = (struct FT_MemoryRec_){freetype, freetype_get, freetype_drop, freetype_resize};
  freetype->settings = settings;
  freetype->starved = 0;
  if (FT_New_Library(&freetype->memory, &freetype->library))
    return UDG_ERROR_MEMORY;
  FT_Add_Default_Modules(freetype->library);
  return UDG_OK;
}

static void freetype_close(udg_freetype *freetype) {
  FT_Done_Library(freetype->library);
}

static void cover_spans(int y, int count, const FT_Span *spans, void *user) {
  const udg_plane *cover = user;
  int row = cover->height - 1 - y;
  if (row < 0 || row >= cover->height)
    return;
  for (int i = 0; i < count; i++) {
    int from = spans[i].x < 0 ? 0 : spans[i].x, to = spans[i].x + spans[i].len;
    for (int x = from; x < to && x < cover->width; x++)
      udg_plane_row(cover, row)[x] = (float)spans[i].coverage / 255.0f;
  }
}

/* Places the outline in 26.6 pixels, y up from the bottom of the plane. */
static int place_points(const udg_outline *outline, const double matrix[4], const double shift[2],
                        int height, FT_Outline *out) {
  for (size_t i = 0; i < outline->point_count; i++) {
    double x = outline->points[2 * i], y = outline->points[2 * i + 1];
    double px = matrix[0] * x + matrix[1] * y + shift[0];
    double py = height - (matrix[2] * x + matrix[3] * y + shift[1]);
    if (!(fabs(px) < coordinate_max_px && fabs(py) < coordinate_max_px))
      return 0;
    out->points[i].x = lrint(64 * px);
    out->points[i].y = lrint(64 * py);
    out->tags[i] = FT_CURVE_TAG_ON;
  }
  for (size_t k = 0; k < outline->contour_count; k++)
    out->contours[k] = (short)(outline->starts[k + 1] - 1);
  return 1;
}

static udg_status render(const udg_settings *settings, FT_Outline *outline, udg_plane *cover,
                         udg_message *message) {
  udg_freetype freetype;
  FT_Raster_Params params = {0};
  if (freetype_open(&freetype, settings) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "outline: out of memory");
  memset(cover->v, 0, (size_t)cover->width * (size_t)cover->height * sizeof *cover->v);
  params.flags = FT_RASTER_FLAG_AA | FT_RASTER_FLAG_DIRECT | FT_RASTER_FLAG_CLIP;
  params.gray_spans = cover_spans;
  params.user = cover;
  params.clip_box = (FT_BBox){0, 0, cover->width, cover->height};
  FT_Error error = FT_Outline_Render(freetype.library, outline, &params);
  freetype_close(&freetype);
  if (freetype.starved)
    return udg_fail(message, UDG_ERROR_MEMORY, "outline: out of memory");
  if (error)
    return udg_fail(message, UDG_ERROR_INTERNAL, "outline: FreeType error %d", error);
  return UDG_OK;
}

udg_status udg_outline_cover(const udg_settings *settings, const udg_outline *outline,
                             double px_per_mm, double turn_rad, double x_px, double y_px,
                             udg_plane *cover, udg_message *message) {
  const double c = px_per_mm * cos(turn_rad), s = px_per_mm * sin(turn_rad);
  const double matrix[4] = {c, -s, s, c}, shift[2] = {x_px, y_px};
  udg_settings resolved;
  udg_settings_resolve(&resolved, settings);
  if (outline->point_count > INT16_MAX || cover->width > INT16_MAX || cover->height > INT16_MAX)
    return udg_fail(message, UDG_ERROR_LIMIT, "outline: too many points or pixels");
  size_t count = outline->point_count;
  FT_Outline out = {.n_points = (short)count, .n_contours = (short)outline->contour_count};
  out.points = udg_memory_get(&resolved, count + 1, sizeof *out.points);
  out.tags = udg_memory_get(&resolved, count + 1, sizeof *out.tags);
  out.contours = udg_memory_get(&resolved, outline->contour_count + 1, sizeof *out.contours);
  udg_status status = UDG_OK;
  if (!out.points || !out.tags || !out.contours)
    status = udg_fail(message, UDG_ERROR_MEMORY, "outline: out of memory");
  else if (!place_points(outline, matrix, shift, cover->height, &out))
    status =
        udg_fail(message, UDG_ERROR_ARGUMENT, "outline: placed beyond %g px", coordinate_max_px);
  else
    status = render(&resolved, &out, cover, message);
  udg_memory_drop(&resolved, out.points);
  udg_memory_drop(&resolved, out.tags);
  udg_memory_drop(&resolved, out.contours);
  return status;
}

/* Font units to mm: x less the middle of the digit's width, y down, less half
 * the height of the flat digits above the baseline. */
typedef struct udg_glyph_walk {
  udg_outline_builder builder;
  double scale, middle_x, middle_y;
} udg_glyph_walk;

static udg_point glyph_point(const udg_glyph_walk *walk, const FT_Vector *p) {
  return (udg_point){walk->scale * ((double)p->x - walk->middle_x),
                     walk->scale * (walk->middle_y - (double)p->y)};
}

static int glyph_move(const FT_Vector *to, void *user) {
  udg_glyph_walk *walk = user;
  udg_outline_builder_move(&walk->builder, glyph_point(walk, to));
  return 0;
}

static int glyph_line(const FT_Vector *to, void *user) {
  udg_glyph_walk *walk = user;
  udg_outline_builder_line(&walk->builder, glyph_point(walk, to));
  return 0;
}

static int glyph_quadratic(const FT_Vector *control, const FT_Vector *to, void *user) {
  udg_glyph_walk *walk = user;
  udg_outline_builder_quadratic(&walk->builder, glyph_point(walk, control), glyph_point(walk, to));
  return 0;
}

static int glyph_cubic(const FT_Vector *control_1, const FT_Vector *control_2, const FT_Vector *to,
                       void *user) {
  udg_glyph_walk *walk = user;
  udg_outline_builder_cubic(&walk->builder, glyph_point(walk, control_1),
                            glyph_point(walk, control_2), glyph_point(walk, to));
  return 0;
}

/* Loads a digit in font units; 0 when the font has none with an outline. */
static int load_digit(FT_Face face, char digit, FT_BBox *box) {
  FT_UInt index = FT_Get_Char_Index(face, (FT_ULong)digit);
  if (index == 0 || FT_Load_Glyph(face, index, FT_LOAD_NO_SCALE) ||
      face->glyph->format != FT_GLYPH_FORMAT_OUTLINE || face->glyph->outline.n_points == 0)
    return 0;
  return FT_Outline_Get_BBox(&face->glyph->outline, box) == 0 && box->yMax > box->yMin &&
         box->xMax > box->xMin;
}

/* Height of the digits that are flat at top and foot, so have no overshoot:
 * the middle one of 1, 4 and 7, in font units; without them that of 0. */
static double flat_height(FT_Face face) {
  double heights[3];
  int count = 0;
  FT_BBox box;
  for (const char *digit = "147"; *digit; digit++) {
    if (!load_digit(face, *digit, &box))
      continue;
    double height = (double)(box.yMax - box.yMin);
    int at = count++;
    for (; at > 0 && heights[at - 1] > height; at--)
      heights[at] = heights[at - 1];
    heights[at] = height;
  }
  if (count > 0)
    return heights[count / 2];
  return load_digit(face, '0', &box) ? (double)(box.yMax - box.yMin) : 0;
}

static udg_status read_digit(const udg_settings *settings, FT_Face face, char digit, double flat,
                             double height_mm, udg_outline *outline, int *has, const char *field,
                             udg_message *message) {
  static const FT_Outline_Funcs functions = {glyph_move,  glyph_line, glyph_quadratic,
                                             glyph_cubic, 0,          0};
  FT_BBox box;
  *has = 0;
  if (!load_digit(face, digit, &box))
    return UDG_OK;
  udg_glyph_walk walk = {.scale = height_mm / flat,
                         .middle_x = (double)(box.xMin + box.xMax) / 2,
                         .middle_y = flat / 2};
  udg_outline_builder_begin(&walk.builder, settings);
  if (FT_Outline_Decompose(&face->glyph->outline, &functions, &walk)) {
    udg_outline_builder_drop(&walk.builder);
    return udg_fail(message, UDG_ERROR_REFERENCE, "%s: digit %c has a broken outline", field,
                    digit);
  }
  udg_status status = udg_outline_builder_end(&walk.builder, field, outline, message);
  *has = status == UDG_OK;
  return status;
}

static udg_status read_digits(const udg_settings *settings, FT_Face face, double height_mm,
                              udg_outline digits[10], int has_digit[10], const char *field,
                              udg_message *message) {
  udg_status status = UDG_OK;
  if (!FT_IS_SCALABLE(face))
    return udg_fail(message, UDG_ERROR_REFERENCE, "%s: the font has no outlines", field);
  double flat = flat_height(face);
  if (!(flat > 0))
    return udg_fail(message, UDG_ERROR_REFERENCE, "%s: the font has no digits", field);
  for (int d = 0; d < 10 && status == UDG_OK; d++)
    status = read_digit(settings, face, (char)('0' + d), flat, height_mm, &digits[d], &has_digit[d],
                        field, message);
  return status;
}

udg_status udg_font_digits(const udg_settings *settings, const void *font, size_t font_bytes,
                           double height_mm, udg_outline digits[10], int has_digit[10],
                           const char *field, udg_message *message) {
  udg_settings resolved;
  udg_freetype freetype;
  FT_Face face;
  udg_settings_resolve(&resolved, settings);
  memset(digits, 0, 10 * sizeof *digits);
  memset(has_digit, 0, 10 * sizeof *has_digit);
  if (font_bytes > INT32_MAX)
    return udg_fail(message, UDG_ERROR_LIMIT, "%s: font of more than 2 GiB", field);
  if (freetype_open(&freetype, &resolved) != UDG_OK)
    return udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", field);
  FT_Error error = FT_New_Memory_Face(freetype.library, font, (FT_Long)font_bytes, 0, &face);
  udg_status status = UDG_OK;
  if (freetype.starved)
    status = udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", field);
  else if (error)
    status = udg_fail(message, UDG_ERROR_REFERENCE, "%s: not a font that can be read", field);
  else
    status = read_digits(&resolved, face, height_mm, digits, has_digit, field, message);
  if (status == UDG_OK && freetype.starved) /* FreeType may have left glyphs out */
    status = udg_fail(message, UDG_ERROR_MEMORY, "%s: out of memory", field);
  freetype_close(&freetype); /* closes the face as well */
  for (int d = 0; d < 10 && status != UDG_OK; d++)
    udg_outline_destroy(&resolved, &digits[d]);
  return status;
}
