/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Each kind of access carries what its slots, worked by hand, hold. */
#include "controller/rehearsal/driver_virtual.h"
#include "tests/support/seen_air.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define CYCLES_COUNT 600

static struct air_config channel(size_t stations_count)
{
    return (struct air_config){
        .end_count = 1 + stations_count,
        .step_bps = { 60000, 120000, 480000 },
        .step_count = 3,
        .slot_overhead_ns = 12 * NS_PER_MS,
        .slot_least_ns = AIR_NEVER,
        .slot_limit_ns = 150 * NS_PER_MS,
        .frame_payload_bytes = 240,
        .frame_overhead_bytes = 12,
        .queue_bytes = 48000,
        .contention_slot_ns = 10 * NS_PER_MS,
        .contention_window_count = 8,
        .contention_window_most_count = 64,
        .carrier_sense = true,
        .seed = 1,
    };
}

/*
 * A full slot by step, by hand: 150 ms less 12 ms of overhead.
 *   60 kbit/s   1035 B: four frames of 252 B and one of 27: 960 + 15 B of IP
 *   120 kbit/s  2070 B: eight of 252 B and one of 54: 1920 + 42 B
 *   480 kbit/s  8280 B: 32 of 252 B and one of 216: 7680 + 204 B
 * Each fills its 138 ms to the last byte.
 */
static const double slot_ip_bytes[] = { 975, 1962, 7884 };
#define FULL  0.150
#define LEAST 0.012

enum {
    DOWN = 1, /* the hub has a backlog for every active station */
    UP = 2,   /* every active station has one for the hub */
    BOTH = 3
};

/* The first `active` of the stations have traffic.  A cycle of so many
 * seconds holds one full slot of everyone that sends. */
