/* SPDX-License-Identifier: GPL-2.0-or-later */
/* `underdigit page`: a store as one page to look through, without a network. */
#include <errno.h>
#include <getopt.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "command.h"
#include "finds.h"
#include "json_out.h"
#include "output.h"
#include "words.h"

/* The page's parts; tools/dev/embed.py makes the C file. */
extern const char page_html[], page_css[], page_js[];

typedef struct page_options {
  const char *store_path, *folder;
  finds_options finds;
} page_options;

/* ---- data for the page's script */

/* Paragraphs of an answer as pairs of label and text. */
static void write_words(FILE *out, const char *words) {
  const size_t indent = 2 + WORDS_LABEL_COLUMNS;
  int comma = 0;
  fputc('[', out);
  for (const char *line = words ? words : ""; *line;) {
    size_t length = strcspn(line, "\n");
    if (length > indent && strncmp(line, "  ", 2) == 0) {
      char label[WORDS_LABEL_COLUMNS + 1], text[2000];
      size_t label_length = WORDS_LABEL_COLUMNS;
      while (label_length > 0 && line[1 + label_length] == ' ')
        label_length--;
      snprintf(label, sizeof label, "%.*s", (int)label_length, line + 2);
      snprintf(text, sizeof text, "%.*s", (int)(length - indent), line + indent);
      fputs(comma ? ",[" : "[", out);
      json_out_string(out, label);
      fputc(',', out);
      json_out_string(out, text);
      fputc(']', out);
      comma = 1;
    }
    line += length + (line[length] == '\n');
  }
  fputc(']', out);
}

static void write_base64(FILE *out, const unsigned char *bytes, size_t count) {
  static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  for (size_t i = 0; i < count; i += 3) {
    unsigned long three = (unsigned long)bytes[i] << 16;
    three |= i + 1 < count ? (unsigned long)bytes[i + 1] << 8 : 0;
    three |= i + 2 < count ? (unsigned long)bytes[i + 2] : 0;
    char four[5] = {letters[three >> 18], letters[three >> 12 & 63],
                    i + 1 < count ? letters[three >> 6 & 63] : '=',
                    i + 2 < count ? letters[three & 63] : '=', '\0'};
    fputs(four, out);
  }
}

/* "crop":[width,height,"base64"], ... 0, or -1 when the store failed. */
static int write_pictures(json_out *o, store *s, const find *f) {
  for (int kind = 0; kind < STORE_PICTURES; kind++) {
    store_picture picture;
    int status = store_picture_get(s, f->is.photo_id, f->is.reference_id, kind, &picture);
    if (status == 1) {
      json_out_key(o, store_picture_names[kind]);
      fprintf(o->file, "[%d,%d,\"", picture.width, picture.height);
      write_base64(o->file, picture.jpeg, picture.bytes);
      fputs("\"]", o->file);
    }
    free(picture.jpeg);
    if (status < 0)
      return -1;
  }
  return 0;
}

static void text_if(json_out *o, const char *key, const char *text) {
  if (text && text[0])
    json_out_text(o, key, text);
}

static void number_if(json_out *o, const char *key, double value) {
  if (isfinite(value))
    json_out_number(o, key, value);
}

/* A photo that thousands of listings show is not listed thousands of times with each. */
enum { OTHERS_MAX = 20 };

typedef struct others {
  FILE *out;
  long count;
} others;

static int write_other(void *user, const char *id, int same_photo) {
  others *o = user;
  if (o->count++ >= OTHERS_MAX)
    return 0;
  fputs(o->count > 1 ? ",[" : "[", o->out);
  json_out_string(o->out, id);
  fprintf(o->out, ",%d]", same_photo);
  return 0;
}

static void write_fields(json_out *o, const find *f) {
  json_out_text(o, "id", f->is.id);
  text_if(o, "title", f->is.title);
  text_if(o, "address", f->is.address);
  number_if(o, "price", f->is.price);
  text_if(o, "currency", f->is.currency);
  text_if(o, "closes", f->is.closes);
  if (f->is.has_closes)
    json_out_number(o, "closesAt", (double)f->is.closes_at);
  text_if(o, "note", f->is.note);
  text_if(o, "grade", f->is.grade);
  text_if(o, "photo", f->is.path);
  json_out_number(o, "photos", f->is.photo_count);
  text_if(o, "error", f->is.error);
  text_if(o, "verdict", f->is.verdict);
  text_if(o, "date", f->is.date);
  text_if(o, "reference", f->is.reference);
  text_if(o, "tied", f->is.tied);
  number_if(o, "evidence", f->is.evidence);
  number_if(o, "p", f->p_value);
  number_if(o, "q", f->q_value);
  if (f->flagged) {
    text_if(o, "variety", f->variety);
    text_if(o, "state", f->is.state);
    number_if(o, "strength", f->is.strength);
  }
  text_if(o, "claim", f->claim_note);
  number_if(o, "chance", f->chance);
  number_if(o, "value", f->value);
  number_if(o, "gain", f->gain);
  number_if(o, "ceiling", f->ceiling);
  text_if(o, "mark", f->is.mark);
  if (f->copy_of_other)
    json_out_truth(o, "copy", 1);
  text_if(o, "present", f->is.present_path);
  text_if(o, "trace", f->is.trace_path);
}

