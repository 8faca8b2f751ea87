/* SPDX-License-Identifier: GPL-3.0-or-later */
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

/* NIST Statistical Reference Datasets, univariate: certified values. */
static const struct {
    const char *name, *file;
} certified[] = {
    { "nist-lew", "nist/Lew.dat" },
    { "nist-lottery", "nist/Lottery.dat" },
    { "nist-mavro", "nist/Mavro.dat" },
    { "nist-michelso", "nist/Michelso.dat" },
    { "nist-pidigits", "nist/PiDigits.dat" },
    { "nist-numacc1", "nist/NumAcc1.dat" },
    { "nist-numacc2", "nist/NumAcc2.dat" },
    { "nist-numacc3", "nist/NumAcc3.dat" },
    { "nist-numacc4", "nist/NumAcc4.dat" },
};

static void nists_certified_moments_are_reached(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(certified); i++) {
        struct values values = published_lines(certified[i].file, 61);

        published_check(certified[i].name, "n", (double) values.count);
        published_check(certified[i].name, "mean",
                        statistics_mean(values.items, values.count));
        published_check(certified[i].name, "sd",
                        statistics_sd(values.items, values.count));
        published_check(certified[i].name, "r1",
                        statistics_lag1(values.items, values.count));
        values_clear(&values);
    }
}

static void quantiles_of_t_agree_with_the_table(void **state)
{
    struct values degrees = published_column("t_quantiles.csv", 0);
    struct values shares = published_column("t_quantiles.csv", 1);
    struct values quantiles = published_column("t_quantiles.csv", 2);

    (void) state;
    for (size_t i = 0; i < degrees.count; i++) {
        const double found = statistics_t(shares.items[i], degrees.items[i]);

        if (!(fabs(found - quantiles.items[i])
              <= 1e-11 * fabs(quantiles.items[i])))
            fail_msg("t(%.4f; %.4f): found %.13g, expected %.13g",
                     shares.items[i], degrees.items[i], found,
                     quantiles.items[i]);
    }
    values_clear(&degrees);
    values_clear(&shares);
    values_clear(&quantiles);
    published_check("t-frac", "df17.7764735161785",
                    statistics_t(0.975, 17.7764735161785));
    published_check("t-frac", "df40.1815746067",
                    statistics_t(0.975, 40.1815746067));
    published_check("t-975", "df1", statistics_t(0.975, 1));
    published_check("t-975", "df2", statistics_t(0.975, 2));
    published_check("t-975", "df9", statistics_t(0.975, 9));
    published_check("t-975", "df30", statistics_t(0.975, 30));
    published_check("t-975", "df194", statistics_t(0.975, 194));
}

/* NIST/SEMATECH handbook 1.3.5.2 */
static void the_handbooks_mean_has_its_interval(void **state)
{
    struct values values = published_lines("ZARR13.DAT", 26);
    const struct estimate mean =
        statistics_mean_interval(values.items, values.count, 0.95);

    (void) state;
    published_check("mean-zarr13", "n", (double) values.count);
    published_check("mean-zarr13", "mean", mean.value);
    published_check("mean-zarr13", "sd",
                    statistics_sd(values.items, values.count));
    published_check("mean-zarr13", "lo", mean.low);
    published_check("mean-zarr13", "hi", mean.high);
    values_clear(&values);
}

static struct mean_error mean_error_of(const struct values *values)
{
    return (struct mean_error){
        .mean = statistics_mean(values->items, values->count),
        .error = statistics_sd(values->items, values->count)
                 / sqrt((double) values->count),
        .degrees = (double) values->count - 1,
    };
}