static const struct {
    int access, slots;
    uint64_t least_ms, further; /* 0: the overhead */
    size_t stations, active;
    int ways;
    size_t step;
    uint64_t packet_bytes;
    double cycle_s;
} cases[] = {
    /* clang-format off */
    /* scheduled, adaptive: full slots of those that send, 12 ms of the rest */
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 2, 1, UP, 0, 1500, FULL + 2 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 2, 2, UP, 0, 1500, 2 * FULL + LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 2, 2, BOTH, 0, 576, 3 * FULL },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 2, 1, BOTH, 1, 84, 2 * FULL + LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 7, 1, UP, 0, 1500, FULL + 7 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 7, 1, DOWN, 1, 296, FULL + 7 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 7, 3, UP, 1, 576, 3 * FULL + 5 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 7, 7, UP, 2, 1500, 7 * FULL + LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 7, 7, BOTH, 2, 1280, 8 * FULL },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 32, 1, UP, 2, 1500, FULL + 32 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 32, 32, UP, 1, 1500, 32 * FULL + LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 0, 32, 32, BOTH, 0, 576, 33 * FULL },
    /* a least slot of its own, shorter and longer than the overhead */
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 5, 0, 1, 1, DOWN, 0, 1500, FULL + 0.005 },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 40, 0, 1, 1, DOWN, 0, 1500, FULL + 0.040 },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 5, 0, 7, 2, UP, 1, 576, 2 * FULL + 6 * 0.005 },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 40, 0, 7, 2, UP, 1, 576, 2 * FULL + 6 * 0.040 },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 40, 0, 7, 7, BOTH, 0, 84, 8 * FULL },
    /* further stations are registered, and have nothing to send */
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 5, 1, 1, DOWN, 0, 1500, FULL + 6 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 0, 31, 1, 1, UP, 2, 1500, FULL + 32 * LEAST },
    { ACCESS_SCHEDULED, SLOTS_ADAPTIVE, 20, 3, 2, 2, BOTH, 1, 576, 3 * FULL + 3 * 0.020 },
    /* fixed: everyone's turn lasts 150 ms, whatever is sent in it */
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 1, 1, DOWN, 0, 1500, 2 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 1, 1, BOTH, 1, 576, 2 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 2, 1, UP, 0, 1500, 3 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 7, 1, UP, 2, 1500, 8 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 7, 7, BOTH, 0, 296, 8 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 4, 3, 2, BOTH, 1, 576, 8 * FULL },
    { ACCESS_SCHEDULED, SLOTS_FIXED, 0, 0, 32, 16, UP, 1, 1280, 33 * FULL },
    /* alternating: the other end gives its turn back after the least slot */
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 0, 0, 1, 1, DOWN, 0, 1500, FULL + LEAST },
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 0, 0, 1, 1, UP, 1, 576, FULL + LEAST },
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 0, 0, 1, 1, BOTH, 2, 1500, 2 * FULL },
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 30, 0, 1, 1, UP, 2, 84, FULL + 0.030 },
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 3, 0, 1, 1, DOWN, 1, 1500, FULL + 0.003 },
    /* full-duplex: the hub has a channel to itself, a single station too */
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 1, 1, DOWN, 0, 1500, FULL },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 1, 1, UP, 1, 1500, FULL },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 1, 1, BOTH, 2, 576, FULL },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 7, 7, DOWN, 1, 1500, FULL },
    /* several stations share theirs by turns */
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 7, 1, UP, 0, 1500, FULL + 6 * LEAST },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 7, 7, UP, 1, 576, 7 * FULL },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 20, 0, 7, 2, UP, 2, 1500, 2 * FULL + 5 * 0.020 },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 3, 1, 1, UP, 1, 1280, FULL + 3 * LEAST },
    { ACCESS_FULL_DUPLEX, SLOTS_FIXED, 0, 0, 4, 1, UP, 1, 1280, 4 * FULL },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, 0, 0, 32, 32, UP, 2, 1500, 32 * FULL },
    /* contention of one alone: from 0 to 7 slots of 10 ms, in the mean 35 ms */
    { ACCESS_CONTENTION, SLOTS_ADAPTIVE, 0, 0, 1, 1, DOWN, 0, 1500, FULL + 0.035 },
    { ACCESS_CONTENTION, SLOTS_ADAPTIVE, 0, 0, 5, 1, UP, 2, 576, FULL + 0.035 },
    /* clang-format on */
};

static struct virtual_source backlog(size_t from, size_t to, uint64_t bytes)
{
    return (struct virtual_source){ .from = from,
                                    .to = to,
                                    .packet_bytes = bytes,
                                    .end_ns = AIR_NEVER,
                                    .backlog_count = 32000 / bytes };
}

/* Of everyone that sends. */
static double expected_bytes(size_t i)
{
    return (double) CYCLES_COUNT * slot_ip_bytes[cases[i].step];
}

/* The draws of the back-off leave some chance. */
static double tolerance(size_t i)
{
    /* 10 ms x sqrt((8^2 - 1) / 12) a cycle: the mean of N is within four
     * standard errors of 4 x 22.9 / sqrt(N) ms. */
    return cases[i].access == ACCESS_CONTENTION
               ? 4 * 0.0229 / sqrt(CYCLES_COUNT) / cases[i].cycle_s
               : 0.002;
}

static void check_direction(size_t i, const char *who, double carried,
                            double expected)
{
    if (fabs(carried / expected - 1) > tolerance(i))
        fail_msg("case %zu, %s: %.0f B carried, %.0f expected", i, who, carried,
                 expected);
}

