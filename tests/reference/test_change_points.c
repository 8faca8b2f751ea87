/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/change_points.h"
#include "tests/support/published.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define COUNT(array) (sizeof(array) / sizeof((array)[0]))

static double squares_of(const double *values, size_t count)
{
    const double sd = statistics_sd(values, count);

    return sd * sd * (double) (count - 1);
}

/* Annual flow of the Nile at Aswan, 1871-1970 (R data set Nile; Cobb 1978). */
static void the_niles_one_change_is_found_in_1898(void **state)
{
    struct values flow = published_column("nile.csv", 1);
    const struct change_points found =
        change_points_find(flow.items, flow.count, 1, 0.95);

    (void) state;
    assert_int_equal(found.count, 1);
    published_check("nile-single", "cp", (double) found.points[0].at);
    published_check("nile-single", "mean1", found.points[0].before.value);
    published_check("nile-single", "mean2", found.points[0].after.value);
    published_check("nile-pelt", "sigma", found.sd);
    published_check("nile-pelt", "penalty", found.penalty);
    published_check("nile-pelt", "cost", found.cost);
    published_check("nile-pelt", "PELT_cp", (double) found.points[0].at);
    const double whole = squares_of(flow.items, flow.count);
    const double parts = found.cost - found.penalty;

    published_check("nile-single", "RSS0", whole);
    published_check("nile-single", "RSS1", parts);
    published_check("nile-pelt", "binseg_gain", whole - parts);
    assert_true(found.points[0].after.high < found.points[0].before.low);
    values_clear(&flow);
}

static void pettitts_test_finds_the_niles_change_too(void **state)
{
    struct values flow = published_column("nile.csv", 1);
    const struct pettitt pettitt =
        change_points_pettitt(flow.items, flow.count);

    (void) state;
    published_check("nile-pettitt", "K", pettitt.k);
    published_check("nile-pettitt", "at", (double) pettitt.at);
    published_check("nile-pettitt", "p", pettitt.probability);
    values_clear(&flow);
}

static void three_changes_of_a_long_record_are_found(void **state)
{
    struct values rates = published_column("soak_steps_synthetic.csv", 1);
    const struct change_points found =
        change_points_find(rates.items, rates.count, 1, 0.95);

    (void) state;
    assert_int_equal(found.count, 3);
    published_check("soak-pelt", "sigma", found.sd);
    published_check("soak-pelt", "penalty", found.penalty);
    published_check("soak-pelt", "cost", found.cost);
    for (size_t i = 0; i < found.count; i++) {
        char quantity[8];

        (void) snprintf(quantity, sizeof(quantity), "cp%zu", i + 1);
        published_check("soak-pelt", quantity, (double) found.points[i].at);
        (void) snprintf(quantity, sizeof(quantity), "m%zu", i + 1);
        published_check("soak-means", quantity, found.points[i].before.value);
    }
    published_check("soak-means", "m4", found.points[2].after.value);
    values_clear(&rates);
}

static void a_steady_record_has_no_change(void **state)
{
    struct values rates = published_column("soak_steps_synthetic.csv", 1);
    const double same[] = { 5, 5, 5, 5, 5, 5 };

    (void) state;
    /* The first level only. */
    assert_int_equal(change_points_find(rates.items, 240, 1, 0.95).count, 0);
    assert_int_equal(change_points_find(same, COUNT(same), 1, 0.95).count, 0);
    assert_int_equal(change_points_find(same, 2, 1, 0.95).count, 0);
    assert_int_equal(change_points_find(same, 0, 1, 0.95).count, 0);
    values_clear(&rates);
}

/* Values that hang together: the sheet's AR(1) record has no change. */
static void a_larger_penalty_withstands_correlation(void **state)
{
    struct values values = published_column("ar1_synthetic.csv", 1);

    (void) state;
    assert_true(change_points_find(values.items, values.count, 1, 0.95).count
                > 0);
    assert_int_equal(
        change_points_find(values.items, values.count, 10, 0.95).count, 0);
    values_clear(&values);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_niles_one_change_is_found_in_1898),
        cmocka_unit_test(pettitts_test_finds_the_niles_change_too),
        cmocka_unit_test(three_changes_of_a_long_record_are_found),
        cmocka_unit_test(a_steady_record_has_no_change),
        cmocka_unit_test(a_larger_penalty_withstands_correlation),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
