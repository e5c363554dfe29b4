/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Texts of the status codes; the version of the library that runs. */
#include <underdigit/status.h>
#include <underdigit/version.h>

const char *udg_status_text(udg_status status) {
  switch (status) {
  case UDG_OK:
    return "good";
  case UDG_ERROR_ARGUMENT:
    return "an argument breaks a rule of the function";
  case UDG_ERROR_MEMORY:
    return "out of memory";
  case UDG_ERROR_IO:
    return "the file could not be read or written";
  case UDG_ERROR_FORMAT:
    return "not a picture that can be read";
  case UDG_ERROR_TRUNCATED:
    return "the data end too early";
  case UDG_ERROR_LIMIT:
    return "a limit of the settings would be passed";
  case UDG_ERROR_REFERENCE:
    return "the reference is wrong";
  case UDG_ERROR_DATE:
    return "the reference does not have that date";
  case UDG_ERROR_CANCELLED:
    return "stopped on request";
  case UDG_ERROR_INTERNAL:
    return "a rule inside the library was broken: please report";
  case UDG_ERROR_PHOTOS:
    return "too few of the photos can be learned from";
  }
  return "unknown status";
}

const char *udg_version(void) {
  return UDG_VERSION;
}