static void run_case(size_t i)
{
    struct virtual_source sources[2 * PLAN_ENDS_MAX];
    size_t count = 0;
    struct virtual_run run = {
        .config = channel(cases[i].stations),
        .duration_ns = (uint64_t) (CYCLES_COUNT * cases[i].cycle_s * 1e9),
        .sources = sources,
    };
    double down = 0;

    run.config.access = cases[i].access;
    run.config.slots = cases[i].slots;
    run.config.further_stations_count = cases[i].further;
    run.config.step_bps[0] = run.config.step_bps[cases[i].step];
    if (cases[i].least_ms)
        run.config.slot_least_ns = cases[i].least_ms * NS_PER_MS;
    run.config.queue_bytes = UINT64_C(32000) * PLAN_ENDS_MAX;
    for (size_t s = 1; s <= cases[i].active; s++) {
        if (cases[i].ways & DOWN)
            sources[count++] = backlog(0, s, cases[i].packet_bytes);
        if (cases[i].ways & UP)
            sources[count++] = backlog(s, 0, cases[i].packet_bytes);
    }
    run.source_count = count;
    virtual_run(&run);
    for (size_t s = 0; s < count; s++) {
        if (sources[s].from == 0)
            down += (double) sources[s].delivered_bytes;
        else
            check_direction(i, "a station", (double) sources[s].delivered_bytes,
                            expected_bytes(i));
    }
    if (cases[i].ways & DOWN)
        check_direction(i, "the hub", down, expected_bytes(i));
}

static void every_access_carries_the_bytes_of_its_slots(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++)
        run_case(i);
}

/* --- what happens in one turn --------------------------------------------- */

static uint64_t ms(double value)
{
    return (uint64_t) (value * 1e6);
}

static void a_resting_channel_is_taken_at_once(void **state)
{
    static const int accesses[] = { ACCESS_ALTERNATING, ACCESS_FULL_DUPLEX };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(accesses); i++) {
        struct seen seen = { 0 };
        struct air_config config = channel(1);

        config.access = accesses[i];
        struct air *air = seen_air_new(&config, &seen);

        air_advance(air, ms(1000));
        assert_true(air_next_ns(air) == AIR_NEVER);
        air_enqueue(air, ms(1003.7), 1, 0, 240, NULL);
        air_advance(air, ms(2000));
        assert_int_equal(seen.packet_count, 1);
        /* 12 ms and 252 B at 60 kbit/s */
        assert_int_equal(seen.packets[0].over_ns, ms(1003.7 + 12 + 33.6));
        air_free(air);
    }
}

static void after_a_transmission_it_is_the_other_ends_turn(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);

    (void) state;
    config.access = ACCESS_ALTERNATING;
    struct air *air = seen_air_new(&config, &seen);

    /* More than a slot of the hub's; the station's comes while it sends. */
    air_enqueue(air, ms(1), 0, 1, 1500, NULL);
    air_enqueue(air, ms(20), 1, 0, 240, NULL);
    air_advance(air, ms(1000));
    assert_int_equal(seen.sent_count, 3);
    assert_int_equal(seen.sent[0].from, 0);
    assert_int_equal(seen.sent[1].from, 1);
    assert_int_equal(seen.sent[1].scheduled_ns, ms(151));
    assert_int_equal(seen.sent[2].from, 0);
    assert_int_equal(seen.sent[2].scheduled_ns, ms(151 + 12 + 33.6));
    air_free(air);
}

static void what_comes_too_late_for_a_least_slot_waits_a_cycle(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);

    (void) state;
    config.slot_least_ns = 5 * NS_PER_MS; /* a cycle of 10 ms when idle */
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, ms(4.9), 0, 1, 240, NULL);
    air_advance(air, ms(500));
    /* The hub looked at 5 ms: frames from 12 ms on. */
    assert_int_equal(seen.packets[0].first_bit_ns, ms(12));
    air_free(air);
    memset(&seen, 0, sizeof(seen));
    air = seen_air_new(&config, &seen);
    air_enqueue(air, ms(5.1), 0, 1, 240, NULL);
    air_advance(air, ms(500));
    assert_int_equal(seen.packets[0].first_bit_ns, ms(10 + 12));
    air_free(air);
}

