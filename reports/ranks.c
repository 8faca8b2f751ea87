/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/comparison.h"
#include "reports/quantiles.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Exact probabilities up to so many values each. */
#define EXACT_MOST 50

static void *allocate(size_t count, size_t size)
{
    void *memory = calloc(count ? count : 1, size);

    if (!memory)
        abort();
    return memory;
}

/* --- the null distribution ------------------------------------------------ */

/*
 * P(U = u), u = 0 .. m n, without ties.  The number of arrangements is the
 * coefficient of the Gaussian binomial: multiply by (1 - q^(n+i)) and divide by
 * (1 - q^i) for i = 1 .. m; as shares of all, so that nothing overflows.
 */
static double *exact_shares(size_t m, size_t n)
{
    const size_t most = m * n;
    double *shares = allocate(most + 1, sizeof(*shares));

    shares[0] = 1;
    for (size_t i = 1; i <= m; i++) {
        const double scale = (double) i / (double) (n + i);

        for (size_t u = most; u >= n + i && u <= most; u--)
            shares[u] -= shares[u - n - i];
        for (size_t u = i; u <= most; u++)
            shares[u] += shares[u - i];
        for (size_t u = 0; u <= most; u++)
            shares[u] *= scale;
    }
    return shares;
}

/* P(U <= u) */
static double exact_at_most(const double *shares, size_t most, double u)
{
    double sum = 0;

    for (size_t i = 0; i <= most && (double) i <= u; i++)
        sum += shares[i];
    return sum < 1 ? sum : 1;
}

/* --- U -------------------------------------------------------------------- */

/* Half where both are the same, lost ones too. */
static double count_u(const double *a, size_t a_count, const double *b,
                      size_t b_count, bool *ret_has_ties)
{
    double u = 0;

    for (size_t i = 0; i < a_count; i++) {
        for (size_t k = 0; k < b_count; k++) {
            const bool is_tie = a[i] == b[k];

            *ret_has_ties |= is_tie;
            u += is_tie ? 0.5 : (double) (a[i] > b[k]);
        }
    }
    return u;
}

/* The sum of t^3 - t over groups of equal values in both samples together. */
static double tie_sum(const double *a, size_t a_count, const double *b,
                      size_t b_count)
{
    const size_t count = a_count + b_count;
    double *all = allocate(count, sizeof(*all));
    double sum = 0;

    (void) memcpy(all, a, a_count * sizeof(*all));
    (void) memcpy(all + a_count, b, b_count * sizeof(*all));
    quantile_sort(all, count);
    for (size_t i = 0; i < count;) {
        size_t end = i + 1;

        while (end < count && all[end] == all[i])
            end++;
        const double ties = (double) (end - i);

        sum += ties * ties * ties - ties;
        i = end;
    }
    free(all);
    return sum;
}

static double upper_tail(double u, double mean, double sd)
{
    return sd > 0 ? gsl_cdf_ugaussian_Q((u - mean - 0.5) / sd) : 1;
}

static double normal_sd(size_t a_count, size_t b_count, double ties)
{
    const double m = (double) a_count;
    const double n = (double) b_count;
    const double all = m + n;

    return sqrt(m * n / 12 * (all + 1 - ties / (all * (all - 1))));
}

/* --- Hodges and Lehmann --------------------------------------------------- */

/* Rank of the interval's low end among the sorted differences: the largest k
 * with P(U <= k) <= a/2, plus 1; 0: no bound. */
static size_t shift_rank(const double *shares, size_t most, double sd,
                         double tail, double *ret_level)
{
    double below = 0;
    size_t k = 0;

    if (!shares) {
        const double rank =
            floor((double) most / 2 - gsl_cdf_ugaussian_Qinv(tail) * sd);

        *ret_level = 1 - 2 * tail;
        return rank > 0 ? (size_t) rank : 0;
    }
    while (k <= most && below + shares[k] <= tail)
        below += shares[k++];
    *ret_level = 1 - 2 * below;
    return k;
}

static struct estimate shift_of(const double *a, size_t a_count,
                                const double *b, size_t b_count, size_t rank)
{
    const size_t most = a_count * b_count;
    double *differences = allocate(most, sizeof(*differences));
    size_t count = 0;

    for (size_t i = 0; i < a_count; i++) {
        for (size_t k = 0; k < b_count; k++)
            /* Both lost: no difference, and not NaN. */
            differences[count++] = a[i] == b[k] ? 0 : a[i] - b[k];
    }
    quantile_sort(differences, count);
    const double upper = differences[most / 2];
    const double lower = differences[(most - 1) / 2];
    const struct estimate shift = {
        .value = upper == lower ? upper : (upper + lower) / 2,
        .low = rank ? differences[rank - 1] : (double) NAN,
        .high = rank ? differences[most - rank] : (double) NAN,
    };

    free(differences);
    return shift;
}

struct rank_test comparison_ranks(const double *a, size_t a_count,
                                  const double *b, size_t b_count, double level)
{
    const size_t most = a_count * b_count;
    const double mean = (double) most / 2;
    bool has_ties = false;
    struct rank_test test = {
        .u = count_u(a, a_count, b, b_count, &has_ties),
        .probability = (double) NAN,
        .greater = (double) NAN,
        .shift = { (double) NAN, (double) NAN, (double) NAN },
        .level_ratio = (double) NAN,
    };

    if (!most)
        return test;
    const double sd =
        normal_sd(a_count, b_count, tie_sum(a, a_count, b, b_count));

    test.is_exact = !has_ties && a_count <= EXACT_MOST && b_count <= EXACT_MOST;
    double *shares = test.is_exact ? exact_shares(a_count, b_count) : NULL;
    /* U and its mirror image are alike. */
    const double less = test.u < mean ? test.u : (double) most - test.u;

    test.greater = shares ? exact_at_most(shares, most, (double) most - test.u)
                          : upper_tail(test.u, mean, sd);
    test.probability = 2
                       * (shares ? exact_at_most(shares, most, less)
                                 : upper_tail((double) most - less, mean, sd));
    if (test.probability > 1)
        test.probability = 1;
    const size_t rank =
        shift_rank(shares, most, sd, (1 - level) / 2, &test.level_ratio);

    test.shift = shift_of(a, a_count, b, b_count, rank);
    free(shares);
    return test;
}
