/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_NEWSLETTER_WORDS_H
#define REPORTS_NEWSLETTER_WORDS_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* Figures and times as a person would say them. */

#define SPOKEN_SIZE 48

/* A wide interval must not make another figure of it: 169, give or take 32, is
 * not 200 beside a promise of 190. */
double spoken_not_too_coarse(double value, double rounding);

/*
 * A figure without its interval is rounded to what the interval allows: to the
 * power of ten that is nearest to half its width (on a logarithmic scale, so
 * between a third and three times of it), but to one significant digit at least
 * and to three at most.  An interval that is missing (NaN) allows two.
 */
double spoken_rounding(double value, double low, double high);
void spoken_number(double value, double rounding, char ret_text[SPOKEN_SIZE]);

/* "half a second", "0.8 seconds", "about a minute" from seconds; rounding as
 * above, in seconds. */
void spoken_time(double seconds, double rounding, char ret_text[SPOKEN_SIZE]);

/* How long something went on: "three quarters of an hour" */
void spoken_span(uint64_t ns, char ret_text[SPOKEN_SIZE]);

/* "two", "seven", "40" */
void spoken_count(uint64_t count, char ret_text[SPOKEN_SIZE]);

/* Words: what stands between blanks, with a letter or a digit in it; tokens:
 * all of it, as word counters do. */
size_t spoken_words(const char *text);
size_t spoken_tokens(const char *text);

#endif