static void full_duplex_channels_do_not_wait_for_each_other(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);

    (void) state;
    config.access = ACCESS_FULL_DUPLEX;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, ms(1), 0, 1, 240, NULL);
    air_enqueue(air, ms(1), 1, 0, 240, NULL);
    air_advance(air, ms(100));
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.packets[0].over_ns, ms(1 + 12 + 33.6));
    assert_int_equal(seen.packets[1].over_ns, ms(1 + 12 + 33.6));
    air_free(air);
}

/* --- repeats -------------------------------------------------------------- */

static void a_lost_frame_is_repeated_before_new_data(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);
    const struct faults_config out = { .is_out = true };

    (void) state;
    config.repeats_limit_count = 1;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, 0, 0, 1, 240, NULL);
    air_enqueue(air, 0, 0, 1, 240, NULL);
    /* The first frame, from 12 to 45.6 ms, falls into an outage. */
    air_set_faults(air, ms(1), 0, 1, &out);
    air_set_faults(air, ms(46), 0, 1, &faults_none);
    air_advance(air, ms(1000));
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.sent_count, 1);
    assert_int_equal(seen.sent[0].frames_count, 3);
    assert_int_equal(seen.sent[0].repeats_count, 1);
    /* Its repeat follows at once. */
    assert_int_equal(seen.packets[0].repeats_count, 1);
    assert_int_equal(seen.packets[0].over_ns, ms(12 + 2 * 33.6));
    assert_int_equal(seen.packets[1].repeats_count, 0);
    assert_int_equal(seen.packets[1].over_ns, ms(12 + 3 * 33.6));
    air_free(air);
}

static void packets_of_a_direction_are_handed_over_in_order(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);
    const struct faults_config out = { .is_out = true };

    (void) state;
    config.repeats_limit_count = 1;
    config.repeats_delay_ns = 50 * NS_PER_MS;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, 0, 0, 1, 240, (void *) &config);
    air_enqueue(air, 0, 0, 1, 240, NULL);
    air_set_faults(air, ms(1), 0, 1, &out);
    air_set_faults(air, ms(46), 0, 1, &faults_none);
    air_advance(air, ms(1000));
    assert_int_equal(seen.packet_count, 2);
    assert_ptr_equal(seen.packets[0].handle, &config);
    assert_true(seen.packets[0].over_ns == seen.packets[1].over_ns);
    /* Not before 45.6 + 50 ms, and in the hub's next turn. */
    assert_int_equal(seen.sent_count, 2);
    assert_true(seen.packets[0].over_ns >= ms(95.6 + 33.6));
    air_free(air);
}

static void a_frame_is_given_up_after_its_last_repeat(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);

    (void) state;
    config.repeats_limit_count = 3;
    config.faults =
        (struct faults_config){ .loss_ratio = 1, .loss_burst = (double) NAN };
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, 0, 0, 1, 240, NULL);
    air_advance(air, ms(5000));
    assert_int_equal(seen.packet_count, 1);
    assert_int_equal(seen.fates[0], FATE_LOST);
    assert_int_equal(seen.packets[0].repeats_count, 3);
    assert_int_equal(air_waiting_bytes(air, 0), 0);
    air_free(air);
}

static void
a_frame_too_long_for_a_slower_step_is_repeated_in_parts(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(1);
    const struct faults_config out = { .is_out = true };

    (void) state;
    /* A slot holds 20 ms: 1200 B at 480 kbit/s, 150 B at 60 kbit/s. */
    config.slot_limit_ns = 32 * NS_PER_MS;
    config.repeats_limit_count = 5;
    config.frame_payload_bytes = 1000;
    struct air *air = seen_air_new(&config, &seen);

    air_set_step(air, 0, 0, 2);
    air_set_step(air, 0, 1, 2);
    air_advance(air, ms(100));
    air_set_faults(air, ms(100), 0, 1, &out);
    air_enqueue(air, ms(101), 0, 1, 1000, NULL);
    while (!seen.sent_count)
        air_advance(air, air_next_ns(air));
    const uint64_t now_ns = seen.sent[0].ended_ns + 1;

    air_set_faults(air, now_ns, 0, 1, &faults_none);
    air_set_step(air, now_ns, 0, 0);
    air_set_step(air, now_ns, 1, 0);
    air_advance(air, ms(5000));
    assert_int_equal(seen.packet_count, 1);
    assert_int_equal(seen.fates[0], FATE_DELIVERED);
    assert_true(seen.packets[0].repeats_count >= 8); /* 1000 / 138 B */
    air_free(air);
}

