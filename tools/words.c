/* SPDX-License-Identifier: GPL-2.0-or-later */
#include "words.h"
#include "words_known.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <string.h>

#include "utf8.h"

static const double pi = 3.14159265358979323846;

enum { SENTENCES_BYTES = 1200 };

/* A text that grows sentence by sentence; what does not fit is cut. */
typedef struct prose {
  char text[SENTENCES_BYTES];
  size_t used;
} prose;

static void add(prose *p, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(prose *p, const char *format, ...) {
  va_list arguments;
  va_start(arguments, format);
  int n = vsnprintf(p->text + p->used, sizeof p->text - p->used, format, arguments);
  va_end(arguments);
  if (n > 0)
    p->used += (size_t)n < sizeof p->text - p->used ? (size_t)n : sizeof p->text - 1 - p->used;
}

/* Columns of UTF-8 text: continuation bytes take none. */
static int columns_of(const char *text, size_t bytes) {
  int n = 0;
  for (size_t i = 0; i < bytes; i++)
    n += ((unsigned char)text[i] & 0xC0) != 0x80;
  return n;
}

void words_paragraph(FILE *out, const char *label, const char *text, int columns) {
  fprintf(out, "  %-*s", WORDS_LABEL_COLUMNS, label);
  const int indent = 2 + WORDS_LABEL_COLUMNS;
  int at = indent;
  for (const char *word = text; *word;) {
    size_t bytes = strcspn(word, " ");
    int wide = columns_of(word, bytes);
    if (at > indent && at + 1 + wide > columns) {
      fprintf(out, "\n%*s", indent, "");
      at = indent;
    } else if (at > indent) {
      fputc(' ', out);
      at++;
    }
    fwrite(word, 1, bytes, out);
    at += wide;
    word += bytes + strspn(word + bytes, " ");
  }
  fputc('\n', out);
}

static void print_name(FILE *out, const char *photo) {
  if (strcmp(photo, "-") == 0)
    photo = "standard input";
  utf8_print_clean(out, photo);
  fputc('\n', out);
}

double words_digit_height_mm(const udg_result *result) {
  const double *m = result->date_to_photo;
  /* Scale at the date plane's origin: with w = m8 there, the Jacobian is
   * ((m0 - m2 m6 / w), ...) / w. */
  double w = m[8];
  if (w == 0)
    return 0;
  double x = m[2] / w, y = m[5] / w;
  double determinant =
      ((m[0] - x * m[6]) * (m[4] - y * m[7]) - (m[1] - x * m[7]) * (m[3] - y * m[6])) / (w * w);
  return determinant > 0 ? result->adequacy.digit_height_px / sqrt(determinant) : 0;
}

const char *words_direction(const double offset_mm[2], double height_mm) {
  static const char *const sectors[8] = {
      "right of", "below and right of", "below", "below and left of",
      "left of",  "above and left of",  "above", "above and right of"};
  /* Nearer than this share of the height the eye sees one digit on the other. */
  const double together = 0.04;
  if (hypot(offset_mm[0], offset_mm[1]) < together * height_mm)
    return "right under";
  double turn = atan2(offset_mm[1], offset_mm[0]); /* clockwise from the right */
  int sector = (int)lround(turn / (pi / 4));
  return sectors[(sector + 8) % 8];
}

/* As coarse as such a number is known: whole below 20, tens below 100, then two
 * leading digits; commas between thousands. */
static void round_number(double value, char *text, size_t text_bytes) {
  double unit = value < 20 ? 1 : value < 100 ? 10 : pow(10, floor(log10(value)) - 1);
  long n = lround(round(value / unit) * unit);
  if (n >= 1000)
    snprintf(text, text_bytes, "%ld,%03ld", n / 1000, n % 1000);
  else
    snprintf(text, text_bytes, "%ld", n);
}

void words_chance(double p_value, char *text, size_t text_bytes) {
  char number[32];
  if (p_value > 0.75) {
    snprintf(text, text_bytes, "nearly every time");
  } else if (p_value > 0.4) {
    snprintf(text, text_bytes, "about every second time");
  } else if (p_value < 1e-5) {
    snprintf(text, text_bytes, "less than 1 time in 100,000");
  } else {
    round_number(1 / p_value, number, sizeof number);
    snprintf(text, text_bytes, "about 1 time in %s", number);
  }
}

static const char *share_word(double share) {
  static const struct {
    double below;
    const char *word;
  } words[] = {{0.1, "very little"},          {0.2, "a little"},    {0.3, "about a quarter"},
               {0.42, "about a third"},       {0.58, "about half"}, {0.71, "about two thirds"},
               {0.85, "about three quarters"}};
  for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
    if (share < words[i].below)
      return words[i].word;
  return "nearly all";
}

/* The present digit at a place, 0 when the date's text does not tell. */
static char digit_at(const udg_result *result, int place) {
  int length = (int)strlen(result->date);
  if (place < 1 || place > length || result->place_count != length)
    return 0;
  char digit = result->date[place - 1];
  return isdigit((unsigned char)digit) ? digit : 0;
}

/* "the 4 (fourth digit of 1874)". */
static void add_place(prose *p, const udg_result *result, int place) {
  static const char *const ordinals[UDG_PLACES_MAX] = {"first", "second", "third",   "fourth",
                                                       "fifth", "sixth",  "seventh", "eighth"};
  const char *ordinal = place >= 1 && place <= UDG_PLACES_MAX ? ordinals[place - 1] : "unknown";
  char digit = digit_at(result, place);
  if (digit)
    add(p, "the %c (%s digit of %s)", digit, ordinal, result->date);
  else
    add(p, "the %s digit of %s", ordinal, result->date);
}

static void add_position(prose *p, const double at_mm[2]) {
  add(p, "%.1f mm %s of the date's middle, %.1f mm %s its baseline", fabs(at_mm[0]),
      at_mm[0] < 0 ? "left" : "right", fabs(at_mm[1]), at_mm[1] < 0 ? "above" : "below");
}

/* What the verdict rests on; NULL when nothing of that kind is listed. */
static const udg_finding *leading_finding(const udg_result *result) {
  if (result->verdict == UDG_VERDICT_UNDERDIGIT)
    return result->finding.place > 0 ? &result->finding : NULL;
  for (int i = 0; i < result->other_count; i++)
    if (result->others[i].kind == result->verdict)
      return &result->others[i];
  return NULL;
}

/* Chance of a plain coin below which an undecided photo is named a perhaps. */
static const double NEARLY = 0.05;

static void say_verdict(prose *p, const udg_result *r, const udg_finding *f) {
  switch (r->verdict) {
  case UDG_VERDICT_UNDERDIGIT:
    add(p, "A trace of an earlier ");
    if (f) {
      add(p, "%c shows at ", f->digit);
      add_place(p, r, f->place);
    } else {
      add(p, "digit shows");
    }
    add(p, ".");
    break;
  case UDG_VERDICT_REPUNCHED:
    if (f && f->place > 0)
      add_place(p, r, f->place);
    else
      add(p, "one digit");
    add(p, " was punched twice. That is no overdate.");
    p->text[0] = (char)toupper((unsigned char)p->text[0]);
    break;
  case UDG_VERDICT_DOUBLED:
    add(p,
        "All digits of %s are displaced alike: the date is doubled. No single earlier digit "
        "stands out.",
        r->date);
    break;
  case UDG_VERDICT_FRAGMENT:
    add(p, "A part of a digit lies away from its place. That is no overdate.");
    break;
  case UDG_VERDICT_STRAY:
    add(p, "There is a mark at the date, but not of a digit's shape. It is more likely a crack, "
           "a chip, a scratch or dirt.");
    break;
  case UDG_VERDICT_PLAIN:
    add(p, "No trace of an earlier digit in %s.", r->date);
    break;
  case UDG_VERDICT_UNDECIDED:
    /* Strokes that look like one, but not sure enough for a flag. */
    if (r->judged && r->finding.place > 0 && r->finding.log_ratio > 0 && r->p_value < NEARLY) {
      add(p, "Perhaps an earlier %c at ", r->finding.digit);
      add_place(p, r, r->finding.place);
      add(p, ". ");
    }
    add(p, "This photo cannot tell.");
    break;
  }
}

void words_verdict(const udg_result *result, char *text, size_t text_bytes) {
  prose p = {"", 0};
  say_verdict(&p, result, leading_finding(result));
  const char *end = strstr(p.text, ". ");
  snprintf(text, text_bytes, "%.*s", end ? (int)(end - p.text) + 1 : (int)p.used, p.text);
}

static void add_openings(prose *p, char digit) {
  if (digit == '8')
    add(p, " and inside its openings");
  else if (digit && strchr("0469", digit))
    add(p, " and inside its opening");
}

static void add_distance(prose *p, const udg_finding *f, double height_mm) {
  double distance = hypot(f->offset_mm[0], f->offset_mm[1]);
  add(p, "%.2f mm away", distance);
  if (height_mm > 0 && distance > 0)
    add(p, ", about 1/%ld of a digit's height", lround(fmax(height_mm / distance, 1)));
  if (fabs(f->turn_deg) >= 1)
    add(p, ", turned %.0f degree%s %sclockwise", fabs(f->turn_deg),
        lround(fabs(f->turn_deg)) == 1 ? "" : "s", f->turn_deg < 0 ? "counter" : "");
}

/* Sides where a displaced digit comes out from under the present one. */
static void say_where(prose *p, const udg_result *r, const udg_finding *f) {
  if (f->place < 1) {
    if (f->kind == UDG_VERDICT_FRAGMENT || f->kind == UDG_VERDICT_STRAY) {
      add(p, "Around a spot ");
      add_position(p, f->offset_mm);
      add(p, ".");
    } else if (f->kind == UDG_VERDICT_DOUBLED) {
      add(p, "The second image lies %s the first, ", words_direction(f->offset_mm, 0));
      add_distance(p, f, words_digit_height_mm(r));
      add(p, ".");
    }
    return;
  }
  double height_mm = words_digit_height_mm(r);
  const char *direction = words_direction(f->offset_mm, height_mm);
  char present = digit_at(r, f->place);
  char name[24];
  snprintf(name, sizeof name, present ? "the %c" : "the present digit", present);
  add(p, "Look %s %s", strcmp(direction, "right under") ? direction : "close round the strokes of",
      name);
  add_openings(p, present);
  add(p, ". The middle of %s lies %s that of %s, ",
      f->kind == UDG_VERDICT_REPUNCHED ? "the second punching" : "the earlier digit", direction,
      name);
  add_distance(p, f, height_mm);
  add(p, ".");
}

static const char *ratio_word(double log_ratio) {
  if (log_ratio > 6)
    return "far better than anything else tried";
  if (log_ratio > 3)
    return "better than anything else tried";
  if (log_ratio > 1)
    return "somewhat better than the next best explanation";
  return "hardly better than the next best explanation";
}

/* A chance in tenths; finer than that such a forecast is not. */
static void add_tenths(prose *p, double chance) {
  long tenths = lround(fmin(fmax(chance, 0), 1) * 10);
  if (tenths == 0)
    add(p, "hardly ever");
  else if (tenths == 10)
    add(p, "nearly always");
  else
    add(p, "about %ld time%s in 10", tenths, tenths == 1 ? "" : "s");
}

static void add_power(prose *p, const udg_adequacy *a) {
  add(p, "In a photo like this a strong trace would show ");
  add_tenths(p, a->power_strong);
  add(p, ", a weak one ");
  add_tenths(p, a->power_weak);
  add(p, ".");
}

static void say_how_sure(prose *p, const udg_result *r, const udg_finding *f) {
  char chance[64];
  words_chance(r->p_value, chance, sizeof chance);
  if (r->verdict == UDG_VERDICT_UNDERDIGIT) {
    add(p, "A plain coin photographed like this would give as much %s (p = %.2g).", chance,
        r->p_value);
    if (f)
      add(p, " An earlier %c explains it %s.", f->digit, ratio_word(f->log_ratio));
    add(p, " Overdates being rare, this is a reason to look, not a proof.");
    return;
  }
  add_power(p, &r->adequacy);
  if (r->judged && r->finding.place > 0) {
    add(p, " The nearest to an overdate: an earlier %c at ", r->finding.digit);
    add_place(p, r, r->finding.place);
    add(p, "; a plain coin gives as much %s (p = %.2g).", chance, r->p_value);
  }
}

static void say_strength(prose *p, const udg_finding *f) {
  static const char *const lead[] = {"How much is left cannot be told", "Strong", "Weak"};
  add(p, "%s: ", lead[f->state]);
  add(p, "about %.1f of the present digit's relief, likely between %.1f and %.1f", f->strength,
      f->strength_interval[0], f->strength_interval[1]);
  if (f->state == UDG_STATE_STRONG)
    add(p, ", as an early state of the die leaves it");
  else if (f->state == UDG_STATE_WEAK)
    add(p, ", as polishing of the die leaves it");
  add(p, ". Of its outline %s lies open.", share_word(f->visible_share));
}

static void print_others(FILE *out, const udg_result *r, const udg_finding *lead, int columns) {
  for (int i = 0; i < r->other_count; i++) {
    const udg_finding *f = &r->others[i];
    /* Other digits are of interest beside a trace; beside a plain date they
     * are the best of nothing. */
    if (f == lead || (f->kind == UDG_VERDICT_UNDERDIGIT && r->verdict != UDG_VERDICT_UNDERDIGIT))
      continue;
    prose p = {"", 0};
    if (f->kind == UDG_VERDICT_UNDERDIGIT || f->kind == UDG_VERDICT_REPUNCHED) {
      add(&p, f->kind == UDG_VERDICT_REPUNCHED ? "perhaps a second %c at " : "or an earlier %c at ",
          f->digit ? f->digit : '?');
      add_place(&p, r, f->place);
    } else if (f->kind == UDG_VERDICT_DOUBLED) {
      add(&p, "perhaps the whole date doubled");
    } else {
      add(&p, f->kind == UDG_VERDICT_FRAGMENT ? "perhaps part of a digit, " : "perhaps a mark, ");
      add_position(&p, f->offset_mm);
    }
    add(&p, ".");
    p.text[0] = (char)toupper((unsigned char)p.text[0]);
    words_paragraph(out, "Also", p.text, columns);
  }
}

static void print_list(FILE *out, const char *label, int count,
                       const char texts[][UDG_REASON_BYTES], int columns) {
  for (int i = 0; i < count; i++) {
    char item[UDG_REASON_BYTES + 2];
    snprintf(item, sizeof item, "- %s", texts[i]);
    words_paragraph(out, i ? "" : label, item, columns);
  }
}

void words_print(FILE *out, const char *photo, const udg_result *r, int columns) {
  const udg_finding *f = leading_finding(r);
  prose p = {"", 0};
  print_name(out, photo);
  say_verdict(&p, r, f);
  words_paragraph(out, "Answer", p.text, columns);
  if (r->coin_count > 1 && r->coin_index > 0) {
    char text[120];
    snprintf(text, sizeof text, "number %d of %d in the photo, its middle at %.0f, %.0f px",
             r->coin_index, r->coin_count, r->coin_centre_px[0], r->coin_centre_px[1]);
    words_paragraph(out, "Coin", text, columns);
  }
  if (f) {
    p = (prose){"", 0};
    say_where(&p, r, f);
    if (p.used)
      words_paragraph(out, "Where", p.text, columns);
  }
  if (words_digit_height_mm(r) > 0) { /* a date was found */
    p = (prose){"", 0};
    say_how_sure(&p, r, f);
    words_paragraph(out, "How sure", p.text, columns);
  }
  if (r->verdict == UDG_VERDICT_UNDERDIGIT && f) {
    p = (prose){"", 0};
    say_strength(&p, f);
    words_paragraph(out, "How strong", p.text, columns);
  }
  print_others(out, r, f, columns);
  print_list(out, "Why", r->reason_count, r->reasons, columns);
  words_known(out, r, columns);
  print_list(out, "Cannot tell", r->limit_count, r->limits, columns);
  fputc('\n', out);
}

void words_rewrap(FILE *out, const char *paragraphs, int columns) {
  const size_t indent = 2 + WORDS_LABEL_COLUMNS;
  for (const char *line = paragraphs; *line;) {
    size_t length = strcspn(line, "\n");
    if (length > indent && strncmp(line, "  ", 2) == 0) {
      char label[WORDS_LABEL_COLUMNS + 1], text[SENTENCES_BYTES];
      size_t label_length = WORDS_LABEL_COLUMNS;
      while (label_length > 0 && line[1 + label_length] == ' ')
        label_length--;
      snprintf(label, sizeof label, "%.*s", (int)label_length, line + 2);
      snprintf(text, sizeof text, "%.*s", (int)(length - indent), line + indent);
      words_paragraph(out, label, text, columns);
    }
    line += length + (line[length] == '\n');
  }
}
