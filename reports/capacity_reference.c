/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

#include <stdio.h>

/* The layers below were not measured: they stay as they were computed. */
static void take_way(struct carried *carried, struct range measured_bps,
                     double no_change_ratio)
{
    if (!range_is_said(measured_bps))
        return;
    carried->layers_bps[LAYER_FILE] =
        range_of(measured_bps.low, measured_bps.high * (1 + no_change_ratio));
    carried->likely_bps[LAYER_FILE] = range_middle(measured_bps);
}

static struct range both_of(struct range a, struct range b)
{
    if (!range_is_said(a))
        return b;
    if (!range_is_said(b))
        return a;
    return range_of(smaller(a.low, b.low), larger(a.high, b.high));
}

/* The floor stays what the slots allow, or, where they are not known, half of
 * what was seen: a reply below it is taken for a sign of another way. */
static void take_trips(struct expectation *expectation,
                       const struct plan_reference *reference)
{
    const struct range least_ns = reference->least_rtt_ns;

    if (range_is_said(least_ns)) {
        const double floor_ns = range_is_said(expectation->least_rtt_ns)
                                    ? expectation->least_rtt_ns.low
                                    : least_ns.low / 2;

        expectation->least_rtt_ns =
            range_of(smaller(floor_ns, least_ns.low), least_ns.high);
        expectation->likely_least_rtt_ns = range_middle(least_ns);
        expectation->is_trip_referred = true;
    }
    if (range_is_said(reference->median_rtt_ns)) {
        expectation->mean_rtt_ns = reference->median_rtt_ns;
        expectation->likely_mean_rtt_ns =
            range_middle(reference->median_rtt_ns);
        expectation->is_trip_referred = true;
    }
}

static void say_why_not(struct expectation *expectation,
                        const struct plan_reference *reference)
{
    if (!reference->asked_run || expectation->why[0])
        return;
    (void) snprintf(expectation->why, sizeof(expectation->why),
                    "not held against reference run %lld: %s",
                    (long long) reference->asked_run, reference->why);
}

void capacity_take_reference(struct expectation *expectation,
                             const struct plan_reference *reference,
                             double no_change_ratio)
{
    struct carried *ways = expectation->ways;

    if (!reference->run) {
        say_why_not(expectation, reference);
        return;
    }
    take_way(&ways[WAY_TO_STATION], reference->to_station_bps, no_change_ratio);
    take_way(&ways[WAY_TO_HUB], reference->to_hub_bps, no_change_ratio);
    take_trips(expectation, reference);
    if (range_is_said(reference->to_station_bps)
        || range_is_said(reference->to_hub_bps)) {
        expectation->goodput_bps =
            both_of(range_is_said(reference->to_station_bps)
                        ? ways[WAY_TO_STATION].layers_bps[LAYER_FILE]
                        : range_unsaid(),
                    range_is_said(reference->to_hub_bps)
                        ? ways[WAY_TO_HUB].layers_bps[LAYER_FILE]
                        : range_unsaid());
        expectation->why[0] = '\0';
    }
    (void) snprintf(expectation->source, sizeof(expectation->source),
                    "reference run %lld%s", (long long) reference->run,
                    reference->is_practice  ? " (practice)"
                    : reference->was_on_air ? " (on the air)"
                                            : "");
}