static void
of_a_frame_in_parts_only_what_somebody_lacks_is_repeated(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(2);
    const struct faults_config out = { .is_out = true };

    (void) state;
    config.slot_limit_ns = 32 * NS_PER_MS;
    config.repeats_limit_count = 5;
    config.frame_payload_bytes = 1000;
    struct air *air = seen_air_new(&config, &seen);

    for (size_t i = 0; i < 3; i++)
        air_set_step(air, 0, i, 2);
    air_advance(air, ms(100));
    air_set_faults(air, ms(100), 0, 2, &out);
    air_enqueue(air, ms(101), 0, 1, 500, NULL);
    air_enqueue(air, ms(101), 0, 2, 500, NULL);
    while (!seen.sent_count)
        air_advance(air, air_next_ns(air));
    const uint64_t now_ns = seen.sent[0].ended_ns + 1;

    air_set_faults(air, now_ns, 0, 2, &faults_none);
    for (size_t i = 0; i < 3; i++)
        air_set_step(air, now_ns, i, 0);
    air_advance(air, ms(5000));
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.fates[1], FATE_DELIVERED);
    assert_int_equal(seen.packets[0].to, 1);
    /* Parts of 138 B: 0..414 has only what the first station heard, so 414 to
     * 1000 is left, five of them; of the first packet one has the end. */
    assert_int_equal(seen.packets[1].repeats_count, 5);
    assert_int_equal(seen.sent_count, 1 + 5);
    air_free(air);
}

/* --- stations that come and go, radios on another step -------------------- */

static void a_station_that_is_away_has_no_turn_and_gets_nothing(void **state)
{
    struct seen seen = { 0 };
    const struct air_config config = channel(2);
    struct air *air = seen_air_new(&config, &seen);
    struct air_reading reading;

    (void) state;
    air_set_registered(air, ms(1), 2, false);
    air_enqueue(air, ms(100), 0, 2, 240, NULL);
    assert_int_equal(seen.packet_count, 1);
    assert_int_equal(seen.fates[0], FATE_AWAY);
    air_read(air, 0, &reading);
    assert_int_equal(reading.registered_count, 1);
    air_enqueue(air, ms(101), 2, 0, 240, NULL);
    air_advance(air, ms(1000));
    assert_int_equal(seen.sent_count, 0);
    air_set_registered(air, ms(1000), 2, true);
    air_advance(air, ms(1100));
    assert_int_equal(seen.sent_count, 1);
    assert_int_equal(seen.sent[0].from, 2);
    assert_int_equal(seen.fates[1], FATE_DELIVERED);
    air_free(air);
}

static void
a_radio_that_sticks_to_a_step_is_not_heard_until_it_lets_go(void **state)
{
    struct seen seen = { 0 };
    const struct air_config config = channel(1);
    struct air *air = seen_air_new(&config, &seen);

    (void) state;
    air_stick_step(air, 0, 1, 0);
    air_set_step(air, ms(1), 0, 1);
    air_set_step(air, ms(1), 1, 1);
    air_advance(air, ms(100));
    air_enqueue(air, ms(100), 0, 1, 240, NULL);
    air_enqueue(air, ms(100), 1, 0, 240, NULL);
    air_advance(air, ms(500));
    assert_int_equal(seen.fates[0], FATE_STEP_DIFFERS);
    assert_int_equal(seen.fates[1], FATE_STEP_DIFFERS);
    air_stick_step(air, ms(500), 1, AIR_NO_STEP);
    air_advance(air, ms(600));
    air_enqueue(air, ms(600), 1, 0, 240, NULL);
    air_advance(air, ms(1000));
    assert_int_equal(seen.fates[2], FATE_DELIVERED);
    assert_int_equal(seen.sent[2].step, 1);
    air_free(air);
}

