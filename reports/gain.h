/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_GAIN_H
#define REPORTS_GAIN_H

#include "reports/comparison.h"
#include "reports/reduction.h"

#include <stdio.h>

/*
 * What a change bought: the steady goodput after it against that before it.
 * Inside a run, a step against the one below it; between two runs, the same
 * step and way (a new antenna), or, where each run has one step only, one
 * against the other.
 *
 * The unit is the round.  Within a run rounds are paired, so that what changes
 * slowly hits both alike; between runs the two samples of rounds are compared
 * by Welch's test, both on logarithms.  With fewer than ROUNDS_FOR_A_CLAIM on
 * either side the ratio and its interval rest on the spread within the
 * exchanges ("during this run"), and nothing is claimed.
 */
enum gain_verdict {
    GAIN_NO_FIGURE,    /* one side has no steady goodput: see why */
    GAIN_NOT_CLAIMED,  /* too few rounds */
    GAIN_PAYS,         /* a faster step that keeps its promise */
    GAIN_PAYS_LESS,    /* faster, but less so than promised */
    GAIN_DOES_NOT_PAY, /* a faster step that is not faster */
    GAIN_MORE,         /* the same step: better than before ... */
    GAIN_LESS,         /* ... worse than before ... */
    GAIN_SAME,         /* ... within the margin */
    GAIN_UNDECIDED,
};
/* As JSON has them: no_figure, not_claimed ... */
extern const char *const gain_verdict_names[];

struct gain_side {
    char step[NAME_SIZE];
    double mean_bps; /* over the rounds; NaN: none */
    size_t round_count;
};

struct gain {
    struct gain_side before, after;
    char from[ADDRESS_SIZE], to[ADDRESS_SIZE];
    struct estimate ratio;
    bool is_over_rounds;    /* the interval is that of rounds */
    struct range promised;  /* of different steps; NaN: none */
    double bandwidth_ratio; /* NaN: not known */
    double margin_loss_db;  /* NaN: not known */
    double same;            /* probability for the equivalence claim; NaN */
    enum gain_verdict verdict;
    char why[160];
};

struct gain_table {
    struct run_record before, after; /* the same run: step against step */
    double margin_ratio;             /* "no change" is claimed within it */
    struct rows gains;               /* of struct gain */
    char why[240];                   /* there are none */
};

/* before_run == after_run: the steps of that run.  What meets a promise, and
 * what is no change unless margin_ratio says it (NaN: it does not), the later
 * run's plan says.  The table is to be cleared in any case. */
int gain_compare(sqlite3 *logbook, int64_t before_run,
                 const struct plan *before_plan, int64_t after_run,
                 const struct plan *after_plan, double margin_ratio,
                 struct gain_table *ret_table, struct fault *fault);
void gain_table_clear(struct gain_table *table);

/* For a person, and for programs (DEVELOPERS.md, "Gain"). */
void gain_write_text(const struct gain_table *table, FILE *out);
int gain_write_json(const struct gain_table *table, FILE *out,
                    struct fault *fault);

/* --- for the reducer ------------------------------------------------------ */

/* One exchange (index) against another; both reductions may be the same one. */
void gain_between(const struct reduction *before, size_t before_exchange,
                  const struct reduction *after, size_t after_exchange,
                  double margin_ratio, struct gain *ret_gain);

#endif
