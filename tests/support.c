/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "support.h"

#include <dirent.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>
#include <jpeglib.h>
#include <png.h>

static void die(const char *what) {
  fprintf(stderr, "test support: %s\n", what);
  exit(2);
}

static void *allocate(void *user, size_t bytes) {
  test_allocator *a = user;
  if (++a->calls == a->fail_at)
    return NULL;
  void *block = malloc(bytes);
  if (!block)
    return NULL;
  memset(block, 0xa5, bytes);
  a->live++;
  return block;
}

static void release(void *user, void *block) {
  test_allocator *a = user;
  a->live--;
  free(block);
}

udg_settings test_settings(test_allocator *allocator) {
  udg_settings s;
  udg_settings_default(&s, sizeof s);
  s.user = allocator;
  s.allocate = allocate;
  s.release = release;
  return s;
}

void test_bytes_free(test_bytes *b) {
  free(b->bytes);
  *b = (test_bytes){0};
}

/* Byte order "II", 42, directory at 8; one entry: tag 0x0112, SHORT, 1 value. */
size_t test_make_exif(int orientation, uint8_t out[64]) {
  static const uint8_t head[] = {'E', 'x', 'i', 'f', 0,    0, 'I', 'I', 42, 0, 8, 0,
                                 0,   0,   1,   0,   0x12, 1, 3,   0,   1,  0, 0, 0};
  memcpy(out, head, sizeof head);
  size_t n = sizeof head;
  out[n++] = (uint8_t)orientation;
  for (int i = 0; i < 7; i++)
    out[n++] = 0;
  return n;
}

enum { MOST_SCANS = 640 };

/* A legal progressive script of very many scans: DC, then each AC coefficient
 * bit by bit, as T.81 G.1.1.1 allows. */
static int many_scans(jpeg_scan_info *scan, int wanted) {
  int n = 0;
  scan[n++] = (jpeg_scan_info){1, {0}, 0, 0, 0, 0};
  for (int k = 1; k < 64 && n < wanted; k++)
    for (int bit = 9; bit >= 0 && n < wanted; bit--)
      scan[n++] = (jpeg_scan_info){1, {0}, k, k, bit == 9 ? 0 : bit + 1, bit};
  return n;
}

static void set_colours(struct jpeg_compress_struct *c, const test_jpeg *j) {
  static const J_COLOR_SPACE given[] = {JCS_GRAYSCALE, JCS_RGB, JCS_RGB, JCS_CMYK, JCS_CMYK};
  static const J_COLOR_SPACE stored[] = {JCS_GRAYSCALE, JCS_YCbCr, JCS_RGB, JCS_CMYK, JCS_CMYK};
  static const int samples[] = {1, 3, 3, 4, 4};
  c->input_components = samples[j->colours];
  c->in_color_space = given[j->colours];
  jpeg_set_defaults(c);
  jpeg_set_colorspace(c, stored[j->colours]);
  if (j->colours == TEST_CMYK_PLAIN)
    c->write_Adobe_marker = FALSE;
}

/* libjpeg tells on the terminal that 16-bit tables are coarse: they are meant to be. */
static void say_nothing(j_common_ptr c, int level) {
  (void)c;
  (void)level;
}

test_bytes test_make_jpeg(const test_jpeg *j) {
  struct jpeg_error_mgr errors;
  struct jpeg_compress_struct c = {.err = jpeg_std_error(&errors)};
  errors.emit_message = say_nothing;
  jpeg_create_compress(&c);
  unsigned char *bytes = NULL;
  unsigned long count = 0;
  jpeg_mem_dest(&c, &bytes, &count);
  c.image_width = j->width;
  c.image_height = j->height;
  set_colours(&c, j);
  jpeg_set_quality(&c, j->quality, j->baseline_tables ? TRUE : FALSE);
  c.restart_in_rows = j->restart_rows;
  if (j->orientation)
    c.write_JFIF_header = FALSE; /* EXIF asks to come first, and jpegexiforient looks only there */
  static jpeg_scan_info scans[MOST_SCANS];
  if (j->scans == -2) {
    for (int i = 0; i < 3; i++)
      scans[i] = (jpeg_scan_info){1, {i}, 0, 63, 0, 0};
    c.num_scans = 3;
    c.scan_info = scans;
  } else if (j->scans < 0) {
    jpeg_simple_progression(&c);
  } else if (j->scans > 0) {
    c.num_scans = many_scans(scans, j->scans);
    c.scan_info = scans;
  }
  jpeg_start_compress(&c, TRUE);
  if (j->orientation) {
    uint8_t exif[64];
    jpeg_write_marker(&c, JPEG_APP0 + 1, exif, (unsigned)test_make_exif(j->orientation, exif));
  }
  for (uint32_t y = 0; y < j->height; y++) {
    JSAMPROW row = (JSAMPROW)j->pixels + (size_t)y * j->width * (size_t)c.input_components;
    jpeg_write_scanlines(&c, &row, 1);
  }
  jpeg_finish_compress(&c);
  jpeg_destroy_compress(&c);
  /* Of the exact size, so that a sanitizer sees every step beyond it. */
  test_bytes made = {malloc(count), count};
  if (!made.bytes)
    die("no memory");
  memcpy(made.bytes, bytes, count);
  free(bytes);
  return made;
}