/* --- contention ----------------------------------------------------------- */

static void two_that_draw_the_same_slot_collide(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(2);

    (void) state;
    config.access = ACCESS_CONTENTION;
    config.contention_window_count = 1; /* everyone draws 0 */
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, ms(3), 1, 0, 240, NULL);
    air_enqueue(air, ms(4), 2, 0, 240, NULL);
    air_advance(air, ms(500));
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.fates[0], FATE_COLLISION);
    assert_int_equal(seen.fates[1], FATE_COLLISION);
    assert_int_equal(seen.sent[0].scheduled_ns, ms(10));
    assert_int_equal(seen.sent[1].scheduled_ns, ms(10));
    assert_int_equal(seen.sent[0].collided_count, 1);
    air_free(air);
}

static void repeats_after_a_collision_get_through(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(2);

    (void) state;
    config.access = ACCESS_CONTENTION;
    config.contention_window_count = 1;
    config.repeats_limit_count = 8;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, ms(3), 1, 0, 240, NULL);
    air_enqueue(air, ms(4), 2, 0, 240, NULL);
    air_advance(air, ms(5000));
    assert_int_equal(seen.packet_count, 2);
    assert_int_equal(seen.fates[0], FATE_DELIVERED);
    assert_int_equal(seen.fates[1], FATE_DELIVERED);
    assert_true(seen.packets[0].repeats_count >= 1);
    air_free(air);
}

/* Who transmits does not hear that it collided. */
static void what_collided_is_not_repeated_into_the_same_collision(void **state)
{
    (void) state;
    for (int listens = 0; listens < 2; listens++) {
        struct seen seen = { 0 };
        struct air_config config = channel(2);

        config.access = ACCESS_CONTENTION;
        config.carrier_sense = listens;
        config.contention_window_count = 1;
        config.repeats_limit_count = 8;
        struct air *air = seen_air_new(&config, &seen);

        air_enqueue(air, ms(3), 1, 0, 480, NULL);
        air_enqueue(air, ms(3), 2, 0, 240, NULL);
        air_advance(air, ms(40));
        assert_int_equal(seen.sent_count, 0);
        air_advance(air, ms(5000));
        assert_true(seen.sent_count > 2);
        for (size_t i = 0; i < 2; i++) {
            assert_int_equal(seen.sent[i].frames_count, 3 - seen.sent[i].from);
            assert_int_equal(seen.sent[i].collided_count,
                             seen.sent[i].frames_count);
            assert_int_equal(seen.sent[i].repeats_count, 0);
        }
        assert_int_equal(seen.packet_count, 2);
        assert_int_equal(seen.fates[0], FATE_DELIVERED);
        assert_int_equal(seen.fates[1], FATE_DELIVERED);
        air_free(air);
    }
}

static void who_listens_waits_for_the_end_of_the_others(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(2);

    (void) state;
    config.access = ACCESS_CONTENTION;
    config.contention_window_count = 1;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, 0, 1, 0, 240, NULL);
    air_enqueue(air, ms(20), 2, 0, 240, NULL);
    air_advance(air, ms(500));
    assert_int_equal(seen.fates[0], FATE_DELIVERED);
    assert_int_equal(seen.fates[1], FATE_DELIVERED);
    assert_int_equal(seen.sent[1].scheduled_ns, ms(12 + 33.6));
    air_free(air);
}

