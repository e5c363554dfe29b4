/* SPDX-License-Identifier: GPL-2.0-or-later */
/* underdigit-testimages: synthetic date close-ups with truth beside them. */
#include <errno.h>
#include <getopt.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include <underdigit/version.h>

#include "make.h"

static const char usage[] =
    "Usage: underdigit-testimages --reference FILE --output DIR [options]\n"
    "Draws synthetic date close-ups of struck metal and writes what they show beside\n"
    "them: NAME-0000.jpg, NAME-0000.json and so on.  The same options give the same\n"
    "pictures.\n"
    "\n"
    "  --reference FILE   coin type to draw (underdigit-reference/1)\n"
    "  --output DIR       folder for the pictures; made when it is not there\n"
    "  --count N          coins to draw (1)\n"
    "  --seed S           where the random numbers start (1)\n"
    "  --start K          number of the first coin (0)\n"
    "  --name NAME        begin of the file names (the reference's file name)\n"
    "  --class CLASS      one of clean underdigit repunched doubled crack scratch chip\n"
    "                     fragment; without it, a mixture\n"
    "  --date YYYY        one date of the reference; without it, any of them\n"
    "  --strength LO:HI   height of traces, shares of the digit's (0.12:0.85)\n"
    "  --strike LO:HI     how much of the die's depth the metal fills near the date (1:1)\n"
    "  --wear LO:HI       0 none to 1; without it, as in listings\n"
    "  --profile NAME     shoulder: smooth (the reference's), slope, round or hollow; without it, "
    "any\n"
    "  --digit-px LO:HI   height of a digit in pixels (28:150)\n"
    "  --turn LO:HI       turn of the coin in degrees (about 0, at most 11 either way)\n"
    "  --frame F          0 crops around the date (default); up to 2 shows more around it\n"
    "  --design           close-ups with rim, legend and picture near the date\n"
    "  --whole            whole coins on a table, any turn\n"
    "  --coin-px LO:HI    with --whole: their diameter in pixels (500:1250)\n"
    "  --coins N          with --whole: N coins in each photo, up to 24\n"
    "  --both-sides       with --coins: every second coin shows the side without date\n"
    "  --markers WHICH    markers of the reference's known dies: die (default: on coins of\n"
    "                     that die), none, all, half (each on every second coin)\n"
    "  --lamps N          N photos of each coin under different light: NAME-0000-a.jpg ...\n"
    "  --overhead         one lamp straight above: nothing can be told from slopes\n"
    "  --ideal            linear shading, white noise, no other fault; PNG\n"
    "  --noise LEVELS     with --ideal: standard deviation in grey levels (5)\n"
    "  --contrast LEVELS  with --ideal: darkest to brightest slope (120)\n"
    "  --help, --version\n"
    "\n"
    "Exit status: 0 good, 1 a picture could not be made, 2 wrong usage.\n";

enum {
  OPT_REFERENCE = 256,
  OPT_OUTPUT,
  OPT_COUNT,
  OPT_SEED,
  OPT_START,
  OPT_NAME,
  OPT_CLASS,
  OPT_DATE,
  OPT_STRENGTH,
  OPT_DIGIT_PX,
  OPT_TURN,
  OPT_FRAME,
  OPT_LAMPS,
  OPT_OVERHEAD,
  OPT_IDEAL,
  OPT_NOISE,
  OPT_CONTRAST,
  OPT_DESIGN,
  OPT_WHOLE,
  OPT_COIN_PX,
  OPT_COINS,
  OPT_BOTH_SIDES,
  OPT_MARKERS,
  OPT_STRIKE,
  OPT_WEAR,
  OPT_PROFILE,
  OPT_HELP,
  OPT_VERSION
};

