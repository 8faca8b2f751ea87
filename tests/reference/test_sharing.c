/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The practice link's air against what textbooks say of shared channels. */
#include "controller/rehearsal/driver_virtual.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

/* One packet is one frame and takes one unit of time: 100 B at 80 kbit/s. */
#define UNIT_NS      (10 * NS_PER_MS)
#define PACKET_BYTES 100

static struct air_config channel(size_t end_count)
{
    return (struct air_config){
        .end_count = end_count,
        .step_bps = { 80000 },
        .step_count = 1,
        .slot_limit_ns = UNIT_NS,
        .slot_least_ns = AIR_NEVER,
        .frame_payload_bytes = PACKET_BYTES,
        .queue_bytes = 20000000,
        .contention_slot_ns = UNIT_NS,
        .contention_window_count = 1,
        .contention_window_most_count = 1,
        .seed = 20261125,
    };
}

/* --- access without carrier sense ----------------------------------------- */

#define SLOTS_COUNT 20000

static void count_delivered(void *owner, const struct air_packet *packet,
                            enum air_fate fate)
{
    uint64_t *delivered_count = owner;

    (void) packet;
    if (fate == FATE_DELIVERED)
        (*delivered_count)++;
}

/* Each of N stations has a packet in a slot with the chance G / N; end 0 only
 * listens.  Returns how many got through. */
static uint64_t run_slotted(size_t stations_count, double load, uint64_t seed)
{
    uint64_t delivered_count = 0;
    const struct air_listener listener = { .on_fate = count_delivered,
                                           .owner = &delivered_count };
    struct air_config config = channel(1 + stations_count);
    struct draw draw = { seed };

    config.access = ACCESS_CONTENTION;
    config.contention_slotted = true;
    struct air *air = air_new(&config, &listener, 0);

    for (uint64_t slot = 0; slot < SLOTS_COUNT; slot++) {
        for (size_t i = 1; i <= stations_count; i++) {
            if (draw_unit(&draw) < load / (double) stations_count)
                air_enqueue(air, slot * UNIT_NS, i, 0, PACKET_BYTES, NULL);
        }
    }
    air_close(air, (SLOTS_COUNT + 1) * UNIT_NS);
    air_free(air);
    return delivered_count;
}

/* Within four standard errors of a share of n trials. */
static void assert_share(uint64_t count, uint64_t n, double share,
                         const char *what, double load)
{
    const double found = (double) count / (double) n;
    const double error = sqrt(share * (1 - share) / (double) n);

    if (fabs(found - share) > 4 * error)
        fail_msg("%s, G %.2f: %.4f found, %.4f +- %.4f expected", what, load,
                 found, share, 4 * error);
}

/*
 * S = G (1 - G/N)^(N-1): L. Kleinrock, "Queueing Systems, Volume II" (1976),
 * section 5.11, finite population; N to infinity: G e^-G, at most 1/e (L. G.
 * Roberts, "ALOHA packet system with and without slots and capture", 1972).
 * Both from memory; every slot is a trial, so the check is exact.
 */
static void slotted_access_carries_the_textbook_share(void **state)
{
    static const size_t stations[] = { 1, 2, 5, 20 };
    static const double loads[] = { 0.2, 0.5, 1.0, 2.0 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(stations); i++) {
        const double n = (double) stations[i];

        for (size_t k = 0; k < COUNT_OF(loads); k++) {
            if (loads[k] > n)
                continue;
            assert_share(run_slotted(stations[i], loads[k], 1 + i * 10 + k),
                         SLOTS_COUNT, loads[k] * pow(1 - loads[k] / n, n - 1),
                         "slotted", loads[k]);
        }
    }
}

static void slotted_access_never_carries_more_than_its_maximum(void **state)
{
    static const double loads[] = { 0.7, 0.9, 1.0, 1.1, 1.3 };
    uint64_t most_count = 0;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(loads); i++) {
        const uint64_t count = run_slotted(32, loads[i], 700 + i);

        most_count = count > most_count ? count : most_count;
    }
    /* For 32 stations (1 - 1/32)^31 = 0.3737; without end 1/e = 0.3679. */
    assert_true((double) most_count / SLOTS_COUNT < 0.3737 + 0.01);
    assert_true((double) most_count / SLOTS_COUNT > 1 / M_E - 0.01);
}

/* Poisson packets at N stations; one that comes while its own station sends
 * waits.  Returns the share of the time that carries, and what was offered. */
