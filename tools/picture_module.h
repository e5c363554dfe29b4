/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the module that draws pictures gives to the command: the functions of picture.h that need
 * cairo. */
#ifndef PICTURE_MODULE_H
#define PICTURE_MODULE_H

#include "picture.h"

typedef struct picture_functions {
  int (*write)(const picture_input *input, const char *path, udg_message *message);
  int (*draw)(int width, int height, void (*draw)(void *user, picture_pen *pen), void *user,
              const char *path, udg_message *message);
  void (*grey)(picture_pen *pen, const uint8_t *pixels, int side, double x, double y);
  void (*line)(picture_pen *pen, const double from[2], const double to[2], double width,
               int strong);
  void (*circle)(picture_pen *pen, const double centre[2], double radius, double width, int strong);
  void (*text)(picture_pen *pen, double x, double y, double size, const char *text);
} picture_functions;

/* The module's file, and the one name it shows. */
#define PICTURE_MODULE "underdigit-picture.so"
#define PICTURE_FUNCTIONS "underdigit_picture_functions"

#endif