static const struct option long_options[] = {
    {"reference", required_argument, NULL, OPT_REFERENCE},
    {"output", required_argument, NULL, OPT_OUTPUT},
    {"count", required_argument, NULL, OPT_COUNT},
    {"seed", required_argument, NULL, OPT_SEED},
    {"start", required_argument, NULL, OPT_START},
    {"name", required_argument, NULL, OPT_NAME},
    {"class", required_argument, NULL, OPT_CLASS},
    {"date", required_argument, NULL, OPT_DATE},
    {"strength", required_argument, NULL, OPT_STRENGTH},
    {"digit-px", required_argument, NULL, OPT_DIGIT_PX},
    {"turn", required_argument, NULL, OPT_TURN},
    {"frame", required_argument, NULL, OPT_FRAME},
    {"lamps", required_argument, NULL, OPT_LAMPS},
    {"overhead", no_argument, NULL, OPT_OVERHEAD},
    {"ideal", no_argument, NULL, OPT_IDEAL},
    {"noise", required_argument, NULL, OPT_NOISE},
    {"contrast", required_argument, NULL, OPT_CONTRAST},
    {"design", no_argument, NULL, OPT_DESIGN},
    {"whole", no_argument, NULL, OPT_WHOLE},
    {"coin-px", required_argument, NULL, OPT_COIN_PX},
    {"coins", required_argument, NULL, OPT_COINS},
    {"both-sides", no_argument, NULL, OPT_BOTH_SIDES},
    {"markers", required_argument, NULL, OPT_MARKERS},
    {"strike", required_argument, NULL, OPT_STRIKE},
    {"wear", required_argument, NULL, OPT_WEAR},
    {"profile", required_argument, NULL, OPT_PROFILE},
    {"help", no_argument, NULL, OPT_HELP},
    {"version", no_argument, NULL, OPT_VERSION},
    {NULL, 0, NULL, 0},
};

static int wrong(const char *option, const char *value, const char *wanted) {
  fprintf(stderr, "underdigit-testimages: --%s %s: %s\n", option, value, wanted);
  return 2;
}

static int read_whole(const char *name, const char *value, long low, long high, long *out) {
  char *end;
  errno = 0;
  long v = strtol(value, &end, 10);
  if (errno || end == value || *end || v < low || v > high) {
    char wanted[80];
    snprintf(wanted, sizeof wanted, "must be a whole number from %ld to %ld", low, high);
    return wrong(name, value, wanted);
  }
  *out = v;
  return 0;
}

static int read_number(const char *name, const char *value, double low, double high, double *out) {
  char *end;
  double v = strtod(value, &end);
  if (end == value || *end || !(v >= low && v <= high)) {
    char wanted[80];
    snprintf(wanted, sizeof wanted, "must be a number from %g to %g", low, high);
    return wrong(name, value, wanted);
  }
  *out = v;
  return 0;
}

static int read_pair(const char *name, const char *value, double low, double high, double out[2]) {
  char *end;
  double a = strtod(value, &end), b = a;
  int good = end != value;
  if (good && *end == ':') {
    const char *rest = end + 1;
    b = strtod(rest, &end);
    good = end != rest;
  }
  if (!good || *end || !(low <= a && a <= b && b <= high)) {
    char wanted[96];
    snprintf(wanted, sizeof wanted, "must be LO:HI, %g <= LO <= HI <= %g", low, high);
    return wrong(name, value, wanted);
  }
  out[0] = a;
  out[1] = b;
  return 0;
}

static int read_class(const char *value, int *out) {
  for (int c = 0; c < TI_CLASS_COUNT; c++)
    if (!strcmp(value, ti_class_names[c])) {
      *out = c;
      return 0;
    }
  return wrong("class", value, "no such class; see --help");
}

static int read_markers(const char *value, int *out) {
  for (int c = 0; c < TI_MARKERS_COUNT; c++)
    if (!strcmp(value, ti_markers_names[c])) {
      *out = c;
      return 0;
    }
  return wrong("markers", value, "must be die, none, all or half");
}

static int read_profile(const char *value, int *out) {
  for (int p = 0; p < TI_PROFILE_COUNT; p++)
    if (!strcmp(value, ti_profile_names[p])) {
      *out = p;
      return 0;
    }
  return wrong("profile", value, "must be smooth, slope, round or hollow");
}

