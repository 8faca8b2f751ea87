/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/losses.h"
#include "tests/support/published.h"

#include <bothends/draw.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

/* A made record of losses in bursts (two-state chain, p = 0.02, r = 0.25). */
static void losses_in_bursts_count_as_fewer_probes(void **state)
{
    struct values lost = published_column("loss_gilbert_synthetic.csv", 1);
    struct losses losses = { .count = 0 };

    (void) state;
    for (size_t i = 0; i < lost.count; i++)
        losses_add(&losses, lost.items[i] > 0);
    const struct estimate plain =
        statistics_wilson(losses.lost_count, losses.count, 0.95);
    const struct estimate fewer = losses_interval(&losses, 0.95);

    published_check("gilbert-counts", "n", (double) losses.count);
    published_check("gilbert-counts", "lost", (double) losses.lost_count);
    published_check("gilbert-counts", "n11", (double) losses.pairs_lost_count);
    published_check("gilbert-ess", "r1", losses_lag1(&losses));
    published_check("gilbert-ess", "n_eff", losses_effective_count(&losses));
    published_check("gilbert-ess", "wilson n lo", plain.low);
    published_check("gilbert-ess", "wilson n hi", plain.high);
    published_check("gilbert-ess", "wilson n_eff lo", fewer.low);
    published_check("gilbert-ess", "wilson n_eff hi", fewer.high);
    /* The chain's true share, 2/27, which the plain interval misses. */
    assert_true(plain.high < 2.0 / 27 && fewer.high > 2.0 / 27);
    values_clear(&lost);
}

/* The correlation by its definition, over 0 and 1. */
static void the_correlation_is_that_of_the_record(void **state)
{
    struct draw draw = { 3 };
    double record[300];

    (void) state;
    for (int trial = 0; trial < 50; trial++) {
        struct losses losses = { .count = 0 };
        const size_t count = 5 + (size_t) (draw_unit(&draw) * 295);

        for (size_t i = 0; i < count; i++) {
            record[i] = draw_unit(&draw) < 0.3;
            losses_add(&losses, record[i] > 0);
        }
        const double lag1 = losses_lag1(&losses);
        const double expected = statistics_lag1(record, count);

        assert_true((isnan(lag1) && isnan(expected))
                    || fabs(lag1 - expected) < 1e-9);
    }
}

/* Losses by themselves keep Wilson's interval, all but by chance. */
static void losses_by_themselves_keep_wilsons_interval(void **state)
{
    struct draw draw = { 11 };
    int kept_count = 0;

    (void) state;
    for (int trial = 0; trial < 1000; trial++) {
        struct losses losses = { .count = 0 };

        for (int i = 0; i < 200; i++)
            losses_add(&losses, draw_unit(&draw) < 0.1);
        kept_count += losses_effective_count(&losses) >= 200;
    }
    /* 97.7 % lie below 2 / sqrt(n); 4 standard errors of 1000 trials. */
    assert_true(kept_count >= 958);
}

static void nothing_sent_and_nothing_lost_have_their_ends(void **state)
{
    struct losses none = { .count = 0 };
    struct losses whole = { .count = 0 };

    (void) state;
    assert_true(isnan(losses_interval(&none, 0.95).value));
    for (int i = 0; i < 20; i++)
        losses_add(&whole, false);
    assert_true(isnan(losses_lag1(&whole)));
    assert_true(losses_interval(&whole, 0.95).low == 0);
    published_check("newcombe-0-20", "wilson_hi",
                    losses_interval(&whole, 0.95).high);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(losses_in_bursts_count_as_fewer_probes),
        cmocka_unit_test(the_correlation_is_that_of_the_record),
        cmocka_unit_test(losses_by_themselves_keep_wilsons_interval),
        cmocka_unit_test(nothing_sent_and_nothing_lost_have_their_ends),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
