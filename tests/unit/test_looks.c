/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/quantiles.h"

#include <bothends/draw.h>
#include <bothends/kinds.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static const double cycle_ns = 200e6;

/* A rate of 10 that swings evenly by that share, seeded. */
static void draw_rates(double *rates, size_t count, double swing)
{
    struct draw draw = { 11 };

    for (size_t i = 0; i < count; i++)
        rates[i] = 10 * (1 + swing * (2 * draw_unit(&draw) - 1));
}

/* Looks as an agent does, cycle by cycle, until that is over; gives the cycles
 * that it took. */
static size_t measure(struct looks *looks, const double *rates, size_t most)
{
    for (size_t count = 1; count < most; count++) {
        if (looks_at_rates(looks, rates, count, cycle_ns,
                           (double) (most - count) * cycle_ns))
            return count;
    }
    (void) looks_at_rates(looks, rates, most, cycle_ns, 0);
    return most;
}

static void a_steady_rate_is_known_at_the_first_look(void **state)
{
    struct looks looks = { .within_ratio = 0.05 };
    double rates[450];
    struct looks_outcome outcome;

    (void) state;
    draw_rates(rates, COUNT_OF(rates), 0.1);
    assert_int_equal(measure(&looks, rates, COUNT_OF(rates)), 90); /* 18 s */
    assert_int_equal(looks.count, 1);
    assert_true(fabs(looks.level_ratio - 0.975) < 1e-12);
    looks_tell(&looks, true, &outcome);
    assert_int_equal(outcome.ended_by, LOOKS_WITHIN);
    assert_true(outcome.found_ratio <= 0.05);
}

static void looks_are_at_doubling_lengths_and_at_the_end(void **state)
{
    struct looks looks = { .within_ratio = 1e-6 };
    double rates[450];
    size_t places[8] = { 0 };

    (void) state;
    draw_rates(rates, COUNT_OF(rates), 0.5);
    for (size_t count = 1; count <= COUNT_OF(rates); count++) {
        const uint64_t before = looks.count;
        const size_t left_count = COUNT_OF(rates) - count;

        assert_false(looks_at_rates(&looks, rates, count, cycle_ns,
                                    (double) left_count * cycle_ns));
        if (looks.count != before && before < COUNT_OF(places))
            places[before] = count;
    }
    assert_int_equal(looks.count, 4);
    assert_int_equal(places[0], 90);
    assert_int_equal(places[1], 180);
    assert_int_equal(places[2], 360);
    assert_int_equal(places[3], 450);
}

static void the_looks_together_spend_the_error_budget_and_no_more(void **state)
{
    (void) state;
    for (int most_s = 36; most_s < 4000; most_s += most_s / 4) {
        struct looks looks = { .within_ratio = 0.05 };
        double spent = 0;

        for (int length_s = 18; length_s < most_s; length_s++) {
            if (looks_is_due(&looks, length_s * 1e9)
                && looks_may(&looks, length_s * 1e9, (most_s - length_s) * 1e9))
                spent += 1 - looks.level_ratio;
        }
        if (looks_may(&looks, most_s * 1e9, 0))
            spent += 1 - looks.level_ratio;
        assert_true(looks.count >= 2);
        assert_true(spent <= 0.05 + 1e-12);
        assert_false(looks_may(&looks, most_s * 2e9, 0));
    }
}

static void a_short_cycle_needs_the_time_and_a_long_one_the_cycles(void **state)
{
    struct looks looks = { .within_ratio = 0.5 };
    double rates[100];

    (void) state;
    draw_rates(rates, COUNT_OF(rates), 0.1);
    assert_false(looks_at_rates(&looks, rates, 100, 100e6, 60e9)); /* 10 s */
    assert_false(looks_at_rates(&looks, rates, 29, 2e9, 60e9));    /* 58 s */
    assert_int_equal(looks.count, 0);
    assert_true(looks_at_rates(&looks, rates, 30, 2e9, 60e9));
}

static void a_warm_up_does_not_count_as_steady_time(void **state)
{
    struct looks looks = { .within_ratio = 0.05 };
    double rates[300];

    (void) state;
    draw_rates(rates, COUNT_OF(rates), 0.1);
    /* Five seconds of slow start: the look waits until 15 s are left. */
    for (size_t i = 0; i < 25; i++)
        rates[i] *= 0.2;
    const size_t taken = measure(&looks, rates, COUNT_OF(rates));

    assert_in_range(taken, 100, 110);
}

/* GSL's binomial distribution gives the reducer the same ranks. */
static void median_ranks_are_those_of_the_reducer(void **state)
{
    static const double levels[] = { 0.95, 0.975, 0.9875, 0.999 };

    (void) state;
    for (size_t count = 1; count < 400; count++) {
        for (size_t i = 0; i < COUNT_OF(levels); i++)
            assert_int_equal(
                looks_median_rank(count, levels[i]),
                quantile_interval_ranks(count, 0.5, levels[i]).low);
    }
}

static void too_many_losses_leave_the_median_unknown(void **state)
{
    struct looks looks = { .within_ratio = 0.5 };
    double rtts[60];

    (void) state;
    for (size_t i = 0; i < COUNT_OF(rtts); i++)
        rtts[i] = i < 32 ? 50 + (double) i / 100 : (double) INFINITY;
    assert_false(looks_at_median(&looks, rtts, COUNT_OF(rtts), 20e9, 60e9));
    assert_true(isinf(looks.found_ratio));
}

static void a_plan_that_contradicts_itself_is_told_so(void **state)
{
    static const struct download_spec alone = { .within_ratio = 0.05,
                                                .connections = 1 };
    struct download_spec download = alone;
    struct ping_spec ping = { .within_ratio = 0.05,
                              .gap_ns = { SPREAD_FIXED, 1e9, 1e9, 1e9 } };

    (void) state;
    assert_non_null(download_kind.objection(&download)); /* no at_most */
    download.at_most_ns = 90 * NS_PER_S;
    assert_null(download_kind.objection(&download));
    assert_int_equal(download_kind.planned_ns(&download, 1, 5e4),
                     92 * NS_PER_S);
    download.for_ns = 9 * NS_PER_S;
    assert_non_null(download_kind.objection(&download));
    assert_non_null(ping_kind.objection(&ping));
    ping.at_most_ns = 60 * NS_PER_S;
    assert_null(ping_kind.objection(&ping));
    ping.count = 4;
    assert_non_null(ping_kind.objection(&ping));
    ping = (struct ping_spec){ .count = 4, .at_most_ns = NS_PER_S };
    assert_non_null(ping_kind.objection(&ping));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_steady_rate_is_known_at_the_first_look),
        cmocka_unit_test(looks_are_at_doubling_lengths_and_at_the_end),
        cmocka_unit_test(the_looks_together_spend_the_error_budget_and_no_more),
        cmocka_unit_test(
            a_short_cycle_needs_the_time_and_a_long_one_the_cycles),
        cmocka_unit_test(a_warm_up_does_not_count_as_steady_time),
        cmocka_unit_test(median_ranks_are_those_of_the_reducer),
        cmocka_unit_test(too_many_losses_leave_the_median_unknown),
        cmocka_unit_test(a_plan_that_contradicts_itself_is_told_so),
    };
    statistics_prepare();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
