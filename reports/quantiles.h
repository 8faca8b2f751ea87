/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef REPORTS_QUANTILES_H
#define REPORTS_QUANTILES_H

#include "reports/statistics.h"

/*
 * Percentiles as RFC 2330 section 11.3 defines them: the smallest value at or
 * below which at least that share of all values lies (type 1 of Hyndman and
 * Fan, no interpolation).  A lost probe counts as infinite (RFC 2681, RFC 7679
 * section 5), so a percentile may be infinite.  Values must hold no NaN.
 */
void quantile_sort(double *values, size_t count);

/* Rank from 1 to count. */
size_t quantile_rank(size_t count, double share);
/* NaN of nothing. */
double quantile_of_sorted(const double *sorted, size_t count, double share);

/*
 * The distribution-free interval between two order statistics: low is the
 * largest rank with P(B <= low - 1) <= a/2, high the smallest with
 * P(B >= high) <= a/2, B binomial, a = 1 - level.  low 0: no lower bound;
 * high count + 1: no upper bound.
 */
struct quantile_ranks {
    size_t low, high;
    double coverage_ratio;
};
struct quantile_ranks quantile_interval_ranks(size_t count, double share,
                                              double level);

/* A missing bound is NaN. */
struct estimate quantile_estimate(const double *sorted, size_t count,
                                  double share, double level);

/* The fewest values that give the quantile an upper bound: 6 for the median,
 * 36 for p90, 72 for p95, 368 for p99 at 95 %. */
size_t quantile_least_count(double share, double level);

#endif
