/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The likely values against the practice link's air on virtual time, on
 * channels drawn at random: BOTHENDS_TEST_SEED draws others. */
#include "tests/support/carried.h"

#include <bothends/draw.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

/* The sanitizers make it twenty times as slow. */
#if defined(__has_feature)
#if __has_feature(address_sanitizer)
#define CHANNELS_COUNT 4
#endif
#elif defined(__SANITIZE_ADDRESS__)
#define CHANNELS_COUNT 4
#endif
#if !defined(CHANNELS_COUNT)
#define CHANNELS_COUNT 80
#endif

#define STATIONS_MAX 7

static uint64_t given_seed(void)
{
    const char *given = getenv("BOTHENDS_TEST_SEED");

    return given ? strtoull(given, NULL, 10) : 1;
}

/* From least to most, evenly in the logarithm. */
static double between(struct draw *draw, double least, double most)
{
    return least * exp(draw_unit(draw) * log(most / least));
}

static uint64_t below(struct draw *draw, uint64_t limit)
{
    return (uint64_t) (draw_unit(draw) * (double) limit);
}

static void draw_link(struct draw *draw, struct plan_link *link)
{
    *link = (struct plan_link){
        .access = (int) below(draw, 4),
        .slots = (int) below(draw, 2),
        .slot_overhead_ns = exactly(floor(between(draw, 4e6, 30e6))),
        .slot_least_ns = range_unsaid(),
        .slot_limit_ns = exactly(floor(between(draw, 100e6, 500e6))),
        .frame_payload_bytes = (uint64_t) between(draw, 60, 1000),
        .frame_overhead_bytes = below(draw, 24),
        .mtu_bytes = (uint64_t) between(draw, 296, 1500),
        .distance_m = (double) NAN,
        .carrier_sense = true,
        .contention_slot_ns = (uint64_t) between(draw, 1e6, 10e6),
        .contention_window_count = UINT64_C(4) << below(draw, 3),
        .contention_window_most_count = 64,
    };
    if (below(draw, 3) == 0)
        link->slot_least_ns = exactly(floor(between(draw, 2e6, 60e6)));
    if (below(draw, 5) == 0)
        link->frame_payload_bytes = 0; /* a transmission is one frame */
    if (link->access != ACCESS_SCHEDULED && link->access != ACCESS_FULL_DUPLEX)
        link->slots = SLOTS_ADAPTIVE;
}

static struct plan draw_plan(struct draw *draw)
{
    struct plan plan = {
        .steps = { { .name = "one",
                     .symbol_rate_bd = exactly(floor(between(draw, 2e4, 2e6))),
                     .levels = 2,
                     .code_rate_ratio = 1,
                     .usable_rate_bps = range_unsaid() } },
        .step_count = 1,
        .practice = { .seed = draw_next(draw), .queue_bytes = 100000000 },
    };

    draw_link(draw, &plan.link);
    plan.end_count = plan.link.access == ACCESS_ALTERNATING
                         ? 2
                         : 2 + below(draw, STATIONS_MAX);
    for (size_t i = 1; i < plan.end_count; i++)
        plan.ends[i].role = ROLE_STATION;
    return plan;
}

static void tell(const struct plan *plan, size_t number)
{
    const struct plan_link *link = &plan->link;

    print_message("seed %llu, channel %zu: %s, %s slots, overhead %.1f ms, "
                  "least %.1f ms, limit %.1f ms, frames of %d + %d B, MTU %d, "
                  "%zu stations, %.0f bit/s, %g %% of frames lost\n",
                  (unsigned long long) given_seed(), number,
                  link_accesses[link->access], link_slots_words[link->slots],
                  link->slot_overhead_ns.low / 1e6,
                  link->slot_least_ns.low / 1e6, link->slot_limit_ns.low / 1e6,
                  (int) link->frame_payload_bytes,
                  (int) link->frame_overhead_bytes, (int) link->mtu_bytes,
                  plan->end_count - 1, plan->steps[0].symbol_rate_bd.low,
                  plan->practice.faults.loss_ratio * 100);
}

/* Long enough for 500 packets of each and 500 of everybody's slots; for chance
 * to even out longer where frames are lost, or waits are drawn. */
static uint64_t long_enough_ns(const struct plan *plan, double least_bps)
{
    const double packets_s =
        500.0 * 8 * (double) plan->link.mtu_bytes / least_bps;
    const double cycles_s =
        500 * (double) plan->end_count * plan->link.slot_limit_ns.high * 1e-9;
    const bool is_lossy = plan->practice.faults.loss_ratio > 0;
    const bool is_drawn = plan->link.access == ACCESS_CONTENTION;
    const double longer_s = packets_s > cycles_s ? packets_s : cycles_s;
    double times = is_drawn || is_lossy ? 8 : 1;

    if (is_lossy && !plan->link.frame_payload_bytes)
        times = 32; /* few frames */
    return (uint64_t) (longer_s * times * 1e9);
}

static bool is_within(double measured, double expected, double ratio)
{
    return fabs(measured / expected - 1) < ratio;
}

/* --- one backlog or several ----------------------------------------------- */

