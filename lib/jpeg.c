/* SPDX-License-Identifier: GPL-2.0-or-later */
/* JPEG to grey; the only file that knows libjpeg.  libjpeg has no allocation
 * hook: its own working memory comes from malloc(), bounded by
 * `max_decode_bytes`; the pixels come from the host's hook. */
#include <limits.h>
#include <math.h>
#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <jpeglib.h>

#include <jerror.h>

#include "image_internal.h"

/* Everything that must live through a longjmp() is in here, and the function
 * that owns it calls the one that setjmp()s: no automatic variable is at stake. */
typedef struct jpeg_state {
  struct jpeg_error_mgr errors;
  struct jpeg_source_mgr source;
  struct jpeg_progress_mgr progress;
  struct jpeg_decompress_struct cinfo;
  jmp_buf escape;
  const udg_settings *settings;
  const char *name;
  size_t byte_count;
  udg_message *message;
  udg_status status;
  uint8_t *grey, *row;
  int orientation, saw_exif;
  uint64_t iterations;
} jpeg_state;

static jpeg_state *state_of(j_common_ptr cinfo) {
  return cinfo->client_data;
}

static size_t position(const jpeg_state *s) {
  return s->byte_count - s->source.bytes_in_buffer;
}

_Noreturn static void give_up(jpeg_state *s, udg_status status, const char *what) {
  s->status = udg_fail(s->message, status, "%s: byte %zu of %zu: %s", s->name, position(s),
                       s->byte_count, what);
  longjmp(s->escape, 1);
}

static void on_error(j_common_ptr cinfo) {
  jpeg_state *s = state_of(cinfo);
  char text[JMSG_LENGTH_MAX];
  cinfo->err->format_message(cinfo, text);
  switch (cinfo->err->msg_code) {
  case JERR_OUT_OF_MEMORY:
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
  case JERR_NO_BACKING_STORE: /* would pass max_memory_to_use */
    give_up(s, UDG_ERROR_LIMIT, "takes more memory to decode than max_decode_bytes allows");
  case JERR_IMAGE_TOO_BIG:
  case JERR_WIDTH_OVERFLOW:
    give_up(s, UDG_ERROR_LIMIT, text);
  case JERR_INPUT_EMPTY:
  case JERR_INPUT_EOF:
    give_up(s, UDG_ERROR_TRUNCATED, "ends too early");
  default:
    give_up(s, UDG_ERROR_FORMAT, text);
  }
}

/* libjpeg warns and paints grey where data are missing or broken.  A grey rest
 * would be judged as coin, so these are errors here. */
static void on_message(j_common_ptr cinfo, int level) {
  if (level >= 0)
    return;
  jpeg_state *s = state_of(cinfo);
  cinfo->err->num_warnings++;
  char text[JMSG_LENGTH_MAX];
  cinfo->err->format_message(cinfo, text);
  switch (cinfo->err->msg_code) {
  case JWRN_JPEG_EOF:
  case JWRN_HIT_MARKER:
    give_up(s, UDG_ERROR_TRUNCATED, text);
  case JWRN_ARITH_BAD_CODE:
  case JWRN_BOGUS_PROGRESSION: /* a scan is missing */
  case JWRN_HUFF_BAD_CODE:
  case JWRN_MUST_RESYNC:
    give_up(s, UDG_ERROR_FORMAT, text);
  default: /* nothing that changes a pixel; one line a file is enough */
    if (cinfo->err->num_warnings == 1)
      udg_log(s->settings, UDG_LOG_WARNING, "%s: byte %zu of %zu: %s", s->name, position(s),
              s->byte_count, text);
  }
}

static void source_start(j_decompress_ptr cinfo) {
  (void)cinfo;
}

/* The source holds the whole file from the start: being asked for more means
 * that the file is cut short. */
static boolean source_fill(j_decompress_ptr cinfo) {
  give_up(state_of((j_common_ptr)cinfo), UDG_ERROR_TRUNCATED, "ends too early");
}

