/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "controller/rehearsal/driver_virtual.h"
#include "tests/support/seen_air.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

enum {
    HUB,
    STATION
};

static struct air_config channel(void)
{
    return (struct air_config){
        .end_count = 2,
        .step_bps = { 60000, 120000 },
        .step_count = 2,
        .slot_overhead_ns = 12 * NS_PER_MS,
        .slot_least_ns = AIR_NEVER,
        .slot_limit_ns = 150 * NS_PER_MS,
        .frame_payload_bytes = 240,
        .frame_overhead_bytes = 12,
        .queue_bytes = 16000,
    };
}

static struct virtual_source backlog(size_t from, size_t to, uint64_t bytes)
{
    return (struct virtual_source){ .from = from,
                                    .to = to,
                                    .packet_bytes = bytes,
                                    .end_ns = AIR_NEVER,
                                    .backlog_count = 16000 / bytes };
}

/*
 * The slots of the cases below, worked by hand.  At 60 kbit/s, 150 ms less
 * 12 ms of overhead hold 8280 bits = 1035 B: four whole frames of 252 B (960 B
 * of IP) and one of 27 B (15 B of IP): 975 B of IP.  They take 1035 x 8 / 60000
 * = 138 ms.  The idle end costs 12 ms: a cycle of 162 ms.
 */
static const struct {
    uint64_t rate_bps, overhead_ms, limit_ms, payload, frame_overhead;
    uint64_t packet_bytes;
    bool both_ways;
    double slot_ip_bytes, cycle_s; /* by hand */
} slots[] = {
    { 60000, 12, 150, 240, 12, 1500, false, 975, 0.162 },
    { 60000, 12, 150, 240, 12, 1500, true, 975, 0.300 },
    { 60000, 12, 150, 240, 12, 84, false, 975, 0.162 },
    { 60000, 12, 150, 240, 12, 84, true, 975, 0.300 },
    /* 16 560 bits = 2070 B = 8 x 252 + 54: 1920 + 42 B */
    { 120000, 12, 150, 240, 12, 1500, false, 1962, 0.162 },
    { 120000, 12, 150, 240, 12, 576, true, 1962, 0.300 },
    /* 14 280 bits = 1785 B = 7 x 252 + 21: 1680 + 9 B */
    { 60000, 12, 250, 240, 12, 1500, false, 1689, 0.262 },
    /* 4500 bits = 562 B = 2 x 250 + 62: 488 + 56 B; 562 B take 74.93 ms */
    { 60000, 25, 100, 244, 6, 700, false, 544, 0.025 + 0.074933333 + 0.025 },
    /* 30 ms hold 180 B, a last frame of 4 B or less carries nothing */
    { 48000, 10, 40, 84, 4, 100, false, 168 + 0, 0.010 + 0.0293333333 + 0.010 },
    /* one transmission is one frame: 1035 - 12 B */
    { 60000, 12, 150, 0, 12, 1500, false, 1023, 0.162 },
    /* no overhead at all: nothing but the bits */
    { 64000, 0, 100, 100, 0, 400, true, 800, 0.200 },
};

static void each_direction_carries_the_bytes_of_its_slots(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(slots); i++) {
        struct virtual_source sources[] = {
            backlog(HUB, STATION, slots[i].packet_bytes),
            backlog(STATION, HUB, slots[i].packet_bytes),
        };
        struct virtual_run run = {
            .config = channel(),
            .duration_ns = (uint64_t) (1000 * slots[i].cycle_s * 1e9),
            .sources = sources,
            .source_count = slots[i].both_ways ? 2 : 1,
        };
        run.config.step_bps[0] = slots[i].rate_bps;
        run.config.slot_overhead_ns = slots[i].overhead_ms * NS_PER_MS;
        run.config.slot_limit_ns = slots[i].limit_ms * NS_PER_MS;
        run.config.frame_payload_bytes = slots[i].payload;
        run.config.frame_overhead_bytes = slots[i].frame_overhead;
        virtual_run(&run);
        for (size_t s = 0; s < run.source_count; s++) {
            const double expected = 1000 * slots[i].slot_ip_bytes;
            const double carried = (double) sources[s].delivered_bytes;

            if (fabs(carried / expected - 1) > 0.002)
                fail_msg("case %zu, source %zu: %.0f B carried, %.0f expected",
                         i, s, carried, expected);
        }
    }
}