static void run_unslotted(size_t stations_count, double load, uint64_t seed,
                          uint64_t *ret_delivered, uint64_t *ret_offered)
{
    struct virtual_source sources[PLAN_ENDS_MAX];
    struct virtual_run run = { .config = channel(1 + stations_count),
                               .duration_ns = SLOTS_COUNT * UNIT_NS,
                               .sources = sources,
                               .source_count = stations_count };

    run.config.access = ACCESS_CONTENTION;
    run.config.seed = seed;
    for (size_t i = 0; i < stations_count; i++)
        sources[i] = (struct virtual_source){
            .from = i + 1,
            .to = 0,
            .packet_bytes = PACKET_BYTES,
            .end_ns = AIR_NEVER,
            .is_poisson = true,
            .gap_ns =
                (uint64_t) ((double) UNIT_NS * (double) stations_count / load),
        };
    virtual_run(&run);
    *ret_delivered = *ret_offered = 0;
    for (size_t i = 0; i < stations_count; i++) {
        *ret_delivered += sources[i].fates_count[FATE_DELIVERED];
        *ret_offered += sources[i].offered_count;
    }
}

/*
 * N. Abramson, "The ALOHA system" (1970): S = G e^-2G, at most 1/(2e) at G =
 * 1/2, for packets of unit length from very many stations.  With N stations
 * that send one packet after another, g = G/N each: another station leaves a
 * packet alone if it is silent when the packet begins (1 - g) and begins
 * nothing while it lasts (e^-g), so S = G ((1 - g) e^-g)^(N-1).  The first from
 * memory, the second worked here.
 */
static void access_at_any_time_carries_the_textbook_share(void **state)
{
    static const double loads[] = { 0.1, 0.3, 0.5, 0.8, 1.2 };

    (void) state;
    for (size_t k = 0; k < COUNT_OF(loads); k++) {
        const size_t n = 32;
        const double g = loads[k] / (double) n;
        const double finite = pow((1 - g) * exp(-g), (double) n - 1);
        uint64_t delivered, offered;

        run_unslotted(n, loads[k], 77 + k, &delivered, &offered);
        const double share = (double) delivered / (double) offered;
        /* Losses come in pairs and more: five standard errors of pairs. */
        const double error = sqrt(2 * finite * (1 - finite) / (double) offered);

        if (fabs(share - finite) > 5 * error)
            fail_msg("G %.1f: %.4f of the packets, %.4f expected", loads[k],
                     share, finite);
        /* And so close to very many stations' curve. */
        assert_true(fabs(share / exp(-2 * loads[k]) - 1)
                    < 0.06 * loads[k] + 0.02);
    }
}

/* --- waiting for a turn --------------------------------------------------- */

/* Mean time from arrival to the last bit, in units, of Poisson packets. */
static double mean_time_units(struct air_config *config,
                              double packets_per_unit, uint64_t units_count)
{
    struct virtual_source sources[PLAN_ENDS_MAX];
    const size_t count = config->end_count;
    struct virtual_run run = { .config = *config,
                               .duration_ns = units_count * UNIT_NS,
                               .sources = sources,
                               .source_count = count };
    double sum_ns = 0, packets_count = 0;

    for (size_t i = 0; i < count; i++)
        sources[i] = (struct virtual_source){
            .from = i,
            .to = i ? 0 : 1,
            .packet_bytes = PACKET_BYTES,
            .end_ns = AIR_NEVER,
            .is_poisson = true,
            .gap_ns = (uint64_t) ((double) UNIT_NS * (double) count
                                  / packets_per_unit),
        };
    virtual_run(&run);
    for (size_t i = 0; i < count; i++) {
        sum_ns += sources[i].delay_sum_ns;
        packets_count += (double) sources[i].fates_count[FATE_DELIVERED];
    }
    return sum_ns / packets_count / UNIT_NS;
}

/*
 * Fixed slots, one packet each: T = 1 + m / (2 (1 - l)).  T6.20 to T6.24 of the
 * reference sheet, after D. Bertsekas and R. Gallager, "Data Networks", section
 * 3.5 (from memory there; confirmed by simulation).
 */