static size_t draw_demands(struct draw *draw, const struct plan *plan,
                           struct capacity_demand *ret_demands)
{
    const bool is_alone = plan->link.access == ACCESS_CONTENTION;
    const size_t active =
        is_alone ? 1 : 1 + (size_t) below(draw, plan->end_count - 1);
    const uint64_t ways = is_alone ? below(draw, 2) : below(draw, 3);
    size_t count = 0;

    for (size_t station = 1; station <= active; station++) {
        if (ways != 0)
            ret_demands[count++] = (struct capacity_demand){
                .from = 0, .to = station, .traffic = TRAFFIC_UDP
            };
        if (ways != 1)
            ret_demands[count++] = (struct capacity_demand){
                .from = station, .to = 0, .traffic = TRAFFIC_UDP
            };
    }
    return count;
}

static bool goes_to_several(const struct capacity_demand *demands, size_t count)
{
    for (size_t i = 1; i < count; i++) {
        if (demands[i].from == 0 && demands[i].to > 1)
            return true;
    }
    return false;
}

static void hold_together(const struct plan *plan, size_t number,
                          const struct capacity_demand *demands, size_t count)
{
    const struct situation situation = { .frame_loss_ratio =
                                             plan->practice.faults.loss_ratio };
    struct capacity_share shares[PLAN_GROUP_MAX];
    double expected_bps[PLAN_ENDS_MAX] = { 0 };
    double carried[PLAN_ENDS_MAX];
    double least_bps = (double) INFINITY;

    capacity_shares(plan, &plan->steps[0], &situation, demands, count, shares);
    for (size_t i = 0; i < count; i++) {
        expected_bps[demands[i].from] += shares[i].likely_bps;
        least_bps = fmin(least_bps, shares[i].likely_bps);
    }
    carry_together(plan, demands, count, long_enough_ns(plan, least_bps),
                   carried);
    for (size_t end = 0; end < plan->end_count; end++) {
        if (!(expected_bps[end] > 0)
            || is_within(carried[end], expected_bps[end], 0.01))
            continue;
        tell(plan, number);
        fail_msg("end %zu, one of %zu flows: %.0f bit/s, expected %.0f", end,
                 count, carried[end], expected_bps[end]);
    }
}

static void
flows_together_carry_what_is_expected_within_one_percent(void **state)
{
    struct draw draw = { given_seed() };

    (void) state;
    for (size_t i = 0; i < CHANNELS_COUNT; i++) {
        struct plan plan = draw_plan(&draw);
        struct capacity_demand demands[PLAN_GROUP_MAX];
        const size_t count = draw_demands(&draw, &plan, demands);

        /* A frame with parts for several is repeated while one lacks it: how
         * often, depends on what comes to lie in a frame. */
        if (below(&draw, 3) == 0 && !goes_to_several(demands, count)) {
            plan.practice.faults.loss_ratio = 0.1 * draw_unit(&draw);
            plan.link.repeats_limit_count = 100;
        }
        hold_together(&plan, i, demands, count);
    }
}

/* --- round trips ---------------------------------------------------------- */

static void hold_trip(const struct plan *plan, size_t number, size_t from,
                      size_t to)
{
    const bool is_drawn = plan->link.access == ACCESS_CONTENTION;
    const uint64_t probes = is_drawn ? 1300 : 260;
    struct round_trip trip;

    capacity_round_trip(plan, &plan->steps[0], NULL, from, to, &trip);
    const double cycle_ns = trip.spread_ns.high;
    /* With contention two draws from the window add up to n slots or less in
     * about n^2 / 2 of all window^2 cases: here in 8 of the probes. */
    const double window = (double) plan->link.contention_window_count;
    const double luck_ns = is_drawn
                               ? (double) plan->link.contention_slot_ns
                                     * (1 + window * sqrt(16 / (double) probes))
                               : 3 * cycle_ns / (double) probes;
    const struct probed seen = probe_air(
        plan, from, to, (uint64_t) (cycle_ns > 0 ? cycle_ns : 1e6), probes);

    if (seen.least_ns >= trip.likely_least_ns - 1e3
        && seen.least_ns <= trip.likely_least_ns + luck_ns + 1e3
        && is_within(seen.mean_ns, trip.likely_mean_ns, 0.05))
        return;
    tell(plan, number);
    fail_msg("%zu to %zu: least %.0f ns, expected %.0f and up to %.0f more; "
             "mean %.0f ns, expected %.0f",
             from, to, seen.least_ns, trip.likely_least_ns, luck_ns,
             seen.mean_ns, trip.likely_mean_ns);
}

static void round_trips_are_what_is_expected(void **state)
{
    struct draw draw = { given_seed() };

    (void) state;
    for (size_t i = 0; i < CHANNELS_COUNT; i++) {
        const struct plan plan = draw_plan(&draw);
        const size_t station = 1 + (size_t) below(&draw, plan.end_count - 1);

        hold_trip(&plan, i, 0, station);
        hold_trip(&plan, i, station, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(
            flows_together_carry_what_is_expected_within_one_percent),
        cmocka_unit_test(round_trips_are_what_is_expected),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
