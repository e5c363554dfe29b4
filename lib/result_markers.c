/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "result_markers.h"

#include <string.h>

static void write_marker(udg_json_writer *writer, const udg_marker_finding *f) {
  udg_json_write_open(writer, NULL, '{');
  udg_json_write_string(writer, "die", f->die, sizeof f->die);
  udg_json_write_string(writer, "id", f->id, sizeof f->id);
  udg_json_write_string(writer, "kind", udg_marker_kind_text(f->kind), SIZE_MAX);
  udg_json_write_string(writer, "answer", udg_marker_answer_text(f->answer), SIZE_MAX);
  udg_json_write_number(writer, "log_ratio", f->log_ratio);
  udg_json_write_number(writer, "power", f->power);
  udg_json_write_string(writer, "view", f->in_view ? "in view" : "not in view", SIZE_MAX);
  udg_json_write_numbers(writer, "at_mm", f->at_mm, 2);
  if (f->clock > 0.0) {
    udg_json_write_number(writer, "clock", f->clock);
    udg_json_write_number(writer, "radius_mm", f->radius_mm);
  }
  udg_json_write_numbers(writer, "photo_px", f->photo_px, 2);
  udg_json_write_close(writer, '}');
}

static void write_die(udg_json_writer *writer, const udg_die_finding *die) {
  udg_json_write_open(writer, NULL, '{');
  udg_json_write_string(writer, "id", die->id, sizeof die->id);
  udg_json_write_number(writer, "place", die->place);
  udg_json_write_string(writer, "earlier", &die->earlier, 1);
  udg_json_write_number(writer, "digit_log_ratio", die->digit_log_ratio);
  udg_json_write_number(writer, "marker_log_ratio", die->marker_log_ratio);
  udg_json_write_number(writer, "log_ratio", die->log_ratio);
  udg_json_write_number(writer, "present", die->present);
  udg_json_write_number(writer, "absent", die->absent);
  udg_json_write_number(writer, "state", die->state);
  udg_json_write_numbers(writer, "state_interval", die->state_interval, 2);
  udg_json_write_string(writer, "words", die->words, sizeof die->words);
  udg_json_write_close(writer, '}');
}

static void write_hub(udg_json_writer *writer, const udg_result *result) {
  const udg_hub_finding *hub = &result->hub;
  if (!hub->applies) {
    udg_json_write_null(writer, "hub");
    return;
  }
  udg_json_write_open(writer, "hub", '{');
  udg_json_write_number(writer, "log_ratio", hub->log_ratio);
  udg_json_write_numbers(writer, "shift_mm", hub->shift_mm, 2);
  udg_json_write_number(writer, "turn_deg", hub->turn_deg);
  if (hub->place > 0) {
    udg_json_write_number(writer, "place", hub->place);
    udg_json_write_string(writer, "digit", &hub->digit, 1);
  } else {
    udg_json_write_null(writer, "place");
    udg_json_write_null(writer, "digit");
  }
  udg_json_write_number(writer, "digit_lead", hub->digit_lead);
  udg_json_write_number(writer, "rest_log_ratio", hub->rest_log_ratio);
  udg_json_write_number(writer, "legend_letters", hub->legend_letters);
  udg_json_write_number(writer, "legend_log_ratio", hub->legend_log_ratio);
  udg_json_write_close(writer, '}');
}

static void write_strike(udg_json_writer *writer, const udg_strike_finding *f) {
  udg_json_write_open(writer, NULL, '{');
  udg_json_write_string(writer, "region", f->region, sizeof f->region);
  udg_json_write_string(writer, "answer", udg_strike_answer_text(f->answer), SIZE_MAX);
  udg_json_write_number(writer, "full", f->full);
  udg_json_write_numbers(writer, "full_interval", f->full_interval, 2);
  udg_json_write_number(writer, "things", f->things);
  udg_json_write_close(writer, '}');
}

static int within(int count, int most) {
  return count > most ? most : count;
}

void udg_result_write_markers(udg_json_writer *writer, const udg_result *result) {
  udg_json_write_open(writer, "markers", '[');
  for (int i = 0; i < within(result->marker_count, UDG_MARKERS_MAX); i++)
    write_marker(writer, &result->markers[i]);
  udg_json_write_close(writer, ']');
  udg_json_write_open(writer, "dies", '[');
  for (int i = 0; i < within(result->die_count, UDG_DIES_MAX); i++)
    write_die(writer, &result->dies[i]);
  udg_json_write_close(writer, ']');
  write_hub(writer, result);
  udg_json_write_open(writer, "strike", '[');
  for (int i = 0; i < within(result->strike_count, UDG_STRIKES_MAX); i++)
    write_strike(writer, &result->strikes[i]);
  udg_json_write_close(writer, ']');
  if (result->strike_count > 0) {
    udg_json_write_number(writer, "wear", result->wear);
    udg_json_write_numbers(writer, "wear_interval", result->wear_interval, 2);
  }
}
