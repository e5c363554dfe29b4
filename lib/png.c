/* SPDX-License-Identifier: GPL-2.0-or-later */
/* PNG to grey; the only file that knows libpng. */
#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <png.h>

#include "image_internal.h"

/* As in jpeg.c: all that a longjmp() must leave intact is in here. */
typedef struct png_state {
  png_structp png;
  png_infop info;
  jmp_buf escape;
  const udg_settings *settings;
  const char *name;
  const uint8_t *bytes;
  size_t byte_count, position;
  udg_message *message;
  udg_status status;
  uint64_t held_bytes; /* by libpng and by the pixels */
  int short_of_memory, past_limit;
  int warning_count;
  uint8_t *grey, *row;
} png_state;

_Noreturn static void give_up(png_state *s, udg_status status, const char *what) {
  s->status = udg_fail(s->message, status, "%s: byte %zu of %zu: %s", s->name, s->position,
                       s->byte_count, what);
  longjmp(s->escape, 1);
}

static void check_memory(png_state *s) {
  if (s->past_limit)
    give_up(s, UDG_ERROR_LIMIT, "takes more memory to decode than max_decode_bytes allows");
  if (s->short_of_memory)
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
}

static void on_error(png_structp png, png_const_charp text) {
  png_state *s = png_get_error_ptr(png);
  check_memory(s);
  give_up(s, UDG_ERROR_FORMAT, text);
}

/* Broken chunks that do not touch the pixels; one line a file is enough. */
static void on_warning(png_structp png, png_const_charp text) {
  png_state *s = png_get_error_ptr(png);
  if (s->warning_count++ == 0)
    udg_log(s->settings, UDG_LOG_WARNING, "%s: byte %zu of %zu: %s", s->name, s->position,
            s->byte_count, text);
}

/* A block of libpng with its size in front, so that what it holds is known. */
enum { FRONT_BYTES = 64 };

static int take(png_state *s, uint64_t bytes) {
  const uint64_t most = s->settings->max_decode_bytes;
  if (bytes > most || s->held_bytes > most - bytes) {
    s->past_limit = 1;
    return 0;
  }
  s->held_bytes += bytes;
  return 1;
}

static png_voidp on_allocate(png_structp png, png_alloc_size_t bytes) {
  png_state *s = png_get_mem_ptr(png);
  if (bytes > SIZE_MAX - FRONT_BYTES || !take(s, bytes))
    return NULL;
  unsigned char *block = udg_memory_get(s->settings, bytes + FRONT_BYTES, 1);
  if (!block) {
    s->held_bytes -= bytes;
    s->short_of_memory = 1;
    return NULL;
  }
  const uint64_t size = bytes;
  memcpy(block, &size, sizeof size);
  return block + FRONT_BYTES;
}

static void on_release(png_structp png, png_voidp pointer) {
  if (!pointer)
    return;
  png_state *s = png_get_mem_ptr(png);
  unsigned char *block = (unsigned char *)pointer - FRONT_BYTES;
  uint64_t size;
  memcpy(&size, block, sizeof size);
  s->held_bytes -= size;
  udg_memory_drop(s->settings, block);
}

static void on_read(png_structp png, png_bytep out, size_t count) {
  png_state *s = png_get_io_ptr(png);
  if (count > s->byte_count - s->position) {
    s->position = s->byte_count;
    give_up(s, UDG_ERROR_TRUNCATED, "ends too early");
  }
  memcpy(out, s->bytes + s->position, count);
  s->position += count;
}

/* Sizes are looked at before libpng does, whose own refusal does not tell a
 * broken header from a large picture.  Signature 8, length 4, "IHDR" 4, width 4,
 * height 4 (W3C PNG, 5.3 and 11.2.1). */
static void check_size(png_state *s) {
  const uint8_t *p = s->bytes;
  if (s->byte_count < 24 || memcmp(p + 12, "IHDR", 4) != 0)
    return;
  const uint32_t width = png_get_uint_32(p + 16), height = png_get_uint_32(p + 20);
  char what[160];
  s->position = 16;
  if (width <= PNG_UINT_31_MAX && height <= PNG_UINT_31_MAX &&
      udg_image_check_size(s->settings, width, height, what, sizeof what) != UDG_OK)
    give_up(s, UDG_ERROR_LIMIT, what);
  s->position = 0;
}

/* Only pixels and the turn are wanted.  Chunks that hold compressed text or
 * profiles (a kilobyte may unfold to gigabytes) are passed over unread. */
static void set_limits(png_state *s) {
  static const png_byte unread[] = "iCCP\0zTXt\0iTXt\0tEXt\0sPLT\0hIST\0pCAL\0sCAL";
  png_set_keep_unknown_chunks(s->png, PNG_HANDLE_CHUNK_NEVER, unread, (int)(sizeof unread / 5));
  png_set_user_limits(s->png, s->settings->max_side_px, s->settings->max_side_px);
  png_set_chunk_cache_max(s->png, 64);
  png_set_chunk_malloc_max(s->png, 8u << 20);
}

