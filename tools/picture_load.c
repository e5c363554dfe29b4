/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Pictures, drawn by a module that is loaded when the first one is asked for: cairo and the
 * eighteen libraries that it brings would take the command as long to load as everything else. */
#include <dlfcn.h>
#include <stdio.h>

#include "picture_module.h"

static const picture_functions *functions; /* NULL until asked for; the module stays loaded */

static int load(udg_message *message) {
  if (functions)
    return 0;
  void *module = dlopen(PICTURE_MODULE, RTLD_NOW | RTLD_LOCAL);
  if (module)
    functions = dlsym(module, PICTURE_FUNCTIONS);
  if (functions)
    return 0;
  const char *why = dlerror();
  snprintf(message->text, sizeof message->text, "no pictures can be drawn: %.400s",
           why ? why : PICTURE_MODULE);
  return -1;
}

int picture_write(const picture_input *input, const char *path, udg_message *message) {
  return load(message) == 0 ? functions->write(input, path, message) : -1;
}

int picture_draw(int width, int height, void (*draw)(void *user, picture_pen *pen), void *user,
                 const char *path, udg_message *message) {
  return load(message) == 0 ? functions->draw(width, height, draw, user, path, message) : -1;
}

/* Pens come from picture_draw(). */

void picture_pen_grey(picture_pen *pen, const uint8_t *pixels, int side, double x, double y) {
  functions->grey(pen, pixels, side, x, y);
}

void picture_pen_line(picture_pen *pen, const double from[2], const double to[2], double width,
                      int strong) {
  functions->line(pen, from, to, width, strong);
}

void picture_pen_circle(picture_pen *pen, const double centre[2], double radius, double width,
                        int strong) {
  functions->circle(pen, centre, radius, width, strong);
}

void picture_pen_text(picture_pen *pen, double x, double y, double size, const char *text) {
  functions->text(pen, x, y, size, text);
}