static void source_skip(j_decompress_ptr cinfo, long count) {
  if (count <= 0)
    return;
  struct jpeg_source_mgr *source = cinfo->src;
  if ((size_t)count > source->bytes_in_buffer) {
    source->bytes_in_buffer = 0;
    give_up(state_of((j_common_ptr)cinfo), UDG_ERROR_TRUNCATED, "ends too early");
  }
  source->next_input_byte += count;
  source->bytes_in_buffer -= (size_t)count;
}

static void source_stop(j_decompress_ptr cinfo) {
  (void)cinfo;
}

static void check_cancel(jpeg_state *s) {
  const udg_settings *settings = s->settings;
  if (settings->cancel && settings->cancel(settings->user))
    give_up(s, UDG_ERROR_CANCELLED, "stopped on request");
}

/* Called for each row of blocks of each scan. */
static void on_progress(j_common_ptr common) {
  jpeg_state *s = state_of(common);
  if (s->iterations++ % 16 == 0)
    check_cancel(s);
  if (!common->is_decompressor)
    return;
  const struct jpeg_decompress_struct *cinfo = &s->cinfo;
  const uint64_t scans = cinfo->input_scan_number > 0 ? (uint64_t)cinfo->input_scan_number : 0;
  if (scans > s->settings->max_scans)
    give_up(s, UDG_ERROR_LIMIT, "more scans than max_scans allows");
  /* A scan may hold next to no data and still cost a walk over all blocks.
   * Encoders write ten scans or so: let the whole cost stay below that of ten
   * scans of the largest picture. */
  const uint64_t pixels = (uint64_t)cinfo->image_width * cinfo->image_height;
  if (scans * pixels > 10 * s->settings->max_pixels)
    give_up(s, UDG_ERROR_LIMIT, "too many scans for a picture of this size");
}

/* Looks at the EXIF block where it lies: nothing is copied. */
static boolean on_app1(j_decompress_ptr cinfo) {
  jpeg_state *s = state_of((j_common_ptr)cinfo);
  struct jpeg_source_mgr *source = cinfo->src;
  if (source->bytes_in_buffer < 2)
    source_fill(cinfo);
  const JOCTET *p = source->next_input_byte;
  const size_t length = (size_t)p[0] << 8 | p[1]; /* counts its own two bytes */
  if (length < 2)
    ERREXIT(cinfo, JERR_BAD_LENGTH);
  if (!s->saw_exif && length >= 8 && length <= source->bytes_in_buffer &&
      memcmp(p + 2, "Exif\0", 6) == 0) {
    s->saw_exif = 1;
    s->orientation = udg_exif_orientation(s->settings, p + 2, length - 2);
    if (s->orientation == 0)
      give_up(s, UDG_ERROR_MEMORY, "out of memory");
  }
  source_skip(cinfo, (long)length);
  return TRUE;
}

/* Sum over the table of |ln(value / what IJG quality q gives)|; IJG scaling in
 * per cent: 5000 / q below 50, 200 - 2 q from there on.  Baseline files clip
 * entries at 255, so both are taken so. */
static double table_distance(const UINT16 *table, int quality) {
  /* ITU-T T.81, Annex K, table K.1: luminance, row by row. */
  static const unsigned char annex_k[DCTSIZE2] = {
      16, 11, 10, 16, 24,  40,  51,  61,  12, 12, 14, 19, 26,  58,  60,  55,
      14, 13, 16, 24, 40,  57,  69,  56,  14, 17, 22, 29, 51,  87,  80,  62,
      18, 22, 37, 56, 68,  109, 103, 77,  24, 35, 55, 64, 81,  104, 113, 92,
      49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99};
  const long percent = quality < 50 ? 5000 / quality : 200 - 2 * quality;
  double sum = 0.0;
  for (int i = 0; i < DCTSIZE2; i++) {
    long expected = (annex_k[i] * percent + 50) / 100;
    expected = expected < 1 ? 1 : expected > 255 ? 255 : expected;
    const long value = table[i] < 1 ? 1 : table[i] > 255 ? 255 : table[i];
    sum += fabs(log((double)value / (double)expected));
  }
  return sum;
}

