/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/quantiles.h"
#include "reports/statistics.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))
#define LOST         ((double) INFINITY)

/* The empirical distribution function of a chart's curve. */
static double share_within(const double *sorted, size_t count, double value)
{
    size_t within = 0;

    while (within < count && sorted[within] <= value)
        within++;
    return (double) within / (double) count;
}

/* RFC 2330 section 11.3 */
static void rfc_2330s_example_comes_out_as_printed(void **state)
{
    double values[] = { -2, 7, 7, 4, 18, -5 };

    (void) state;
    quantile_sort(values, COUNT(values));
    published_check("rfc2330", "p25",
                    quantile_of_sorted(values, COUNT(values), 0.25));
    published_check("rfc2330", "p50",
                    quantile_of_sorted(values, COUNT(values), 0.50));
    published_check("rfc2330", "p100",
                    quantile_of_sorted(values, COUNT(values), 1.00));
    published_check("rfc2330", "F(7)", share_within(values, COUNT(values), 7));
}

/*
 * RFC 7679 section 5.2 takes the mean of the two in the middle where they are
 * of an even number.  Our percentile is a value of the sample (RFC 2330 section
 * 11.3): the lower of the two, so that the share at or below it is the half.
 */
static void the_median_of_an_even_number_is_the_lower_of_two(void **state)
{
    double delays_ms[] = { 100, 110, LOST, 90 };

    (void) state;
    quantile_sort(delays_ms, COUNT(delays_ms));
    const double lower = quantile_of_sorted(delays_ms, COUNT(delays_ms), 0.5);
    const double upper = quantile_of_sorted(delays_ms, COUNT(delays_ms), 0.51);

    published_check("rfc7679-median", "median", (lower + upper) / 2);
    published_check("rfc7679-median", "invpct(103)",
                    share_within(delays_ms, COUNT(delays_ms), 103));
    assert_true(lower == 100);
}

/* RFC 7679 sections 5.1 and 5.3 */
static void a_lost_packet_counts_as_infinite(void **state)
{
    double delays_ms[] = { 100, 110, LOST, 90, 500 };

    (void) state;
    quantile_sort(delays_ms, COUNT(delays_ms));
    published_check("rfc7679-p50", "p50",
                    quantile_of_sorted(delays_ms, COUNT(delays_ms), 0.5));
    published_check("rfc7679-p50", "min", delays_ms[0]);
    assert_true(isinf(quantile_of_sorted(delays_ms, COUNT(delays_ms), 0.9)));
}

/* NIST/SEMATECH handbook 7.2.6.2; type 1 by R's quantile(). */
static void
the_handbooks_wafers_agree_with_the_inverse_distribution(void **state)
{
    double wafers[] = { 95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610,
                        95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682 };
    static const int percents[] = { 5, 25, 50, 90, 95, 99 };

    (void) state;
    quantile_sort(wafers, COUNT(wafers));
    for (size_t i = 0; i < COUNT(percents); i++) {
        char name[32];

        (void) snprintf(name, sizeof(name), "wafer-q%02d", percents[i]);
        published_check(
            name, "type1",
            quantile_of_sorted(wafers, COUNT(wafers), percents[i] / 100.0));
    }
}

static void infinities_sort_last_and_come_out(void **state)
{
    double values[] = { LOST, 3, LOST, 1, 2 };
    static const int percents[] = { 25, 50, 60, 75 };

    (void) state;
    quantile_sort(values, COUNT(values));
    for (size_t i = 0; i < COUNT(percents); i++) {
        char name[32];

        (void) snprintf(name, sizeof(name), "inf5-q%02d", percents[i]);
        published_check(
            name, "type1",
            quantile_of_sorted(values, COUNT(values), percents[i] / 100.0));
    }
}

static size_t count_answered(const struct values *sorted)
{
    size_t count = 0;

    while (count < sorted->count && isfinite(sorted->items[count]))
        count++;
    return count;
}

static void a_long_record_with_losses_agrees(void **state)
{
    struct values rtts_ms = published_column("rtt_with_loss_synthetic.csv", 1);
    static const int percents[] = { 50, 90, 95, 96, 99 };

    (void) state;
    quantile_sort(rtts_ms.items, rtts_ms.count);
    published_check("rtt-counts", "n", (double) rtts_ms.count);
    published_check("rtt-counts", "min", rtts_ms.items[0]);
    const size_t answered = count_answered(&rtts_ms);
    const double share =
        published_value("rtt-counts", "largest p with finite type1");

    published_check("rtt-counts", "lost", (double) (rtts_ms.count - answered));
    published_check("rtt-counts", "max finite", rtts_ms.items[answered - 1]);
    published_check("rtt-counts", "mean finite",
                    statistics_mean(rtts_ms.items, answered));
    assert_true(
        isfinite(quantile_of_sorted(rtts_ms.items, rtts_ms.count, share)));
    assert_true(
        isinf(quantile_of_sorted(rtts_ms.items, rtts_ms.count, share + 1e-6)));
    for (size_t i = 0; i < COUNT(percents); i++) {
        char name[32];

        (void) snprintf(name, sizeof(name), "rtt-q%02d", percents[i]);
        published_check(name, "type1",
                        quantile_of_sorted(rtts_ms.items, rtts_ms.count,
                                           percents[i] / 100.0));
    }
    values_clear(&rtts_ms);
}

static void rounding_never_picks_the_next_rank(void **state)
{
    (void) state;
    /* 0.07 x 100 is 7.000000000000001 in binary. */
    assert_int_equal(quantile_rank(100, 0.07), 7);
    assert_int_equal(quantile_rank(10, 0), 1);
    assert_int_equal(quantile_rank(10, 1), 10);
    assert_true(isnan(quantile_of_sorted(NULL, 0, 0.5)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rfc_2330s_example_comes_out_as_printed),
        cmocka_unit_test(the_median_of_an_even_number_is_the_lower_of_two),
        cmocka_unit_test(a_lost_packet_counts_as_infinite),
        cmocka_unit_test(
            the_handbooks_wafers_agree_with_the_inverse_distribution),
        cmocka_unit_test(infinities_sort_last_and_come_out),
        cmocka_unit_test(a_long_record_with_losses_agrees),
        cmocka_unit_test(rounding_never_picks_the_next_rank),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
