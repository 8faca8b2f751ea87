/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/quantiles.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* Ranks and coverage by SciPy's binomial distribution. */
static void ranks_and_coverage_agree_with_the_table(void **state)
{
    static const char *const file = "order_stat_ci.csv";
    struct values counts = published_column(file, 0);
    struct values shares = published_column(file, 1);
    struct values lows = published_column(file, 2);
    struct values highs = published_column(file, 3);
    struct values coverages = published_column(file, 4);

    (void) state;
    for (size_t i = 0; i < counts.count; i++) {
        const struct quantile_ranks ranks = quantile_interval_ranks(
            (size_t) counts.items[i], shares.items[i], 0.95);

        if (ranks.low != (size_t) lows.items[i]
            || ranks.high != (size_t) highs.items[i]
            || fabs(ranks.coverage_ratio - coverages.items[i]) > 1e-9)
            fail_msg("n %.0f, p %.3f: found %zu %zu %.12f", counts.items[i],
                     shares.items[i], ranks.low, ranks.high,
                     ranks.coverage_ratio);
    }
    values_clear(&counts);
    values_clear(&shares);
    values_clear(&lows);
    values_clear(&highs);
    values_clear(&coverages);
}

static const struct {
    const char *name, *file;
    int column; /* -1: NIST's file */
    double share;
} cases[] = {
    { "ordstat-michelso-50", "nist/Michelso.dat", -1, 0.5 },
    { "ordstat-michelso-90", "nist/Michelso.dat", -1, 0.9 },
    { "ordstat-lottery-50", "nist/Lottery.dat", -1, 0.5 },
    { "ordstat-lottery-90", "nist/Lottery.dat", -1, 0.9 },
    { "ordstat-rtt-50", "rtt_with_loss_synthetic.csv", 1, 0.5 },
    { "ordstat-rtt-90", "rtt_with_loss_synthetic.csv", 1, 0.9 },
    { "ordstat-rtt-95", "rtt_with_loss_synthetic.csv", 1, 0.95 },
    { "ordstat-rtt-99", "rtt_with_loss_synthetic.csv", 1, 0.99 },
};

static void intervals_of_real_and_made_data_agree(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(cases); i++) {
        struct values values =
            cases[i].column < 0
                ? published_lines(cases[i].file, 61)
                : published_column(cases[i].file, cases[i].column);

        quantile_sort(values.items, values.count);
        const struct quantile_ranks ranks =
            quantile_interval_ranks(values.count, cases[i].share, 0.95);
        const struct estimate estimate =
            quantile_estimate(values.items, values.count, cases[i].share, 0.95);

        published_check(cases[i].name, "l", (double) ranks.low);
        published_check(cases[i].name, "u", (double) ranks.high);
        published_check(cases[i].name, "coverage", ranks.coverage_ratio);
        published_check(cases[i].name, "lo", estimate.low);
        published_check(cases[i].name, "hi", estimate.high);
        values_clear(&values);
    }
}

/* NIST/SEMATECH handbook 7.2.6.2 */
static void the_median_of_the_handbooks_wafers_has_its_interval(void **state)
{
    double wafers[] = { 95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610,
                        95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682 };
    const struct quantile_ranks ranks =
        quantile_interval_ranks(COUNT(wafers), 0.5, 0.95);

    (void) state;
    quantile_sort(wafers, COUNT(wafers));
    const struct estimate median =
        quantile_estimate(wafers, COUNT(wafers), 0.5, 0.95);

    published_check("ordstat-wafer-50", "l", (double) ranks.low);
    published_check("ordstat-wafer-50", "u", (double) ranks.high);
    published_check("ordstat-wafer-50", "coverage", ranks.coverage_ratio);
    published_check("ordstat-wafer-50", "lo", median.low);
    published_check("ordstat-wafer-50", "hi", median.high);
}

static void a_bound_needs_so_many_values(void **state)
{
    (void) state;
    assert_int_equal(quantile_least_count(0.50, 0.95), 6);
    assert_int_equal(quantile_least_count(0.90, 0.95), 36);
    assert_int_equal(quantile_least_count(0.95, 0.95), 72);
    assert_int_equal(quantile_least_count(0.99, 0.95), 368);
    assert_int_equal(quantile_least_count(0.999, 0.95), 3688);
    assert_int_equal(quantile_interval_ranks(35, 0.9, 0.95).high, 36);
    assert_int_equal(quantile_interval_ranks(36, 0.9, 0.95).high, 36);
    assert_int_equal(quantile_interval_ranks(0, 0.9, 0.95).low, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ranks_and_coverage_agree_with_the_table),
        cmocka_unit_test(intervals_of_real_and_made_data_agree),
        cmocka_unit_test(the_median_of_the_handbooks_wafers_has_its_interval),
        cmocka_unit_test(a_bound_needs_so_many_values),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
