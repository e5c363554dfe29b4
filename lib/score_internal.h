/* SPDX-License-Identifier: GPL-2.0-or-later */
/* What the files of the score stage share. */
#ifndef UDG_SCORE_INTERNAL_H
#define UDG_SCORE_INTERNAL_H

#include "score.h"

/* Shares of the light that a trace is drawn with: its slopes are flatter than
 * the present digit's, so what grows with the square of the slope counts less. */
#define UDG_DRAW_ODD 1.0f
#define UDG_DRAW_EVEN 0.6f
/* A trace of which less is open, share of its energy, has no amplitude to speak of. */
#define UDG_VISIBLE_MIN 0.02

/* The three correlations at one offset, and what they say. */
typedef struct udg_peak {
  double rank, energy, share, amplitude;
} udg_peak;

/* Best offset of one trace at one place. */
typedef struct udg_match {
  int offset[2];     /* of that peak, px */
  double refined[2]; /* with its fraction */
  udg_peak peak;
  double visible;   /* share of the trace's weighted energy that is open there */
  double mean_norm; /* over the offsets searched */
} udg_match;

/* Windows and spectra of the photo around one place. */
void udg_score_prepare(udg_score *score, const udg_residual *residual, const udg_trace_bank *bank,
                       int place);

/* Whitens score->pair: two windows, as its real and its imaginary parts. Their spectra go into
 * score->of_trace. */
void udg_score_whiten(udg_score *score, const udg_trace_bank *bank);
/* Draws traces 2 pair and 2 pair + 1 for udg_score_correlate(), and gives their whole energies; 0
 * for the last one's missing partner. */
void udg_score_draw(udg_score *score, const udg_light *light, const udg_trace_bank *bank, int pair,
                    double whole[2]);
/* The same of two windows drawn into score->trace and score->work. */
void udg_score_draw_windows(udg_score *score, const udg_trace_bank *bank, double whole[2]);
/* Correlates the pair drawn last at a place. The local energy is left as it is where the bank has
 * no supports. */
void udg_score_correlate(udg_score *score, const udg_trace_bank *bank, int pair, int place);
/* The maps of one of the two. */
void udg_score_take(udg_score *score, const udg_trace_bank *bank, int second);
/* Offsets searched: all with `reach` < 0, else those so near `middle`. */
typedef struct udg_score_range {
  int middle[2], reach;
} udg_score_range;

/* What the maps say at one offset; `whole` is the trace's whole energy. */
udg_peak udg_score_peak(float *const map[UDG_MAPS], double whole, size_t at);
/* Best offset of score->map.  `show`: the evidence picture, whose pixel (left, top) is the first
 * of the offsets, takes it in. */
void udg_score_search(udg_score *score, double whole, int show, int left, int top,
                      udg_match *match);
/* The same within a range. */
void udg_score_search_near(udg_score *score, double whole, const udg_score_range *range, int show,
                           int left, int top, udg_match *match);

/* What the winner looks like pixel by pixel; it is drawn anew. */
void udg_score_look(udg_score *score, const udg_upright *upright, const udg_light *light,
                    const udg_trace_bank *bank, const udg_trace *trace, const udg_match *match,
                    udg_hypothesis *h);

#endif
