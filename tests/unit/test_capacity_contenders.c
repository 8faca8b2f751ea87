/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Several that contend for a channel. */
#include "reports/capacity_parts.h"
#include "tests/support/carried.h"

#include <setjmp.h>
#include <stdarg.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

static void assert_near(double value, double expected, double ratio,
                        const char *what)
{
    if (!(fabs(value - expected) <= ratio * fabs(expected)))
        fail_msg("%s: found %.9g, expected %.9g", what, value, expected);
}

/* A window of 3: each begins in a slot with the chance 2 / 4. */
static struct contenders three_slots(size_t senders_count,
                                     size_t receivers_count)
{
    return (struct contenders){ .senders_count = senders_count,
                                .receivers_count = receivers_count,
                                .window = 3,
                                .window_most = 6,
                                .slot_s = 0.004,
                                .data_s = 0.1,
                                .ack_s = 0.02 };
}

/* Of all slots 1/4 stay idle, 1/2 carry data and in 1/4 both collide:
 * (1/4 x 4 ms + 3/4 x 100 ms) / (1/2). */
static void two_senders_collide_in_a_quarter_of_the_slots(void **state)
{
    const struct contenders two = three_slots(2, 0);

    (void) state;
    assert_near(contenders_round_s(&two), 0.152, 1e-9, "two senders");
}

/*
 * The receiver waits in 2/3 of the slots.  Without it 1/2 of the slots are
 * idle and 1/2 carry data, 52 ms in the mean; with it 1/4 each are idle, carry
 * data, carry acknowledgements, collide: 56 ms.  A third of all carry data:
 * (1/3 x 52 ms + 2/3 x 56 ms) / (1/3).
 */
static void a_receiver_answers_every_second_burst(void **state)
{
    const struct contenders pair = three_slots(1, 1);

    (void) state;
    assert_near(contenders_round_s(&pair), 0.164, 1e-9, "with its receiver");
}

/* Who collided begins less often: tau = 2 / (4 + 3 tau), 0.38743.  So 0.37524
 * of the slots are idle, 0.47466 carry data. */
static void a_window_that_widens_makes_collisions_rarer(void **state)
{
    struct contenders two = three_slots(2, 0);

    (void) state;
    two.widens = true;
    assert_near(contenders_round_s(&two),
                (0.37524 * 0.004 + 0.62476 * 0.1) / 0.47466, 1e-4,
                "two senders whose window widens");
}

static void more_that_contend_never_make_it_faster(void **state)
{
    (void) state;
    for (size_t senders = 1; senders < 8; senders++) {
        for (size_t receivers = 0; receivers < 8; receivers++) {
            struct contenders few = three_slots(senders, receivers);
            struct contenders more = three_slots(senders + 1, receivers);

            few.window = more.window = 8;
            few.window_most = more.window_most = 64;
            few.widens = more.widens = true;
            assert_true(contenders_round_s(&more) > contenders_round_s(&few));
            more = few;
            more.receivers_count++;
            assert_true(contenders_round_s(&more) > contenders_round_s(&few));
        }
    }
}

static void nobody_gets_through_where_all_begin_at_once(void **state)
{
    struct contenders two = three_slots(2, 0);

    (void) state;
    two.window = 1;
    assert_true(isinf(contenders_round_s(&two)));
    two.senders_count = 1; /* alone, and without a pause */
    assert_near(contenders_round_s(&two), 0.1, 1e-5, "alone");
}

/* --- against the practice link's air ---------------------------------------
 */

static struct plan contended_plan(size_t station_count)
{
    struct plan plan = {
        .link = { .access = ACCESS_CONTENTION,
                  .slot_overhead_ns = exactly(12e6),
                  .slot_least_ns = range_unsaid(),
                  .slot_limit_ns = exactly(250e6),
                  .frame_payload_bytes = 240,
                  .frame_overhead_bytes = 12,
                  .mtu_bytes = 576,
                  .distance_m = (double) NAN,
                  .repeats_limit_count = 100,
                  .carrier_sense = true,
                  .contention_slot_ns = 4 * NS_PER_MS,
                  .contention_window_count = 8,
                  .contention_window_most_count = 64 },
        .steps = { { .name = "one",
                     .symbol_rate_bd = exactly(240e3),
                     .levels = 2,
                     .code_rate_ratio = 1,
                     .usable_rate_bps = range_unsaid() } },
        .step_count = 1,
        .end_count = 1 + station_count,
        .practice = { .seed = 1, .queue_bytes = 100000000 },
    };

    for (size_t i = 1; i < plan.end_count; i++)
        plan.ends[i].role = ROLE_STATION;
    return plan;
}

static void stations_that_contend_carry_what_is_expected(void **state)
{
    (void) state;
    for (size_t stations = 1; stations <= 7; stations++) {
        const struct plan plan = contended_plan(stations);
        struct capacity_demand demands[8];
        struct capacity_share shares[8];
        double by_end_bps[PLAN_ENDS_MAX];
        double expected_bps = 0;
        double carried_all_bps = 0;

        for (size_t i = 0; i < stations; i++)
            demands[i] = (struct capacity_demand){ .from = 1 + i,
                                                   .traffic = TRAFFIC_UDP };
        capacity_shares(&plan, &plan.steps[0], NULL, demands, stations, shares);
        carry_together(&plan, demands, stations, 1000 * NS_PER_S, by_end_bps);
        for (size_t i = 0; i < stations; i++) {
            expected_bps += shares[i].likely_bps;
            carried_all_bps += by_end_bps[1 + i];
        }
        if (!(fabs(carried_all_bps / expected_bps - 1) < 0.05))
            fail_msg("%zu stations: %.0f bit/s, expected %.0f", stations,
                     carried_all_bps, expected_bps);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_senders_collide_in_a_quarter_of_the_slots),
        cmocka_unit_test(a_receiver_answers_every_second_burst),
        cmocka_unit_test(a_window_that_widens_makes_collisions_rarer),
        cmocka_unit_test(more_that_contend_never_make_it_faster),
        cmocka_unit_test(nobody_gets_through_where_all_begin_at_once),
        cmocka_unit_test(stations_that_contend_carry_what_is_expected),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