static void every_packet_has_exactly_one_fate(void **state)
{
    struct virtual_source sources[] = {
        { .from = HUB,
          .to = STATION,
          .packet_bytes = 1500,
          .gap_ns = 90 * NS_PER_MS, /* more than the channel carries */
          .end_ns = 590 * NS_PER_S },
        { .from = STATION,
          .to = HUB,
          .packet_bytes = 52,
          .gap_ns = 37 * NS_PER_MS,
          .end_ns = AIR_NEVER },
    };
    const struct virtual_step_change changes[] = {
        { 100 * NS_PER_S, STATION, 1 },
        { 101 * NS_PER_S, HUB, 1 },
        { 300 * NS_PER_S, HUB, 0 },
        { 320 * NS_PER_S, STATION, 0 },
    };
    struct virtual_run run = { .config = channel(),
                               .duration_ns = 600 * NS_PER_S,
                               .sources = sources,
                               .source_count = 2,
                               .changes = changes,
                               .change_count = 4 };

    (void) state;
    run.config.propagation_ns = 47 * NS_PER_US;
    virtual_run(&run);
    for (size_t s = 0; s < 2; s++) {
        uint64_t fates_count = 0;

        for (size_t i = 0; i < FATE_COUNT; i++)
            fates_count += sources[s].fates_count[i];
        assert_int_equal(fates_count, sources[s].offered_count);
        assert_true(sources[s].fates_count[FATE_STEP_DIFFERS] > 0);
    }
    assert_true(sources[0].fates_count[FATE_QUEUE_FULL] > 0);
    assert_true(sources[1].fates_count[FATE_UNFINISHED] <= 10);
}

static void a_queue_takes_no_more_than_its_bytes(void **state)
{
    /* 20 packets at once into a queue of 10 000 B: six of 1500 B fit. */
    struct virtual_source sources[] = { { .from = STATION,
                                          .to = HUB,
                                          .packet_bytes = 1500,
                                          .gap_ns = 1,
                                          .end_ns = 20 } };
    struct virtual_run run = { .config = channel(),
                               .duration_ns = 10 * NS_PER_S,
                               .sources = sources,
                               .source_count = 1 };

    (void) state;
    run.config.queue_bytes = 10000;
    virtual_run(&run);
    assert_int_equal(sources[0].offered_count, 20);
    assert_int_equal(sources[0].fates_count[FATE_DELIVERED], 6);
    assert_int_equal(sources[0].fates_count[FATE_QUEUE_FULL], 14);
}

static void frames_sent_on_another_step_are_not_heard(void **state)
{
    struct virtual_source sources[] = { backlog(HUB, STATION, 500) };
    const struct virtual_step_change changes[] = { { 0, STATION, 1 } };
    struct virtual_run run = { .config = channel(),
                               .duration_ns = 60 * NS_PER_S,
                               .sources = sources,
                               .source_count = 1,
                               .changes = changes,
                               .change_count = 1 };

    (void) state;
    virtual_run(&run);
    /* The first turn began before the step was set. */
    assert_true(sources[0].fates_count[FATE_DELIVERED] <= 1);
    assert_true(sources[0].fates_count[FATE_STEP_DIFFERS] > 200);
}

static void an_idle_channel_cycles_once_in_an_overhead_each(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel();

    (void) state;
    config.end_count = 4;
    struct air *air = seen_air_new(&config, &seen);

    /* Turns of 12 ms: at 1000 ms number 83 is under way, station 3's. */
    air_advance(air, 1000 * NS_PER_MS);
    assert_true(air_next_ns(air) == AIR_NEVER);
    air_enqueue(air, 1001 * NS_PER_MS, 3, 0, 100, NULL);
    assert_int_equal(air_next_ns(air), 1008 * NS_PER_MS);
    air_advance(air, 2000 * NS_PER_MS);
    assert_int_equal(seen.idle_count, 1);
    assert_int_equal(seen.idle[0].turns_count, 83);
    assert_int_equal(seen.idle[0].first_from, 0);
    assert_int_equal(seen.idle[0].ended_ns, 996 * NS_PER_MS);
    assert_int_equal(seen.sent[0].from, 3);
    assert_int_equal(seen.sent[0].scheduled_ns, 996 * NS_PER_MS);
    air_free(air);
}

static void a_packet_is_delivered_when_its_last_frame_has_arrived(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel();

    (void) state;
    config.propagation_ns = 100 * NS_PER_US;
    struct air *air = seen_air_new(&config, &seen);

    /* 300 B: frames of 252 and 72 B after 12 ms: 33.6 ms and 9.6 ms. */
    air_enqueue(air, 5 * NS_PER_MS, HUB, STATION, 300, &seen);
    assert_int_equal(air_next_ns(air), 12 * NS_PER_MS);
    air_advance(air, 12 * NS_PER_MS);
    assert_int_equal(air_next_ns(air), 45600 * NS_PER_US);
    air_advance(air, 45600 * NS_PER_US);
    assert_int_equal(air_next_ns(air), 55200 * NS_PER_US);
    air_advance(air, 55200 * NS_PER_US);
    assert_int_equal(seen.packet_count, 0);
    assert_int_equal(air_next_ns(air), 55300 * NS_PER_US);
    air_advance(air, 55300 * NS_PER_US);
    assert_int_equal(seen.packet_count, 1);
    assert_int_equal(seen.fates[0], FATE_DELIVERED);
    assert_ptr_equal(seen.packets[0].handle, &seen);
    assert_int_equal(seen.packets[0].first_bit_ns, 12 * NS_PER_MS);
    assert_int_equal(seen.packets[0].over_ns, 55300 * NS_PER_US);
    assert_int_equal(seen.sent[0].frames_count, 2);
    assert_int_equal(seen.sent[0].ip_bytes, 300);
    air_free(air);
}

