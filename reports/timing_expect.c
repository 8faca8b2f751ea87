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

struct timing_expected timing_expect(const struct reduction *reduction,
                                     const struct exchange_record *exchange)
{
    const struct plan *plan = reduction->plan;
    const struct timing_spec *spec = (const void *) exchange->spec.bytes;
    const double bytes = UDP_HEADER_BYTES + (double) spec->size_bytes;
    struct timing_expected expected = nothing_expected();
    const struct packet_trip packets = { plan_find_end(plan, exchange->from),
                                         plan_find_end(plan, exchange->to),
                                         bytes, bytes };

    if (!exchange->has_spec || exchange->step_index >= plan->step_count
        || !crosses_once(plan, packets.from, packets.to))
        return expected;
    capacity_packet_trip(plan, &plan->steps[exchange->step_index], &packets,
                         &expected.trip);
    if (range_is_said(expected.trip.there_airtime_ns))
        expected.floor_s = expected.trip.there_airtime_ns.low * 1e-9;
    if (strcmp(exchange->condition, "idle") != 0) {
        expected.trip = nothing_expected().trip;
        return expected;
    }
    expected.least_s[WAY_THERE] = in_seconds(expected.trip.there_least_ns);
    expected.least_s[WAY_BACK] = in_seconds(expected.trip.back_least_ns);
    return expected;
}
