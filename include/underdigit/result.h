/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What an inspection found.  Plain data: copy it, keep it, compare it. */
#ifndef UNDERDIGIT_RESULT_H
#define UNDERDIGIT_RESULT_H

#include <stddef.h>
#include <stdint.h>

#include <underdigit/export.h>
#include <underdigit/settings.h>
#include <underdigit/status.h>

#ifdef __cplusplus
extern "C" {
#endif

enum {
  UDG_PLACES_MAX = 8,   /* digits in a date */
  UDG_REASONS_MAX = 12, /* sentences */
  UDG_REASON_BYTES = 200,
  UDG_OTHERS_MAX = 8,
  UDG_STAGES_MAX = 12,
  UDG_MARKERS_MAX = 32, /* of all known dies of a date together */
  UDG_DIES_MAX = 12,
  UDG_STRIKES_MAX = 8, /* regions */
  UDG_ID_BYTES = 64
};

/* Values are never reused. */
typedef enum udg_verdict {
  UDG_VERDICT_UNDECIDED = 0, /* this photo cannot tell; `reasons` says why */
  UDG_VERDICT_PLAIN = 1,
  UDG_VERDICT_UNDERDIGIT = 2, /* a trace of an earlier digit */
  UDG_VERDICT_REPUNCHED = 3,  /* the same digit twice at one place */
  UDG_VERDICT_DOUBLED = 4,    /* all digits displaced alike */
  UDG_VERDICT_FRAGMENT = 5,   /* part of a digit away from its place */
  UDG_VERDICT_STRAY = 6       /* crack, chip, scratch, dirt */
} udg_verdict;

/* "underdigit", "plain", ...: as in the JSON results. Static storage. */
UDG_API const char *udg_verdict_text(udg_verdict verdict);

typedef enum udg_state {
  UDG_STATE_UNKNOWN = 0,
  UDG_STATE_STRONG = 1,
  UDG_STATE_WEAK = 2
} udg_state;

/* Second markers of a known die (docs/reference-format.md). Values are never reused. */
typedef enum udg_marker_kind {
  UDG_MARKER_LINE = 0,       /* raised line; a cut in the die */
  UDG_MARKER_SPOT = 1,       /* round */
  UDG_MARKER_CORNER = 2,     /* triangular */
  UDG_MARKER_DASH = 3,       /* level stroke beside the date */
  UDG_MARKER_DIGIT_PART = 4, /* part of a digit away from the date */
  UDG_MARKER_DOUBLED = 5,    /* letters or words of the design that show twice */
  UDG_MARKER_EXTRA = 6,      /* detail that the design does not have */
  UDG_MARKER_MISSING = 7     /* detail of the design that is not there */
} udg_marker_kind;

/* "line", "spot", ...: as in reference and JSON results. Static storage. */
UDG_API const char *udg_marker_kind_text(udg_marker_kind kind);

/* One hypothesis with its best parameters. */
typedef struct udg_finding {
  int place;                   /* from 1 at the left; 0: none */
  char digit;                  /* '0'..'9'; 0 when the kind has none */
  udg_verdict kind;            /* what the hypothesis is of */
  double offset_mm[2];         /* centre of the earlier digit minus centre of the present one
                                  as found; x right, y down.  Doubled: the shared displacement.
                                  Fragment, stray: position in the date plane */
  double turn_deg;             /* off the place's turn by the reference, clockwise positive */
  double strength;             /* height of the trace as a share of the present digit's, 0-1 */
  double strength_interval[2]; /* 90 % */
  double visible_share;        /* of the trace's outline that the present digits leave open, 0-1 */
  udg_state state;
  double log_ratio; /* log odds less those of the best other explanation, "nothing" being 0 */
} udg_finding;

typedef enum udg_marker_answer {
  UDG_MARKER_CANNOT_TELL = 0,
  UDG_MARKER_PRESENT = 1,
  UDG_MARKER_ABSENT = 2
} udg_marker_answer;

/* "present", "absent", "cannot tell". Static storage. */
UDG_API const char *udg_marker_answer_text(udg_marker_answer answer);

/* One marker of a known die, looked for in this photo. */
typedef struct udg_marker_finding {
  char die[UDG_ID_BYTES]; /* id of the expected overdate */
  char id[UDG_ID_BYTES];
  udg_marker_kind kind;
  udg_marker_answer answer;
  int in_view;        /* 0: outside the photo, or the coin's far side is not placed */
  double log_ratio;   /* ln chance of what is seen there if the marker is there, over the chance
                         if it is not; 0 when nothing can be told */
  double power;       /* chance that it would be called present if it were there, 0-1 */
  double at_mm[2];    /* date plane; where it was looked for, or found when present */
  double reach_mm;    /* half of its longest side */
  double clock;       /* of that place, upright coin, in (0, 12]; 0 without a coin's diameter */
  double radius_mm;   /* from the coin's centre; 0 without */
  double photo_px[2]; /* upright photo, pixel centres at +0.5 */
} udg_marker_finding;

/* What digit and markers together say of one known die. */
typedef struct udg_die_finding {
  char id[UDG_ID_BYTES];
  int place; /* of the earlier digit, from 1 */
  char earlier;
  double digit_log_ratio;   /* log odds of that digit at that place */
  double marker_log_ratio;  /* of the markers together, dependence minded */
  double log_ratio;         /* sum of both */
  int present, absent;      /* markers so answered */
  double state;             /* of the die: 0 early to 1 late */
  double state_interval[2]; /* 90 % */
  char words[UDG_REASON_BYTES];
} udg_die_finding;

/* A date in the hub, looked at as a whole: whether the hub was set twice. */
typedef struct udg_hub_finding {
  int applies;      /* 0: the date is punched into each die, or too little of it can be looked at */
  double log_ratio; /* ln chance of what is seen if all shows twice, displaced alike, over the
                       chance if it does not; the legend's part included */
  /* the last digit may be an earlier one in that image */
  double shift_mm[2]; /* second image less first at the date; x right, y down */
  double turn_deg;    /* of the second image about the date, clockwise positive; needs a legend */
  int place;          /* from 1, where the two hubs may differ; 0: not told */
  char digit;         /* the earlier one that explains that place best */
  double digit_lead;  /* how much better than the present digit again, in scores */
  double rest_log_ratio; /* as log_ratio, that place left out */
  double rest_shift_mm[2];
  int legend_letters; /* of the design that were looked at */
  double legend_log_ratio;
} udg_hub_finding;

typedef enum udg_strike_answer {
  UDG_STRIKE_CANNOT_TELL = 0,
  UDG_STRIKE_FULL = 1,
  UDG_STRIKE_WEAK = 2
} udg_strike_answer;

/* "full", "weak", "cannot tell". Static storage. */
UDG_API const char *udg_strike_answer_text(udg_strike_answer answer);

/* How full a part of the coin is struck, wear left aside. */
typedef struct udg_strike_finding {
  char region[32];         /* "date", or a region of the reference's design */
  int things;              /* digits or letters of it that were looked at */
  double full;             /* share of the die's depth that the metal filled, 0-1 */
  double full_interval[2]; /* 90 % */
  udg_strike_answer answer;
} udg_strike_finding;

typedef struct udg_adequacy {
  double digit_height_px;
  double noise;         /* standard deviation, grey levels of 255 */
  double blur_px;       /* sigma of the Gaussian that blurs an edge alike; 0: no edge tells it */
  double clipped_share; /* blown-out pixels of the date, 0-1 */
  int jpeg_quality;     /* 0: not a JPEG */
  double power_strong;  /* chance that a strong trace would have been flagged, 0-1 */
  double power_weak;
} udg_adequacy;

typedef struct udg_result {
  char reference[128];
  char date[16];
  udg_verdict verdict;
  int reason_count;
  char reasons[UDG_REASONS_MAX][UDG_REASON_BYTES];
  int judged;                 /* 0: evidence and p_value mean nothing */
  double evidence;            /* higher is stronger; comparable between photos, dates, references */
  double p_value;             /* (0, 1] */
  double date_to_photo[9];    /* homography by rows, date plane mm -> upright photo pixels,
                                 pixel centres at +0.5; all 0 when no date was found */
  double registration_rms_px; /* root mean square of the s.d. of shift x and y, photo px */
  double registration_covariance[16]; /* 4 x 4 by rows: shift x, y (px), turn (rad), ln scale */
  double registration_runner_up;      /* score of the second-best place over the best, 0-1 */
  int place_count;
  double place_offset_mm[UDG_PLACES_MAX][2]; /* each present digit off its nominal place */
  double place_turn_deg[UDG_PLACES_MAX];
  udg_finding finding; /* strongest underdigit hypothesis; place 0: none */
  int other_count;
  udg_finding others[UDG_OTHERS_MAX];
  udg_adequacy adequacy;
  int limit_count;
  char limits[UDG_REASONS_MAX][UDG_REASON_BYTES]; /* what this photo cannot tell */
  double light_azimuth_deg;       /* towards the lamp, clockwise from +x (y is down), date plane */
  double light_directional_share; /* of the shading that a direction explains, 0-1 */
  int stage_count;
  const char *stage_name[UDG_STAGES_MAX]; /* static storage */
  double stage_ms[UDG_STAGES_MAX];
  double total_ms;
  double decoy_evidence; /* evidence of the best digit mirrored, which was never punched: what
                            chance and dirt can do in this photo; when judged */
  int marker_count;      /* of the known dies of this date */
  udg_marker_finding markers[UDG_MARKERS_MAX];
  int die_count;
  udg_die_finding dies[UDG_DIES_MAX];
  int coin_index; /* which of the photo's coins this is about, rows from the top, from 1; 0: a
                     close-up, no rim was found */
  int coin_count; /* rims found for sure in the photo */
  double coin_centre_px[2];   /* of its rim, upright photo, pixel centres at +0.5 */
  double coin_diameter_px[2]; /* of its rim, an ellipse: the longer axis, the shorter one */
  double coin_diameter_mm;    /* of its rim by the scale of the date found, which for a coin of
                                 this type is the reference's; 0: no date found on a coin */
  udg_hub_finding hub;
  double coin_to_photo[9]; /* as date_to_photo, for places far from the date: steadied by the rim
                              where there is one; all 0 when no date was found */
  int strike_count;        /* the date first; 0: neither known die nor named region asks for it */
  udg_strike_finding strikes[UDG_STRIKES_MAX];
  double wear;             /* 0 none to 1, as far as the relief's edges tell; with strikes only */
  double wear_interval[2]; /* 90 % */
} udg_result;

/* One JSON object (docs/results-format.md), no line break inside, terminated.
 *   photo   path as given, goes into the field `photo`
 *   text    receives the text; the caller hands it to udg_text_destroy() */
UDG_API udg_status udg_result_to_json(const udg_settings *settings, const udg_result *result,
                                      const char *photo, char **text, udg_message *message);

/* The coins of one photo as one JSON object: the fields of the coin that speaks for the
 * photo, its p_value times the number of coins judged (Bonferroni), and with more than
 * one coin `coins`, an array with each coin's own. */
UDG_API udg_status udg_results_to_json(const udg_settings *settings, const udg_result *results,
                                       int count, const char *photo, char **text,
                                       udg_message *message);

/* The joint result of photos of one coin (udg_inspect_same_coin()): its fields, and
 * `photos`, an array with each photo's own.
 *   paths  `count` of them, for the fields `photo`; the object's own is the first */
UDG_API udg_status udg_joint_to_json(const udg_settings *settings, const udg_result *joint,
                                     const udg_result *each, const char *const *paths, int count,
                                     char **text, udg_message *message);

/* Which of the results speaks for the photo: a trace before other verdicts, judged
 * before not judged, then the strongest evidence, then the first. */
UDG_API int udg_results_speaker(const udg_result *results, int count);
/* The chance that a photo of as many plain coins gives a p-value as small as the
 * speaker's (Bonferroni). */
UDG_API double udg_results_p_value(const udg_result *results, int count);

/* The object of a photo that could not be worked on: status "error". */
UDG_API udg_status udg_error_to_json(const udg_settings *settings, const char *photo,
                                     const char *error, char **text, udg_message *message);

/* `settings` as they were when the text was made; NULL text is fine. */
UDG_API void udg_text_destroy(const udg_settings *settings, char *text);

#ifdef __cplusplus
}
#endif
#endif