static int write_find(FILE *out, store *s, const find *f) {
  json_out o;
  json_out_begin(&o, out);
  write_fields(&o, f);
  if (f->is.words) {
    json_out_key(&o, "words");
    write_words(out, f->is.words);
  }
  int status = 0;
  if (f->flagged || f->copy_of_other) {
    others told = {out, 0};
    json_out_key(&o, "others");
    fputc('[', out);
    status = store_others(s, f->is.listing_id, write_other, &told);
    fputc(']', out);
    if (told.count > OTHERS_MAX)
      json_out_number(&o, "moreOthers", (double)(told.count - OTHERS_MAX));
  }
  if (status == 0 && f->is.upright_width > 0)
    status = write_pictures(&o, s, f);
  json_out_end(&o);
  return status;
}

static int write_data(FILE *out, store *s, const finds_list *list, const page_options *options) {
  char sentence[FINDS_SENTENCE_BYTES], store_id[STORE_ID_BYTES];
  finds_sentence(list, sentence, sizeof sentence);
  if (store_own_id(s, store_id) != 0)
    return -1;
  json_out o;
  json_out_begin(&o, out);
  json_out_text(&o, "sentence", sentence);
  json_out_text(&o, "caveat", WORDS_CAVEAT);
  json_out_text(&o, "store", store_id);
  json_out_number(&o, "made", (double)options->finds.now);
  json_out_number(&o, "margin", 100 * options->finds.margin);
  json_out_key(&o, "finds");
  fputc('[', out);
  for (size_t i = 0; i < list->count; i++) {
    if (i)
      fputs(",\n", out);
    if (write_find(out, s, &list->items[i]) != 0)
      return -1;
  }
  fputc(']', out);
  json_out_end(&o);
  return 0;
}

/* ---- the file */

/* The page with "@@css@@", "@@js@@" and "@@data@@" filled in. */
static int write_page(FILE *out, store *s, const finds_list *list, const page_options *options) {
  for (const char *at = page_html; *at;) {
    const char *mark = strstr(at, "@@");
    if (!mark) {
      fputs(at, out);
      break;
    }
    fwrite(at, 1, (size_t)(mark - at), out);
    int status = 0;
    if (strncmp(mark, "@@css@@", 7) == 0)
      fputs(page_css, out);
    else if (strncmp(mark, "@@js@@", 6) == 0)
      fputs(page_js, out);
    else if (strncmp(mark, "@@data@@", 8) == 0)
      status = write_data(out, s, list, options);
    if (status != 0)
      return -1;
    const char *end = strstr(mark + 2, "@@");
    at = end ? end + 2 : mark + 2;
  }
  return 0;
}

static int save_page(store *s, const finds_list *list, const page_options *options,
                     udg_message *why) {
  char path[4200];
  output o;
  if (snprintf(path, sizeof path, "%s/index.html", options->folder) >= (int)sizeof path) {
    snprintf(why->text, sizeof why->text, "%.200s...: the name is too long", options->folder);
    return -1;
  }
  if (mkdir(options->folder, 0777) != 0 && errno != EEXIST) {
    snprintf(why->text, sizeof why->text, "%.300s: %s", options->folder, strerror(errno));
    return -1;
  }
  if (output_begin(&o, path, why) != 0)
    return -1;
  int status = write_page(o.file, s, list, options);
  if (status != 0)
    store_fault(s, why);
  if (output_end(&o, status == 0, why) != 0)
    return -1;
  printf("%s: %zu listings\n", path, list->count);
  return 0;
}

static int make_page(const page_options *options) {
  store *s = NULL;
  finds_list list = {0};
  udg_message why = {""};
  int status = store_open(options->store_path, STORE_READ, NULL, &s, &why);
  if (status == 0)
    status = finds_load(s, &options->finds, &list, &why);
  if (status == 0)
    status = save_page(s, &list, options, &why);
  if (status != 0)
    command_complain("%s", why.text);
  int faults = list.value_faults;
  finds_clear(&list);
  store_close(s);
  return status != 0 ? EXIT_FAULT : faults ? EXIT_UNJUDGED : EXIT_JUDGED;
}

static int run_page(int argc, char **argv) {
  static const struct option known[] = {FINDS_OPTIONS,
                                        {"output", required_argument, NULL, 'o'},
                                        {"help", no_argument, NULL, 'h'},
                                        {NULL, 0, NULL, 0}};
  page_options options = {0};
  finds_defaults(&options.finds);
  int letter;
  while ((letter = getopt_long(argc, argv, FINDS_LETTERS "o:h", known, NULL)) != -1) {
    int taken = finds_option(&options.finds, letter, optarg);
    if (letter == 'o')
      options.folder = optarg;
    if (letter == 'h') {
      command_help(&page_command);
      return EXIT_JUDGED;
    }
    if (taken < 0 || letter == '?')
      return command_misused(&page_command);
  }
  if (argc - optind != 1 || !options.folder || !options.folder[0]) {
    command_complain(argc - optind != 1 ? "one store is needed" : "--output needs a folder");
    return command_misused(&page_command);
  }
  options.store_path = argv[optind];
  return make_page(&options);
}

const command page_command = {
    .name = "page",
    .summary = "make a page of a store to look through finds",
    .usage = "RUN.db --output DIR [OPTION]...",
    .help =
        "Writes DIR/index.html, a page that needs nothing else: no network, no program, and\n"
        "it opens on a phone. It shows the finds in the order of their rank, with keys to go\n"
        "on and to mark; marks stay in the browser, and can be saved as CSV for\n"
        "'underdigit marks'.\n"
        "\n"
        "  -o, --output DIR       folder for the page; made when missing (required)\n" FINDS_HELP
        "  -h, --help             this text\n"
        "\n"
        "Exit status: 0 written; 1 written, with a broken row in the value table; 2 wrong\n"
        "usage, no store, or the page could not be written.\n",
    .run = run_page,
};