static void fixed_slots_make_packets_wait_as_the_textbook_says(void **state)
{
    static const struct {
        size_t ends;
        double load, time_units, tolerance;
    } cases[] = {
        { 4, 0.5, 5.0, 0.02 },  { 8, 0.5, 9.0, 0.02 },
        { 4, 0.8, 11.0, 0.03 }, { 10, 0.1, 6.556, 0.02 },
        { 5, 0.9, 26.0, 0.05 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct air_config config = channel(cases[i].ends);

        config.slots = SLOTS_FIXED;
        const double found = mean_time_units(&config, cases[i].load, 200000);

        if (fabs(found / cases[i].time_units - 1) > cases[i].tolerance)
            fail_msg("T6.%zu: %.3f units found, %.3f expected", 20 + i, found,
                     cases[i].time_units);
    }
}

/*
 * Adaptive slots are polling with a walk of V before each end: all that waits
 * is sent (exhaustive), or one packet a turn.  T6.26 and T6.27 of the reference
 * sheet, after the same book, section 3.5.2; mean wait before the packet's own
 * transmission.
 */
static void adaptive_slots_make_packets_wait_as_the_textbook_says(void **state)
{
    static const struct {
        size_t ends;
        double load, walk_units, exhaustive_units, one_units;
    } cases[] = {
        { 4, 0.5, 0.2, 1.200, 1.750 },
        { 8, 0.6, 0.1, 1.675, 2.147 },
    };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(cases); i++) {
        struct air_config config = channel(cases[i].ends);

        config.slot_overhead_ns =
            (uint64_t) (cases[i].walk_units * (double) UNIT_NS);
        config.slot_limit_ns = AIR_NEVER;
        const double all = mean_time_units(&config, cases[i].load, 200000) - 1;

        config.slot_limit_ns = config.slot_overhead_ns + UNIT_NS;
        const double one = mean_time_units(&config, cases[i].load, 200000) - 1;

        if (fabs(all / cases[i].exhaustive_units - 1) > 0.02
            || fabs(one / cases[i].one_units - 1) > 0.02)
            fail_msg("T6.%zu: %.3f and %.3f units found, %.3f and %.3f "
                     "expected",
                     26 + i, all, one, cases[i].exhaustive_units,
                     cases[i].one_units);
    }
}

/* --- other users ---------------------------------------------------------- */

static void sum_others(void *owner, const struct air_other *other)
{
    uint64_t *sum_ns = owner;

    *sum_ns += other->ended_ns - other->began_ns;
}

static void ignore_fate(void *owner, const struct air_packet *packet,
                        enum air_fate fate)
{
    (void) owner;
    (void) packet;
    (void) fate;
}

/* The mean of a compound Poisson process: rate x mean length x time. */
static void other_users_take_the_share_that_was_asked_for(void **state)
{
    static const int accesses[] = { ACCESS_SCHEDULED, ACCESS_ALTERNATING,
                                    ACCESS_CONTENTION };
    static const double shares[] = { 0.1, 0.3, 0.6 };
    const double duration_ns = 4000e9, length_ns = 0.2e9;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(accesses); i++) {
        for (size_t k = 0; k < COUNT_OF(shares); k++) {
            uint64_t sum_ns = 0;
            struct virtual_source source = { .from = 0,
                                             .to = 1,
                                             .packet_bytes = PACKET_BYTES,
                                             .gap_ns = 90 * NS_PER_MS,
                                             .end_ns = AIR_NEVER };
            struct virtual_run run = {
                .config = channel(2),
                .duration_ns = (uint64_t) duration_ns,
                .sources = &source,
                .source_count = 1,
                .listener = { .on_fate = ignore_fate,
                              .on_other = sum_others,
                              .owner = &sum_ns },
            };

            run.config.access = accesses[i];
            run.config.carrier_sense = true;
            run.config.slot_overhead_ns = 2 * NS_PER_MS;
            run.config.slot_limit_ns = 50 * NS_PER_MS;
            run.config.other_share_ratio = shares[k];
            run.config.other_length_ns = (uint64_t) length_ns;
            virtual_run(&run);
            const double found = (double) sum_ns / duration_ns;
            /* Variance of the sum: n x E[length^2] = n x 2 length^2. */
            const double error = sqrt(2 * shares[k] * length_ns / duration_ns);

            if (fabs(found - shares[k]) > 4 * error + 0.003)
                fail_msg("access %d: %.4f of the time, %.4f expected",
                         accesses[i], found, shares[k]);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(slotted_access_carries_the_textbook_share),
        cmocka_unit_test(slotted_access_never_carries_more_than_its_maximum),
        cmocka_unit_test(access_at_any_time_carries_the_textbook_share),
        cmocka_unit_test(fixed_slots_make_packets_wait_as_the_textbook_says),
        cmocka_unit_test(adaptive_slots_make_packets_wait_as_the_textbook_says),
        cmocka_unit_test(other_users_take_the_share_that_was_asked_for),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
