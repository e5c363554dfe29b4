/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit inspect`: each photo on its own, answers in the order given. */
#include <errno.h>
#include <getopt.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>

#include <underdigit/underdigit.h>

#include "coins.h"
#include "command.h"
#include "grid.h"
#include "naming.h"
#include "picture.h"
#include "words.h"
#include "words_known.h"

enum { ANSWER_COLUMNS = 80 };

typedef struct inspect_options {
  const char *reference_path;
  const char *date; /* NULL: all of the reference */
  int json;
  int same_coin;            /* all photos are of one coin */
  const char *picture_path; /* NULL: none */
  const char *grid_path;    /* NULL: none */
  int picture_width_px;
  char **photos;
  int photo_count;
} inspect_options;

/* One run over all photos. */
typedef struct inspect_run {
  const inspect_options *options;
  udg_settings settings;
  udg_reference *reference;
  udg_inspector *inspector;
  int read_count;      /* photos that could be worked on */
  int unjudged;        /* some could not be judged or read */
  words_state *states; /* of known dies whose marks were seen, for their order */
  size_t state_count;
  int output_failed; /* an answer or a picture could not be written: stop */
} inspect_run;

static int parse_width(const char *text, int *width_px) {
  char *end;
  errno = 0;
  long value = strtol(text, &end, 10);
  if (errno || end == text || *end || value < PICTURE_WIDTH_MIN || value > PICTURE_WIDTH_MAX)
    return -1;
  *width_px = (int)value;
  return 0;
}

enum { OPTION_PICTURE_WIDTH = UCHAR_MAX + 1, OPTION_SAME_COIN, OPTION_GRID };

/* -1: go on; else the exit status. */
static int parse_options(int argc, char **argv, inspect_options *options) {
  static const struct option known[] = {
      {"reference", required_argument, NULL, 'r'},
      {"date", required_argument, NULL, 'd'},
      {"json", no_argument, NULL, 'j'},
      {"picture", required_argument, NULL, 'p'},
      {"picture-width", required_argument, NULL, OPTION_PICTURE_WIDTH},
      {"same-coin", no_argument, NULL, OPTION_SAME_COIN},
      {"grid", required_argument, NULL, OPTION_GRID},
      {"help", no_argument, NULL, 'h'},
      {NULL, 0, NULL, 0},
  };
  *options = (inspect_options){.picture_width_px = PICTURE_WIDTH_DEFAULT};
  int letter;
  while ((letter = getopt_long(argc, argv, "r:d:jp:h", known, NULL)) != -1) {
    switch (letter) {
    case 'r':
      options->reference_path = optarg;
      break;
    case 'd':
      options->date = optarg;
      break;
    case 'j':
      options->json = 1;
      break;
    case 'p':
      options->picture_path = optarg;
      break;
    case OPTION_GRID:
      options->grid_path = optarg;
      break;
    case OPTION_PICTURE_WIDTH:
      if (parse_width(optarg, &options->picture_width_px) != 0) {
        command_complain("--picture-width takes a whole number from %d to %d, not '%s'",
                         PICTURE_WIDTH_MIN, PICTURE_WIDTH_MAX, optarg);
        return command_misused(&inspect_command);
      }
      break;
    case OPTION_SAME_COIN:
      options->same_coin = 1;
      break;
    case 'h':
      command_help(&inspect_command);
      return EXIT_JUDGED;
    default:
      return command_misused(&inspect_command);
    }
  }
  options->photos = argv + optind;
  options->photo_count = argc - optind;
  return -1;
}

static int check_options(const inspect_options *options) {
  const char *missing = NULL;
  if (options->photo_count == 0)
    missing = "no photo given";
  else if (!options->reference_path)
    missing = "no --reference given: the program must know the coin type's digits";
  else if (options->picture_path && !options->picture_path[0])
    missing = "--picture needs a file name";
  else if (options->same_coin && options->photo_count < 2)
    missing = "--same-coin takes two photos or more";
  else if (options->same_coin && options->picture_path)
    missing = "--picture draws one photo; it does not go with --same-coin";
  if (!missing)
    return -1;
  command_complain("%s", missing);
  return command_misused(&inspect_command);
}

/* A date the reference lacks is a slip in the command line, not in any photo. */
static int check_date(const udg_reference *reference, const inspect_options *options) {
  if (!options->date)
    return 0;
  char has[256] = "";
  size_t used = 0;
  for (size_t i = 0; i < udg_reference_date_count(reference); i++) {
    const char *date = udg_reference_date(reference, i);
    if (strcmp(date, options->date) == 0)
      return 0;
    int n = snprintf(has + used, sizeof has - used, "%s%s", i ? ", " : "", date);
    if (n > 0 && (size_t)n < sizeof has - used)
      used += (size_t)n;
  }
  has[used] = '\0';
  command_complain("%s: no date '%s' in this reference; it has %s", options->reference_path,
                   options->date, has);
  return -1;
}

/* All of standard input, for the photo "-". NULL with a message on failure. */
static unsigned char *read_standard_input(const udg_settings *settings, size_t *byte_count,
                                          udg_message *message) {
  size_t room = 4096, used = 0;
  unsigned char *bytes = malloc(room);
  while (bytes) {
    used += fread(bytes + used, 1, room - used, stdin);
    if (ferror(stdin) || used > settings->max_file_bytes) {
      snprintf(message->text, sizeof message->text, "standard input: %s",
               ferror(stdin) ? strerror(errno) : "more bytes than a photo may have");
      free(bytes);
      return NULL;
    }
    if (feof(stdin)) {
      *byte_count = used;
      return bytes;
    }
    if (used == room) {
      unsigned char *larger = realloc(bytes, room * 2);
      if (!larger)
        break;
      bytes = larger;
      room *= 2;
    }
  }
  free(bytes);
  snprintf(message->text, sizeof message->text, "standard input: not enough memory");
  return NULL;
}

static udg_status load_photo(const inspect_run *run, const char *photo, udg_image **image,
                             udg_message *message) {
  if (strcmp(photo, "-") != 0)
    return udg_image_from_file(&run->settings, photo, image, message);
  size_t byte_count = 0;
  unsigned char *bytes = read_standard_input(&run->settings, &byte_count, message);
  if (!bytes)
    return UDG_ERROR_IO;
  udg_status status =
      udg_image_from_memory(&run->settings, bytes, byte_count, "standard input", image, message);
  free(bytes);
  return status;
}

static void print_json(inspect_run *run, udg_status status, char *text, const udg_message *why) {
  if (status != UDG_OK) {
    command_complain("%s", why->text);
    run->output_failed = 1;
    return;
  }
  puts(text);
  udg_text_destroy(&run->settings, text);
}

/* A photo that could not be worked on: said once for a person, and in the
 * stream of objects, so that every photo has its line there. */
static void report_fault(inspect_run *run, const char *photo, const char *fault) {
  command_complain("%s", fault);
  run->unjudged = 1;
  if (!run->options->json)
    return;
  udg_message why = {""};
  char *text = NULL;
  udg_status status = udg_error_to_json(&run->settings, photo, fault, &text, &why);
  print_json(run, status, text, &why);
}

static void report_result(inspect_run *run, const char *photo, const coins *all) {
  for (int i = 0; !run->options->json && i < all->count; i++)
    words_print(stdout, photo, &all->results[i], ANSWER_COLUMNS);
  if (!run->options->json)
    return;
  udg_message why = {""};
  char *text = NULL;
  udg_status status =
      udg_results_to_json(&run->settings, all->results, all->count, photo, &text, &why);
  print_json(run, status, text, &why);
}

static void draw_picture(inspect_run *run, const char *photo, const udg_image *image,
                         const udg_result *result, const char *path) {
  picture_input input = {.photo = photo,
                         .result = result,
                         .reference = run->reference,
                         .photo_width = udg_image_width(image),
                         .photo_height = udg_image_height(image),
                         .image = image,
                         .width_px = run->options->picture_width_px};
  if (udg_inspector_view(run->inspector, UDG_VIEW_UPRIGHT, &input.upright) != UDG_OK ||
      udg_inspector_view(run->inspector, UDG_VIEW_RESIDUAL, &input.residual) != UDG_OK ||
      udg_inspector_view(run->inspector, UDG_VIEW_EVIDENCE, &input.evidence) != UDG_OK) {
    command_complain("%s: no picture drawn, as no date was found", photo);
    return;
  }
  udg_message why = {""};
  if (picture_write(&input, path, &why) != 0) {
    command_complain("%s", why.text);
    run->output_failed = 1;
  }
}

/* What a photo's picture is drawn with: of its coins the one that speaks. */
typedef struct drawing {
  inspect_run *run;
  int index;
  const udg_image *image;
} drawing;

static int draw_named(void *user, const udg_result *result) {
  const drawing *d = user;
  const inspect_options *options = d->run->options;
  char *path =
      naming_picture_path(options->picture_path, options->photos, options->photo_count, d->index);
  if (path)
    draw_picture(d->run, options->photos[d->index], d->image, result, path);
  else
    report_fault(d->run, options->photos[d->index], "not enough memory");
  free(path);
  return d->run->output_failed ? -1 : 0;
}

/* For describing markers: the whole coin with clock, radii and millimetres. */
static void draw_grid(inspect_run *run, int index, const udg_image *image,
                      const udg_result *result) {
  const inspect_options *options = run->options;
  udg_message why = {""};
  char *path =
      naming_picture_path(options->grid_path, options->photos, options->photo_count, index);
  if (!path)
    report_fault(run, options->photos[index], "not enough memory");
  else if (result->coin_to_photo[8] == 0)
    command_complain("%s: no grid drawn, as no date was found", options->photos[index]);
  else if (grid_write(image, run->reference, result, options->photos[index],
                      options->picture_width_px, path, &why) != 0) {
    command_complain("%s", why.text);
    run->output_failed = 1;
  }
  free(path);
}

/* A die of which something shows takes part in the order. */
static void keep_states(inspect_run *run, const char *photo, const udg_result *result) {
  for (int i = 0; i < result->die_count; i++) {
    const udg_die_finding *die = &result->dies[i];
    if (!die->present && die->digit_log_ratio <= 0)
      continue;
    words_state *larger = realloc(run->states, (run->state_count + 1) * sizeof *larger);
    if (!larger)
      return; /* the order is an extra: the answers themselves were given */
    run->states = larger;
    words_state *s = &run->states[run->state_count++];
    *s = (words_state){.photo = photo,
                       .state = die->state,
                       .low = die->state_interval[0],
                       .high = die->state_interval[1]};
    snprintf(s->die, sizeof s->die, "%s", die->id);
  }
}

static void inspect_image(inspect_run *run, int index, const udg_image *image) {
  const char *photo = run->options->photos[index];
  drawing d = {run, index, image};
  udg_message why = {""};
  coins all;
  if (coins_inspect(run->inspector, image, run->options->date,
                    run->options->picture_path ? draw_named : NULL, &d, &all, &why) != UDG_OK) {
    udg_message named = {""};
    snprintf(named.text, sizeof named.text, "%s: %.400s", photo, why.text);
    report_fault(run, photo, named.text);
    return;
  }
  const udg_result *speaker = coins_speaker(&all);
  if (!speaker->judged || speaker->verdict == UDG_VERDICT_UNDECIDED)
    run->unjudged = 1;
  report_result(run, photo, &all);
  keep_states(run, photo, speaker);
  if (run->options->grid_path)
    draw_grid(run, index, image, speaker);
  coins_clear(&all);
}

static void inspect_photo(inspect_run *run, int index) {
  const char *photo = run->options->photos[index];
  udg_message why = {""};
  udg_image *image = NULL;
  if (load_photo(run, photo, &image, &why) != UDG_OK) {
    report_fault(run, photo, why.text);
    return;
  }
  run->read_count++;
  inspect_image(run, index, image);
  udg_image_destroy(image);
}

/* Photos of one coin: those that can be read are judged together. */
typedef struct one_coin {
  int count;
  const char **paths;
  udg_image **images;
  udg_result *each;
} one_coin;

static void one_coin_clear(one_coin *c) {
  for (int i = 0; i < c->count; i++)
    udg_image_destroy(c->images[i]);
  free(c->paths);
  free(c->images);
  free(c->each);
}

static int one_coin_load(inspect_run *run, one_coin *c) {
  size_t room = (size_t)run->options->photo_count;
  *c = (one_coin){0, calloc(room, sizeof *c->paths), calloc(room, sizeof(udg_image *)),
                  calloc(room, sizeof *c->each)};
  if (!c->paths || !c->images || !c->each) {
    command_complain("not enough memory");
    return -1;
  }
  for (int i = 0; i < run->options->photo_count; i++) {
    udg_message why = {""};
    const char *path = run->options->photos[i];
    if (load_photo(run, path, &c->images[c->count], &why) != UDG_OK) {
      command_complain("%s", why.text);
      run->unjudged = 1;
      continue;
    }
    c->paths[c->count++] = path;
  }
  return c->count > 0 ? 0 : -1;
}

static void one_coin_report(inspect_run *run, const one_coin *c, const udg_result *joint) {
  udg_message why = {""};
  char *text = NULL, name[64];
  if (run->options->json) {
    udg_status status =
        udg_joint_to_json(&run->settings, joint, c->each, c->paths, c->count, &text, &why);
    print_json(run, status, text, &why);
    return;
  }
  for (int i = 0; i < c->count; i++)
    words_print(stdout, c->paths[i], &c->each[i], ANSWER_COLUMNS);
  snprintf(name, sizeof name, "All %d photos together", c->count);
  words_print(stdout, name, joint, ANSWER_COLUMNS);
  puts(WORDS_CAVEAT);
}

static int inspect_one_coin(inspect_run *run) {
  one_coin c;
  udg_result joint;
  udg_message why = {""};
  int status = EXIT_FAULT;
  if (one_coin_load(run, &c) == 0) {
    if (udg_inspect_same_coin(run->inspector, (const udg_image *const *)c.images, c.count,
                              run->options->date, c.each, &joint, &why) == UDG_OK) {
      one_coin_report(run, &c, &joint);
      if (!joint.judged || joint.verdict == UDG_VERDICT_UNDECIDED)
        run->unjudged = 1;
      status = run->output_failed || command_flush() != 0 ? EXIT_FAULT
               : run->unjudged                            ? EXIT_UNJUDGED
                                                          : EXIT_JUDGED;
    } else {
      command_complain("%s", why.text);
    }
  }
  one_coin_clear(&c);
  return status;
}

static int inspect_all(inspect_run *run) {
  const inspect_options *options = run->options;
  for (int i = 0; i < options->photo_count && !run->output_failed; i++) {
    inspect_photo(run, i);
    /* A long run is read as it goes, and a reader that went away ends it. */
    if (command_flush() != 0)
      run->output_failed = 1;
  }
  if (run->output_failed || run->read_count == 0)
    return EXIT_FAULT;
  if (!options->json) {
    words_order(stdout, run->states, run->state_count, ANSWER_COLUMNS);
    puts(WORDS_CAVEAT);
  }
  return run->unjudged ? EXIT_UNJUDGED : EXIT_JUDGED;
}

static int run_inspect(int argc, char **argv) {
  inspect_options options;
  int status = parse_options(argc, argv, &options);
  if (status < 0)
    status = check_options(&options);
  if (status >= 0)
    return status;

  inspect_run run = {.options = &options};
  udg_settings_default(&run.settings, sizeof run.settings);
  run.settings.log = command_warn;
  udg_message why = {""};
  status = EXIT_FAULT;
  if (udg_reference_from_file(&run.settings, options.reference_path, &run.reference, &why) !=
      UDG_OK)
    command_complain("%s", why.text);
  else if (check_date(run.reference, &options) == 0) {
    if (udg_inspector_create(&run.settings, run.reference, &run.inspector, &why) == UDG_OK)
      status = options.same_coin ? inspect_one_coin(&run) : inspect_all(&run);
    else
      command_complain("%s", why.text);
  }
  free(run.states);
  udg_inspector_destroy(run.inspector);
  udg_reference_destroy(run.reference);
  return status;
}

const command inspect_command = {
    .name = "inspect",
    .summary = "look for an earlier digit in photos of a coin's date",
    .usage = "PHOTO... --reference FILE [OPTION]...",
    .help =
        "Looks in each photo for the date that the reference file describes and says whether a\n"
        "trace of an earlier digit shows beside or inside the digits. Photos are JPEG or PNG;\n"
        "'-' reads one from standard input.\n"
        "\n"
        "  -r, --reference FILE   the coin type: digits, dates, places (required)\n"
        "  -d, --date YYYY        the date the coin bears; without it every date of the\n"
        "                         reference is tried\n"
        "  -j, --json             one JSON object a photo and line instead of sentences\n"
        "  -p, --picture OUT.png  draw the date with the outlines found, what the model leaves\n"
        "                         over, and the evidence along the date. With several photos\n"
        "                         each gets its own: OUT-NAME.png, NAME being the photo's file\n"
        "                         name without extension\n"
        "      --same-coin        all photos are of one coin: judge them together, too\n"
        "      --grid OUT.png     draw the whole coin upright with clock positions, radii and the\n"
        "                         date plane's millimetres: to measure a die's markers by\n"
        "      --picture-width N  width of the picture in pixels, 300 to 4000 (default 1200)\n"
        "  -h, --help             this text\n"
        "\n"
        "Exit status: 0 all photos judged; 1 at least one could not be judged or read; 2 wrong\n"
        "usage, no input readable, or an answer could not be written.\n"
        "\n"
        "The answer is a screening aid: it says which coins are worth a look. Examination in\n"
        "hand and professional authentication decide.\n",
    .run = run_inspect,
};
