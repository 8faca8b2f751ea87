/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/batches.h"
#include "tests/support/published.h"

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
        const struct batch_means means = batch_means_of(
            values.items, values.count, values.count / count, 0.95);
        char name[32];

        (void) snprintf(name, sizeof(name), "ar1-batch%d", batches[i]);
        assert_int_equal(means.batch_count, count);
        published_check(name, "sd_batch_means",
                        means.error * sqrt((double) count));
        published_check(name, "lo", means.estimate.low);
        published_check(name, "hi", means.estimate.high);
        published_check(name, "r1_batch_means", means.lag1);
    }
    values_clear(&values);
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
    published_check("mser5-ramp", "sd_kept",
                    statistics_sd(kept, values.count - dropped));
    published_check(
        "mser1-ramp", "d*",
        (double) mser_cut(values.items, values.count, 1).cut_batches);
    const struct batch_means means =
        batch_means_of(kept, values.count - dropped, 12, 0.95);

    /* The sheet makes 20 batches of 12 from the 255 kept; so many fit 21
     * times, and the last of those is left out. */
    const struct batch_means twenty = batch_means_of(kept, 240, 12, 0.95);

    assert_int_equal(means.batch_count, 21);
    published_check("ramp-ci", "mean", twenty.estimate.value);
    published_check("ramp-ci", "half",
                    twenty.estimate.high - twenty.estimate.value);
    values_clear(&values);
}

static void batches_grow_until_neighbours_are_independent(void **state)
{
    struct values values = published_column("ar1_synthetic.csv", 1);
    /* 60 values of the same record: batches of 3 are still correlated. */
    const struct batch_means few =
        batch_means_uncorrelated(values.items, 60, 0.95);
    const struct batch_means all =
        batch_means_uncorrelated(values.items, values.count, 0.95);

    (void) state;
    assert_true(few.batch_count >= BATCHES_LEAST);
    assert_int_equal(all.batch_count, BATCHES_FIRST);
    assert_true(fabs(all.lag1) < 2 / sqrt(BATCHES_FIRST));
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
}

static void a_constant_record_is_kept_whole(void **state)
{
    double constant[100];

    (void) state;
    for (size_t i = 0; i < COUNT(constant); i++)
        constant[i] = 0.1;
    assert_int_equal(mser_cut(constant, COUNT(constant), 5).cut_batches, 0);
    assert_true(mser_cut(constant, COUNT(constant), 5).is_settled);
    const struct batch_means means =
        batch_means_uncorrelated(constant, COUNT(constant), 0.95);

    assert_true(fabs(means.estimate.high - means.estimate.low) < 1e-12);
    assert_true(
        isnan(batch_means_uncorrelated(constant, 9, 0.95).estimate.low));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(batch_means_of_a_correlated_record_agree),
        cmocka_unit_test(mser_by_hand_gives_each_criterion),
        cmocka_unit_test(a_rising_record_is_cut_where_mser_5_says),
        cmocka_unit_test(batches_grow_until_neighbours_are_independent),
        cmocka_unit_test(a_record_without_a_level_is_not_settled),
        cmocka_unit_test(a_constant_record_is_kept_whole),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
