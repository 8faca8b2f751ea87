/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/jain.h"
#include "tests/support/published.h"

#include <bothends/draw.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static const struct {
    const char *name;
    double shares[6];
    size_t count;
} cases[] = {
    { "jain-pd5", { 200, 160, 110, 95, 150 }, 5 },
    { "jain-pd6", { 200, 160, 110, 95, 150, 1000 }, 6 },
    { "jain-2of5", { 1, 1, 0, 0, 0 }, 5 },
    { "jain-ramp", { 1, 2, 3, 4, 5 }, 5 },
    { "jain-pairs", { 5, 5, 10, 10 }, 4 },
    { "jain-normalised", { 1.9 / 2, 2.3 / 2.6, 2.0 / 2.7, 3.4 / 2.7 }, 4 },
};

static void jains_index_of_the_examples_agrees(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT(cases); i++)
        published_check(cases[i].name, "jain",
                        jain_index(cases[i].shares, cases[i].count));
    assert_true(isnan(jain_index((const double[]){ 0, 0 }, 2)));
    assert_true(isnan(jain_index(NULL, 0)));
}

/* Textbook examples. */
static void max_min_shares_of_the_examples_agree(void **state)
{
    const double small[] = { 2, 2.6, 4, 5 };
    const double large[] = { 200, 900, 700, 300 };
    struct values small_shares = published_list("maxmin-1", "shares");
    struct values large_shares = published_list("maxmin-2", "shares");
    const double greedy[] = { (double) INFINITY, (double) INFINITY };
    double shares[4];

    (void) state;
    jain_max_min(10, small, 4, shares);
    for (size_t i = 0; i < 4; i++)
        assert_true(fabs(shares[i] - small_shares.items[i]) < 1e-12);
    jain_max_min(1500, large, 4, shares);
    for (size_t i = 0; i < 4; i++)
        assert_true(fabs(shares[i] - large_shares.items[i]) < 1e-12);
    assert_int_equal(small_shares.count, 4);
    assert_int_equal(large_shares.count, 4);
    values_clear(&small_shares);
    values_clear(&large_shares);
    jain_max_min(9, greedy, 2, shares);
    assert_true(fabs(shares[0] - 4.5) < 1e-12);
}

static void without_error_the_low_end_is_the_index(void **state)
{
    const struct mean_error exact[] = { { 1, 0, 9 }, { 2, 0, 9 }, { 3, 0, 9 } };

    (void) state;
    assert_true(fabs(jain_low_end(exact, 3, 0.95) - 36.0 / 42) < 1e-12);
    assert_true(isnan(jain_low_end(exact, 0, 0.95)));
    const struct mean_error one[] = { { 1, (double) NAN, 0 } };

    assert_true(isnan(jain_low_end(one, 1, 0.95)));
}

/* Sum of 12 uniform numbers: near enough to a normal one. */
static double normal(struct draw *draw)
{
    double sum = -6;

    for (int i = 0; i < 12; i++)
        sum += draw_unit(draw);
    return sum;
}

/* Ten batches a share; the true index must not lie below the low end in 95 %
 * of all records. */
static void the_true_index_is_seldom_below_the_low_end(void **state)
{
    static const double truths[][3] = { { 1, 1, 1 },
                                        { 1, 1, 0.7 },
                                        { 1, 0.5, 0.1 } };
    struct draw draw = { 7 };

    (void) state;
    for (size_t i = 0; i < COUNT(truths); i++) {
        const double truth = jain_index(truths[i], 3);
        size_t held = 0;

        for (int record = 0; record < 2000; record++) {
            struct mean_error shares[3];

            for (size_t k = 0; k < 3; k++) {
                double values[10];

                for (size_t j = 0; j < 10; j++)
                    values[j] = truths[i][k] + 0.2 * normal(&draw);
                shares[k] =
                    (struct mean_error){ statistics_mean(values, 10),
                                         statistics_sd(values, 10) / sqrt(10),
                                         9 };
            }
            held += jain_low_end(shares, 3, 0.95) <= truth;
        }
        /* 3 standard errors of 2000 draws below 95 %. */
        assert_true((double) held >= 2000 * (0.95 - 3 * 0.0049));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(jains_index_of_the_examples_agrees),
        cmocka_unit_test(max_min_shares_of_the_examples_agree),
        cmocka_unit_test(without_error_the_low_end_is_the_index),
        cmocka_unit_test(the_true_index_is_seldom_below_the_low_end),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
