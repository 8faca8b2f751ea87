/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/quantiles.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

static int compare_values(const void *left, const void *right)
{
    const double a = *(const double *) left;
    const double b = *(const double *) right;

    return (a > b) - (a < b);
}

void quantile_sort(double *values, size_t count)
{
    if (count)
        qsort(values, count, sizeof(*values), compare_values);
}

size_t quantile_rank(size_t count, double share)
{
    /* 0.07 x 100 is a little more than 7: without the allowance products like
     * it pick the next rank. */
    const double rank = ceil((double) count * share - 1e-12);

    if (rank < 1)
        return 1;
    return rank > (double) count ? count : (size_t) rank;
}

double quantile_of_sorted(const double *sorted, size_t count, double share)
{
    return count ? sorted[quantile_rank(count, share) - 1] : (double) NAN;
}

/* P(B <= hits) */
static double at_most(size_t hits, size_t count, double share)
{
    return gsl_cdf_binomial_P((unsigned) hits, share, (unsigned) count);
}

struct quantile_ranks quantile_interval_ranks(size_t count, double share,
                                              double level)
{
    const double tail = (1 - level) / 2;
    struct quantile_ranks ranks = { 0, count + 1, 0 };
    size_t from = 0;
    size_t to = count;

    if (!count || count > UINT32_MAX)
        return ranks;
    /* Both tails grow and shrink steadily with the rank: halve. */
    while (from < to) {
        const size_t middle = (from + to + 1) / 2;

        if (at_most(middle - 1, count, share) <= tail)
            from = middle;
        else
            to = middle - 1;
    }
    ranks.low = from;
    from = 1;
    to = count + 1;
    while (from < to) {
        const size_t middle = (from + to) / 2;

        if (gsl_cdf_binomial_Q((unsigned) (middle - 1), share, (unsigned) count)
            <= tail)
            to = middle;
        else
            from = middle + 1;
    }
    ranks.high = from;
    ranks.coverage_ratio =
        at_most(ranks.high - 1, count, share)
        - (ranks.low ? at_most(ranks.low - 1, count, share) : 0);
    return ranks;
}

struct estimate quantile_estimate(const double *sorted, size_t count,
                                  double share, double level)
{
    const struct quantile_ranks ranks =
        quantile_interval_ranks(count, share, level);

    return (struct estimate){
        .value = quantile_of_sorted(sorted, count, share),
        .low = ranks.low ? sorted[ranks.low - 1] : (double) NAN,
        .high = ranks.high <= count ? sorted[ranks.high - 1] : (double) NAN,
    };
}

size_t quantile_least_count(double share, double level)
{
    /* All values below the quantile: share^n <= a/2; and all above. */
    const double tail = log((1 - level) / 2);
    const double above = ceil(tail / log(share) - 1e-9);
    const double below = ceil(tail / log1p(-share) - 1e-9);

    return (size_t) (above > below ? above : below);
}