static void collect(png_structp png, png_bytep data, size_t count) {
  test_bytes *b = png_get_io_ptr(png);
  uint8_t *larger = realloc(b->bytes, b->count + count);
  if (!larger)
    die("no memory");
  memcpy(larger + b->count, data, count);
  b->bytes = larger;
  b->count += count;
}

static void set_extras(png_structp png, png_infop info, const test_png *p) {
  if (p->palette) {
    png_color palette[256];
    for (int i = 0; i < p->palette_count; i++)
      palette[i] = (png_color){p->palette[3 * i], p->palette[3 * i + 1], p->palette[3 * i + 2]};
    png_set_PLTE(png, info, palette, p->palette_count);
    if (p->alphas)
      png_set_tRNS(png, info, p->alphas, p->palette_count, NULL);
  }
  if (p->key_grey > 0 && !p->palette) {
    png_color_16 key = {.gray = (png_uint_16)p->key_grey};
    png_set_tRNS(png, info, NULL, 0, &key);
  }
  if (p->orientation) {
    uint8_t exif[64];
    const size_t count = test_make_exif(p->orientation, exif);
    png_set_eXIf_1(png, info, (png_uint_32)count - 6, exif + 6);
  }
}

static void set_text(png_structp png, png_infop info, size_t count) {
  char *letters = malloc(count + 1);
  if (!letters)
    die("no memory");
  memset(letters, 'x', count);
  letters[count] = '\0';
  char key[] = "Comment";
  png_text text = {
      .compression = PNG_TEXT_COMPRESSION_zTXt, .key = key, .text = letters, .text_length = count};
  png_set_text(png, info, &text, 1);
  free(letters);
}

test_bytes test_make_png(const test_png *p) {
  test_bytes made = {0};
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
  png_infop info = png ? png_create_info_struct(png) : NULL;
  if (!info)
    die("no libpng");
  if (setjmp(png_jmpbuf(png)))
    die("libpng could not write");
  png_set_write_fn(png, &made, collect, NULL);
  png_set_IHDR(png, info, p->width, p->height, p->depth, p->colour_type,
               p->interlaced ? PNG_INTERLACE_ADAM7 : PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_BASE,
               PNG_FILTER_TYPE_BASE);
  set_extras(png, info, p);
  if (p->text_bytes)
    set_text(png, info, p->text_bytes);
  png_write_info(png, info);
  const size_t stride = png_get_rowbytes(png, info);
  const int passes = png_set_interlace_handling(png);
  for (int pass = 0; pass < passes; pass++)
    for (uint32_t y = 0; y < p->height; y++)
      png_write_row(png, p->rows + (size_t)y * stride);
  png_write_end(png, info);
  png_destroy_write_struct(&png, &info);
  return made;
}

static char scratch[512];

const char *test_directory(void) {
  if (scratch[0])
    return scratch;
  const char *base = getenv("TMPDIR");
  snprintf(scratch, sizeof scratch, "%s/underdigit-test-XXXXXX", base && *base ? base : "/tmp");
  if (!mkdtemp(scratch))
    die("no scratch directory");
  return scratch;
}

const char *test_path(const char *name) {
  static char paths[8][1024];
  static int next;
  char *path = paths[next++ % 8];
  snprintf(path, sizeof paths[0], "%s/%s", test_directory(), name);
  return path;
}

void test_write_file(const char *path, const void *bytes, size_t count) {
  FILE *file = fopen(path, "wb");
  if (!file || fwrite(bytes, 1, count, file) != count || fclose(file) != 0)
    die("a scratch file could not be written");
}

test_bytes test_read_file(const char *path) {
  FILE *file = fopen(path, "rb");
  if (!file || fseek(file, 0, SEEK_END) != 0)
    die("a scratch file could not be read");
  const long size = ftell(file);
  rewind(file);
  test_bytes b = {malloc(size > 0 ? (size_t)size : 1), size > 0 ? (size_t)size : 0};
  if (!b.bytes || fread(b.bytes, 1, b.count, file) != b.count)
    die("a scratch file could not be read");
  fclose(file);
  return b;
}

void test_directory_remove(void) {
  if (!scratch[0])
    return;
  DIR *directory = opendir(scratch);
  for (struct dirent *entry; directory && (entry = readdir(directory));)
    if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
      remove(test_path(entry->d_name));
  if (directory)
    closedir(directory);
  rmdir(scratch);
  scratch[0] = '\0';
}

int test_has_program(const char *program) {
  return test_run("command -v %s >/dev/null 2>&1", program) == 0;
}

int test_run(const char *format, ...) {
  char command[4096];
  va_list arguments;
  va_start(arguments, format);
  const int length = vsnprintf(command, sizeof command, format, arguments);
  va_end(arguments);
  if (length < 0 || (size_t)length >= sizeof command)
    die("command too long");
  const int status = system(command);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

void test_near_at(double a, double b, double within, const char *file, int line) {
  if (fabs(a - b) <= within)
    return;
  print_error("%.10g and %.10g are not within %.3g\n", a, b, within);
  _fail(file, line);
}

uint32_t test_random(uint64_t *state) {
  *state ^= *state >> 12;
  *state ^= *state << 25;
  *state ^= *state >> 27;
  return (uint32_t)((*state * UINT64_C(2685821657736338717)) >> 32);
}