/* Quality whose table is the nearest. */
static int quality_of(const struct jpeg_decompress_struct *cinfo) {
  const int number = cinfo->comp_info[0].quant_tbl_no;
  if (number < 0 || number >= NUM_QUANT_TBLS || !cinfo->quant_tbl_ptrs[number])
    return 0;
  const UINT16 *table = cinfo->quant_tbl_ptrs[number]->quantval;
  int best = 0;
  double best_distance = INFINITY;
  for (int quality = 1; quality <= 100; quality++) {
    const double distance = table_distance(table, quality);
    if (distance < best_distance) {
      best_distance = distance;
      best = quality;
    }
  }
  return best;
}

static void choose_output(jpeg_state *s) {
  struct jpeg_decompress_struct *cinfo = &s->cinfo;
  switch (cinfo->jpeg_color_space) {
  case JCS_GRAYSCALE:
  case JCS_YCbCr:
  case JCS_RGB:
    cinfo->out_color_space = JCS_GRAYSCALE;
    break;
  case JCS_CMYK:
  case JCS_YCCK:
    cinfo->out_color_space = JCS_CMYK;
    break;
  default:
    give_up(s, UDG_ERROR_FORMAT, "colours are of an unknown kind");
  }
  cinfo->dct_method = JDCT_ISLOW;
  const uint32_t longer =
      cinfo->image_width > cinfo->image_height ? cinfo->image_width : cinfo->image_height;
  unsigned denominator = 1;
  while (denominator < 8 && longer / (2 * denominator) >= s->settings->useful_side_px)
    denominator *= 2;
  cinfo->scale_num = 1;
  cinfo->scale_denom = denominator;
  jpeg_calc_output_dimensions(cinfo);
}

/* The pixels, and what is left for libjpeg: it holds all coefficients of a
 * progressive picture at once. */
static void get_memory(jpeg_state *s) {
  struct jpeg_decompress_struct *cinfo = &s->cinfo;
  const uint32_t width = cinfo->output_width, height = cinfo->output_height;
  const uint64_t bytes = (uint64_t)width * height, most = s->settings->max_decode_bytes;
  if (bytes >= most)
    give_up(s, UDG_ERROR_LIMIT, "takes more memory to decode than max_decode_bytes allows");
  s->grey = udg_memory_get(s->settings, height, width);
  const int cmyk = cinfo->out_color_space == JCS_CMYK;
  if (cmyk)
    s->row = udg_memory_get(s->settings, width, 4);
  if (!s->grey || (cmyk && !s->row))
    give_up(s, UDG_ERROR_MEMORY, "out of memory");
  cinfo->mem->max_memory_to_use = most - bytes < LONG_MAX ? (long)(most - bytes) : LONG_MAX;
}

static void check_size(jpeg_state *s) {
  const struct jpeg_decompress_struct *cinfo = &s->cinfo;
  char what[160];
  if (udg_image_check_size(s->settings, cinfo->image_width, cinfo->image_height, what,
                           sizeof what) != UDG_OK)
    give_up(s, UDG_ERROR_LIMIT, what);
}

/* A file may end in order and yet never have sent a colour component: libjpeg
 * would show it as an even grey. */
static void check_components(jpeg_state *s) {
  const struct jpeg_decompress_struct *cinfo = &s->cinfo;
  for (int i = 0; i < cinfo->num_components; i++)
    if (cinfo->comp_info[i].component_needed && !cinfo->comp_info[i].quant_table)
      give_up(s, UDG_ERROR_TRUNCATED, "a colour component is missing");
}

/* Adobe's files hold 255 minus the ink.  Plain ink model: R = C K / 255 with C
 * and K as shares of light let through. */
