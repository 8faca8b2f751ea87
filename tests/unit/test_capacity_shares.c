/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"

#include <bothends/draw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define STATIONS 7

static struct range exactly(double value)
{
    return (struct range){ value, value };
}

/* A hub (end 0) and seven stations. */
static struct plan plan_with(int access, int slots)
{
    struct plan plan = {
        .link = { .access = access,
                  .slots = slots,
                  .slot_overhead_ns = exactly(12e6),
                  .slot_least_ns = range_unsaid(),
                  .slot_limit_ns = exactly(250e6),
                  .frame_payload_bytes = 240,
                  .frame_overhead_bytes = 12,
                  .carrier_sense = true,
                  .contention_slot_ns = 4000000,
                  .contention_window_count = 8,
                  .contention_window_most_count = 64,
                  .repeats_limit_count = 4,
                  .mtu_bytes = 1500,
                  .distance_m = (double) NAN },
        .end_count = 1 + STATIONS,
    };

    for (size_t i = 1; i < plan.end_count; i++)
        plan.ends[i].role = ROLE_STATION;
    return plan;
}

/* 80 kBd with two levels at code rate 3/4: 60 kbit/s. */
static struct plan_step step_of(double symbol_rate_bd)
{
    return (struct plan_step){
        .symbol_rate_bd = exactly(symbol_rate_bd),
        .levels = 2,
        .code_rate_ratio = 0.75,
        .usable_rate_bps = range_unsaid(),
    };
}

static void assert_near(double value, double expected, double ratio,
                        const char *what)
{
    if (!(fabs(value - expected) <= ratio * fabs(expected)))
        fail_msg("%s: found %.9g, expected %.9g", what, value, expected);
}

static const struct {
    int access, slots;
} channels[] = {
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE },
    { ACCESS_SCHEDULED, SLOTS_FIXED },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE },
    { ACCESS_CONTENTION, 0 },
    { ACCESS_ALTERNATING, 0 },
};

static void each_layer_carries_less_than_the_one_below(void **state)
{
    static const double mtus[] = { 296, 576, 1280, 1500 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(channels); i++) {
        for (size_t j = 0; j < COUNT_OF(mtus); j++) {
            const struct plan plan =
                plan_with(channels[i].access, channels[i].slots);
            const struct plan_step step = step_of(80e3);
            const struct situation situation = { .mtu_bytes = mtus[j] };
            struct expectation expectation;

            capacity_expect_when(&plan, &step, &situation, &expectation);
            for (int way = 0; way < WAY_COUNT; way++) {
                const struct carried *carried = &expectation.ways[way];

                assert_near(carried->likely_bps[LAYER_CHANNEL], 80e3, 1e-12,
                            "channel bits");
                for (int layer = 1; layer < LAYER_COUNT; layer++)
                    assert_true(carried->likely_bps[layer]
                                < carried->likely_bps[layer - 1]);
            }
        }
    }
}

static void a_range_holds_its_likely_value(void **state)
{
    struct draw random_numbers = { 20261125 };

    (void) state;
    for (int i = 0; i < 5000; i++) {
        const size_t which = (size_t) i % COUNT_OF(channels);
        struct plan plan =
            plan_with(channels[which].access, channels[which].slots);
        const struct plan_step step =
            step_of(20e3 + 1e6 * draw_unit(&random_numbers));
        struct expectation expectation;

        plan.link.mtu_bytes = 200 + (uint64_t) (i % 1300);
        plan.link.slot_limit_ns =
            exactly(150e6 + 1e9 * draw_unit(&random_numbers));
        plan.link.frame_payload_bytes = 32 + (uint64_t) (i % 700);
        capacity_expect_of(&plan, &step, &expectation);
        for (int layer = LAYER_FRAMES; layer < LAYER_COUNT; layer++) {
            const struct range range = expectation.ways[0].layers_bps[layer];
            const double likely = expectation.ways[0].likely_bps[layer];

            if (!(likely >= range.low * (1 - 1e-9)
                  && likely <= range.high * (1 + 1e-9)))
                fail_msg("channel %zu, %s, MTU %d, %.0f bit/s: %.9g is not in "
                         "%.9g to %.9g",
                         which, capacity_layers[layer],
                         (int) plan.link.mtu_bytes, expectation.channel_bps.low,
                         likely, range.low, range.high);
        }
    }
}