static void who_does_not_listen_destroys_what_overlaps(void **state)
{
    struct seen seen = { 0 };
    struct air_config config = channel(2);

    (void) state;
    config.access = ACCESS_CONTENTION;
    config.carrier_sense = false;
    struct air *air = seen_air_new(&config, &seen);

    air_enqueue(air, 0, 1, 0, 480, NULL); /* frames end at 45.6 and 79.2 ms */
    air_enqueue(air, ms(50), 2, 0, 240, NULL);
    air_enqueue(air, ms(300), 2, 0, 240, NULL);
    air_advance(air, ms(1000));
    assert_int_equal(seen.packet_count, 3);
    assert_int_equal(seen.fates[0], FATE_COLLISION);
    assert_int_equal(seen.sent[0].frames_count, 2);
    assert_int_equal(seen.sent[0].collided_count, 1);
    assert_int_equal(seen.fates[1], FATE_COLLISION);
    assert_int_equal(seen.fates[2], FATE_DELIVERED);
    air_free(air);
}

/* --- everything at once --------------------------------------------------- */

static uint64_t below(struct draw *draw, uint64_t limit)
{
    return (uint64_t) (draw_unit(draw) * (double) limit);
}

static double chance(struct draw *draw, double most)
{
    return below(draw, 2) ? draw_unit(draw) * most : 0;
}

static struct air_config any_channel(struct draw *draw)
{
    struct air_config config = channel(1 + below(draw, 5));

    config.access = (int) below(draw, 4);
    if (config.access == ACCESS_ALTERNATING)
        config.end_count = 2;
    config.hub = below(draw, config.end_count);
    config.slots = (int) below(draw, 2);
    if (below(draw, 2))
        config.slot_least_ns = below(draw, 30) * NS_PER_MS;
    config.slot_overhead_ns = below(draw, 3) * 6 * NS_PER_MS;
    if (below(draw, 4) == 0 && config.slots == SLOTS_ADAPTIVE)
        config.slot_limit_ns = AIR_NEVER;
    config.frame_payload_bytes = below(draw, 3) * 120;
    config.further_stations_count =
        config.access == ACCESS_ALTERNATING ? 0 : below(draw, 4);
    config.repeats_limit_count = below(draw, 4);
    config.repeats_delay_ns = below(draw, 3) * 20 * NS_PER_MS;
    config.carrier_sense = below(draw, 2);
    config.contention_slotted = below(draw, 2);
    config.propagation_ns = below(draw, 1000) * NS_PER_US;
    config.seed = draw_next(draw);
    config.faults = (struct faults_config){
        .loss_ratio = chance(draw, 0.4),
        .loss_burst = below(draw, 2) ? 3 : (double) NAN,
        .loss_within_ratio = 1,
        .duplicates_ratio = chance(draw, 0.1),
        .corruption_ratio = chance(draw, 0.1),
    };
    config.other_share_ratio = chance(draw, 0.6);
    config.other_length_ns = 80 * NS_PER_MS;
    return config;
}

/* A packet's handle is the address of its number here. */
static char numbers[401];

/* What must hold whatever happens. */
struct watch {
    uint64_t bytes_in, bytes_out, told_count;
    uint64_t last_handle[PLAN_ENDS_MAX][PLAN_ENDS_MAX];
    uint64_t last_over_ns;
};

static void watch_fate(void *owner, const struct air_packet *packet,
                       enum air_fate fate)
{
    struct watch *watch = owner;
    const uint64_t number =
        (uint64_t) ((const char *) packet->handle - numbers);

    watch->told_count++;
    watch->bytes_out += packet->bytes;
    assert_true(packet->over_ns >= packet->enqueued_ns);
    if (fate == FATE_QUEUE_FULL || fate == FATE_AWAY || fate == FATE_UNFINISHED)
        return;
    assert_true(packet->first_bit_ns > 0 || packet->enqueued_ns == 0);
    assert_true(number > watch->last_handle[packet->from][packet->to]);
    watch->last_handle[packet->from][packet->to] = number;
    assert_true(packet->over_ns >= watch->last_over_ns);
    watch->last_over_ns = packet->over_ns;
}

