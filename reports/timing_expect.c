/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/timing_expect.h"

#include "reports/capacity_arithmetic.h"

#include <bothends/kinds/timing.h>

static struct timing_expected nothing_expected(void)
{
    const struct range unsaid = range_unsaid();

    return (struct timing_expected){ .trip = { .least_ns = unsaid,
                                               .mean_ns = unsaid,
                                               .there_airtime_ns = unsaid },
                                     .least_s = { unsaid, unsaid } };
}

static struct range in_seconds(struct range range_ns)
{
    return (struct range){ range_ns.low * 1e-9, range_ns.high * 1e-9 };
}

/* Both are radio sites, and one of them is the hub. */
static bool crosses_once(const struct plan *plan, size_t from, size_t to)
{
    return from < plan->end_count && to < plan->end_count
           && plan_end_is_site(&plan->ends[from])
           && plan_end_is_site(&plan->ends[to])
           && (plan->ends[from].role == ROLE_HUB
               || plan->ends[to].role == ROLE_HUB);
}

static bool find_trip(const struct reduction *reduction,
                      const struct exchange_record *exchange, size_t step,
                      struct round_trip *ret_trip)
{
    const struct plan *plan = reduction->plan;
    const struct timing_spec *spec = (const void *) exchange->spec.bytes;
    const double bytes = UDP_HEADER_BYTES + (double) spec->size_bytes;
    const struct packet_trip packets = { plan_find_end(plan, exchange->from),
                                         plan_find_end(plan, exchange->to),
                                         bytes, bytes };

    if (!exchange->has_spec || step >= plan->step_count
        || !crosses_once(plan, packets.from, packets.to))
        return false;
    capacity_packet_trip(plan, &plan->steps[step], &packets, ret_trip);
    return range_is_said(ret_trip->there_airtime_ns);
}

double timing_floor_s(const struct reduction *reduction,
                      const struct exchange_record *exchange, size_t step)
{
    struct round_trip trip;

    return find_trip(reduction, exchange, step, &trip)
               ? trip.there_airtime_ns.low * 1e-9
               : 0;
}

/* A reply that its end holds for a part of the wait for its turn waits the less
 * for it: with the time at the far end taken off, only the airtime is sure. */
static void allow_holding(struct timing_expected *expected)
{
    expected->trip.least_ns.low =
        fmin(expected->trip.least_ns.low, 2 * expected->floor_s * 1e9);
    expected->least_s[WAY_BACK].low =
        fmin(expected->least_s[WAY_BACK].low, expected->floor_s);
}

struct timing_expected timing_expect(const struct reduction *reduction,
                                     const struct exchange_record *exchange)
{
    struct timing_expected expected = nothing_expected();
    struct round_trip trip;

    if (!find_trip(reduction, exchange, exchange->step_index, &trip))
        return expected;
    expected.floor_s = trip.there_airtime_ns.low * 1e-9;
    if (strcmp(exchange->condition, "idle") != 0)
        return expected;
    expected.trip = trip;
    expected.least_s[WAY_THERE] = in_seconds(trip.there_least_ns);
    expected.least_s[WAY_BACK] = in_seconds(trip.back_least_ns);
    allow_holding(&expected);
    return expected;
}
