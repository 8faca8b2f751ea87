/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_COMPARISON_H
#define REPORTS_COMPARISON_H

#include "reports/statistics.h"

#include <stdbool.h>

/*
 * Is one thing different from another, by how much, or is it the same?
 */

/* --- two separate samples ------------------------------------------------- */

/* Welch's test of a - b, without the assumption of equal spread (GSL's own
 * test is the pooled one).  NaN where a sample holds fewer than two. */
struct welch {
    struct estimate difference;
    double t, degrees;
    double probability; /* two-sided */
};
struct welch comparison_welch(const double *a, size_t a_count, const double *b,
                              size_t b_count, double level);
struct welch comparison_welch_of(const struct mean_error *a,
                                 const struct mean_error *b, double level);

/*
 * Mann and Whitney's rank test, and the shift of Hodges and Lehmann: the median
 * of all differences a - b, with its distribution-free interval.  Exact up to
 * 50 values each without ties; else by the normal approximation with its
 * corrections for ties and continuity.  A lost probe may stand as INFINITY.
 */
struct rank_test {
    double u;           /* pairs with a > b, ties half */
    double probability; /* two-sided */
    double greater;     /* one-sided: a tends to be more than b */
    bool is_exact;
    struct estimate shift;
    double level_ratio; /* what the shift's interval really covers */
};
struct rank_test comparison_ranks(const double *a, size_t a_count,
                                  const double *b, size_t b_count,
                                  double level);

/* --- rounds --------------------------------------------------------------- */

/* So many pairs of rounds are needed to say what a change was due to. */
#define ROUNDS_FOR_A_CLAIM 5

/*
 * after / before, one pair of values a round, on logarithms: the ratio of the
 * geometric means, Student's t over the pairs.  What hits both halves of a
 * round alike does not count.  Values must be above 0.
 */
enum change {
    CHANGE_NOT_CLAIMED, /* fewer than ROUNDS_FOR_A_CLAIM pairs */
    CHANGE_UNDECIDED,   /* neither shown to differ nor to be the same */
    CHANGE_SHOWN,       /* the interval keeps off 1 */
    CHANGE_NONE,        /* the same within the margin: two one-sided tests */
    CHANGE_SMALL,       /* it differs, and by less than the margin */
};
struct rounds_gain {
    struct estimate ratio; /* the interval at the level asked for */
    size_t pair_count;
    double t, probability; /* of "no difference", two-sided */
    double same;           /* probability for the equivalence claim */
    enum change change;
};
struct rounds_gain comparison_rounds(const double *after, const double *before,
                                     size_t pair_count, double level,
                                     double margin_ratio);

/*
 * Two one-sided t tests (Schuirmann 1987) that a difference lies within -margin
 * to +margin: the greater of their two probabilities.  Below 1 - level the
 * claim "no change beyond the margin" holds at that level.  NaN: no error.
 */
double comparison_equivalence(double difference, double error, double degrees,
                              double margin);
/* The same of a ratio on logarithms: within 1 / (1 + margin) to 1 + margin. */
double comparison_ratio_equivalence(double log_ratio, double error,
                                    double degrees, double margin_ratio);

#endif
