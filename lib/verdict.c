/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Names of the verdicts. */
#include <underdigit/result.h>

const char *udg_verdict_text(udg_verdict verdict) {
  switch (verdict) {
  case UDG_VERDICT_UNDECIDED:
    return "undecided";
  case UDG_VERDICT_PLAIN:
    return "plain";
  case UDG_VERDICT_UNDERDIGIT:
    return "underdigit";
  case UDG_VERDICT_REPUNCHED:
    return "repunched";
  case UDG_VERDICT_DOUBLED:
    return "doubled";
  case UDG_VERDICT_FRAGMENT:
    return "fragment";
  case UDG_VERDICT_STRAY:
    return "stray";
  }
  return "undecided"; /* a value from nowhere says nothing about the coin */
}