static double alone_bps(const struct plan *plan, const struct plan_step *step,
                        size_t from, size_t to)
{
    const struct capacity_demand demand = { from, to, TRAFFIC_TCP, 0 };
    struct capacity_share share;

    capacity_shares(plan, step, NULL, &demand, 1, &share);
    return share.likely_bps;
}

static void one_alone_has_what_the_step_carries(void **state)
{
    const struct plan_step step = step_of(80e3);

    (void) state;
    for (size_t i = 0; i < COUNT_OF(channels); i++) {
        const struct plan plan =
            plan_with(channels[i].access, channels[i].slots);
        struct expectation expectation;

        capacity_expect_of(&plan, &step, &expectation);
        assert_near(alone_bps(&plan, &step, 0, 1),
                    expectation.ways[WAY_TO_STATION].likely_bps[LAYER_FILE],
                    1e-9, "out");
        assert_near(alone_bps(&plan, &step, 2, 0),
                    expectation.ways[WAY_TO_HUB].likely_bps[LAYER_FILE], 1e-9,
                    "home");
    }
}

static void stations_alike_get_alike_and_together_more_than_one(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    struct capacity_demand demands[STATIONS];
    struct capacity_share shares[STATIONS];
    double before_bps = 0;

    (void) state;
    for (size_t i = 0; i < STATIONS; i++)
        demands[i] = (struct capacity_demand){ i + 1, 0, TRAFFIC_TCP, 0 };
    for (size_t active = 1; active <= STATIONS; active++) {
        double sum_bps = 0;
        double entitled_bps = 0;

        capacity_shares(&plan, &step, NULL, demands, active, shares);
        for (size_t i = 0; i < active; i++) {
            sum_bps += shares[i].likely_bps;
            entitled_bps += range_middle(shares[i].entitled_bps);
            assert_near(shares[i].likely_bps, shares[0].likely_bps, 1e-9,
                        "alike");
            assert_true(shares[i].entitled_bps.low <= shares[i].likely_bps);
            assert_true(shares[i].entitled_bps.high >= shares[i].likely_bps);
        }
        /* Idle turns are spread over more data. */
        assert_true(sum_bps > before_bps);
        assert_near(entitled_bps, sum_bps, 0.03, "the whole");
        before_bps = sum_bps;
    }
}

static void the_hubs_one_turn_is_not_fair_to_those_it_sends_to(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    const struct capacity_demand demands[] = {
        { 0, 1, TRAFFIC_TCP, 0 },
        { 0, 2, TRAFFIC_TCP, 0 },
        { 3, 0, TRAFFIC_TCP, 0 },
    };
    struct capacity_share shares[3];

    (void) state;
    capacity_shares(&plan, &step, NULL, demands, 3, shares);
    assert_near(shares[0].likely_bps, shares[1].likely_bps, 1e-9, "halves");
    assert_true(shares[2].likely_bps > 1.8 * shares[0].likely_bps);
    assert_near(range_middle(shares[2].entitled_bps),
                range_middle(shares[0].entitled_bps), 0.02, "entitled");
    assert_near(shares[0].airtime_ratio + shares[1].airtime_ratio
                    + shares[2].airtime_ratio,
                0.84, 0.05, "airtime without overheads");
}

/* Frames that the radios repeat take the air again: of all flows alike. */
static void repeated_frames_cost_their_share(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    const struct situation lossy = { .frame_loss_ratio = 0.05 };
    const struct capacity_demand demands[] = { { 1, 0, TRAFFIC_TCP, 0 },
                                               { 2, 0, TRAFFIC_TCP, 0 } };
    struct capacity_share clean[2], lost[2];

    (void) state;
    capacity_shares(&plan, &step, NULL, demands, 2, clean);
    capacity_shares(&plan, &step, &lossy, demands, 2, lost);
    for (size_t i = 0; i < 2; i++)
        assert_near(lost[i].likely_bps, 0.95 * clean[i].likely_bps, 1e-12,
                    "share");
}

/* 3000 B are two segments a round: 2 x (1448 x 8) bit in two waits of 14 ms,
 * two overheads and the bytes of both ways. */
