/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the second impression of a hub, or its absence, means for the verdict. */
#include <math.h>

#include "hub.h"
#include "name.h"

/* Log ratio from which on the date is taken for doubled. */
static const double DOUBLED_FROM = 1.0;
/* So much better than the present digit again must the earlier one explain its place. */
static const double DIGIT_LEAD = 0.3;

/* With a date in the hub a digit cannot have been punched: what looks like one has no hub
 * behind it. */
static void drop_loose_digit(const udg_reference *reference, udg_result *result) {
  udg_finding other = result->finding;
  other.kind = UDG_VERDICT_FRAGMENT;
  result->verdict = UDG_VERDICT_FRAGMENT;
  /* Where it lies, as fragments are told: the place's middle plus the offset. */
  udg_place_view view;
  if (other.place > 0 && udg_reference_place(reference, result->date, other.place, &view) == UDG_OK)
    for (int axis = 0; axis < 2; axis++)
      other.offset_mm[axis] +=
          view.centre_mm[axis] + result->place_offset_mm[other.place - 1][axis];
  other.place = 0;
  if (result->other_count < UDG_OTHERS_MAX)
    result->others[result->other_count++] = other;
  udg_result_reason(result,
                    "a loose digit alone is no overdate here: since %d the date is part of the "
                    "hub, and neither the other digits nor the design show twice",
                    reference->date_in_hub_since);
}

/* The place where the hubs may differ is better explained by the earlier digit. */
static int differs(const udg_hub_finding *hub) {
  return hub->place > 0 && hub->digit_lead > DIGIT_LEAD;
}

static void tell_overdate(udg_result *result) {
  const udg_hub_finding *hub = &result->hub;
  udg_finding *f = &result->finding;
  if (differs(hub) && (f->place != hub->place || f->digit != hub->digit))
    *f = (udg_finding){.place = hub->place,
                       .digit = hub->digit,
                       .kind = UDG_VERDICT_UNDERDIGIT,
                       .offset_mm = {hub->rest_shift_mm[0], hub->rest_shift_mm[1]},
                       .turn_deg = hub->turn_deg,
                       .strength_interval = {0.0, 1.0},
                       .log_ratio = hub->rest_log_ratio};
  result->verdict = UDG_VERDICT_UNDERDIGIT;
  const char *place = udg_name_place(f->place, result->place_count);
  if (hub->rest_log_ratio > DOUBLED_FROM) {
    result->evidence = fmax(result->evidence, hub->rest_log_ratio);
    result->p_value = udg_evidence_p_value(result->evidence);
    udg_result_reason(result,
                      "the other digits show twice, all displaced alike, and beside the %s digit "
                      "stands a %c%s: an earlier hub",
                      place, f->digit, differs(hub) ? " displaced as they are" : "");
  } else {
    udg_result_reason(result,
                      "the date shows twice with a %c at the %s digit: an earlier hub, though of "
                      "the other digits alone too little shows",
                      f->digit, place);
  }
}

static void tell_doubled(udg_result *result) {
  const udg_hub_finding *hub = &result->hub;
  result->verdict = UDG_VERDICT_DOUBLED;
  udg_finding f = {.kind = UDG_VERDICT_DOUBLED,
                   .offset_mm = {hub->shift_mm[0], hub->shift_mm[1]},
                   .turn_deg = hub->turn_deg,
                   .strength_interval = {0.0, 1.0},
                   .log_ratio = hub->log_ratio};
  int known = 0;
  for (int i = 0; i < result->other_count; i++)
    known |= result->others[i].kind == UDG_VERDICT_DOUBLED;
  if (!known && result->other_count < UDG_OTHERS_MAX)
    result->others[result->other_count++] = f;
  udg_result_reason(result, "the hub was set twice: all digits%s show again, none differs",
                    hub->legend_log_ratio > 0.5 ? " and the letters" : "");
}

void udg_hub_name(const udg_reference *reference, udg_result *result) {
  const udg_hub_finding *hub = &result->hub;
  if (!hub->applies || !result->judged)
    return;
  const int twice = hub->log_ratio > DOUBLED_FROM, others = hub->rest_log_ratio > DOUBLED_FROM;
  const int flagged = result->verdict == UDG_VERDICT_UNDERDIGIT;
  /* The same digit at the same place, found without knowing of hubs. */
  const int alike =
      flagged && result->finding.place == hub->place && result->finding.digit == hub->digit;
  if ((others && (differs(hub) || flagged)) || (twice && differs(hub) && alike)) {
    tell_overdate(result);
  } else if (differs(hub) && (twice || alike)) {
    result->verdict = UDG_VERDICT_UNDECIDED;
    udg_result_reason(result,
                      "the hub may have been set twice, first with a %c at the %s digit; of the "
                      "other digits too little shows for a flag: worth another photo, in other "
                      "light",
                      hub->digit, udg_name_place(hub->place, result->place_count));
  } else if (twice) {
    tell_doubled(result);
  } else if (flagged) {
    drop_loose_digit(reference, result);
  }
}
