/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_WORDING_H
#define REPORTS_WORDING_H

#include "reports/reduction.h"

#include <stdio.h>

/*
 * How figures and foreign text are put into a report.
 */

/* UTF-8 with every broken byte as '?' and every control character as a blank:
 * what plans and agents say may hold anything. */
void wording_clean(const char *text, char *ret_text, size_t size);

/* Clean, and with nothing in it that markdown or HTML would act on. */
void wording_escape(FILE *out, const char *text);

/* Decimals that an interval of that half width allows: one significant digit
 * of the half width, two where that digit is 1; at most `most`. */
int wording_decimals(double half_width, int most);

#define FIGURE_SIZE 64

/* "49.1 (48.6–49.6)" in units of `unit`; "–" for none, "∞" for infinite. */
void wording_figure(const struct finding *finding, double unit, int most,
                    char ret_text[FIGURE_SIZE]);
/* "47.7–49.8" with the decimals of the finding's interval. */
void wording_expected(const struct finding *finding, double unit,
                      char ret_text[FIGURE_SIZE]);
/* So many significant digits, without an exponent and without noughts behind
 * the point: 40000, 0.083, 12. */
void wording_significant(double value, int digits, char ret_text[FIGURE_SIZE]);
/* Value as a share of the middle of what was expected, "98 %". */
void wording_share(const struct finding *finding, char ret_text[FIGURE_SIZE]);
double wording_share_ratio(const struct finding *finding);

/* "14 March 2031, 10:12" */
void wording_date(uint64_t unix_ns, char *ret_text, size_t size);

/* What ran beside it, as a person says it: "6 pings and download a → b" of
 * "ping + ping + ..."; not escaped. */
#define CONDITION_SIZE 128
void wording_condition(const char *condition, char *ret_text, size_t size);
/* Was it alone on the link? */
bool wording_is_alone(const char *condition);
/* Did anything but probes run beside it? */
bool wording_is_loaded(const char *condition);

/* Why a doubt took its verdict: "the practice link did not keep time"; NULL:
 * none did. */
const char *wording_doubt(const struct finding *finding);

/* Of a ping's probes: answered after the waiting time, which is too late. */
uint64_t wording_late_count(const struct exchange_record *exchange);

/* The findings that stand in tables: of each measure the ones over all rounds
 * where there are such, else those of single exchanges, by step in the plan's
 * order.  Goodput and gain of downloads that ran at once are left to the table
 * of shares. */
struct rows wording_table(const struct reduction *reduction,
                          const char *measure);

/* The same exchange, step, way, round and condition? */
bool wording_is_alike(const struct finding *one, const struct finding *other);

/* That measure of what the table's row is about; NULL: none.  Rows that have
 * the same names (two pairs at once, two groups on a step) are told apart by
 * their order. */
const struct finding *wording_beside(const struct reduction *reduction,
                                     const struct rows *table, size_t row,
                                     const char *measure);

/* The run in one sentence, plain text. */
struct verdict_counts {
    size_t meets, is_short, exceeds, undecided, unjudged, missing;
};
struct verdict_counts wording_counts(const struct rows *table);
void wording_sentence(const struct reduction *reduction, char *ret_text,
                      size_t size);

#endif
