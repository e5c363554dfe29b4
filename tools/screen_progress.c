/* SPDX-License-Identifier: GPL-2.0-or-later */
/* How far a screening run is: a bar on a terminal, now and then a line elsewhere. */
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#include "screen.h"

static const double bar_every_s = 0.2, line_every_s = 10;

static double now_s(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

void screen_progress_begin(screen_progress *p, int quiet, int64_t total) {
  *p = (screen_progress){.quiet = quiet, .terminal = isatty(STDERR_FILENO), .total = total};
  p->began_s = p->told_s = now_s();
}

static void duration(double seconds, char *text, size_t text_bytes) {
  long s = lround(seconds);
  if (s >= 3600)
    snprintf(text, text_bytes, "%ld:%02ld:%02ld", s / 3600, s / 60 % 60, s % 60);
  else
    snprintf(text, text_bytes, "%ld:%02ld", s / 60, s % 60);
}

/* Photos that the store had already took no time and tell nothing of the rate. */
static void figures(const screen_progress *p, double now, char *text, size_t text_bytes) {
  int64_t worked = p->done - p->known;
  double rate = now > p->began_s ? (double)worked / (now - p->began_s) : 0;
  char left[32] = "?";
  if (rate > 0)
    duration((double)(p->total - p->done) / rate, left, sizeof left);
  snprintf(text, text_bytes, "%lld of %lld photos, %.1f/s, %s left, %lld find%s",
           (long long)p->done, (long long)p->total, rate, left, (long long)p->finds,
           p->finds == 1 ? "" : "s");
}

void screen_progress_line(const screen_progress *p, double now, int columns, char *line,
                          size_t line_bytes) {
  char text[160];
  figures(p, now, text, sizeof text);
  int room = columns - 4 - (int)strlen(text);
  int width = room > 40 ? 40 : room;
  if (width < 5) { /* too narrow for both */
    snprintf(line, line_bytes, "%.*s", columns > 1 ? columns - 1 : 0, text);
    return;
  }
  int full = p->total > 0 ? (int)(width * p->done / p->total) : width;
  char bar[64];
  memset(bar, '.', sizeof bar);
  memset(bar, '#', (size_t)full);
  snprintf(line, line_bytes, "[%.*s] %s", width, bar, text);
}

static int terminal_columns(void) {
  struct winsize size;
  return ioctl(STDERR_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 0 ? size.ws_col : 80;
}

void screen_progress_show(screen_progress *p) {
  double now = now_s();
  if (p->quiet || now - p->told_s < (p->terminal ? bar_every_s : line_every_s))
    return;
  char line[256];
  if (p->terminal) {
    screen_progress_line(p, now, terminal_columns(), line, sizeof line);
    fprintf(stderr, "\r\033[K%s", line);
  } else if (p->done != p->told_done) {
    figures(p, now, line, sizeof line);
    fprintf(stderr, "underdigit: %s\n", line);
  }
  p->told_s = now;
  p->told_done = p->done;
}

void screen_progress_clear(screen_progress *p) {
  if (p->terminal && !p->quiet)
    fputs("\r\033[K", stderr);
}

void screen_progress_end(screen_progress *p) {
  screen_progress_clear(p);
  if (p->quiet)
    return;
  char took[32];
  duration(now_s() - p->began_s, took, sizeof took);
  fprintf(stderr, "underdigit: %lld of %lld photos done in %s (%lld known before), %lld find%s",
          (long long)p->done, (long long)p->total, took, (long long)p->known, (long long)p->finds,
          p->finds == 1 ? "" : "s");
  if (p->unread)
    fprintf(stderr, ", %lld could not be read", (long long)p->unread);
  fputc('\n', stderr);
}
