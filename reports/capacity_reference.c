/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity.h"

#include <stdio.h>

/* The layers below were not measured: they stay, as far as they agree with
 * what was. */
static void take_way(struct carried *carried, struct range goodput_bps)
{
    carried->layers_bps[LAYER_FILE] = goodput_bps;
    carried->likely_bps[LAYER_FILE] = range_middle(goodput_bps);
}

static struct range both_of(struct range a, struct range b)
{
    if (!range_is_said(a))
        return b;
    if (!range_is_said(b))
        return a;
    return (struct range){ a.low < b.low ? a.low : b.low,
                           a.high > b.high ? a.high : b.high };
}

void capacity_take_reference(struct expectation *expectation,
                             const struct capacity_reference *reference)
{
    const struct range goodput_bps =
        both_of(reference->goodput_bps[WAY_TO_STATION],
                reference->goodput_bps[WAY_TO_HUB]);
    bool is_taken = false;

    for (int way = 0; way < WAY_COUNT; way++) {
        if (range_is_said(reference->goodput_bps[way]))
            take_way(&expectation->ways[way], reference->goodput_bps[way]);
    }
    if (range_is_said(goodput_bps)) {
        expectation->goodput_bps = goodput_bps;
        is_taken = true;
    }
    if (range_is_said(reference->least_rtt_ns)) {
        expectation->least_rtt_ns = reference->least_rtt_ns;
        expectation->likely_least_rtt_ns =
            range_middle(reference->least_rtt_ns);
        is_taken = true;
    }
    if (range_is_said(reference->mean_rtt_ns)) {
        expectation->mean_rtt_ns = reference->mean_rtt_ns;
        expectation->likely_mean_rtt_ns = range_middle(reference->mean_rtt_ns);
        is_taken = true;
    }
    if (!is_taken)
        return;
    (void) snprintf(expectation->source, sizeof(expectation->source),
                    "reference %.40s", reference->run);
    expectation->why[0] = '\0';
}
