/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit learn`: a better reference from photographs of plain coins. */
#include <getopt.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

#include "command.h"
#include "utf8.h"

typedef struct learn_options {
  const char *reference_path, *date, *output_path, *font_path;
  int has_box;
  double box[4], diameter_mm; /* 0: not given */
  int quiet;
  char **photos;
  int photo_count;
} learn_options;

/* COUNT numbers with commas between. */
static int parse_numbers(const char *text, int count, double *numbers) {
  for (int i = 0; i < count; i++) {
    char *end;
    numbers[i] = strtod(text, &end);
    if (end == text || *end != (i + 1 < count ? ',' : '\0') || !(numbers[i] >= 0.0) ||
        !(numbers[i] <= 1e6))
      return -1;
    text = end + 1;
  }
  return 0;
}

/* -1: go on; else the exit status. */
static int parse_options(int argc, char **argv, learn_options *options) {
  static const struct option known[] = {
      {"reference", required_argument, NULL, 'r'},
      {"date", required_argument, NULL, 'd'},
      {"output", required_argument, NULL, 'o'},
      {"quiet", no_argument, NULL, 'q'},
      {"box", required_argument, NULL, 'b'},
      {"font", required_argument, NULL, 'f'},
      {"diameter", required_argument, NULL, 'D'},
      {"help", no_argument, NULL, 'h'},
      {NULL, 0, NULL, 0},
  };
  *options = (learn_options){0};
  int letter;
  while ((letter = getopt_long(argc, argv, "r:d:o:b:f:D:qh", known, NULL)) != -1) {
    switch (letter) {
    case 'r':
      options->reference_path = optarg;
      break;
    case 'd':
      options->date = optarg;
      break;
    case 'o':
      options->output_path = optarg;
      break;
    case 'b':
      options->has_box = 1;
      if (parse_numbers(optarg, 4, options->box) != 0) {
        command_complain("--box takes X,Y,WIDTH,HEIGHT in pixels, not '%s'", optarg);
        return command_misused(&learn_command);
      }
      break;
    case 'f':
      options->font_path = optarg;
      break;
    case 'D':
      if (parse_numbers(optarg, 1, &options->diameter_mm) != 0 || options->diameter_mm <= 0.0) {
        command_complain("--diameter takes millimetres, not '%s'", optarg);
        return command_misused(&learn_command);
      }
      break;
    case 'q':
      options->quiet = 1;
      break;
    case 'h':
      command_help(&learn_command);
      return EXIT_JUDGED;
    default:
      return command_misused(&learn_command);
    }
  }
  options->photos = argv + optind;
  options->photo_count = argc - optind;
  return -1;
}

static int check_options(const learn_options *options) {
  const char *missing = NULL;
  if (options->photo_count == 0)
    missing = "no photo given";
  else if (!options->reference_path && !options->has_box)
    missing = "no --reference given: learning begins from the digits' outlines, or from a --box";
  else if (options->has_box && !options->date)
    missing = "--box needs --date: which digits does it hold?";
  else if (options->font_path && (options->reference_path || !options->has_box))
    missing = "--font goes with --box and without --reference";
  else if (!options->output_path || !options->output_path[0])
    missing = "no --output given: what is learned goes into a new reference file";
  if (!missing)
    return -1;
  command_complain("%s", missing);
  return command_misused(&learn_command);
}

/* The only date may go unsaid. */
static const char *date_of(const udg_reference *reference, const learn_options *options) {
  if (options->date)
    return options->date;
  if (udg_reference_date_count(reference) == 1)
    return udg_reference_date(reference, 0);
  command_complain("%s has several dates: say by --date which one the photos show",
                   options->reference_path);
  return NULL;
}

/* Adds every photo; the number of those that could not be read, or -1. */
static int add_all(udg_learner *learner, const udg_settings *settings,
                   const learn_options *options) {
  int unread = 0;
  for (int i = 0; i < options->photo_count; i++) {
    udg_message message = {""};
    udg_image *image = NULL;
    udg_status status = udg_image_from_file(settings, options->photos[i], &image, &message);
    if (status != UDG_OK) {
      command_complain("%s", message.text);
      unread++;
      continue;
    }
    status = udg_learner_add(learner, image, options->photos[i], &message);
    udg_image_destroy(image);
    if (status != UDG_OK) {
      command_complain("%s: %s", options->photos[i], message.text);
      return -1;
    }
  }
  return unread;
}

static void print_if_left_out(const udg_learn_photo *photo) {
  if (photo->fate == UDG_LEARN_USED)
    return;
  utf8_print_clean(stdout, photo->name);
  printf(": left out: %s\n", photo->why);
}

static void print_left_out(const udg_learner *learner) {
  udg_learn_photo photo;
  for (size_t i = 0; udg_learner_photo(learner, i, &photo) == UDG_OK; i++)
    print_if_left_out(&photo);
}

static void print_lights(const udg_learn_report *report) {
  static const char *const side[UDG_LEARN_SECTORS] = {
      "right", "lower right", "below", "lower left", "left", "upper left", "above", "upper right"};
  printf("Light from:");
  for (int i = 0; i < UDG_LEARN_SECTORS; i++)
    printf("%s %s %d", i ? "," : "", side[i], report->sector_count[i]);
  printf("; from no one side %d\n", report->undirected_count);
}

static void print_places(const udg_learn_report *report, const char *date) {
  for (int p = 0; p < report->place_count; p++)
    printf("The %c at place %d: %+.3f mm to the right, %+.3f mm down, turned by %+.2f degrees\n",
           date[p], p + 1, report->place_shift_mm[p][0], report->place_shift_mm[p][1],
           report->place_turn_deg[p]);
  if (report->place_count > 1)
    printf("Centres are known to %.3f mm; on one coin a digit strays by %.3f mm, %.2f degrees\n",
           report->place_error_mm, report->spread_mm, report->spread_deg);
}

static void print_report(const learn_options *options, const udg_learn_report *report,
                         const char *date) {
  printf("%d of %d photos used\n", report->used_count, options->photo_count);
  print_lights(report);
  print_places(report, date);
  printf("%.0f %% of what shows beside the date's model is foretold on a coin not seen before\n",
         100.0 * report->explained_share);
  printf("Trust: %s\n", report->trust_text);
}

static int learn(udg_learner *learner, const udg_settings *settings, const learn_options *options,
                 const char *date) {
  udg_message message = {""};
  udg_learn_report report;
  int unread = add_all(learner, settings, options);
  if (unread < 0)
    return EXIT_FAULT;
  udg_status status = udg_learner_finish(learner, &report, &message);
  if (!options->quiet)
    print_left_out(learner);
  if (status == UDG_OK)
    status = udg_learner_write(learner, options->output_path, &message);
  if (status != UDG_OK) {
    command_complain("%s; nothing was written", message.text);
    return EXIT_FAULT;
  }
  if (!options->quiet)
    print_report(options, &report, date);
  return report.used_count == options->photo_count ? EXIT_JUDGED : EXIT_UNJUDGED;
}

/* A reference that is there for its digits only. */
static udg_status digits_of_font(const udg_settings *settings, const char *path,
                                 udg_reference **digits, udg_message *message) {
  static const char frame[] =
      "{\"format\":\"underdigit-reference/1\",\"name\":\"font\",\"font\":\"font\","
      "\"dates\":[{\"date\":\"1\",\"height_mm\":1,"
      "\"places\":[{\"digit\":\"1\",\"centre_mm\":[0,-0.5]}]}]}";
  size_t room = 0, used = 0, got;
  unsigned char *bytes = NULL;
  FILE *file = fopen(path, "rb");
  do {
    if (used == room) {
      room = 2 * room + 65536;
      unsigned char *more = room > settings->max_file_bytes ? NULL : realloc(bytes, room);
      if (!more)
        break;
      bytes = more;
    }
    got = file ? fread(bytes + used, 1, room - used, file) : 0;
    used += got;
  } while (got > 0);
  int good = file && !ferror(file) && feof(file);
  if (file)
    fclose(file);
  udg_status status = UDG_ERROR_IO;
  if (good)
    status = udg_reference_from_memory(settings, frame, sizeof frame - 1, path, bytes, used, digits,
                                       message);
  else
    snprintf(message->text, sizeof message->text, "%.400s: the font cannot be read", path);
  free(bytes);
  return status;
}

static udg_status outline_all(udg_outliner *outliner, const udg_settings *settings,
                              const learn_options *options, udg_message *message) {
  for (int i = 0; i < options->photo_count; i++) {
    udg_image *image = NULL;
    udg_status status = udg_image_from_file(settings, options->photos[i], &image, message);
    if (status == UDG_OK)
      status = udg_outliner_add(outliner, image, options->photos[i], message);
    udg_image_destroy(image);
    /* A photo that cannot be read is complained of when it is learned from. */
    if (status != UDG_OK && (i == 0 || (status != UDG_ERROR_IO && status != UDG_ERROR_FORMAT &&
                                        status != UDG_ERROR_TRUNCATED)))
      return status;
  }
  return UDG_OK;
}

/* Outlines from the photos alone. */
static udg_status make_outlines(const udg_settings *settings, const learn_options *options,
                                udg_reference **reference, udg_message *message) {
  udg_reference *digits = NULL;
  udg_outliner *outliner = NULL;
  udg_status status = UDG_OK;
  if (options->reference_path)
    status = udg_reference_from_file(settings, options->reference_path, &digits, message);
  else if (options->font_path)
    status = digits_of_font(settings, options->font_path, &digits, message);
  if (status == UDG_OK)
    status = udg_outliner_create(settings, digits, options->date, options->box,
                                 options->diameter_mm, &outliner, message);
  if (status == UDG_OK)
    status = outline_all(outliner, settings, options, message);
  if (status == UDG_OK) {
    udg_learn_photo photo;
    status = udg_outliner_finish(outliner, reference, message);
    /* With outlines, who is left out is told once, when all is learned. */
    for (size_t i = 0;
         status != UDG_OK && !options->quiet && udg_outliner_photo(outliner, i, &photo) == UDG_OK;
         i++)
      print_if_left_out(&photo);
  }
  udg_outliner_destroy(outliner);
  udg_reference_destroy(digits);
  return status;
}

static int learn_run(int argc, char **argv) {
  learn_options options;
  int status = parse_options(argc, argv, &options);
  if (status < 0)
    status = check_options(&options);
  if (status >= 0)
    return status;
  udg_settings settings;
  udg_settings_default(&settings, sizeof settings);
  settings.log = command_warn;
  udg_message message = {""};
  udg_reference *reference = NULL;
  udg_learner *learner = NULL;
  const char *date = NULL;
  status = EXIT_FAULT;
  udg_status loaded = options.has_box ? make_outlines(&settings, &options, &reference, &message)
                                      : udg_reference_from_file(&settings, options.reference_path,
                                                                &reference, &message);
  if (loaded != UDG_OK)
    command_complain("%s%s", message.text,
                     loaded == UDG_ERROR_PHOTOS ? "; nothing was written" : "");
  else if ((date = date_of(reference, &options)) != NULL &&
           udg_learner_create(&settings, reference, date, &learner, &message) != UDG_OK)
    command_complain("%s", message.text);
  if (learner)
    status = learn(learner, &settings, &options, date);
  udg_learner_destroy(learner);
  udg_reference_destroy(reference);
  return status;
}

const command learn_command = {
    .name = "learn",
    .summary = "make a reference better from photographs of plain coins",
    .usage = "--reference FILE [--date YYYY] --output FILE PHOTO...\n"
             "       underdigit learn --box X,Y,W,H --date YYYY [--reference FILE | --font FILE]\n"
             "                        [--diameter MM] --output FILE PHOTO...",
    .help =
        "Registers photographs of plain coins of one date, works out where its digits sit\n"
        "and how far they stray from coin to coin, and learns what else is seen beside the\n"
        "digits - teeth of the rim, leaves, letters - so that it no longer counts as evidence.\n"
        "Photos that show no plain coin of that date are named and left out. At least three\n"
        "photos are needed, a dozen or more with light from all sides are better.\n"
        "\n"
        "  -r, --reference FILE  the reference to begin from, with the digits' outlines\n"
        "  -d, --date YYYY       the date that the photos show; may be left out when the\n"
        "                        reference has only one\n"
        "  -o, --output FILE     the reference to write; what is learned by pixel goes into a\n"
        "                        second file beside it, FILE-........appearance, that must be\n"
        "                        kept with it\n"
        "Without outlines, from photographs of whole coins, or of close-ups, alone:\n"
        "  -b, --box X,Y,W,H     where the date is on the first photo, in pixels: left, top, "
        "width,\n"
        "                        height; the date is upright there, and nothing else that is\n"
        "                        raised lies wholly in the box. --date says which digits it holds\n"
        "  -r, --reference FILE  another reference, whose digits are looked for as earlier ones\n"
        "  -f, --font FILE       or a TrueType or OpenType font's\n"
        "  -D, --diameter MM     of the whole coin; 20 unless told\n"
        "\n"
        "  -q, --quiet           say nothing but faults\n"
        "  -h, --help            show this text\n"
        "\n"
        "Exit status: 0 every photo was used, 1 some were left out, 2 wrong usage or too few\n"
        "photos to learn from; then nothing is written.\n",
    .run = learn_run,
};
