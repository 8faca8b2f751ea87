/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The likely values against the practice link's air on virtual time: two
 * programs that share nothing but the text in plan.h. */
#include "reports/capacity.h"
#include "tests/support/carried.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

#define STATIONS_MAX 7

/* Under the sanitizers, which make it twenty times as slow, a part of them. */
#if defined(__has_feature)
#if __has_feature(address_sanitizer)
#define EVERY 7
#endif
#elif defined(__SANITIZE_ADDRESS__)
#define EVERY 7
#endif
#if !defined(EVERY)
#define EVERY 1
#endif

static const double rates_kbd[] = { 16, 32, 80, 160, 320, 1200 };
static const uint64_t limits_ms[] = { 100, 250, 1000 };
static const uint64_t payloads[] = { 64, 240, 1000 };
static const uint64_t mtus[] = { 296, 576, 1280, 1500 };
static const size_t stations[] = { 1, 2, STATIONS_MAX };

static struct plan plan_of(uint64_t limit_ms, uint64_t payload, uint64_t mtu,
                           size_t station_count)
{
    struct plan plan = {
        .link = { .access = ACCESS_SCHEDULED,
                  .slot_overhead_ns = exactly(12e6),
                  .slot_least_ns = range_unsaid(),
                  .slot_limit_ns = exactly((double) limit_ms * 1e6),
                  .frame_payload_bytes = payload,
                  .frame_overhead_bytes = 12,
                  .mtu_bytes = mtu,
                  .distance_m = (double) NAN },
        .steps = { { .name = "one",
                     .levels = 2,
                     .code_rate_ratio = 0.75,
                     .usable_rate_bps = range_unsaid() } },
        .step_count = 1,
        .end_count = 1 + station_count,
        .practice = { .seed = 1, .queue_bytes = 1000000 },
    };

    for (size_t i = 1; i < plan.end_count; i++)
        plan.ends[i].role = ROLE_STATION;
    return plan;
}

/* Long enough for 400 cycles and 400 packets. */
static uint64_t long_enough_ns(const struct plan *plan,
                               const struct expectation *expectation)
{
    const double packets_s =
        400.0 * 8 * (double) plan->link.mtu_bytes / expectation->ip_bps.low;
    /* With contention a cycle is not told: a transmission and its wait. */
    const double cycle_ns = range_is_said(expectation->cycle_ns)
                                ? expectation->cycle_ns.high
                                : 300e6;
    /* Of the stations' channel, which may be the slower one. */
    const double turns = plan->link.access == ACCESS_FULL_DUPLEX
                             ? (double) plan->end_count - 1
                             : 1;
    const double cycles_s = 400 * turns * cycle_ns * 1e-9;

    return (uint64_t) ((packets_s > cycles_s ? packets_s : cycles_s) * 1e9);
}

static void ip_capacity_is_what_the_air_carries_within_one_percent(void **state)
{
    size_t count = 0;

    (void) state;
    for (size_t n = 0;
         n < COUNT_OF(rates_kbd) * COUNT_OF(limits_ms) * COUNT_OF(payloads)
                 * COUNT_OF(mtus) * COUNT_OF(stations);
         n += EVERY) {
        size_t rest = n;
        const size_t rate = rest % COUNT_OF(rates_kbd);
        rest /= COUNT_OF(rates_kbd);
        const size_t limit = rest % COUNT_OF(limits_ms);
        rest /= COUNT_OF(limits_ms);
        const size_t payload = rest % COUNT_OF(payloads);
        rest /= COUNT_OF(payloads);
        const size_t mtu = rest % COUNT_OF(mtus);
        const size_t station_count = stations[rest / COUNT_OF(mtus)];
        struct plan plan = plan_of(limits_ms[limit], payloads[payload],
                                   mtus[mtu], station_count);
        struct expectation expectation;

        plan.steps[0].symbol_rate_bd = exactly(rates_kbd[rate] * 1e3);
        capacity_expect_of(&plan, &plan.steps[0], &expectation);
        const double expected_bps = expectation.ways[0].likely_bps[LAYER_IP];
        const size_t station = 1 + n % station_count;
        const double carried =
            carried_bps(&plan, n % 2 ? station : 0, n % 2 ? 0 : station,
                        long_enough_ns(&plan, &expectation));

        if (!(fabs(carried / expected_bps - 1) < 0.01))
            fail_msg("%g kBd, %d ms, %d bytes a frame, MTU %d, %zu stations: "
                     "%.0f bit/s, expected %.0f",
                     rates_kbd[rate], (int) limits_ms[limit],
                     (int) payloads[payload], (int) mtus[mtu], station_count,
                     carried, expected_bps);
        count++;
    }
    assert_int_equal(count, (648 + EVERY - 1) / EVERY);
}

