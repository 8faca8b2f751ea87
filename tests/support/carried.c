/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/support/carried.h"

#include "controller/rehearsal/driver_virtual.h"

#include <setjmp.h>
#include <stdarg.h>
/* cmocka.h must follow the four above */
#include <cmocka.h>

struct range exactly(double value)
{
    return (struct range){ value, value };
}

/* --- flows ---------------------------------------------------------------- */

struct arrivals {
    uint64_t from_ns;
    struct {
        uint64_t first_ns, last_ns, bytes_after_first;
    } by_end[PLAN_ENDS_MAX]; /* that sent */
};

static void on_fate(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    struct arrivals *arrivals = owner;

    if (fate != FATE_DELIVERED || packet->over_ns < arrivals->from_ns)
        return;
    if (arrivals->by_end[packet->from].first_ns)
        arrivals->by_end[packet->from].bytes_after_first += packet->bytes;
    else
        arrivals->by_end[packet->from].first_ns = packet->over_ns;
    arrivals->by_end[packet->from].last_ns = packet->over_ns;
}

void carry_together(const struct plan *plan,
                    const struct capacity_demand *flows, size_t count,
                    uint64_t duration_ns, double *ret_by_end_bps)
{
    struct virtual_source sources[PLAN_GROUP_MAX];
    struct virtual_run run = { .duration_ns = duration_ns,
                               .sources = sources,
                               .source_count = count };
    struct arrivals arrivals = { .from_ns = duration_ns / 10 };
    struct fault fault;

    assert_true(count <= PLAN_GROUP_MAX);
    for (size_t i = 0; i < count; i++)
        sources[i] =
            (struct virtual_source){ .from = flows[i].from,
                                     .to = flows[i].to,
                                     .packet_bytes = plan->link.mtu_bytes,
                                     .end_ns = duration_ns,
                                     .backlog_count = 300 };
    assert_int_equal(air_config_from_plan(plan, &run.config, &fault), 0);
    run.listener =
        (struct air_listener){ .on_fate = on_fate, .owner = &arrivals };
    virtual_run(&run);
    for (size_t i = 0; i < plan->end_count; i++) {
        const uint64_t span_ns =
            arrivals.by_end[i].last_ns - arrivals.by_end[i].first_ns;

        ret_by_end_bps[i] = span_ns
                                ? (double) arrivals.by_end[i].bytes_after_first
                                      * 8e9 / (double) span_ns
                                : 0;
    }
}

double carried_bps(const struct plan *plan, size_t from, size_t to,
                   uint64_t duration_ns)
{
    const struct capacity_demand flow = { .from = from, .to = to };
    double by_end_bps[PLAN_ENDS_MAX];

    carry_together(plan, &flow, 1, duration_ns, by_end_bps);
    return by_end_bps[from];
}

/* --- echoes --------------------------------------------------------------- */

static void on_echo(void *owner, const struct air_packet *packet,
                    enum air_fate fate)
{
    uint64_t *over_ns = owner;

    if (fate == FATE_DELIVERED)
        *over_ns = packet->over_ns;
}

static uint64_t cross(struct air *air, uint64_t *over_ns, uint64_t now_ns,
                      size_t from, size_t to)
{
    *over_ns = 0;
    air_enqueue(air, now_ns, from, to, 84, NULL);
    while (!*over_ns)
        air_advance(air, air_next_ns(air));
    return *over_ns;
}

struct probed probe_air(const struct plan *plan, size_t from, size_t to,
                        uint64_t cycle_ns, uint64_t probes)
{
    struct air_config config;
    struct fault fault;
    uint64_t over_ns = 0;
    const struct air_listener listener = { .on_fate = on_echo,
                                           .owner = &over_ns };
    struct probed seen = { (double) INFINITY, 0, (double) INFINITY,
                           (double) INFINITY };

    assert_int_equal(air_config_from_plan(plan, &config, &fault), 0);
    struct air *air = air_new(&config, &listener, 0);
    uint64_t at_ns = 100 * NS_PER_MS;

    for (uint64_t i = 0; i < probes; i++) {
        const uint64_t there_ns = cross(air, &over_ns, at_ns, from, to);
        const uint64_t back_ns = cross(air, &over_ns, there_ns, to, from);
        const double rtt_ns = (double) (back_ns - at_ns);

        seen.mean_ns += rtt_ns / (double) probes;
        seen.least_ns = fmin(seen.least_ns, rtt_ns);
        seen.there_ns = fmin(seen.there_ns, (double) (there_ns - at_ns));
        seen.back_ns = fmin(seen.back_ns, (double) (back_ns - there_ns));
        /* Phases of the cycle as it is now: evenly, by the golden ratio. */
        const double phase = fmod((double) i * 0.618033988749895, 1);

        at_ns =
            back_ns + 100 * NS_PER_MS + (uint64_t) (phase * (double) cycle_ns);
    }
    air_free(air);
    return seen;
}