static void grey_from_cmyk(const JSAMPLE *cmyk, uint32_t width, int inverted, uint8_t *grey) {
  const unsigned flip = inverted ? 0 : 255;
  for (uint32_t x = 0; x < width; x++, cmyk += 4) {
    const unsigned black = cmyk[3] ^ flip;
    unsigned light[3];
    for (int i = 0; i < 3; i++)
      light[i] = ((cmyk[i] ^ flip) * black + 127) / 255;
    grey[x] = udg_luma(light[0], light[1], light[2]);
  }
}

static void read_rows(jpeg_state *s) {
  struct jpeg_decompress_struct *cinfo = &s->cinfo;
  const uint32_t width = cinfo->output_width, height = cinfo->output_height;
  const int cmyk = cinfo->out_color_space == JCS_CMYK;
  while (cinfo->output_scanline < height) {
    const uint32_t y = cinfo->output_scanline;
    uint8_t *grey = s->grey + (size_t)y * width;
    JSAMPROW row = cmyk ? s->row : grey;
    if (y % 64 == 0)
      check_cancel(s);
    if (jpeg_read_scanlines(cinfo, &row, 1) != 1)
      give_up(s, UDG_ERROR_INTERNAL, "no row decoded");
    if (cmyk)
      grey_from_cmyk(s->row, width, cinfo->saw_Adobe_marker, grey);
  }
}

static void set_up(jpeg_state *s, const uint8_t *bytes) {
  struct jpeg_decompress_struct *cinfo = &s->cinfo;
  jpeg_create_decompress(cinfo);
  cinfo->client_data = s;
  s->source.init_source = source_start;
  s->source.fill_input_buffer = source_fill;
  s->source.skip_input_data = source_skip;
  s->source.resync_to_restart = jpeg_resync_to_restart;
  s->source.term_source = source_stop;
  s->source.next_input_byte = bytes;
  s->source.bytes_in_buffer = s->byte_count;
  cinfo->src = &s->source;
  s->progress.progress_monitor = on_progress;
  cinfo->progress = &s->progress;
  jpeg_set_marker_processor(cinfo, JPEG_APP0 + 1, on_app1);
}

static void decode_guarded(jpeg_state *s, const uint8_t *bytes, udg_decoded *decoded) {
  struct jpeg_decompress_struct *cinfo = &s->cinfo;
  if (setjmp(s->escape))
    return;
  set_up(s, bytes);
  jpeg_read_header(cinfo, TRUE);
  check_size(s);
  decoded->jpeg_quality = quality_of(cinfo);
  choose_output(s);
  get_memory(s);
  jpeg_start_decompress(cinfo);
  check_components(s);
  read_rows(s);
  jpeg_finish_decompress(cinfo);
  decoded->width = cinfo->output_width;
  decoded->height = cinfo->output_height;
  decoded->stored_width = cinfo->image_width;
  decoded->stored_height = cinfo->image_height;
  decoded->scale = cinfo->scale_denom;
  decoded->orientation = s->orientation;
  decoded->grey = s->grey;
  s->grey = NULL;
}

udg_status udg_jpeg_decode(const udg_settings *settings, const uint8_t *bytes, size_t byte_count,
                           const char *name, udg_decoded *decoded, udg_message *message) {
  jpeg_state s = {.settings = settings,
                  .name = name,
                  .byte_count = byte_count,
                  .message = message,
                  .orientation = 1};
  s.source.bytes_in_buffer = byte_count;
  s.cinfo.err = jpeg_std_error(&s.errors);
  s.cinfo.client_data = &s;
  s.errors.error_exit = on_error;
  s.errors.emit_message = on_message;
  decode_guarded(&s, bytes, decoded);
  jpeg_destroy_decompress(&s.cinfo);
  udg_memory_drop(settings, s.grey);
  udg_memory_drop(settings, s.row);
  return s.status;
}