/* --- the other kinds of access ------------------------------------------- */

static const struct {
    int access, slots;
    size_t stations_most;
    bool has_sense;
} accesses[] = {
    { ACCESS_SCHEDULED, SLOTS_FIXED, STATIONS_MAX, false },
    { ACCESS_ALTERNATING, SLOTS_ADAPTIVE, 1, false },
    { ACCESS_FULL_DUPLEX, SLOTS_ADAPTIVE, STATIONS_MAX, false },
    { ACCESS_FULL_DUPLEX, SLOTS_FIXED, STATIONS_MAX, false },
    { ACCESS_CONTENTION, SLOTS_ADAPTIVE, STATIONS_MAX, true },
    { ACCESS_CONTENTION, SLOTS_ADAPTIVE, STATIONS_MAX, false },
};

static struct plan plan_of_access(size_t which, uint64_t mtu,
                                  size_t station_count)
{
    struct plan plan = plan_of(250, 240, mtu, station_count);

    plan.link.access = accesses[which].access;
    plan.link.slots = accesses[which].slots;
    plan.link.carrier_sense = accesses[which].has_sense;
    plan.link.contention_slot_ns = 4 * NS_PER_MS;
    plan.link.contention_window_count = 8;
    plan.link.contention_window_most_count = 64;
    return plan;
}

static void hold_ip(const struct plan *plan, const struct situation *situation,
                    bool is_up)
{
    struct expectation expectation;
    const size_t station = plan->end_count - 1;
    const int way = is_up ? WAY_TO_HUB : WAY_TO_STATION;

    capacity_expect_when(plan, &plan->steps[0], situation, &expectation);
    const double expected_bps = expectation.ways[way].likely_bps[LAYER_IP];
    const double carried =
        carried_bps(plan, is_up ? station : 0, is_up ? 0 : station,
                    long_enough_ns(plan, &expectation));

    if (!(fabs(carried / expected_bps - 1) < 0.01))
        fail_msg("%s, %s slots, MTU %d, %zu stations, %g kBd, %s, %g %% of "
                 "frames lost: %.0f bit/s, expected %.0f",
                 link_accesses[plan->link.access],
                 link_slots_words[plan->link.slots], (int) plan->link.mtu_bytes,
                 plan->end_count - 1, plan->steps[0].symbol_rate_bd.low / 1e3,
                 is_up ? "up" : "down", situation->frame_loss_ratio * 100,
                 carried, expected_bps);
}

static void every_access_carries_what_is_expected(void **state)
{
    static const double few_kbd[] = { 32, 80, 320 };
    static const struct situation nothing;

    (void) state;
    for (size_t i = 0; i < COUNT_OF(accesses); i++) {
        for (size_t n = 0;
             n < COUNT_OF(few_kbd) * COUNT_OF(mtus) * COUNT_OF(stations) * 2;
             n += EVERY) {
            const size_t station_count = stations[n / 2 % COUNT_OF(stations)];
            struct plan plan =
                plan_of_access(i, mtus[n / 6 % COUNT_OF(mtus)], station_count);

            if (station_count > accesses[i].stations_most)
                continue;
            plan.steps[0].symbol_rate_bd =
                exactly(few_kbd[n / 24 % COUNT_OF(few_kbd)] * 1e3);
            hold_ip(&plan, &nothing, n % 2);
        }
    }
}

/* Whatever the access: the radios repeat what is lost. */
static void lost_frames_take_the_air_again(void **state)
{
    static const double losses[] = { 0.02, 0.1, 0.3 };

    (void) state;
    for (size_t i = 0; i < COUNT_OF(accesses); i++) {
        for (size_t j = 0; j < COUNT_OF(losses); j++) {
            const struct situation situation = { .frame_loss_ratio =
                                                     losses[j] };
            struct plan plan = plan_of_access(i, 1500, 1);

            plan.link.repeats_limit_count = 100;
            plan.practice.faults.loss_ratio = losses[j];
            plan.steps[0].symbol_rate_bd = exactly(320e3);
            hold_ip(&plan, &situation, j % 2);
        }
    }
}

