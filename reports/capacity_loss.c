/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/capacity_parts.h"

/*
 * Losses that TCP sees.  Two laws, neither made for a round trip that grows
 * with the queue: the TCP equation of RFC 5348 section 3.1 with its time-outs,
 * and the square-root law (RFC 3819 section 8.5.1, C = 0.93), which knows
 * none.  Between half of the lower and twice the higher: a rough guide.
 * Systems that do not halve their window for each loss do better than both.
 */
static const double rough_factor = 2;
static const double square_root_constant = 0.93;
static const double timeout_least_s = 1; /* RFC 6298 section 2 */

static double equation_bps(double mss_bytes, double rtt_s, double loss_ratio)
{
    return capacity_tcp_equation_bps(mss_bytes, rtt_s, loss_ratio, 1,
                                     larger(4 * rtt_s, timeout_least_s));
}

struct range loss_bps(const struct channel *channel, struct range rtt_s)
{
    const struct capacity_flow worst = flow_on(channel, WORST);
    const struct capacity_flow best = flow_on(channel, BEST);
    const double worst_mss = worst.mtu_bytes - worst.header_bytes;
    const double best_mss = best.mtu_bytes - best.header_bytes;

    return range_of(
        smaller(equation_bps(worst_mss, rtt_s.high, channel->loss_ratio.high),
                capacity_square_root_bps(worst_mss, rtt_s.high,
                                         channel->loss_ratio.high,
                                         square_root_constant))
            / rough_factor,
        larger(equation_bps(best_mss, rtt_s.low, channel->loss_ratio.low),
               capacity_square_root_bps(best_mss, rtt_s.low,
                                        channel->loss_ratio.low,
                                        square_root_constant))
            * rough_factor);
}
