/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Hashes of bytes and of pictures. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "digest_reference.h"
#include "grey_jpeg.h"
#include "support.h"

/* FIPS 180-4 examples, NIST: "abc", and the message of 896 bits. */
static void sha256_gives_the_standards_values(void **state) {
  (void)state;
  char text[DIGEST_TEXT_BYTES];
  digest_sha256("abc", 3, text);
  assert_string_equal(text, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  const char *longer = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
  digest_sha256(longer, strlen(longer), text);
  assert_string_equal(text, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  digest_sha256("", 0, text);
  assert_string_equal(text, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

enum { W = 180, H = 160 };

/* Smooth spots, different for each seed. */
static void paint(uint64_t seed, uint8_t *pixels) {
  float cells[9][10];
  for (int y = 0; y < 9; y++)
    for (int x = 0; x < 10; x++)
      cells[y][x] = (float)(test_random(&seed) % 200 + 20);
  for (int y = 0; y < H; y++)
    for (int x = 0; x < W; x++) {
      float fx = (float)x / 20, fy = (float)y / 20;
      int i = (int)fx, j = (int)fy;
      float a = fx - (float)i, b = fy - (float)j;
      pixels[y * W + x] = (uint8_t)((1 - b) * ((1 - a) * cells[j][i] + a * cells[j][i + 1]) +
                                    b * ((1 - a) * cells[j + 1][i] + a * cells[j + 1][i + 1]));
    }
}

static uint64_t hash_of(udg_image *image) {
  uint64_t hash = 0;
  assert_non_null(image);
  assert_int_equal(digest_dhash(image, &hash), 0);
  udg_image_destroy(image);
  return hash;
}

static uint64_t hash_pixels(const uint8_t *pixels, uint32_t width, uint32_t height) {
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, pixels, width, height, width, &image, NULL), UDG_OK);
  return hash_of(image);
}

static int bits(uint64_t a, uint64_t b) {
  return __builtin_popcountll(a ^ b);
}

static void a_picture_saved_anew_hashes_alike(void **state) {
  (void)state;
  static uint8_t pixels[W * H], half[W / 2 * (H / 2)];
  for (uint64_t seed = 1; seed <= 20; seed++) {
    paint(seed, pixels);
    uint64_t whole = hash_pixels(pixels, W, H);
    size_t bytes;
    unsigned char *jpeg = grey_jpeg(pixels, W, H, 60, &bytes);
    udg_image *image = NULL;
    assert_non_null(jpeg);
    assert_int_equal(udg_image_from_memory(NULL, jpeg, bytes, "jpeg", &image, NULL), UDG_OK);
    free(jpeg);
    assert_true(bits(whole, hash_of(image)) <= 3);
    for (int y = 0; y < H / 2; y++)
      for (int x = 0; x < W / 2; x++)
        half[y * (W / 2) + x] =
            (uint8_t)((pixels[2 * y * W + 2 * x] + pixels[2 * y * W + 2 * x + 1] +
                       pixels[(2 * y + 1) * W + 2 * x] + pixels[(2 * y + 1) * W + 2 * x + 1]) /
                      4);
    assert_true(bits(whole, hash_pixels(half, W / 2, H / 2)) <= 3);
    paint(seed + 100, pixels);
    assert_true(bits(whole, hash_pixels(pixels, W, H)) > 12); /* another picture */
  }
}

static void bits_say_where_it_darkens(void **state) {
  (void)state;
  uint8_t ramp[9 * 8];
  for (int i = 0; i < 9 * 8; i++)
    ramp[i] = (uint8_t)(i % 9 * 10);
  assert_true(hash_pixels(ramp, 9, 8) == 0);
  for (int i = 0; i < 9 * 8; i++)
    ramp[i] = (uint8_t)(200 - i % 9 * 10);
  assert_true(hash_pixels(ramp, 9, 8) == UINT64_MAX);
  memset(ramp, 100, sizeof ramp);
  ramp[9 * 2 + 3] = 150; /* brighter than its right neighbour, alone */
  assert_true(hash_pixels(ramp, 9, 8) == (uint64_t)1 << (8 * 2 + 3));
}

/* SHA-256 as sha256sum of GNU coreutils gives it. */
static void references_are_told_by_all_their_files(void **state) {
  (void)state;
  static const char plain[] = "{\"name\": \"x\"}", with[] = "{\"font\": \"f.ttf\"}";
  char first[DIGEST_TEXT_BYTES], second[DIGEST_TEXT_BYTES];
  udg_message why = {""};
  test_write_file(test_path("plain.json"), plain, sizeof plain - 1);
  assert_int_equal(digest_reference(test_path("plain.json"), first, &why), 0);
  assert_string_equal(first, "edb9eed7f06ccf0bb0db254de3ed3a246d5d4a8ba94b0701ce527de6adca3328");
  test_write_file(test_path("with.json"), with, sizeof with - 1);
  assert_int_equal(digest_reference(test_path("with.json"), first, &why), -1);
  assert_non_null(strstr(why.text, "f.ttf: No such file"));
  test_write_file(test_path("f.ttf"), "one", 3);
  assert_int_equal(digest_reference(test_path("with.json"), first, &why), 0);
  assert_int_equal(digest_reference(test_path("with.json"), second, &why), 0);
  assert_string_equal(first, second);
  test_write_file(test_path("f.ttf"), "two", 3);
  assert_int_equal(digest_reference(test_path("with.json"), second, &why), 0);
  assert_string_not_equal(first, second);
}

static int tear_down(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {cmocka_unit_test(sha256_gives_the_standards_values),
                                     cmocka_unit_test(a_picture_saved_anew_hashes_alike),
                                     cmocka_unit_test(bits_say_where_it_darkens),
                                     cmocka_unit_test(references_are_told_by_all_their_files)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