/* --- round trips --------------------------------------------------------- */

static bool is_least(double seen_ns, const struct range *expected_ns,
                     double luck_ns)
{
    return seen_ns >= expected_ns->low - 1e3
           && seen_ns <= expected_ns->high + luck_ns + 1e3;
}

/* Probes that far outnumber the 130 from which the mean is claimed. */
static void hold_trip(const struct plan *plan, size_t from, size_t to)
{
    const uint64_t probes = 260;
    struct round_trip trip;

    capacity_round_trip(plan, &plan->steps[0], NULL, from, to, &trip);
    const double cycle_ns = trip.spread_ns.high;
    const double apart_ns = cycle_ns > 0 ? cycle_ns : 1e6;
    /* Two draws from the window must be 0 at once. */
    const double luck_ns = plan->link.access == ACCESS_CONTENTION
                               ? (double) plan->link.contention_slot_ns
                               : 3 * cycle_ns / (double) probes;

    const struct probed seen =
        probe_air(plan, from, to, (uint64_t) apart_ns, probes);

    if (!(seen.least_ns >= trip.likely_least_ns - 1e3
          && seen.least_ns <= trip.likely_least_ns + luck_ns + 1e3))
        fail_msg("%s, %zu stations, %g kBd, %zu to %zu: least %.0f ns, "
                 "expected %.0f",
                 link_accesses[plan->link.access], plan->end_count - 1,
                 plan->steps[0].symbol_rate_bd.low / 1e3, from, to,
                 seen.least_ns, trip.likely_least_ns);
    if (!is_least(seen.there_ns, &trip.there_least_ns, luck_ns)
        || !is_least(seen.back_ns, &trip.back_least_ns, luck_ns))
        fail_msg("%s, %zu stations, %g kBd, %zu to %zu: least %.0f ns there "
                 "and %.0f ns back, expected %.0f to %.0f and %.0f to %.0f",
                 link_accesses[plan->link.access], plan->end_count - 1,
                 plan->steps[0].symbol_rate_bd.low / 1e3, from, to,
                 seen.there_ns, seen.back_ns, trip.there_least_ns.low,
                 trip.there_least_ns.high, trip.back_least_ns.low,
                 trip.back_least_ns.high);
    if (!(fabs(seen.mean_ns / trip.likely_mean_ns - 1) < 0.05))
        fail_msg("%s, %zu stations, %g kBd, %zu to %zu: mean %.0f ns, expected "
                 "%.0f",
                 link_accesses[plan->link.access], plan->end_count - 1,
                 plan->steps[0].symbol_rate_bd.low / 1e3, from, to,
                 seen.mean_ns, trip.likely_mean_ns);
}

static void round_trips_are_what_the_air_takes(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(rates_kbd); i++) {
        for (size_t j = 0; j < COUNT_OF(stations); j++) {
            struct plan plan = plan_of(250, 240, 1500, stations[j]);

            plan.steps[0].symbol_rate_bd = exactly(rates_kbd[i] * 1e3);
            for (size_t n = 0; n < 2 * stations[j]; n++)
                hold_trip(&plan, n % 2 ? 1 + n / 2 : 0, n % 2 ? 0 : 1 + n / 2);
        }
    }
}

static void so_they_are_however_the_channel_is_shared(void **state)
{
    (void) state;
    for (size_t i = 0; i < COUNT_OF(accesses); i++) {
        for (size_t j = 0; j < COUNT_OF(rates_kbd) * COUNT_OF(stations); j++) {
            const size_t station_count = stations[j % COUNT_OF(stations)];
            struct plan plan = plan_of_access(i, 1500, station_count);

            if (station_count > accesses[i].stations_most)
                continue;
            plan.steps[0].symbol_rate_bd =
                exactly(rates_kbd[j / COUNT_OF(stations)] * 1e3);
            hold_trip(&plan, 0, station_count);
            hold_trip(&plan, station_count, 0);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            ip_capacity_is_what_the_air_carries_within_one_percent),
        cmocka_unit_test(every_access_carries_what_is_expected),
        cmocka_unit_test(lost_frames_take_the_air_again),
        cmocka_unit_test(round_trips_are_what_the_air_takes),
        cmocka_unit_test(so_they_are_however_the_channel_is_shared),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
