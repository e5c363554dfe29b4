/* SPDX-License-Identifier: GPL-2.0-or-later */
/* The module that draws pictures. */
#include "picture_module.h"

extern const picture_functions underdigit_picture_functions;

__attribute__((visibility("default"))) const picture_functions underdigit_picture_functions = {
    picture_write,    picture_draw,       picture_pen_grey,
    picture_pen_line, picture_pen_circle, picture_pen_text};