static void a_gain_has_the_log_ratios_interval(void **state)
{
    struct values a =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "A");
    struct values b =
        published_column_where("gain_steps_synthetic.csv", 2, 0, "B");
    const struct mean_error below = mean_error_of(&a);
    const struct mean_error above = mean_error_of(&b);
    const struct estimate gain = statistics_ratio(&above, &below, 0.95);
    const struct estimate inverse = statistics_ratio(&below, &above, 0.95);

    (void) state;
    published_check("gain-means", "gain", gain.value);
    published_check("gain-means", "meanA", below.mean);
    published_check("gain-means", "sdA", statistics_sd(a.items, a.count));
    published_check("gain-means", "meanB", above.mean);
    published_check("gain-means", "sdB", statistics_sd(b.items, b.count));
    published_check("gain-log", "t_lo", gain.low);
    published_check("gain-log", "t_hi", gain.high);
    /* Seen from the other side it is the reciprocal. */
    assert_true(fabs(inverse.value * gain.value - 1) < 1e-12);
    assert_true(fabs(inverse.low * gain.high - 1) < 1e-12);
    values_clear(&a);
    values_clear(&b);
}

/* The correlation of neighbours from NIST's certified values. */
static void correlated_values_are_worth_fewer(void **state)
{
    static const struct {
        const char *name, *file;
    } records[] = { { "ess-lew", "nist/Lew.dat" },
                    { "ess-mavro", "nist/Mavro.dat" },
                    { "ess-michelso", "nist/Michelso.dat" } };
    struct values ar1 = published_column("ar1_synthetic.csv", 1);

    (void) state;
    for (size_t i = 0; i < COUNT(records); i++) {
        struct values values = published_lines(records[i].file, 61);
        const double lag1 = statistics_lag1(values.items, values.count);

        published_check(records[i].name, "r1", lag1);
        published_check(
            records[i].name, "n_eff",
            statistics_effective_count((double) values.count, lag1));
        values_clear(&values);
    }
    published_check("ar1-basic", "mean", statistics_mean(ar1.items, ar1.count));
    published_check("ar1-basic", "sd", statistics_sd(ar1.items, ar1.count));
    published_check(
        "ar1-basic", "n_eff",
        statistics_effective_count((double) ar1.count,
                                   statistics_lag1(ar1.items, ar1.count)));
    values_clear(&ar1);
}

static void a_mean_of_correlated_values_has_a_wider_interval(void **state)
{
    struct values speeds = published_lines("nist/Michelso.dat", 61);
    struct values ar1 = published_column("ar1_synthetic.csv", 1);
    const struct estimate plain =
        statistics_mean_interval(speeds.items, speeds.count, 0.95);
    const double count = statistics_effective_count(
        (double) speeds.count, statistics_lag1(speeds.items, speeds.count));
    const double half = statistics_t(0.975, count - 1)
                        * statistics_sd(speeds.items, speeds.count)
                        / sqrt(count);
    const struct estimate naive =
        statistics_mean_interval(ar1.items, ar1.count, 0.95);

    (void) state;
    published_check("ci-michelso", "naive_lo", plain.low);
    published_check("ci-michelso", "naive_hi", plain.high);
    published_check("ci-michelso", "ess_lo", plain.value - half);
    published_check("ci-michelso", "ess_hi", plain.value + half);
    published_check("ar1-basic", "naive_half", (naive.high - naive.low) / 2);
    values_clear(&speeds);
    values_clear(&ar1);
}

static void one_value_or_none_has_no_interval(void **state)
{
    const double one = 5;
    const struct mean_error none = { 0, 0, 1 };
    const struct mean_error some = { 4, 1, 5 };

    (void) state;
    assert_true(isnan(statistics_mean(NULL, 0)));
    assert_true(isnan(statistics_mean_interval(&one, 1, 0.95).low));
    assert_true(statistics_mean_interval(&one, 1, 0.95).value == 5);
    assert_true(isnan(statistics_lag1((double[]){ 3, 3, 3 }, 3)));
    assert_true(isnan(statistics_ratio(&some, &none, 0.95).value));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nists_certified_moments_are_reached),
        cmocka_unit_test(quantiles_of_t_agree_with_the_table),
        cmocka_unit_test(the_handbooks_mean_has_its_interval),
        cmocka_unit_test(a_gain_has_the_log_ratios_interval),
        cmocka_unit_test(correlated_values_are_worth_fewer),
        cmocka_unit_test(a_mean_of_correlated_values_has_a_wider_interval),
        cmocka_unit_test(one_value_or_none_has_no_interval),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
