/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/chances.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>

#include <cmocka.h>

#define LEAST_CHANCE 1e-6
#define LEAST_EXPECTED                                                         \
    5 /* for chi-square: W. G. Cochran, "Some methods for strengthening the    \
         common chi-square tests", Biometrics 10 (1954) */

static void assert_likely(double chance)
{
    if (chance < LEAST_CHANCE)
        print_error("by chance once in %.3g\n", 1 / chance);
    assert_true(chance >= LEAST_CHANCE);
}

/* Of a value: the chances of at most and of at least that. */
static void assert_not_beyond(double at_most, double at_least)
{
    assert_likely(fmin(1, 2 * fmin(at_most, at_least)));
}

void assert_hits(uint64_t hit_count, uint64_t trial_count, double ratio)
{
    const unsigned hits = (unsigned) hit_count;
    const unsigned trials = (unsigned) trial_count;
    const double at_most = gsl_cdf_binomial_P(hits, ratio, trials);
    const double at_least =
        hits > 0 ? gsl_cdf_binomial_Q(hits - 1, ratio, trials) : 1;

    print_message("%u of %u, asked for %.3g: %.5f\n", hits, trials, ratio,
                  (double) hits / (double) trials);
    assert_not_beyond(at_most, at_least);
}

void assert_fits(const uint64_t *counts, const double *expected,
                 size_t class_count)
{
    double chi_square = 0;

    assert_true(class_count >= 2);
    for (size_t i = 0; i < class_count; i++) {
        const double off = (double) counts[i] - expected[i];

        assert_true(expected[i] > 0);
        chi_square += off * off / expected[i];
    }
    print_message("chi-square %.2f with %zu classes\n", chi_square,
                  class_count);
    assert_likely(gsl_cdf_chisq_Q(chi_square, (double) (class_count - 1)));
}

void lengths_add(struct lengths *lengths, uint64_t length)
{
    assert_true(length > 0);
    lengths
        ->counts[length < LENGTH_CLASSES ? length - 1 : LENGTH_CLASSES - 1]++;
    lengths->run_count++;
    lengths->sum += length;
}

/* The sum of n geometric lengths is n more than a negative binomial number. */
static void assert_mean(const struct lengths *lengths, double mean)
{
    const unsigned more = (unsigned) (lengths->sum - lengths->run_count);
    const double count = (double) lengths->run_count;
    const double at_most = gsl_cdf_negative_binomial_P(more, 1 / mean, count);
    const double at_least =
        more > 0 ? gsl_cdf_negative_binomial_Q(more - 1, 1 / mean, count) : 1;

    assert_not_beyond(at_most, at_least);
}

void assert_geometric(const struct lengths *lengths, double mean)
{
    const double ends = 1 / mean; /* chance that a run ends here */
    double left = (double) lengths->run_count;
    uint64_t counts[LENGTH_CLASSES] = { 0 };
    double expected[LENGTH_CLASSES] = { 0 };
    size_t last = 0;

    print_message("%llu runs, mean %.4f, asked for %.4g\n",
                  (unsigned long long) lengths->run_count,
                  (double) lengths->sum / (double) lengths->run_count, mean);
    for (size_t i = 0; i < LENGTH_CLASSES; i++) {
        const double here = i + 1 < LENGTH_CLASSES ? left * ends : left;

        counts[last] += lengths->counts[i];
        expected[last] += here;
        left -= here;
        /* The next class begins when this one and the rest are large. */
        if (expected[last] >= LEAST_EXPECTED && left >= LEAST_EXPECTED)
            last++;
    }
    assert_fits(counts, expected, last + 1);
    assert_mean(lengths, mean);
}
