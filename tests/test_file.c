/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Reading picture files, and files that cannot be read. */
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#include "picture_check.h"
#include "support.h"

static const uint8_t filler[1000] = {1, 2, 3};

/* The content decides, whatever the name says; what follows the end is let be. */
static void wrong_extension_and_trailing_bytes_are_fine(void **state) {
  (void)state;
  for (int kind = 0; kind < CHECK_SAMPLES; kind++) {
    test_bytes file = check_sample(kind);
    const char *path = test_path(kind < CHECK_JPEG_SAMPLES ? "photo.png" : "photo.jpg");
    FILE *out = fopen(path, "wb");
    assert_non_null(out);
    fwrite(file.bytes, 1, file.count, out);
    fputs("trailing", out);
    fclose(out);
    udg_image *image = NULL;
    udg_message m;
    if (udg_image_from_file(NULL, path, &image, &m) != UDG_OK)
      fail_msg("%s", m.text);
    udg_image_destroy(image);
    test_bytes_free(&file);
  }
}

static void assert_unreadable(const udg_settings *settings, const char *path, udg_status status,
                              const char *says) {
  udg_image *image = (udg_image *)&image;
  udg_message m = {""};
  assert_int_equal(udg_image_from_file(settings, path, &image, &m), status);
  assert_null(image);
  assert_memory_equal(m.text, path, strlen(path));
  check_says(&m, says);
  assert_int_equal(udg_image_from_file(settings, path, &image, NULL), status);
}

static void unreadable_files_say_why(void **state) {
  (void)state;
  test_allocator a = {0};
  udg_settings s = test_settings(&a);
  assert_unreadable(&s, test_directory(), UDG_ERROR_IO, "is a directory");
  assert_unreadable(&s, test_path("none.jpg"), UDG_ERROR_IO, "no such file");
  test_write_file(test_path("empty.jpg"), "", 0);
  assert_unreadable(&s, test_path("empty.jpg"), UDG_ERROR_TRUNCATED, "the file is empty");
  assert_unreadable(&s, test_path("empty.jpg/below.jpg"), UDG_ERROR_IO, "cannot be opened");
  test_write_file(test_path("large.jpg"), filler, sizeof filler);
  s.max_file_bytes = 999;
  assert_unreadable(&s, test_path("large.jpg"), UDG_ERROR_LIMIT, "max_file_bytes allows (999 ");
  assert_unreadable(&s, "/dev/zero", UDG_ERROR_LIMIT, "max_file_bytes"); /* tells no size */
  assert_int_equal(a.live, 0);
  udg_message m;
  udg_image *image = NULL;
  assert_int_equal(udg_image_from_memory(&s, filler, sizeof filler, "x", &image, &m),
                   UDG_ERROR_LIMIT);
  check_says(&m, "x: larger than max_file_bytes");
}

/* Root may read anything, so root becomes nobody for the while. */
static void no_permission_is_told(void **state) {
  (void)state;
  const char *path = test_path("locked.jpg");
  test_write_file(path, filler, sizeof filler);
  assert_int_equal(chmod(path, 0), 0);
  assert_int_equal(chmod(test_directory(), 0755), 0);
  const uid_t user = geteuid();
  if (user == 0 && seteuid(65534) != 0)
    skip();
  const int readable = access(path, R_OK) == 0 && geteuid() == getuid();
  udg_message m = {""};
  udg_image *image = NULL;
  const udg_status status = udg_image_from_file(NULL, path, &image, &m);
  assert_int_equal(seteuid(user), 0);
  assert_int_equal(readable, 0);
  assert_int_equal(status, UDG_ERROR_IO);
  check_says(&m, "no permission");
}

static void on_alarm(int number) {
  (void)number;
}

/* A pipe gives a few bytes at a time and signals break into the reading. */
static void short_and_interrupted_reads_lose_nothing(void **state) {
  (void)state;
  enum { SIDE = 400 };
  static uint8_t noise[SIDE * SIDE]; /* more than a first guess of the size holds */
  uint64_t seed = 2;
  for (size_t i = 0; i < sizeof noise; i++)
    noise[i] = (uint8_t)(test_random(&seed) >> 24);
  test_bytes file =
      test_make_png(&(test_png){.rows = noise, .width = SIDE, .height = SIDE, .depth = 8});
  const char *path = test_path("pipe");
  assert_int_equal(mkfifo(path, 0600), 0);
  const pid_t writer = fork();
  assert_true(writer >= 0);
  if (writer == 0) {
    const int out = open(path, O_WRONLY);
    for (size_t n = 0; n < file.count; n += 3011) {
      const size_t piece = file.count - n < 3011 ? file.count - n : 3011;
      if (write(out, file.bytes + n, piece) != (ssize_t)piece)
        _exit(1);
      nanosleep(&(struct timespec){0, 2000000}, NULL);
    }
    _exit(0);
  }
  const struct sigaction interrupt = {.sa_handler = on_alarm};
  struct sigaction before;
  sigaction(SIGALRM, &interrupt, &before);
  const struct itimerval often = {{0, 500}, {0, 500}}, never = {{0, 0}, {0, 0}};
  setitimer(ITIMER_REAL, &often, NULL);
  udg_image *image = NULL;
  udg_message m = {""};
  const udg_status status = udg_image_from_file(NULL, path, &image, &m);
  setitimer(ITIMER_REAL, &never, NULL);
  sigaction(SIGALRM, &before, NULL);
  int writer_status;
  while (waitpid(writer, &writer_status, 0) < 0 && errno == EINTR)
    ;
  if (status != UDG_OK)
    fail_msg("%s", m.text);
  assert_memory_equal(image->grey, noise, sizeof noise);
  udg_image_destroy(image);
  test_bytes_free(&file);
}

static int clean_up(void **state) {
  (void)state;
  test_directory_remove();
  return 0;
}

int main(void) {
  const struct CMUnitTest tests[] = {
      cmocka_unit_test(wrong_extension_and_trailing_bytes_are_fine),
      cmocka_unit_test(unreadable_files_say_why),
      cmocka_unit_test(no_permission_is_told),
      cmocka_unit_test(short_and_interrupted_reads_lose_nothing),
  };
  return cmocka_run_group_tests(tests, NULL, clean_up);
}
