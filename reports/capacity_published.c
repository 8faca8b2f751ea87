/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

#include <stdio.h>

static const double margin_ratio = 0.10; /* design section 5 */

/*
 * The maker's figure, taken as IP bytes after the radio's own overhead, because
 * it is called usable; +-10 % unless a range is typed.  Where it counts both
 * directions together, one direction alone gets between half of it (fixed
 * slots, or full duplex) and nearly all (shared slots).  Where that is not
 * stated, either may be meant.  The acknowledgements are taken off at the worst
 * only.
 */
struct range published_ip_bps(const struct channel *channel,
                              const struct plan_step *step)
{
    struct range ip_bps = step->usable_rate_bps;

    if (ip_bps.low == ip_bps.high)
        ip_bps = range_of(ip_bps.low * (1 - margin_ratio),
                          ip_bps.high * (1 + margin_ratio));
    if (step->usable_rate_is != RATE_ONE_WAY)
        ip_bps.low /= 2;
    if (step->usable_rate_is == RATE_BOTH_WAYS
        && channel->access == ACCESS_FULL_DUPLEX)
        ip_bps.high /= 2;
    return ip_bps;
}

void published_bounds(const struct channel *channel,
                      const struct plan_step *step, struct bounds *bounds)
{
    const struct range ip_bps = published_ip_bps(channel, step);
    struct channel ideal = *channel;

    ideal.rate_bps = ip_bps;
    const struct capacity_flow best = flow_on(&ideal, BEST);
    const struct capacity_flow worst = flow_on(&ideal, WORST);

    bounds->ip_bps = ip_bps;
    bounds->tcp_bps.low = channel->access == ACCESS_FULL_DUPLEX
                              ? ip_bps.low * capacity_content_ratio(&worst)
                              : capacity_pooled_bps(ip_bps.low, &worst, 0);
    bounds->tcp_bps.high = ip_bps.high * capacity_content_ratio(&best);
    if (step->usable_rate_is == RATE_UNSTATED)
        bounds->why = "wide: the plan does not say whether usable_rate counts "
                      "one way or both (usable_rate_is)";
}

/* One way: the maker's own figure, and what acknowledgements leave of it. */
void published_rates(const struct channel *channel,
                     const struct plan_step *step, struct rates *rates)
{
    const struct capacity_flow flow = flow_likely(channel);
    const struct range ip_bps = published_ip_bps(channel, step);

    *rates = (struct rates){
        .frames_bps = (double) NAN,
        .ip_bps = range_middle(ip_bps),
        .cycle_s = (double) NAN,
        .binds = TERM_AIR,
    };
    rates->tcp_bps = channel->access == ACCESS_FULL_DUPLEX
                         ? rates->ip_bps * capacity_content_ratio(&flow)
                         : capacity_pooled_bps(rates->ip_bps, &flow, 0);
}