/* 0: go on; else the exit status plus one. */
static int read_option(int code, const char *value, ti_job *job) {
  ti_options *o = &job->options;
  int bad = 0;
  switch (code) {
  case OPT_REFERENCE:
    job->reference_path = value;
    break;
  case OPT_OUTPUT:
    job->folder = value;
    break;
  case OPT_COUNT:
    bad = read_whole("count", value, 1, 1000000, &job->count);
    break;
  case OPT_SEED:
    bad = read_whole("seed", value, 0, LONG_MAX, &job->seed);
    break;
  case OPT_START:
    bad = read_whole("start", value, 0, 1000000, &job->start);
    break;
  case OPT_NAME:
    job->name = value;
    break;
  case OPT_CLASS:
    bad = read_class(value, &o->class_fixed);
    break;
  case OPT_DATE:
    job->date = value;
    break;
  case OPT_STRENGTH:
    bad = read_pair("strength", value, 0.01, 1, o->strength);
    break;
  case OPT_DIGIT_PX:
    bad = read_pair("digit-px", value, 8, 400, o->digit_px);
    break;
  case OPT_TURN:
    bad = read_pair("turn", value, -180, 180, o->turn_rad);
    o->turn_rad[0] *= 3.141592653589793 / 180;
    o->turn_rad[1] *= 3.141592653589793 / 180;
    o->any_turn = 1;
    break;
  case OPT_FRAME:
    bad = read_number("frame", value, 0, 2, &o->frame);
    break;
  case OPT_LAMPS:
    bad = read_whole("lamps", value, 1, 26, &job->views);
    break;
  case OPT_OVERHEAD:
    o->overhead = 1;
    break;
  case OPT_IDEAL:
    o->ideal = 1;
    break;
  case OPT_NOISE:
    bad = read_number("noise", value, 0, 100, &o->ideal_noise);
    break;
  case OPT_CONTRAST:
    bad = read_number("contrast", value, 1, 250, &o->ideal_contrast);
    break;
  case OPT_DESIGN:
    o->design = 1;
    break;
  case OPT_WHOLE:
    o->whole = 1;
    break;
  case OPT_COIN_PX:
    bad = read_pair("coin-px", value, 60, 6000, o->coin_px);
    break;
  case OPT_COINS:
    bad = read_whole("coins", value, 1, TI_COINS_MAX, &job->coins);
    o->coins = (int)job->coins;
    break;
  case OPT_BOTH_SIDES:
    o->both_sides = 1;
    break;
  case OPT_MARKERS:
    bad = read_markers(value, &o->markers);
    break;
  case OPT_STRIKE:
    bad = read_pair("strike", value, 0.2, 1, o->strike);
    break;
  case OPT_WEAR:
    bad = read_pair("wear", value, 0, 1, o->wear);
    break;
  case OPT_PROFILE:
    bad = read_profile(value, &o->profile);
    break;
  case OPT_HELP:
    fputs(usage, stdout);
    return 1;
  case OPT_VERSION:
    puts("underdigit-testimages " UDG_VERSION);
    return 1;
  default:
    fputs("See underdigit-testimages --help.\n", stderr);
    return 3;
  }
  return bad ? bad + 1 : 0;
}

int main(int argc, char **argv) {
  ti_job job = {.count = 1, .seed = 1, .views = 0};
  ti_options_defaults(&job.options);
  for (int code; (code = getopt_long(argc, argv, "", long_options, NULL)) != -1;) {
    int leave = read_option(code, optarg, &job);
    if (leave)
      return leave - 1;
  }
  if (optind < argc || !job.reference_path || !job.folder) {
    if (optind < argc)
      fprintf(stderr, "underdigit-testimages: %s: not an option\n", argv[optind]);
    else
      fputs("underdigit-testimages: --reference and --output are needed\n", stderr);
    fputs("See underdigit-testimages --help.\n", stderr);
    return 2;
  }
  if (job.options.coins > 1 && !job.options.whole)
    return wrong("coins", "N", "needs --whole");
  if (job.options.whole && job.options.ideal)
    return wrong("ideal", "", "is for close-ups, not for --whole");
  udg_message message = {""};
  udg_status status = ti_make(&job, &message);
  if (status != UDG_OK) {
    fprintf(stderr, "underdigit-testimages: %s\n",
            message.text[0] ? message.text : udg_status_text(status));
    return status == UDG_ERROR_DATE ? 2 : 1;
  }
  return 0;
}