static void a_late_caller_does_not_shift_the_edges(void **state)
{
    struct seen punctual = { 0 }, late = { 0 };
    const struct air_config config = channel();
    struct air *airs[] = { seen_air_new(&config, &punctual),
                           seen_air_new(&config, &late) };

    (void) state;
    for (size_t i = 0; i < 2; i++) {
        for (int count = 0; count < 3; count++)
            air_enqueue(airs[i], NS_PER_MS, HUB, STATION, 1000, NULL);
    }
    for (uint64_t at_ns = air_next_ns(airs[0]); at_ns != AIR_NEVER;
         at_ns = air_next_ns(airs[0]))
        air_advance(airs[0], at_ns);
    air_advance(airs[1], 900 * NS_PER_MS);
    assert_int_equal(punctual.packet_count, 3);
    assert_int_equal(late.packet_count, 3);
    for (size_t i = 0; i < 3; i++)
        assert_int_equal(punctual.packets[i].over_ns, late.packets[i].over_ns);
    assert_int_equal(late.sent[0].scheduled_ns, 0);
    assert_int_equal(late.sent[0].actual_ns, 888 * NS_PER_MS);
    assert_int_equal(punctual.sent[0].actual_ns, 0);
    air_free(airs[0]);
    air_free(airs[1]);
}

static void a_step_changes_between_turns_and_not_within_one(void **state)
{
    struct seen seen = { 0 };
    const struct air_config config = channel();
    struct air *air = seen_air_new(&config, &seen);

    (void) state;
    air_enqueue(air, 0, HUB, STATION, 240, NULL);
    air_advance(air, 20 * NS_PER_MS); /* its frame is on the air */
    air_set_step(air, 20 * NS_PER_MS, HUB, 1);
    air_set_step(air, 20 * NS_PER_MS, STATION, 1);
    air_advance(air, 100 * NS_PER_MS);
    air_enqueue(air, 100 * NS_PER_MS, HUB, STATION, 240, NULL);
    air_advance(air, 300 * NS_PER_MS);
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.fates[0], FATE_DELIVERED);
    assert_int_equal(seen.fates[1], FATE_DELIVERED);
    assert_int_equal(seen.sent[0].step, 0);
    assert_int_equal(seen.sent[1].step, 1);
    /* 252 B at 60 and at 120 kbit/s */
    assert_int_equal(seen.packets[0].over_ns - seen.packets[0].first_bit_ns,
                     33600 * NS_PER_US);
    assert_int_equal(seen.packets[1].over_ns - seen.packets[1].first_bit_ns,
                     16800 * NS_PER_US);
    air_free(air);
}

static void a_small_packet_waits_at_most_a_cycle(void **state)
{
    /* Alone on the channel: 20 B frames take 2.67 ms at 60 kbit/s; the wait is
     * from 0 to the idle cycle of 24 ms. */
    struct virtual_source sources[] = { { .from = STATION,
                                          .to = HUB,
                                          .packet_bytes = 28,
                                          .gap_ns = 997001009,
                                          .end_ns = AIR_NEVER } };
    struct virtual_run run = { .config = channel(),
                               .duration_ns = 3600 * NS_PER_S,
                               .sources = sources,
                               .source_count = 1 };
    const uint64_t air_ns = 5333333; /* 40 B */

    (void) state;
    virtual_run(&run);
    assert_in_range(sources[0].delay_least_ns, air_ns, air_ns + NS_PER_MS / 10);
    assert_in_range(sources[0].delay_most_ns,
                    air_ns + 24 * NS_PER_MS - NS_PER_MS / 10,
                    air_ns + 24 * NS_PER_MS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_direction_carries_the_bytes_of_its_slots),
        cmocka_unit_test(every_packet_has_exactly_one_fate),
        cmocka_unit_test(a_queue_takes_no_more_than_its_bytes),
        cmocka_unit_test(frames_sent_on_another_step_are_not_heard),
        cmocka_unit_test(an_idle_channel_cycles_once_in_an_overhead_each),
        cmocka_unit_test(a_packet_is_delivered_when_its_last_frame_has_arrived),
        cmocka_unit_test(a_late_caller_does_not_shift_the_edges),
        cmocka_unit_test(a_step_changes_between_turns_and_not_within_one),
        cmocka_unit_test(a_small_packet_waits_at_most_a_cycle),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