/* Leaves G, GA, RGB or RGBA of 8 bits; gives the channels. */
static unsigned set_transforms(png_state *s) {
  png_set_expand(s->png); /* palette, fewer than 8 bits, tRNS to alpha */
  png_set_scale_16(s->png);
  png_read_update_info(s->png, s->info);
  return png_get_channels(s->png, s->info);
}

/* White shows through where a picture is transparent, as on a listing's page. */
static uint8_t over_white(unsigned grey, unsigned alpha) {
  return (uint8_t)((grey * alpha + 255u * (255u - alpha) + 127u) / 255u);
}

/* The pixels of one row go to every `step`-th pixel of `grey`. */
static void grey_from_row(const uint8_t *p, uint32_t count, unsigned channels, uint8_t *grey,
                          uint32_t step) {
  for (uint32_t i = 0; i < count; i++, p += channels, grey += step) {
    const unsigned y = channels >= 3 ? udg_luma(p[0], p[1], p[2]) : p[0];
    *grey = channels % 2 ? (uint8_t)y : over_white(y, p[channels - 1]);
  }
}

static void check_cancel(png_state *s, uint32_t y) {
  if (y % 64 == 0 && s->settings->cancel && s->settings->cancel(s->settings->user))
    give_up(s, UDG_ERROR_CANCELLED, "stopped on request");
}

/* Interlaced pictures come as seven small ones, put in their places here: no
 * second full-size buffer is needed. */
static void read_pass(png_state *s, int pass, unsigned channels, uint32_t width, uint32_t height) {
  const int interlaced = pass >= 0;
  const uint32_t columns = interlaced ? PNG_PASS_COLS(width, pass) : width;
  const uint32_t rows = interlaced ? PNG_PASS_ROWS(height, pass) : height;
  if (columns == 0)
    return;
  for (uint32_t i = 0; i < rows; i++) {
    const uint32_t y = interlaced ? PNG_ROW_FROM_PASS_ROW(i, pass) : i;
    const uint32_t x = interlaced ? PNG_COL_FROM_PASS_COL(0u, pass) : 0;
    check_cancel(s, i);
    png_read_row(s->png, s->row, NULL);
    grey_from_row(s->row, columns, channels, s->grey + (size_t)y * width + x,
                  interlaced ? 1u << PNG_PASS_COL_SHIFT(pass) : 1u);
  }
}

static void read_pixels(png_state *s, uint32_t width, uint32_t height) {
  const int interlaced = png_get_interlace_type(s->png, s->info) != PNG_INTERLACE_NONE;
  const unsigned channels = set_transforms(s);
  const size_t row_bytes = png_get_rowbytes(s->png, s->info);
  if (!take(s, (uint64_t)width * height) || !take(s, row_bytes))
    check_memory(s);
  s->grey = udg_memory_get(s->settings, height, width);
  s->row = udg_memory_get(s->settings, row_bytes, 1);
  if (!s->grey || !s->row)
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
  if (!interlaced)
    read_pass(s, -1, channels, width, height);
  for (int pass = 0; interlaced && pass < PNG_INTERLACE_ADAM7_PASSES; pass++)
    read_pass(s, pass, channels, width, height);
}

static int orientation_of(png_state *s) {
  png_bytep exif = NULL;
  png_uint_32 exif_bytes = 0;
  if (!png_get_eXIf_1(s->png, s->info, &exif_bytes, &exif) || !exif)
    return 1;
  const int orientation = udg_exif_orientation(s->settings, exif, exif_bytes);
  if (orientation == 0)
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
  return orientation;
}

static void decode_guarded(png_state *s, udg_decoded *decoded) {
  if (setjmp(s->escape))
    return;
  check_size(s);
  s->png = png_create_read_struct_2(PNG_LIBPNG_VER_STRING, s, on_error, on_warning, s, on_allocate,
                                    on_release);
  if (s->png)
    s->info = png_create_info_struct(s->png);
  check_memory(s);
  if (!s->info)
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
  png_set_read_fn(s->png, s, on_read);
  set_limits(s);
  png_read_info(s->png, s->info);
  decoded->width = decoded->stored_width = png_get_image_width(s->png, s->info);
  decoded->height = decoded->stored_height = png_get_image_height(s->png, s->info);
  decoded->scale = 1.0;
  read_pixels(s, decoded->width, decoded->height);
  png_read_end(s->png, s->info);
  decoded->orientation = orientation_of(s);
  /* libpng goes on without an ancillary chunk that it had no memory for. */
  check_memory(s);
  decoded->grey = s->grey;
  s->grey = NULL;
}

udg_status udg_png_decode(const udg_settings *settings, const uint8_t *bytes, size_t byte_count,
                          const char *name, udg_decoded *decoded, udg_message *message) {
  png_state s = {.settings = settings,
                 .name = name,
                 .bytes = bytes,
                 .byte_count = byte_count,
                 .message = message};
  decode_guarded(&s, decoded);
  if (s.png)
    png_destroy_read_struct(&s.png, &s.info, NULL);
  udg_memory_drop(settings, s.grey);
  udg_memory_drop(settings, s.row);
  return s.status;
}