static void change_something(struct air *air, struct draw *draw,
                             const struct air_config *config, uint64_t now_ns)
{
    const size_t end = below(draw, config->end_count);

    switch (below(draw, 4)) {
    case 0:
        air_set_step(air, now_ns, end, below(draw, config->step_count));
        break;
    case 1:
        air_stick_step(air, now_ns, end,
                       below(draw, 2) ? AIR_NO_STEP
                                      : below(draw, config->step_count));
        break;
    case 2:
        if (end != config->hub)
            air_set_registered(air, now_ns, end, below(draw, 2));
        break;
    default:
        air_set_other_traffic(air, now_ns, chance(draw, 0.5), 50 * NS_PER_MS);
    }
}

static void run_anything(uint64_t seed)
{
    struct draw draw = { seed };
    struct watch watch = { 0 };
    const struct air_config config = any_channel(&draw);
    const struct air_listener listener = { .on_fate = watch_fate,
                                           .owner = &watch };
    struct air *air = air_new(&config, &listener, 0);
    uint64_t now_ns = 0, number = 0;

    for (size_t i = 0; i < 400; i++) {
        const size_t from = below(&draw, config.end_count);
        const size_t to =
            (from + 1 + below(&draw, config.end_count - 1)) % config.end_count;
        const uint64_t bytes = 1 + below(&draw, 1500);

        now_ns += below(&draw, 120) * NS_PER_MS;
        watch.bytes_in += bytes;
        air_enqueue(air, now_ns, from, to, bytes, numbers + ++number);
        if (below(&draw, 10) == 0)
            change_something(air, &draw, &config, now_ns);
        const uint64_t next_ns = air_next_ns(air);

        if (next_ns != AIR_NEVER && below(&draw, 2))
            air_advance(air, now_ns = next_ns > now_ns ? next_ns : now_ns);
    }
    air_close(air, now_ns);
    assert_int_equal(watch.told_count, number);
    assert_int_equal(watch.bytes_out, watch.bytes_in);
    for (size_t i = 0; i < config.end_count; i++)
        assert_int_equal(air_waiting_bytes(air, i), 0);
    air_free(air);
}

static void
no_channel_loses_or_reorders_a_packet_without_saying_so(void **state)
{
    (void) state;
    for (uint64_t seed = 1; seed <= 1000; seed++)
        run_anything(seed);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_access_carries_the_bytes_of_its_slots),
        cmocka_unit_test(a_resting_channel_is_taken_at_once),
        cmocka_unit_test(after_a_transmission_it_is_the_other_ends_turn),
        cmocka_unit_test(what_comes_too_late_for_a_least_slot_waits_a_cycle),
        cmocka_unit_test(full_duplex_channels_do_not_wait_for_each_other),
        cmocka_unit_test(a_lost_frame_is_repeated_before_new_data),
        cmocka_unit_test(packets_of_a_direction_are_handed_over_in_order),
        cmocka_unit_test(a_frame_is_given_up_after_its_last_repeat),
        cmocka_unit_test(
            a_frame_too_long_for_a_slower_step_is_repeated_in_parts),
        cmocka_unit_test(
            of_a_frame_in_parts_only_what_somebody_lacks_is_repeated),
        cmocka_unit_test(a_station_that_is_away_has_no_turn_and_gets_nothing),
        cmocka_unit_test(
            a_radio_that_sticks_to_a_step_is_not_heard_until_it_lets_go),
        cmocka_unit_test(two_that_draw_the_same_slot_collide),
        cmocka_unit_test(repeats_after_a_collision_get_through),
        cmocka_unit_test(what_collided_is_not_repeated_into_the_same_collision),
        cmocka_unit_test(who_listens_waits_for_the_end_of_the_others),
        cmocka_unit_test(who_does_not_listen_destroys_what_overlaps),
        cmocka_unit_test(
            no_channel_loses_or_reorders_a_packet_without_saying_so),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
