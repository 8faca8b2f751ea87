/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/statistics.h"
#include "tests/support/published.h"

#include <bothends/steady.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static void batch_means_of_a_correlated_record_agree(void **state)
{
    struct values values = published_column("ar1_synthetic.csv", 1);
    static const int batches[] = { 20, 40, 100 };

    (void) state;
    published_check("ar1-basic", "r1",
                    statistics_lag1(values.items, values.count));
    for (size_t i = 0; i < COUNT(batches); i++) {
        const size_t count = (size_t) batches[i];
        const struct steady_batches means =
            steady_batches_of(values.items, values.count, values.count / count);
        const double reach = steady_t(0.95, count - 1) * means.error;
        char name[32];

        (void) snprintf(name, sizeof(name), "ar1-batch%d", batches[i]);
        assert_int_equal(means.batch_count, count);
        published_check(name, "sd_batch_means",
                        means.error * sqrt((double) count));
        published_check(name, "lo", means.mean - reach);
        published_check(name, "hi", means.mean + reach);
        published_check(name, "r1_batch_means", means.lag1);
    }
    values_clear(&values);
}

/* The sheet's tau is Geyer's too. */
static void the_correlation_time_agrees(void **state)
{
    struct values values = published_column("ar1_synthetic.csv", 1);

    (void) state;
    published_check("ar1-geyer", "tau",
                    steady_correlation_time(values.items, values.count));
    values_clear(&values);
}

/* GSL's quantile is good to 1e-13. */
static void t_without_a_library_agrees_with_gsl(void **state)
{
    static const double levels[] = {
        0.5, 0.9, 0.95, 0.975, 0.99, 0.9975, 0.9999
    };

    (void) state;
    for (size_t degrees = 1; degrees <= 2000; degrees += degrees / 20 + 1) {
        for (size_t i = 0; i < COUNT(levels); i++) {
            const double found = steady_t(levels[i], degrees);
            const double expected =
                statistics_t((1 + levels[i]) / 2, (double) degrees);

            if (!(fabs(found / expected - 1) < 1e-10))
                fail_msg("t(%g; %zu): found %.13g, expected %.13g", levels[i],
                         degrees, found, expected);
        }
    }
    assert_true(isnan(steady_t(0.95, 0)));
    assert_true(isnan(steady_t(1, 5)));
}

static void mser_by_hand_gives_each_criterion(void **state)
{
    const double values[] = { 0, 4, 8, 9, 10, 9, 10, 11, 10, 9, 10, 11 };
    const struct mser mser = mser_cut(values, COUNT(values), 1);

    (void) state;
    published_check("mser-hand", "d*", (double) mser.cut_batches);
    published_check("mser-hand", "crit[3]", mser.least);
    assert_true(mser.is_settled);
}

static void a_rising_record_is_cut_where_mser_5_says(void **state)
{
    struct values values = published_column("goodput_rampup_synthetic.csv", 1);
    const struct mser mser =
        mser_cut(values.items, values.count, MSER_BATCH_LENGTH);
    const size_t dropped = mser.cut_batches * MSER_BATCH_LENGTH;
    const double *kept = values.items + dropped;

    (void) state;
    published_check("mser5-ramp", "batches", (double) mser.batch_count);
    published_check("mser5-ramp", "d*", (double) mser.cut_batches);
    published_check("mser5-ramp", "crit", mser.least);
    published_check("mser5-ramp", "dropped", (double) dropped);
    published_check("mser5-ramp", "mean_kept",
                    statistics_mean(kept, values.count - dropped));
    published_check("mser5-ramp", "mean_all",
                    statistics_mean(values.items, values.count));
    published_check("mser5-ramp", "r1_kept",
                    statistics_lag1(kept, values.count - dropped));
    published_check("mser5-ramp", "sd_kept",
                    statistics_sd(kept, values.count - dropped));
    published_check(
        "mser1-ramp", "d*",
        (double) mser_cut(values.items, values.count, 1).cut_batches);
    /* The sheet makes 20 batches of 12 from the 255 kept; so many fit 21
     * times, and the last of those is left out. */
    const struct steady_batches means = steady_batches_of(kept, 240, 12);

    assert_int_equal(means.batch_count, 20);
    published_check("ramp-ci", "mean", means.mean);
    published_check("ramp-ci", "half", steady_t(0.95, 19) * means.error);
    /* The warm-up shows, so the level is that of the record without it. */
    const struct steady steady = steady_find(values.items, values.count);

    assert_int_equal(steady.lack, STEADY_ENOUGH);
    assert_int_equal(steady.cut_count, dropped);
    values_clear(&values);
}

static void batches_grow_until_neighbours_are_independent(void **state)
{
    struct values values = published_column("ar1_synthetic.csv", 1);
    /* 60 values of the same record: batches of 3 are still correlated. */
    const struct steady_batches few =
        steady_batches_uncorrelated(values.items, 60);
    const struct steady_batches all =
        steady_batches_uncorrelated(values.items, values.count);

    (void) state;
    assert_true(few.batch_count >= STEADY_BATCHES_LEAST);
    assert_int_equal(all.batch_count, STEADY_BATCHES_FIRST);
    assert_true(fabs(all.lag1) < 2 / sqrt(STEADY_BATCHES_FIRST));
    values_clear(&values);
}

static void a_record_without_a_level_is_not_settled(void **state)
{
    double rising[100];

    (void) state;
    for (size_t i = 0; i < COUNT(rising); i++)
        rising[i] = (double) i;
    assert_false(mser_cut(rising, COUNT(rising), 5).is_settled);
    assert_false(mser_cut(rising, 3, 5).is_settled);
    assert_false(mser_cut(rising, 0, 5).is_settled);
    assert_int_equal(steady_find(rising, COUNT(rising)).lack, STEADY_UNSETTLED);
    assert_int_equal(steady_find(rising, 29).lack, STEADY_SHORT);
}

static void a_constant_record_is_kept_whole(void **state)
{
    double constant[100];

    (void) state;
    for (size_t i = 0; i < COUNT(constant); i++)
        constant[i] = 0.1;
    assert_int_equal(mser_cut(constant, COUNT(constant), 5).cut_batches, 0);
    assert_true(mser_cut(constant, COUNT(constant), 5).is_settled);
    const struct steady steady = steady_find(constant, COUNT(constant));

    assert_int_equal(steady.lack, STEADY_ENOUGH);
    assert_true(steady.error < 1e-12);
}

/* Slow swings: the record holds few of them, and says so. */
static void a_record_of_few_swings_is_too_short(void **state)
{
    double swinging[120];

    (void) state;
    for (size_t i = 0; i < COUNT(swinging); i++)
        swinging[i] = 10 + sin((double) i / 8);
    assert_int_equal(steady_find(swinging, COUNT(swinging)).lack, STEADY_SLOW);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(batch_means_of_a_correlated_record_agree),
        cmocka_unit_test(the_correlation_time_agrees),
        cmocka_unit_test(t_without_a_library_agrees_with_gsl),
        cmocka_unit_test(mser_by_hand_gives_each_criterion),
        cmocka_unit_test(a_rising_record_is_cut_where_mser_5_says),
        cmocka_unit_test(batches_grow_until_neighbours_are_independent),
        cmocka_unit_test(a_record_without_a_level_is_not_settled),
        cmocka_unit_test(a_constant_record_is_kept_whole),
        cmocka_unit_test(a_record_of_few_swings_is_too_short),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