static void a_small_window_binds_with_contention_too(void **state)
{
    struct plan plan = plan_with(ACCESS_CONTENTION, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    const struct situation open = { .has_framing = SAID_NO };
    const struct situation small = { .has_framing = SAID_NO,
                                     .window_bytes = 3000 };
    struct expectation expectation;

    (void) state;
    plan.end_count = 2;
    capacity_expect_when(&plan, &step, &open, &expectation);
    const double open_bps = expectation.ways[0].likely_bps[LAYER_TCP];

    capacity_expect_when(&plan, &step, &small, &expectation);
    const double held_bps = expectation.ways[0].likely_bps[LAYER_TCP];
    const double round_s = 2 * 0.014 + 2 * 0.012 + 8 * 3000 * 1.05 / 240e3;

    assert_true(held_bps < open_bps);
    assert_int_equal(expectation.ways[0].binds, TERM_WINDOW);
    /* The acknowledgements' few bytes on top. */
    assert_near(held_bps, 2 * 1448 * 8 / round_s, 0.05, "held");
    assert_true(held_bps < 2 * 1448 * 8 / round_s);
}

static void who_wants_little_gets_it(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    const struct capacity_demand demands[] = {
        { 1, 0, TRAFFIC_TCP, 3000 },
        { 2, 0, TRAFFIC_TCP, 0 },
    };
    struct capacity_share shares[2];

    (void) state;
    capacity_shares(&plan, &step, NULL, demands, 2, shares);
    assert_near(shares[0].likely_bps, 3000, 0.01, "wanted");
    assert_near(range_middle(shares[0].entitled_bps), 3000, 0.03, "entitled");
    assert_true(shares[1].likely_bps > 25000);
    assert_true(shares[1].likely_bps < alone_bps(&plan, &step, 2, 0));
}

static void both_ways_of_full_duplex_do_not_share(void **state)
{
    struct plan plan = plan_with(ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    const struct capacity_demand demands[] = { { 0, 1, TRAFFIC_TCP, 0 },
                                               { 1, 0, TRAFFIC_TCP, 0 } };
    struct capacity_share shares[2];

    (void) state;
    plan.end_count = 2;
    capacity_shares(&plan, &step, NULL, demands, 2, shares);
    /* All but the acknowledgements of the other way. */
    const double alone = alone_bps(&plan, &step, 0, 1);

    assert_near(shares[0].likely_bps, alone, 0.05, "out");
    assert_true(shares[0].likely_bps < 0.99 * alone);
    assert_near(shares[0].likely_bps, shares[1].likely_bps, 1e-6, "alike");
}

/*
 * Two stations send to the hub and get from it, by fixed slots that carry 1689
 * bytes each, every 2 s.  The hub's slot has two flows, so a window takes as
 * long as two of its size to pass the hub's queue; a station's acknowledgements
 * come through that queue.  So all four flows get the same, although each
 * station's slot has room for twice as much: x bytes a cycle, of which
 *   2 x + 2 (x / 1500) 52 = 1689,  x = 816.2
 */
static void acknowledgements_wait_behind_the_other_way_s_data(void **state)
{
    static const struct capacity_demand demands[] = {
        { .from = 0, .to = 1, .traffic = TRAFFIC_TCP },
        { .from = 0, .to = 2, .traffic = TRAFFIC_TCP },
        { .from = 1, .to = 0, .traffic = TRAFFIC_TCP },
        { .from = 2, .to = 0, .traffic = TRAFFIC_TCP },
    };
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_FIXED);
    const struct plan_step step = step_of(80e3);
    struct situation situation = { .window_bytes = 60000,
                                   .has_framing = SAID_NO };
    struct capacity_share shares[4];
    struct capacity_share open[4];

    (void) state;
    capacity_shares(&plan, &step, &situation, demands, 4, shares);
    for (size_t i = 0; i < 4; i++)
        assert_near(shares[i].likely_bps, 816.2 * 8 / 2 * 1448 / 1500, 1e-3,
                    "of a window of one size");
    situation.window_bytes = 0;
    capacity_shares(&plan, &step, &situation, demands, 4, open);
    for (size_t i = 0; i < 2; i++) {
        assert_near(open[i].likely_bps / shares[i].likely_bps, 1, 0.05, "hub");
        assert_near(open[2 + i].likely_bps / shares[i].likely_bps, 2, 0.05,
                    "a station whose window may grow");
    }
}

/*
 * Both ways full at 240 kbit/s: turns of 250 ms, so that between its turns a
 * receiver hears nothing for longer than its retransmission timer: 36 ms of a
 * handshake and 200 ms.  So it acknowledges each of a turn's 11 segments of
 * 576 bytes, not every second: of the slot's 6792 bytes x are data,
 *   x + x / 576 x 52 = 6792,  x = 6229.6
 */
static void after_a_long_pause_every_segment_is_acknowledged(void **state)
{
    static const struct capacity_demand demands[] = {
        { .from = 0, .to = 1, .traffic = TRAFFIC_TCP },
        { .from = 1, .to = 0, .traffic = TRAFFIC_TCP },
    };
    struct plan plan = plan_with(ACCESS_ALTERNATING, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    struct situation situation = { .mtu_bytes = 576, .has_framing = SAID_NO };
    struct capacity_share shares[2];

    (void) state;
    plan.end_count = 2;
    capacity_shares(&plan, &step, &situation, demands, 2, shares);
    for (size_t i = 0; i < 2; i++)
        assert_near(shares[i].likely_bps, 6229.6 * 8 / 0.5 * 524 / 576, 1e-3,
                    "acknowledged one by one");
    /* Where the turns are short it is every second. */
    plan.link.slot_limit_ns = exactly(100e6);
    capacity_shares(&plan, &step, &situation, demands, 2, shares);
    const double derived_bps = shares[0].likely_bps;

    situation.segments_per_ack = 1;
    capacity_shares(&plan, &step, &situation, demands, 2, shares);
    assert_true(derived_bps > 1.02 * shares[0].likely_bps);
}

static void a_small_window_binds_and_says_so(void **state)
{
    struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    struct situation situation = { .window_bytes = 3000 };
    struct expectation small;
    struct expectation open;

    (void) state;
    plan.end_count = 2;
    capacity_expect_when(&plan, &step, &situation, &small);
    capacity_expect_of(&plan, &step, &open);
    const struct carried *carried = &small.ways[WAY_TO_STATION];

    assert_int_equal(carried->binds, TERM_WINDOW);
    assert_int_equal(open.ways[WAY_TO_STATION].binds, TERM_AIR);
    assert_string_equal(capacity_terms[carried->binds], "window");
    /* By hand: two segments (3000 bytes, 13 frames) are 105.2 ms, one
     * acknowledgement (52 + 12 bytes) 2.1 ms, the two turns 24 ms. */
    assert_near(carried->likely_bps[LAYER_TCP], 2 * 1448 * 8 / 0.1313, 0.02,
                "two segments a cycle");
    /* The plan may say so of every moment. */
    plan.link.window_bytes = 3000;
    struct expectation planned;

    capacity_expect_of(&plan, &step, &planned);
    assert_near(planned.ways[0].likely_bps[LAYER_TCP],
                carried->likely_bps[LAYER_TCP], 1e-12, "from the plan");
}

static void losses_that_tcp_sees_give_a_wide_range_with_the_reason(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    const struct situation situation = { .loss_ratio = { 0.05, 0.05 } };
    struct expectation lossy;
    struct expectation clean;

    (void) state;
    capacity_expect_when(&plan, &step, &situation, &lossy);
    capacity_expect_of(&plan, &step, &clean);
    assert_true(lossy.goodput_bps.high / lossy.goodput_bps.low > 4);
    assert_true(lossy.goodput_bps.high <= clean.goodput_bps.high);
    assert_non_null(strstr(lossy.why, "losses"));
    assert_true(lossy.ip_bps.low == clean.ip_bps.low);
}

/* A plan may say what a link is known to lose; a moment may be worse. */
static void a_plan_may_say_what_the_link_loses(void **state)
{
    struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(320e3);
    const struct situation of_moment = { .loss_ratio = { 0.01, 0.03 } };
    const struct capacity_demand demand = { 0, 1, TRAFFIC_TCP, 0 };
    struct expectation clean, said, told;
    struct capacity_share share;

    (void) state;
    capacity_expect_of(&plan, &step, &clean);
    capacity_expect_when(&plan, &step, &of_moment, &told);
    plan.link.loss_ratio = (struct range){ 0.01, 0.03 };
    capacity_expect_of(&plan, &step, &said);
    assert_true(said.goodput_bps.low == told.goodput_bps.low);
    assert_true(said.goodput_bps.high == told.goodput_bps.high);
    assert_true(said.goodput_bps.low < clean.goodput_bps.low / 2);
    assert_int_equal(said.ways[WAY_TO_STATION].binds, TERM_LOSS);
    assert_non_null(strstr(said.why, "RFC 5348"));
    capacity_shares(&plan, &step, NULL, &demand, 1, &share);
    assert_near(share.likely_bps,
                said.ways[WAY_TO_STATION].likely_bps[LAYER_FILE], 1e-12,
                "its share");
}

static void a_round_trip_counts_the_turns_between(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    struct round_trip near;
    struct round_trip far;

    (void) state;
    /* 84 bytes and a frame's overhead are 12.8 ms at 60 kbit/s; idle turns
     * are 12 ms, and there are eight. */
    capacity_round_trip(&plan, &step, NULL, 0, 1, &near);
    capacity_round_trip(&plan, &step, NULL, 0, 7, &far);
    assert_near(near.likely_least_ns, 12e6 + 2 * 12.8e6, 1e-9, "next turn");
    assert_near(far.likely_least_ns, 7 * 12e6 + 2 * 12.8e6, 1e-9, "last turn");
    assert_near(near.spread_ns.high, 8 * 12e6, 1e-9, "one cycle");
    assert_near(near.likely_mean_ns, near.likely_least_ns + 4 * 12e6, 1e-9,
                "its middle");
    /* The way back from there is one turn. */
    capacity_round_trip(&plan, &step, NULL, 7, 0, &far);
    assert_near(far.likely_least_ns, near.likely_least_ns, 1e-9, "home");
}

static void segments_far_apart_are_acknowledged_one_by_one(void **state)
{
    struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step slow = step_of(20e3);
    const struct plan_step fast = step_of(2e6);
    struct expectation expectation;

    (void) state;
    plan.end_count = 2;
    capacity_expect_of(&plan, &slow, &expectation);
    assert_near(expectation.acks.spacing_ns, 1575 * 8 / 15e3 * 1e9, 1e-9,
                "spacing");
    assert_near(expectation.acks.likely_segments, 1, 1e-12, "slow");
    assert_near(expectation.acks.segments.high, 1, 1e-12, "over 500 ms");
    capacity_expect_of(&plan, &fast, &expectation);
    assert_near(expectation.acks.likely_segments, 2, 1e-12, "fast");
    assert_near(expectation.acks.timer_ns.low, 40e6, 1e-12, "timer");
}

static void a_reference_run_takes_the_place_of_arithmetic(void **state)
{
    const struct plan plan = plan_with(ACCESS_SCHEDULED, SLOTS_ADAPTIVE);
    const struct plan_step step = step_of(80e3);
    struct expectation expectation;
    const struct plan_reference reference = {
        .run = 3,
        .asked_run = 3,
        .to_station_bps = { 30e3, 32e3 },
        .to_hub_bps = { 28e3, 29e3 },
        .least_rtt_ns = range_unsaid(),
        .median_rtt_ns = { 80e6, 90e6 },
    };

    (void) state;
    capacity_expect_of(&plan, &step, &expectation);
    const struct range least_ns = expectation.least_rtt_ns;

    capacity_take_reference(&expectation, &reference, 0.1);
    assert_string_equal(expectation.source, "reference run 3");
    assert_true(expectation.goodput_bps.low == 28e3);
    assert_true(fabs(expectation.goodput_bps.high - 32e3 * 1.1) < 1e-6);
    assert_true(expectation.ways[WAY_TO_HUB].likely_bps[LAYER_FILE] == 28.5e3);
    assert_true(expectation.mean_rtt_ns.low == 80e6);
    assert_true(expectation.least_rtt_ns.low == least_ns.low);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_layer_carries_less_than_the_one_below),
        cmocka_unit_test(a_range_holds_its_likely_value),
        cmocka_unit_test(one_alone_has_what_the_step_carries),
        cmocka_unit_test(stations_alike_get_alike_and_together_more_than_one),
        cmocka_unit_test(the_hubs_one_turn_is_not_fair_to_those_it_sends_to),
        cmocka_unit_test(repeated_frames_cost_their_share),
        cmocka_unit_test(a_small_window_binds_with_contention_too),
        cmocka_unit_test(who_wants_little_gets_it),
        cmocka_unit_test(both_ways_of_full_duplex_do_not_share),
        cmocka_unit_test(acknowledgements_wait_behind_the_other_way_s_data),
        cmocka_unit_test(after_a_long_pause_every_segment_is_acknowledged),
        cmocka_unit_test(a_small_window_binds_and_says_so),
        cmocka_unit_test(
            losses_that_tcp_sees_give_a_wide_range_with_the_reason),
        cmocka_unit_test(a_plan_may_say_what_the_link_loses),
        cmocka_unit_test(a_round_trip_counts_the_turns_between),
        cmocka_unit_test(segments_far_apart_are_acknowledged_one_by_one),
        cmocka_unit_test(a_reference_run_takes_the_place_of_arithmetic),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
