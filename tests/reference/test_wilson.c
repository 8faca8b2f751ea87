/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/statistics.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

/* R. G. Newcombe, "Two-sided confidence intervals for the single proportion",
 * Statistics in Medicine 17 (1998), table I, method 3, four decimals. */
static const struct {
    uint64_t hits, count;
    double low, high;
} newcombe[] = {
    { 81, 263, 0.2553, 0.3662 },
    { 15, 148, 0.0624, 0.1605 },
    { 0, 20, 0, 0.1611 },
    { 1, 29, 0.0061, 0.1718 },
};

static void newcombes_examples_come_out_as_printed(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(newcombe); i++) {
        const struct estimate wilson =
            statistics_wilson(newcombe[i].hits, newcombe[i].count, 0.95);

        assert_true(fabs(wilson.low - newcombe[i].low) <= 0.00005001);
        assert_true(fabs(wilson.high - newcombe[i].high) <= 0.00005001);
    }
}

static const struct {
    const char *name;
    uint64_t hits, count;
} cases[] = {
    { "newcombe-81-263", 81, 263 }, { "newcombe-15-148", 15, 148 },
    { "newcombe-0-20", 0, 20 },     { "newcombe-1-29", 1, 29 },
    { "binom-8-30", 8, 30 },        { "binom-0-1000", 0, 1000 },
    { "binom-37-4000", 37, 4000 },  { "binom-3-1000000", 3, 1000000 },
};

static void independent_programs_agree_to_nine_digits(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(cases); i++) {
        const struct estimate wilson =
            statistics_wilson(cases[i].hits, cases[i].count, 0.95);

        published_check(cases[i].name, "wilson_lo", wilson.low);
        published_check(cases[i].name, "wilson_hi", wilson.high);
    }
}

static void a_whole_table_of_shares_agrees(void **state)
{
    struct values hits =
        published_column_where("binomial_ci.csv", 0, 2, "wilson");
    struct values counts =
        published_column_where("binomial_ci.csv", 1, 2, "wilson");
    struct values lows =
        published_column_where("binomial_ci.csv", 3, 2, "wilson");
    struct values highs =
        published_column_where("binomial_ci.csv", 4, 2, "wilson");

    (void) state;
    for (size_t i = 0; i < hits.count; i++) {
        const struct estimate wilson = statistics_wilson(
            (uint64_t) hits.items[i], (uint64_t) counts.items[i], 0.95);

        assert_true(fabs(wilson.low - lows.items[i]) < 1e-10);
        assert_true(fabs(wilson.high - highs.items[i]) < 1e-10);
    }
    values_clear(&hits);
    values_clear(&counts);
    values_clear(&lows);
    values_clear(&highs);
}

static void nothing_of_nothing_has_no_share(void **state)
{
    (void) state;
    assert_true(isnan(statistics_wilson(0, 0, 0.95).value));
    assert_true(isnan(statistics_wilson(3, 2, 0.95).low));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(newcombes_examples_come_out_as_printed),
        cmocka_unit_test(independent_programs_agree_to_nine_digits),
        cmocka_unit_test(a_whole_table_of_shares_agrees),
        cmocka_unit_test(nothing_of_nothing_has_no_share),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
