/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Hashes of bytes and of pictures. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
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

typedef struct look {
  char text[DIGEST_TEXT_BYTES];
} look;

static look hash_of(udg_image *image) {
  look hash = {""};
  assert_non_null(image);
  assert_int_equal(digest_dhash(image, hash.text), 0);
  udg_image_destroy(image);
  assert_int_equal(strlen(hash.text), DIGEST_TEXT_BYTES - 1);
  return hash;
}

static look hash_pixels(const uint8_t *pixels, uint32_t width, uint32_t height) {
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_grey(NULL, pixels, width, height, width, &image, NULL), UDG_OK);
  return hash_of(image);
}

static int alike(look a, look b) {
  digest_look x = digest_look_of(a.text), y = digest_look_of(b.text);
  assert_int_equal(digest_alike(&x, &y), digest_alike(&y, &x));
  return digest_alike(&x, &y);
}

static void a_picture_saved_anew_hashes_alike(void **state) {
  (void)state;
  static uint8_t pixels[W * H], half[W / 2 * (H / 2)];
  for (uint64_t seed = 1; seed <= 20; seed++) {
    paint(seed, pixels);
    look whole = hash_pixels(pixels, W, H);
    size_t bytes;
    unsigned char *jpeg = grey_jpeg(pixels, W, H, 60, &bytes);
    udg_image *image = NULL;
    assert_non_null(jpeg);
    assert_int_equal(udg_image_from_memory(NULL, jpeg, bytes, "jpeg", &image, NULL), UDG_OK);
    free(jpeg);
    assert_true(alike(whole, hash_of(image)));
    for (int y = 0; y < H / 2; y++)
      for (int x = 0; x < W / 2; x++)
        half[y * (W / 2) + x] =
            (uint8_t)((pixels[2 * y * W + 2 * x] + pixels[2 * y * W + 2 * x + 1] +
                       pixels[(2 * y + 1) * W + 2 * x] + pixels[(2 * y + 1) * W + 2 * x + 1]) /
                      4);
    assert_true(alike(whole, hash_pixels(half, W / 2, H / 2)));
    paint(seed + 100, pixels);
    assert_false(alike(whole, hash_pixels(pixels, W, H))); /* another picture */
  }
}

static void bits_say_where_it_darkens(void **state) {
  (void)state;
  uint8_t ramp[17 * 16];
  char all[DIGEST_TEXT_BYTES];
  for (int i = 0; i < 17 * 16; i++)
    ramp[i] = (uint8_t)(i % 17 * 10);
  memset(all, '0', sizeof all - 1);
  all[sizeof all - 1] = '\0';
  assert_string_equal(hash_pixels(ramp, 17, 16).text, all);
  for (int i = 0; i < 17 * 16; i++)
    ramp[i] = (uint8_t)(200 - i % 17 * 10);
  memset(all, 'f', sizeof all - 1);
  assert_string_equal(hash_pixels(ramp, 17, 16).text, all);
  memset(ramp, 100, sizeof ramp);
  ramp[17 * 2 + 3] = 150; /* brighter than its right neighbour, alone */
  memset(all, '0', sizeof all - 1);
  all[2 * 4] = '1'; /* third row, first of its four digits: 0001 */
  assert_string_equal(hash_pixels(ramp, 17, 16).text, all);
}

/* Spots of two pictures on the same white ground, which is the larger part of both. */
static void a_common_ground_makes_no_likeness(void **state) {
  (void)state;
  static uint8_t pixels[2][W * H];
  for (uint64_t seed = 1; seed <= 20; seed++) {
    for (int k = 0; k < 2; k++) {
      paint(seed + 100 * (uint64_t)k, pixels[k]);
      for (int i = 0; i < W * H; i++)
        if (i % W < W / 5 || i % W >= W * 4 / 5 || i / W < H / 5 || i / W >= H * 4 / 5)
          pixels[k][i] = 255;
    }
    assert_false(alike(hash_pixels(pixels[0], W, H), hash_pixels(pixels[1], W, H)));
  }
}

/* Close-ups of the committed set, but for one of few pixels, made smaller and saved anew, against
 * each other. */
static void reuploads_are_nearer_than_other_coins(void **state) {
  (void)state;
  static const char *const names[] = {
      "chip-0006",     "clean-0003",       "clean-sans-0008", "crack-0006",     "doubled-0001",
      "fragment-0008", "hub-0007",         "middle-0007",     "repunched-0001", "scratch-0002",
      "strong-0006",   "strong-sans-0007", "turned-0008",     "weak-0004"};
  enum { PICTURES = sizeof names / sizeof names[0] };
  static uint8_t smaller[1000 * 1000];
  look first[PICTURES];
  for (int i = 0; i < PICTURES; i++) {
    char path[4096];
    udg_image *image = NULL, *again = NULL;
    size_t bytes;
    snprintf(path, sizeof path, "%s/%s.jpg", UDG_SET, names[i]);
    assert_int_equal(udg_image_from_file(NULL, path, &image, NULL), UDG_OK);
    uint32_t width = udg_image_width(image) * 2 / 3, height = udg_image_height(image) * 2 / 3;
    assert_true(width <= 1000 && height <= 1000);
    assert_int_equal(udg_image_grey(image, NULL, width, height, smaller), UDG_OK);
    unsigned char *jpeg = grey_jpeg(smaller, (int)width, (int)height, 70, &bytes);
    assert_int_equal(udg_image_from_memory(NULL, jpeg, bytes, "jpeg", &again, NULL), UDG_OK);
    free(jpeg);
    first[i] = hash_of(image);
    if (!alike(first[i], hash_of(again)))
      fail_msg("%s is not known again", names[i]);
    for (int k = 0; k < i; k++) /* pictures of one number are one drawing with other faults */
      if (strcmp(strrchr(names[i], '-'), strrchr(names[k], '-')) != 0)
        assert_false(alike(first[i], first[k]));
  }
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
                                     cmocka_unit_test(a_common_ground_makes_no_likeness),
                                     cmocka_unit_test(reuploads_are_nearer_than_other_coins),
                                     cmocka_unit_test(references_are_told_by_all_their_files)};
  return cmocka_run_group_tests(tests, NULL, tear_down);
}
